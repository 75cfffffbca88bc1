"""Records of any encoding, quoting, columns and words: no traceback, and the counts always add up.

Most rows are right, and here and there a cell, a row or a byte is spoilt.
"""

from __future__ import annotations

import csv
import io
import json

import pytest
from hypothesis import HealthCheck, event, example, given, settings
from hypothesis import strategies as st

from fhirdrain.errors import FhirdrainError
from fhirdrain.site import load_site
from fhirdrain.street.mapping import map_sources
from tests.conftest import HEADER, site_text

ENCODINGS = ["utf-8", "utf-8-sig", "cp1252", "utf-16", "utf-16-be", "latin-1", "cp850"]
# Items of the test site with values it knows.
RIGHT = {
    "lvl": ["0", "100", "19.0", "250 ml"],
    "out": ["45 mL", "0 cc"],
    "chg": ["full", "damaged"],
    "suc": ["20 cm", "on seal", "15", "2 kPa"],
    "ord": ["suction 20", "seal"],
    "air": ["none", "cough only", "not looked at"],
    "swg": ["present", "would not"],
    "col": ["serous", "blutig"],
    "lie": ["left front"],
    "plc": ["in"],
    "rem": ["planned"],
    "txt": ["anything, with a \"quote\" and\na line"],
}  # fmt: skip
WRONG = ["", "1.790", "-5", "1e9", "٣", "odd", "Größe", "2025-01-10", "\x0b", "9" * 40, "x" * 300]
SHARED = {
    "pat": ["p-1", "p-2"],
    "drain": ["right 1", "left 1", "R1"],
    "stored": ["", "2025-01-11 10:05", "2025-01-09 10:05"],
    "state": ["", "final", "struck", "put right"],
    "by": ["", "n-1"],
    "note": ["", "closed", "two\nlines", "a,b;c\td"],
}

share = st.integers(0, 9)
times = st.integers(0, 2000).map(
    lambda n: f"2025-01-{10 + n // 1440:02d} {n // 60 % 24:02d}:{n % 60:02d}"
)


@st.composite
def shared_cells(draw, number):
    cells = {name: draw(st.sampled_from(values)) for name, values in SHARED.items()}
    # Now and then an id comes again: another version of the same row.
    cells["id"] = str(number if draw(share) else max(number - 1, 0))
    return cells | {"seen": draw(times), "no": draw(st.sampled_from(["", "", "1", "2"]))}


@st.composite
def charted(draw):
    item = draw(st.sampled_from(list(RIGHT)))
    return item, draw(st.sampled_from(RIGHT[item]))


@st.composite
def spoilt(draw, cells):
    """Return cells of which, in a few rows, one says something odd."""
    if draw(share) < 2:
        cells = {**cells, draw(st.sampled_from(list(cells))): draw(st.sampled_from(WRONG))}
    return cells


@st.composite
def table(draw, layout):
    encoding = draw(st.sampled_from(ENCODINGS))
    delimiter = draw(st.sampled_from([",", ";", "\t", "|"]))
    header = list(draw(st.permutations(HEADER))) if draw(st.booleans()) else list(HEADER)
    if layout == "wide":
        header = [name for name in header if name not in ("item", "value", "unit")]
        header += draw(st.lists(st.sampled_from(list(RIGHT)), min_size=1, max_size=5, unique=True))
    if draw(share) == 0:
        header[draw(st.integers(0, len(header) - 1))] = draw(st.sampled_from(WRONG))
    text = io.StringIO()
    writer = csv.writer(
        text,
        delimiter=delimiter,
        quoting=draw(st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL])),
        lineterminator=draw(st.sampled_from(["\n", "\r\n"])),
    )
    writer.writerow(header)
    for number in range(draw(st.integers(0, 8))):
        cells = draw(shared_cells(number))
        if layout == "long":
            cells["item"], cells["value"] = draw(charted())
        else:
            for item in RIGHT.keys() & set(header):
                cells[item] = draw(st.sampled_from(["", *RIGHT[item]]))
        cells = draw(spoilt(cells))
        row = [cells.get(name, "") for name in header]
        odd = draw(st.integers(0, 19))
        row = row[: draw(st.integers(0, len(row)))] if odd == 0 else row + ["x"] * (odd == 1)
        writer.writerow(row)
    data = text.getvalue().encode(encoding, errors="replace")
    if draw(share) == 0:
        place = draw(st.integers(0, len(data)))
        odd = draw(st.sampled_from([b"", b'"', b"\xff", b"\0", b"\n", b"\xdc\xdf"]))
        data = data[:place] + odd + data[place + 1 :]
    said = encoding if draw(share) else "utf-8"
    return said, delimiter, data


ODD = st.one_of(
    st.integers(), st.floats(), st.none(), st.booleans(), st.lists(st.integers(), max_size=2),
    st.dictionaries(st.sampled_from(["a", "b"]), st.integers(), max_size=1),
    st.sampled_from(["\ud800", "a\0b", *WRONG]),
)  # fmt: skip


@st.composite
def json_lines(draw, layout, nested):
    made = b""
    for number in range(draw(st.integers(0, 5))):
        outer = draw(shared_cells(number))
        if layout == "wide":
            entry = {**outer, **dict(draw(st.lists(charted(), max_size=4)))}
            entry = draw(spoilt(entry))
        elif nested:
            readings = []
            for index in range(draw(st.integers(0, 4))):
                item, value = draw(charted())
                readings.append(
                    draw(spoilt({"id": f"{number}.{index}", "item": item, "value": value}))
                )
            entry = {**outer, "readings": readings}
        else:
            item, value = draw(charted())
            entry = draw(spoilt({**outer, "item": item, "value": value}))
        if draw(share) == 0:
            entry[draw(st.sampled_from([*entry, "more"]))] = draw(ODD)
        if draw(share) == 0 and nested and isinstance(entry.get("readings"), list):
            entry["readings"].append(draw(ODD))
        line = json.dumps(
            entry, ensure_ascii=draw(st.booleans()) or "\ud800" in str(entry.values())
        )
        data = line.encode("utf-8", "surrogatepass")
        if draw(share) == 0:
            place = draw(st.integers(0, len(data)))
            data = (
                data[:place]
                + draw(st.sampled_from([b"", b"{", b"\xff", b"\0", b'"']))
                + data[place + 1 :]
            )
        made += data + draw(st.sampled_from([b"\n", b"\r\n", b"\n\n"]))
    return made


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("any")


def run(folder, data, name, text):
    """Map a file, and what was refused of it, alone and with its source; all must add up."""
    (folder / "site.toml").write_text(text, encoding="utf-8")
    site = load_site(folder / "site.toml")
    source = site.source(None)
    (folder / name).write_bytes(data)
    for left in folder.glob("refused*"):
        left.unlink()

    def mapped(*paths, rejects):
        return map_sources(
            paths, site, source, io.BytesIO(), rejects=folder / f"{rejects}-{name}", keep_items=True
        )

    try:
        report = mapped(folder / name, rejects="refused")
    except FhirdrainError:
        event("the file is refused as a whole")
        return
    assert report.balanced
    assert len(report.issues) == report.rejected
    assert bool(report.rejected) == bool(report.rejects)
    event(f"mapped: {'none' if not report.mapped else 'some'}")
    if not report.rejected:
        return
    # What was refused is written out so that, not mended, it is refused again: alone and beside
    # its source, and nothing else comes of it.
    (written,) = report.rejects
    alone = mapped(written, rejects="again")
    assert alone.balanced
    together = {"tie", "withdrawal", "no-line-end"}
    if not {issue.rule for issue in report.issues} & together:
        assert alone.rejected
        both = mapped(folder / name, written, rejects="both")
        assert both.balanced
        assert said(both) == said(report)


def said(report):
    return sorted(repr((r.identity, r.observable, r.value, r.status)) for r in report.readings)


quick = settings(max_examples=120, deadline=None, suppress_health_check=list(HealthCheck))


@given(table("long"))
@quick
def test_any_long_table(folder, made):
    encoding, delimiter, data = made
    head = f'encoding = "{encoding}"\ndelimiter = {json.dumps(delimiter)}'
    run(folder, data, "in.csv", site_text(source=head))


def wide(text: str) -> str:
    return text.replace('item = "item"\nvalue = "value"\nunit = "unit"\n', "")


@given(table("wide"))
@quick
def test_any_wide_table(folder, made):
    encoding, delimiter, data = made
    head = f'layout = "wide"\nencoding = "{encoding}"\ndelimiter = {json.dumps(delimiter)}'
    run(folder, data, "in.csv", wide(site_text(source=head)))


def as_lines(text: str) -> str:
    return text.replace('kind = "table"', 'kind = "jsonlines"')


@given(json_lines("long", nested=False))
@quick
def test_any_json_lines(folder, data):
    run(folder, data, "in.jsonl", as_lines(site_text()))


@given(json_lines("long", nested=True))
@quick
def test_any_nested_json_lines(folder, data):
    text = as_lines(site_text())
    for name in ("id", "item", "value"):
        text = text.replace(f'= "{name}"\n', f'= "readings[].{name}"\n')
    run(folder, data, "in.jsonl", text)


# What a refused line leaves empty stands where the line stood: the next one says it again.
@example(
    b'{"pat": "p-2", "drain": "", "id": "0", "seen": "2025-01-10 00:00", "lvl": "0"}\n'
    b'{"pat": "p-2", "drain": "right 1", "id": "0", "seen": "2025-01-10 00:00",'
    b' "lie": "left front"}\n'
)
# A path nobody knows, beside items the line leaves empty: both stand for the line as a whole.
@example(b'{"pat": "p-1", "drain": "right 1", "id": "0", "seen": "2025-01-10 00:00", "more": 0}\n')
@given(json_lines("wide", nested=False))
@quick
def test_any_wide_json_lines(folder, data):
    run(folder, data, "in.jsonl", as_lines(wide(site_text(source='layout = "wide"'))))
