"""Mended, a source says what it would have said unbroken: whatever was broken, in one round or two."""

from __future__ import annotations

import csv
import io
import json

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fhirdrain.site import load_site
from fhirdrain.street.mapping import map_sources
from tests.conftest import site_text

ITEMS = {
    "lvl": ["0", "100", "19.0"],
    "swg": ["present", "absent"],
    "col": ["serous", "bloody"],
    "drs": ["damp"],
    "chg": ["full"],
}
SHARED = ["id", "pat", "drain", "seen", "stored", "state", "note"]
OTHERS = ["stay", "since", "until", "by", "no", "closing", "opening"]
BROKEN = {"pat": "", "drain": "nowhere", "seen": "junk", "stored": "junk", "state": "odd"}


@st.composite
def right_rows(draw):
    """Return rows that are right, some of them versions of one row."""
    rows = []
    for number in range(draw(st.integers(1, 6))):
        again = bool(rows) and draw(st.booleans())
        before = rows[-1] if again else None
        row = {
            "id": before["id"] if before else str(number),
            "pat": before["pat"] if before else draw(st.sampled_from(["p-1", "p-2"])),
            "drain": before["drain"] if before else draw(st.sampled_from(["right 1", "left 1"])),
            "seen": before["seen"] if before else f"2025-01-10 {8 + number:02d}:00",
            "stored": f"2025-01-10 2{draw(st.integers(0, 3))}:{10 + number}",
            "state": draw(st.sampled_from(["", "", "", "struck"])),
            "note": draw(st.sampled_from(["", "two\nlines", 'a "quote", a comma'])),
        }
        row |= {item: draw(st.sampled_from(["", *values])) for item, values in ITEMS.items()}
        rows.append(row)
    return rows


@st.composite
def breaks(draw, rows):
    """Return which cells are broken, as (row, column, what stands there instead)."""
    chosen = []
    for _ in range(draw(st.integers(1, 4))):
        index = draw(st.integers(0, len(rows) - 1))
        said = [item for item in ITEMS if rows[index].get(item)]
        column = draw(st.sampled_from([*BROKEN, *said, *said]))
        chosen.append((index, column, BROKEN.get(column, "x?")))
    return chosen


cases = right_rows().flatmap(lambda rows: st.tuples(st.just(rows), breaks(rows), st.booleans()))


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("mending")


class Wide:
    """A wide table."""

    name = "in.csv"
    site = site_text(source='layout = "wide"').replace(
        'item = "item"\nvalue = "value"\nunit = "unit"\n', ""
    )

    @staticmethod
    def write(rows, header=None):
        text = io.StringIO()
        header = header or [*SHARED, *OTHERS, *ITEMS]
        writer = csv.DictWriter(text, header, restval="", lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
        return text.getvalue().encode()

    @staticmethod
    def read(data):
        reader = csv.DictReader(io.StringIO(data.decode(), newline=""))
        return list(reader)

    def rewrite(self, rows, data):
        return self.write(rows, data.decode().splitlines()[0].split(","))


class Lines(Wide):
    """JSON lines, wide."""

    name = "in.jsonl"
    site = Wide.site.replace('kind = "table"', 'kind = "jsonlines"')

    @staticmethod
    def write(rows, header=None):
        return "".join(
            json.dumps({k: v for k, v in row.items() if v}) + "\n" for row in rows
        ).encode()

    @staticmethod
    def read(data):
        return [json.loads(line) for line in data.splitlines()]

    def rewrite(self, rows, data):
        return self.write(rows)


def mapped(folder, form, *files, rejects):
    (folder / "site.toml").write_text(form.site, encoding="utf-8")
    site = load_site(folder / "site.toml")
    paths = []
    for number, data in enumerate(files):
        paths.append(folder / (form.name if not number else f"mended-{number}-{form.name}"))
        paths[-1].write_bytes(data)
    target = folder / f"{rejects}-{form.name}"
    target.unlink(missing_ok=True)
    report = map_sources(
        paths, site, site.source(None), io.BytesIO(), rejects=target, keep_items=True
    )
    assert report.balanced
    written = [path.read_bytes() for path in report.rejects]
    for path in report.rejects:
        path.unlink()
    return report, written


def said(report):
    return sorted(
        repr((r.identity, r.observable, r.value, r.time, r.status, r.note, r.recorded))
        for r in report.readings
    )


@pytest.mark.parametrize("form", [Wide(), Lines()], ids=lambda form: form.name)
@given(case=cases)
@settings(max_examples=120, deadline=None, suppress_health_check=list(HealthCheck))
def test_mended_a_source_says_what_it_would_have_said_unbroken(folder, form, case):
    rows, broken, in_two_rounds = case
    right, _ = mapped(folder, form, form.write(rows), rejects="right")
    spoilt = [dict(row) for row in rows]
    for index, column, odd in broken:
        spoilt[index][column] = odd
    source = form.write(spoilt)
    report, written = mapped(folder, form, source, rejects="refused")
    files = [source]
    rounds = [broken[: len(broken) // 2], broken] if in_two_rounds else [broken]
    for number, mended in enumerate(rounds):
        for data in written:
            files.append(
                form.rewrite([restored(r, rows, spoilt, mended) for r in form.read(data)], data)
            )
        report, written = mapped(folder, form, *files, rejects=f"again-{number}")
    if not right.issues:
        assert [(i.rule, i.message) for i in report.issues] == []
    assert said(report) == said(right)


def restored(row, rows, spoilt, mended):
    """Return a refused row with the cells put right that this round mends."""
    row = dict(row)
    file, line = row["fhirdrain_why"].split(":")[:2]
    lines = lines_of(spoilt) if file.endswith(".csv") else list(range(1, len(rows) + 1))
    for index, column, _ in mended:
        # Of a row refused in part only what was refused is there to be put right.
        there = column in BROKEN or row.get(column) == spoilt[index][column]
        if lines[index] == int(line) and there:
            row[column] = rows[index][column]
    return row


def lines_of(rows):
    """Return the line on which each row of a table begins."""
    lines, line = [], 2
    for row in rows:
        lines.append(line)
        line += 1 + row["note"].count("\n")
    return lines
