"""The scenario's six sheets, as its description says what each must say, and must not."""

from __future__ import annotations

import csv
import json
from datetime import datetime
from pathlib import Path

import jsonschema
import pytest

from fhirdrain.handoff import document as document_module
from fhirdrain.handoff.plain import plain_text
from fhirdrain.street.handing_over import written
from fhirdrain.vocabulary.jsontext import decode
from tests.handoff.making import SCENARIO, SIX, flat, part, scenario_sheets

GOLDEN = Path(__file__).parent / "golden"


def sheet_of(name: str, patient: str):
    (sheet,) = [s for s in scenario_sheets(name) if s.bed.patient == patient]
    return sheet


def says(name: str, drain: str, of: str) -> str:
    return part(sheet_of(name, "demo-B" if drain == "R1" else "demo-A"), drain, of)


# What the scenario's description asks of each sheet (sample_bundles/README.md, its nine events).
ASKED = [
    # E1: what was in the unit on arrival is not output
    ("Fri 19:05", "R1", "shift", "already in the unit on arrival: 1150 mL"),
    ("Fri 19:05", "R1", "shift", "not output here"),
    ("Fri 19:05", "R1", "shift", "310 mL: Fri 10:00, first charted here, to 19:00 (9 h of 12 h)"),
    ("Fri 19:05", "M1", "shift", "already in the unit on arrival: 80 mL"),
    ("Fri 19:05", "L1", "shift", "0 mL read Fri 13:00: “chamber marked on arrival”"),
    ("Fri 19:05", "L1", "shift", "85 mL: Fri 13:00"),
    # E3: a leak begins, and ends
    ("Sat 07:05", "R1", "leak", "first charted Sat 03:00 (none at Fri 23:00)"),
    ("Sun 07:05", "R1", "leak", "none at rest and on cough: Sun 07:00"),
    ("Sun 07:05", "R1", "leak", "on cough not tested Sun 03:00"),
    ("Sun 19:05", "R1", "leak", "first charted Sat 03:00 (none at Fri 23:00)"),
    ("Sun 19:05", "R1", "leak", "last charted Sat 23:00"),
    ("Sun 19:05", "R1", "leak", "none at rest and on cough: Sun 07:00, Sun 11:00"),
    ("Sun 19:05", "R1", "leak", "seen over 20 h, at most 33 h"),
    # E4: the order was lowered, the setting was not
    ("Sat 19:05", "R1", "run", "ordered suction 10 cmH2O (Sat 11:30, by n-day)"),
    ("Sat 19:05", "R1", "run", "set 20 cmH2O (Sat 19:00)"),
    ("Sat 19:05", "R1", "run", "DIFFERS"),
    ("Sun 07:05", "R1", "run", "agrees"),
    ("Sun 19:05", "R1", "run", "the regulator shows 10 cmH2O (Sun 11:00): that is no suction"),
    # E5: the colour changes, and 95 mL come in an hour
    ("Sat 19:05", "M1", "colour", "CHANGED: serosanguineous until Sat 11:00"),
    ("Sat 19:05", "M1", "colour", "bloody, dark red, small clots from Sat 14:00 on"),
    ("Sat 19:05", "M1", "colour", "with it 95 mL in 1 h (Sat 13:00 to 14:00)"),
    ("Sat 19:05", "M1", "shift", "95 mL, Sat 13:00 to 14:00 (1 h): “after sitting out of bed”"),
    ("Sat 19:05", "M1", "colour", "“doctor told 14:10”"),
    # E6: one amount, or two
    ("Sat 19:05", "L1", "shift", "120 or 165 mL"),
    ("Sat 19:05", "L1", "shift", "possible double entry: amount 45 mL (Sat 18:00), amount 45 mL (Sat 18:05)"),
    ("Sun 07:05", "L1", "changes", "[Sat 07:00 to 19:00, told at Sat 19:05: 120 or 165 mL] now 120 mL"),
    # E2: the unit was full
    ("Sun 07:05", "R1", "unit", "unit changed (full) Sun 02:15 CET"),
    ("Sun 07:05", "R1", "unit", "unit 2 now at 45 mL"),
    ("Sun 07:05", "R1", "shift", "130 mL: Sat 19:00 to Sun 07:00 (13 h)"),
    # E8: the hour that comes twice
    ("Sun 07:05", "L1", "shift", "(13 h)"),
    ("Sun 07:05", "M1", "shift", "125 mL: Sat 19:00 to Sun 07:00 (13 h)"),
    # E7: withdrawn after it was told
    ("Sun 07:05", "L1", "shift", "240 mL"),
    ("Sun 19:05", "L1", "changes", "[Sat 19:00 to Sun 07:00, told at Sun 07:05: 240 mL] now 90 mL"),
    ("Sun 19:05", "L1", "changes", "[amount 150 mL (Sun 05:00)] amount of Sun 05:00 withdrawn Sun 09:20"),
    ("Sun 19:05", "L1", "changes", "“entered in the wrong column, not chest drainage”"),
    # E9: not charted during a move, and stated later
    ("Sun 19:05", "L1", "shift", "at least 20 mL"),
    ("Sun 19:05", "L1", "shift", "Sun 11:00 to 19:00 not charted (8 h)"),
    ("Mon 07:05", "L1", "shift", "80 mL: Sun 19:00 to Mon 07:00 (12 h)"),
    ("Mon 07:05", "L1", "shift", "of it 55 mL since Sun 11:00 (8 h of it before this time)"),
    # the removal, and the rest
    ("Sun 19:05", "M1", "which", "DRAIN OUT since Sun 12:00, planned: “tip complete; sealed dressing”"),
    ("Sun 19:05", "M1", "shift", "35 mL: Sun 07:00 to 12:00, when it was taken out (5 h of 12 h)"),
    ("Mon 07:05", "M1", "shift", "drain out in this shift"),
    ("Sat 19:05", "R1", "charted", "swing: cannot be told (Sat 19:00)"),
    ("Fri 19:05", "R1", "figures", "MET since Fri 11:00 (R1): “more than 100 mL of blood in 1 to 2 h”"),
    ("Sun 19:05", "L1", "figures", "MET since Sun 17:00 (L1): “no level or amount charted for 6 h”"),
    ("Sun 19:05", "R1", "figures", "MET since Sun 11:00 (R1): “none at rest and on cough in two rounds"),
    ("Fri 19:05", "M1", "figures", "not met (L1, M1): “200 mL in any hour within 6 h after heart surgery"),
    # days: 24 h, and 25 where the clocks went back
    ("Sat 07:05", "M1", "lately", "last day 670 mL"),
    ("Sun 07:05", "M1", "lately", "last day 405 mL: Sat 07:00 to Sun 07:00 (25 h)"),
    ("Sun 07:05", "L1", "lately", "last day 360 mL"),
    ("Mon 07:05", "L1", "lately", "last day 100 mL: Sun 07:00 to Mon 07:00 (24 h)"),
]  # fmt: skip


@pytest.mark.parametrize(("sheet", "drain", "of", "text"), ASKED)
def test_each_sheet_says_what_its_table_asks(sheet, drain, of, text):
    assert text in says(sheet, drain, of)


# What a wrong program would show.
WRONG = [
    ("Fri 19:05", "R1", "shift", "1460 mL"),
    ("Fri 19:05", "R1", "shift", "1150 mL/h"),
    ("Sat 19:05", "R1", "run", "agrees"),
    ("Sat 19:05", "L1", "lately", "mL/h"),  # from a suspected double on there is no rate
    ("Sun 07:05", "R1", "leak", "ended"),
    ("Sun 07:05", "R1", "shift", "120 mL"),
    ("Sun 07:05", "R1", "lately", "11 mL/h"),
    ("Sun 19:05", "R1", "run", "DIFFERS"),
    ("Sun 19:05", "R1", "run", "agrees"),
    ("Mon 07:05", "L1", "run", "agrees"),
    ("Mon 07:05", "M1", "shift", " mL"),
    ("Sun 19:05", "M1", "leak", "not charted"),  # it is out: nothing is missing
]


@pytest.mark.parametrize(("sheet", "drain", "of", "text"), WRONG)
def test_no_sheet_shows_what_a_wrong_program_would(sheet, drain, of, text):
    assert text not in says(sheet, drain, of)


def test_the_two_hours_of_the_night_are_told_apart():
    """E8: the last mark of the old unit is of 02:45 CEST, its closing of 02:15 CET."""
    sheet = sheet_of("Sun 07:05", "demo-B")
    text = flat(plain_text([sheet], "en"))
    assert "02:15 CET" in text
    (block,) = sheet.blocks
    assert [str(o.start)[11:] for o in block.drain.ledger.outputs if o.value == 10] == [
        "02:00:00+02:00",
        "02:45:00+02:00",
    ]


def test_what_is_not_wanted_is_on_no_sheet():
    for name in SIX:
        for code in ("en", "de"):
            for sheet in scenario_sheets(name):
                text = plain_text([sheet], code)
                other = "demo-B" if sheet.bed.patient == "demo-A" else "demo-A"
                assert other not in text
                for wrong in ("cm[H2O]", "[Ch]", "LOINC", "SNOMED", "http", "Decimal", "None"):
                    assert wrong not in text, (name, code, wrong)


def test_the_windows_are_those_of_the_published_table():
    """The totals that sample_bundles/scenario/totals.csv gives, on the last sheet."""
    rows = list(csv.DictReader((SCENARIO / "totals.csv").read_text("utf-8").splitlines()))
    told = json.loads(written(scenario_sheets("Mon 07:05"), "json", "en"))
    drains = {d["drain"]: d for p in told["patients"] for d in p["drains"]}
    checked = 0
    for row in rows:
        if row["window"].startswith("day "):
            continue
        for name, drain in drains.items():
            (found,) = [
                w
                for w in drain["windows"]
                if w["start"].startswith(row["window"].replace(" ", "T"))
            ] or [None]
            if row[name] == "drain out":
                assert found is None
                continue
            assert found["hours"] == int(row["hours"])
            if row[name].startswith("at least "):
                assert found["output_ml"] is None
                assert found["at_least_ml"] == int(row[name].removeprefix("at least "))
            else:
                assert found["output_ml"] == int(row[name])
            checked += 1
    assert checked == 17  # six shifts of three drains, but for the one after the removal


def test_e9_in_the_document():
    """At least 20 mL of a shift of which a third is charted; later 55 mL, 8 h of it from before."""
    drains = {
        d["drain"]: d
        for p in json.loads(written(scenario_sheets("Mon 07:05"), "json", "en"))["patients"]
        for d in p["drains"]
    }
    day, night = drains["L1"]["windows"][-2:]
    assert (day["output_ml"], day["at_least_ml"], day["at_most_ml"]) == (None, 20, None)
    assert day["covered"] == pytest.approx(1 / 3, abs=1e-5)
    assert (night["output_ml"], night["covered"], night["from_before_window_h"]) == (80, 1, 8)


@pytest.mark.parametrize("name", SIX)
def test_the_document_keeps_its_schema_and_is_as_it_was_looked_over(name):
    """The kept documents were read against the scenario's tables before they were kept."""
    text = written(scenario_sheets(name), "json", "en")
    schema = json.loads(
        (Path(document_module.__file__).parent / "handoff-1.schema.json").read_text("utf-8")
    )
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema).validate(json.loads(text))
    kept = GOLDEN / f"{name.replace(' ', '-').replace(':', '')}.json"
    assert decode(text) == decode(kept.read_bytes())


def test_the_schema_refuses_what_is_not_a_sheet():
    schema = json.loads(
        (Path(document_module.__file__).parent / "handoff-1.schema.json").read_text("utf-8")
    )
    whole = json.loads(written(scenario_sheets("Sun 07:05"), "json", "en"))
    for spoil in (
        lambda d: d.pop("version"),
        lambda d: d["patients"][0]["drains"][0]["windows"][0].update(output_ml="85"),
        lambda d: d["patients"][0]["drains"][0]["windows"][0].update(covered=1.5),
        lambda d: d["patients"][0]["drains"][0].update(side="R"),
        lambda d: d["patients"][0]["drains"][0]["run"].update(against_order="ok"),
    ):
        wrong = json.loads(json.dumps(whole))
        spoil(wrong)
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(wrong, schema)


def test_sheets_are_made_for_the_time_they_are_asked_for():
    for name, when in SIX.items():
        for sheet in scenario_sheets(name):
            assert sheet.bed.at == datetime.fromisoformat(when)
            assert all(r.time <= sheet.bed.at for b in sheet.blocks for r in b.drain.readings)
