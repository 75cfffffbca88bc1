"""Every word, part, unit and reason of the table, charted once: right FHIR, and back the same."""

from __future__ import annotations

import csv
import io
from decimal import Decimal

import pytest

from fhirdrain.conformance import check_bytes
from fhirdrain.resources.recover import recover
from fhirdrain.site import load_site
from fhirdrain.street.mapping import map_sources
from fhirdrain.vocabulary.jsontext import decode
from fhirdrain.vocabulary.observables import (
    ABSENT_REASONS,
    CHARTED_REASONS,
    OBSERVABLES,
    profile_url,
)
from fhirdrain.vocabulary.units import UNITS
from tests.conformance.differentials import faults, in_bundle, stated
from tests.street.test_survival import ABSENT, CHARTED, HEAD, site_text


def charted():
    """Yield the cells of one row for everything that the table lets be charted."""
    for name, o in CHARTED.items():
        usual = {"item": name, "value": "yes" if o.kind == "parts" else ""}
        if o.words:
            usual["value"] = o.words[0]
        if o.units:
            usual |= {"value": "5", "unit": o.units[0]}
        if name == "air-leak":
            usual |= {"value": "undetermined", "at-rest": "not-tested", "on-cough": "not-tested"}
        if name == "bedside-supplies":
            usual["value"] = "incomplete"
        if o.component_names == ("tube",):
            usual["tube"] = "P1"
        yield usual
        if name != "air-leak":
            yield from ({**usual, "value": word} for word in o.words)
        yield from ({**usual, "unit": unit} for unit in o.units)
        for part in o.components:
            words = part.words or {"integer": ["3"], "text": ["front"], "drain": ["M1"]}.get(
                part.kind, ["7.5"]
            )
            for word in words:
                row = {**usual, part.name: word}
                if name == "air-leak" and part.name in ("at-rest", "on-cough"):
                    row["value"] = "present" if word == "present" else "undetermined"
                yield row
        if o.form == "Observation":
            yield from ({"item": name, "value": word} for word in ABSENT.values())
    yield {"item": "air-leak", "value": "none", "at-rest": "none", "on-cough": "none"}
    yield {"item": "bedside-supplies", "value": "complete", "gloves": "present"}


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    folder = tmp_path_factory.mktemp("every")
    (folder / "site.toml").write_text(site_text(), encoding="utf-8")
    site = load_site(folder / "site.toml")
    text = io.StringIO()
    writer = csv.DictWriter(text, HEAD, restval="", lineterminator="\n")
    writer.writeheader()
    rows = list(charted())
    for number, cells in enumerate(rows):
        # A patient a row, so that no level stands beside another.
        usual = {
            "id": str(number),
            "pat": f"p-{number}",
            "drain": "R1",
            "seen": "2025-01-10T10:00+01:00",
        }
        writer.writerow({**usual, **cells})
    (folder / "in.csv").write_text(text.getvalue(), encoding="utf-8", newline="")
    stream = io.BytesIO()
    report = map_sources(
        [folder / "in.csv"], site, site.source(None), stream, rejects=folder / "r", keep_items=True
    )
    return rows, report, stream.getvalue()


def test_everything_is_mapped_and_nothing_of_it_is_found_wrong(run):
    rows, report, data = run
    assert [(i.line, i.message) for i in report.issues] == []
    assert report.mapped == len(rows) > 250
    # The site file has the drain on the right, and one row charts it on the left.
    assert [issue.rule for issue in check_bytes(data)] == ["side-changes"]


def test_it_has_the_profiles_it_states(run):
    bundle = decode(run[2])
    resolve = in_bundle(bundle)
    assert stated([entry["resource"] for entry in bundle["entry"]], resolve) == []
    assert faults(bundle, profile_url("drain-bundle"), resolve) == []


def test_all_of_the_table_is_charted(run):
    rows, _, _ = run
    said = {(row["item"], row["value"]) for row in rows}
    parts = {(row["item"], name, cell) for row in rows for name, cell in row.items()}
    for name, o in CHARTED.items():
        assert {(name, word) for word in o.words} <= said
        for part in o.components:
            assert {(name, part.name, word) for word in part.words} <= parts
        if o.form == "Observation":
            assert {(name, word) for word in ABSENT.values()} <= said


def test_it_comes_back_as_it_was_charted(run):
    rows, report, data = run
    readings, issues = recover(entry["resource"] for entry in decode(data)["entry"])
    assert issues == []
    back = {reading.patient: reading for reading in readings}
    assert len(back) == len(readings) == len(report.readings) == len(rows)
    reasons = {word: reason for reason, word in ABSENT.items()}
    for number, row in enumerate(rows):
        reading, o = back[f"p-{number}"], OBSERVABLES[row["item"]]
        assert reading.observable == row["item"]
        assert reading.absent == reasons.get(row["value"])
        if o.kind == "words" and reading.absent is None:
            assert reading.value == row["value"]
        if o.kind == "quantity" and reading.absent is None:
            charted, sent = UNITS[row["unit"]], UNITS[o.units[0]]
            exact = Decimal(row["value"]) * Decimal(
                charted.factor.numerator * sent.factor.denominator
            )
            exact /= Decimal(charted.factor.denominator * sent.factor.numerator)
            assert abs(reading.value - exact) <= abs(exact) * Decimal("1e-11")
            assert reading.unit == o.units[0]
        for part in o.components:
            if row.get(part.name) == "unknown":  # who says so says nothing of it
                assert part.name not in reading.parts
            elif part.name in row:
                assert str(reading.parts[part.name]) == row[part.name]


def test_every_reason_has_its_own_code_of_r4(run):
    """R4, CodeSystem data-absent-reason: not-performed, unknown, asked-declined, not-applicable."""
    rows, _, data = run
    found = {}
    for entry in decode(data)["entry"]:
        reason = entry["resource"].get("dataAbsentReason")
        if reason:
            number = int(entry["resource"]["subject"]["identifier"]["value"].removeprefix("p-"))
            found.setdefault(rows[number]["value"], set()).add(reason["coding"][0]["code"])
    assert found == {ABSENT[reason]: {ABSENT_REASONS[reason]} for reason in CHARTED_REASONS}
    assert len({code for codes in found.values() for code in codes}) == 4
