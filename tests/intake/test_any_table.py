"""Tables of any encoding, quoting, columns and words: no traceback, and the counts always add up."""

from __future__ import annotations

import csv
import io
import json

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fhirdrain.errors import FhirdrainError
from fhirdrain.site import load_site
from fhirdrain.street.mapping import map_sources
from tests.conftest import HEADER, site_text

ENCODINGS = ["utf-8", "utf-8-sig", "cp1252", "utf-16", "utf-16-be", "latin-1", "cp850"]
CELLS = {
    "id": ["", "1", "2", "3"],
    "pat": ["", "p-1", "p-2"],
    "drain": ["", "right 1", "left 1", "R1", "chest tube"],
    "seen": ["2025-01-10 10:00", "2025-01-10 12:00", "2025-10-26 02:30", "10.01.2025", "2025-01-10", ""],
    "stored": ["", "2025-01-10 10:05", "2025-01-11 10:05", "later"],
    "item": ["lvl", "out", "out2", "chg", "suc", "ord", "air", "swg", "col", "lie", "plc", "rem", "txt", "?"],
    "value": ["100", "1.790", "19,5", "-5", "20 cm", "full", "present", "suction 20", "in", "planned",
              "none", "not looked at", "would not", "left front", "", "Größe", "1e9", "٣"],
    "unit": ["", "mL", "ml", "ML", "cmH2O", "mmHg", "x"],
    "state": ["", "struck", "put right", "final", "odd"],
    "note": ["", "closed", "two\nlines", '"quoted"', "a,b;c\td"],
    "no": ["", "1", "0", "x"],
    "closing": ["", "140", "x"],
}  # fmt: skip

some = st.one_of(*(st.sampled_from(cells) for cells in CELLS.values()), st.text(max_size=6))


@st.composite
def table(draw, layout):
    encoding = draw(st.sampled_from(ENCODINGS))
    delimiter = draw(st.sampled_from([",", ";", "\t", "|"]))
    header = list(draw(st.permutations(HEADER))) if draw(st.booleans()) else list(HEADER)
    if layout == "wide":
        header = [name for name in header if name not in ("item", "value", "unit")]
        header += draw(
            st.lists(st.sampled_from(CELLS["item"]), min_size=1, max_size=5, unique=True)
        )
    if draw(st.integers(0, 9)) == 0:
        header[draw(st.integers(0, len(header) - 1))] = draw(some)
    text = io.StringIO()
    writer = csv.writer(
        text,
        delimiter=delimiter,
        quoting=draw(st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL])),
        lineterminator=draw(st.sampled_from(["\n", "\r\n"])),
    )
    writer.writerow(header)
    for _ in range(draw(st.integers(0, 6))):
        usual = [
            draw(st.sampled_from(CELLS.get(name, CELLS["value"] if layout == "wide" else [""])))
            for name in header
        ]
        odd = draw(st.integers(0, 7))
        if odd == 0:
            usual = usual[: draw(st.integers(0, len(usual)))]
        elif odd == 1:
            usual += [draw(some)]
        elif odd == 2:
            usual[draw(st.integers(0, len(usual) - 1))] = draw(some)
        writer.writerow(usual)
    data = text.getvalue().encode(encoding, errors="replace")
    if draw(st.integers(0, 7)) == 0:
        place = draw(st.integers(0, len(data)))
        data = (
            data[:place]
            + draw(st.sampled_from([b"", b'"', b"\xff", b"\0", b"\n"]))
            + data[place + 1 :]
        )
    said = draw(st.sampled_from([encoding, encoding, "utf-8"]))
    return said, delimiter, data


@st.composite
def lines(draw):
    made = b""
    for _ in range(draw(st.integers(0, 5))):
        entry = {name: draw(st.sampled_from(cells)) for name, cells in CELLS.items()}
        if draw(st.booleans()):
            entry["value"] = draw(
                st.one_of(
                    st.integers(), st.floats(), st.none(), st.booleans(), st.lists(st.integers())
                )
            )
        if draw(st.integers(0, 5)) == 0:
            entry.pop(draw(st.sampled_from(list(entry))))
        line = json.dumps(entry, ensure_ascii=draw(st.booleans())).encode()
        if draw(st.integers(0, 5)) == 0:
            place = draw(st.integers(0, len(line)))
            line = (
                line[:place]
                + draw(st.sampled_from([b"", b"{", b"\xff", b"\0", b'"']))
                + line[place + 1 :]
            )
        made += line + draw(st.sampled_from([b"\n", b"\r\n", b"\n\n"]))
    return made


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("any")


def run(folder, source, data, name="in.csv", sites=None):
    (folder / "site.toml").write_text(sites or site_text(source=source), encoding="utf-8")
    site = load_site(folder / "site.toml")
    (folder / name).write_bytes(data)
    for left in folder.glob("refused*"):
        left.unlink()
    try:
        report = map_sources(
            [folder / name],
            site,
            site.source(None),
            io.BytesIO(),
            rejects=folder / f"refused-{name}",
        )
    except FhirdrainError:
        return
    assert report.balanced
    assert len(report.issues) == report.rejected
    assert bool(report.rejected) == bool(report.rejects)
    if not report.rejected:
        return
    # What was refused is written out so that it is read, and refused, again.
    (written,) = report.rejects
    again = map_sources(
        [written], site, site.source(None), io.BytesIO(), rejects=folder / f"again-{name}"
    )
    assert again.balanced
    assert again.rejected or again.items == 0 or alone_it_stands(report)


def alone_it_stands(report) -> bool:
    """Tell whether a refusal was about rows together: ties, and withdrawals of nothing."""
    return {issue.rule for issue in report.issues} & {"tie", "withdrawal", "no-line-end"} != set()


quick = settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@given(table("long"))
@quick
def test_any_long_table(folder, made):
    encoding, delimiter, data = made
    run(folder, f'encoding = "{encoding}"\ndelimiter = {json.dumps(delimiter)}', data)


@given(table("wide"))
@quick
def test_any_wide_table(folder, made):
    encoding, delimiter, data = made
    head = f'layout = "wide"\nencoding = "{encoding}"\ndelimiter = {json.dumps(delimiter)}'
    text = site_text(source=head).replace('item = "item"\nvalue = "value"\nunit = "unit"\n', "")
    run(folder, "", data, sites=text)


@given(lines())
@quick
def test_any_json_lines(folder, data):
    text = site_text().replace('kind = "table"', 'kind = "jsonlines"')
    run(folder, "", data, name="in.jsonl", sites=text)
