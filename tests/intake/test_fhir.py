"""FHIR of other sites as a source: the styles in which drains are published, and what they hold.

The styles are those named in the facts of the project: SNOMED CT 251843005 with MDC 157740 and a
period of 24 hours; rates in mL/d; local codes with a local system of units; the side in the code;
a reading a component; Observations of R4B and R5. Codes and LOINC's units are checked against
terminologies elsewhere; the resources are invented.
"""

from __future__ import annotations

import csv
import importlib
import io
import json
from decimal import Decimal

import pytest

from fhirdrain.errors import ConfigurationError, SourceError
from fhirdrain.intake.account import Account
from tests.conftest import Run, map_files
from tests.intake.conftest import SITE, said

LOCAL = "https://fhirdrain.example/fhir/CodeSystem/drain"
THEIRS = "https://quay-end.example/codes"
UNITS = "https://quay-end.example/units"
UCUM = "http://unitsofmeasure.org"
LOINC, SNOMED = "http://loinc.org", "http://snomed.info/sct"
MDC = "urn:iso:std:iso:11073:10101"
SOURCE = 'kind = "fhir"\n'


def coding(system, code, **more):
    return {"system": system, "code": code, **more}


def observation(*codings, id_="o1", **more):
    return {
        "resourceType": "Observation",
        "id": id_,
        "status": "final",
        "code": {"coding": list(codings)},
        "subject": {"identifier": {"system": "https://test.example/patient", "value": "p-1"}},
        "device": {"display": "right 1"},
        "effectiveDateTime": "2025-01-10T10:00:00+01:00",
        **more,
    }


def ml(value, code="mL", **more):
    return {"value": value, "unit": code, "system": UCUM, "code": code, **more}


def bundle(*resources, kind="collection"):
    entries = [
        {"fullUrl": f"https://their.example/fhir/{r['resourceType']}/{r['id']}", "resource": r}
        for r in resources
    ]
    return json.dumps({"resourceType": "Bundle", "type": kind, "entry": entries})


@pytest.fixture
def read(run):
    """Map resources as one Bundle of another site, with more lines of the site file."""

    def mapped(*resources, more="") -> Run:
        return run(SOURCE + more, ("theirs.json", bundle(*resources)))

    return mapped


def only(run):
    assert run.report.issues == []
    (reading,) = run.report.readings
    return reading


def rule(run):
    (issue,) = run.report.issues
    assert run.report.rejected == 1
    assert run.report.readings == []
    return issue.rule


# -- published styles ------------------------------------------------------------------------


def test_an_amount_of_a_day_by_snomed_and_mdc(read):
    period = {"start": "2025-01-09T07:00:00+01:00", "end": "2025-01-10T07:00:00+01:00"}
    theirs = observation(
        coding(SNOMED, "251843005"),
        coding(MDC, "157740"),
        effectivePeriod=period,
        valueQuantity=ml(360),
    )
    del theirs["effectiveDateTime"]
    run = read(theirs)
    reading = only(run)
    assert (reading.observable, reading.value, reading.unit) == ("output", Decimal(360), "mL")
    assert reading.start.isoformat() == period["start"]
    assert reading.time.isoformat() == period["end"]
    (sent,) = run.observation("9129-8")
    assert (MDC, "157740") in [(c["system"], c["code"]) for c in sent["code"]["coding"]]


@pytest.mark.parametrize("unit", ["mL/d", "mL/(24.h)"])
def test_a_rate_by_the_day_is_the_amount_of_its_day(read, unit):
    period = {"start": "2025-01-09T07:00:00+01:00", "end": "2025-01-10T07:00:00+01:00"}
    theirs = observation(
        coding(LOINC, "9134-8"), effectivePeriod=period, valueQuantity=ml(Decimal("360.0"), unit)
    )
    del theirs["effectiveDateTime"]
    reading = only(read(json.loads(json.dumps(theirs, default=float))))
    # 360.0 mL/d over one day is 360.0 mL: the digits stay.
    assert (reading.observable, str(reading.value), reading.unit) == ("output", "360.0", "mL")
    assert reading.original == (Decimal("360.0"), unit)


@pytest.mark.parametrize(
    ("code", "value", "unit", "hours", "amount"),
    [  # LOINC 9130-6 to 9134-8: rates over so many hours; amount = rate times hours
        ("9130-6", 12, "mL/h", 1, "12"),
        ("9131-4", 80, "mL/(8.h)", 8, "80"),
        ("9132-2", 90, "mL/(10.h)", 10, "90"),
        ("9133-0", 100, "mL/(12.h)", 12, "100"),
        ("9134-8", 240, "mL/d", 24, "240"),
        ("9134-8", 10, "mL/h", 24, "240"),
        ("9173-6", 48, "mL/(24.h)", 24, "48"),
    ],
)
def test_a_rate_of_a_code_with_its_hours_began_so_long_before(
    read, code, value, unit, hours, amount
):
    run = read(observation(coding(LOINC, code), valueQuantity=ml(value, unit)))
    reading = only(run)
    assert (str(reading.value), reading.unit) == (amount, "mL")
    assert (reading.time - reading.start).total_seconds() == hours * 3600
    told = [how for (became, _, how) in run.report.handled if became == "changed"]
    assert f"it began {hours} h before, as its code says" in told


def test_a_rate_over_a_day_of_25_hours(read):
    """The clocks go back in Vienna on 2025-10-26: from 07:00 to 07:00 is 25 h."""
    period = {"start": "2025-10-25T07:00:00+02:00", "end": "2025-10-26T07:00:00+01:00"}
    theirs = observation(
        coding(LOINC, "9134-8"), effectivePeriod=period, valueQuantity=ml(240, "mL/d")
    )
    del theirs["effectiveDateTime"]
    assert only(read(theirs)).value == Decimal(250)


def test_a_rate_over_an_unknown_time_is_refused(read):
    more = f'[sources.one.items."{THEIRS}|rate"]\nobservable = "output"\n'
    theirs = observation(coding(THEIRS, "rate"), valueQuantity=ml(10, "mL/h"))
    assert rule(read(theirs, more=more)) == "interval"
    reading = only(read(theirs, more=more + 'interval = "6h"\n'))
    assert (reading.value, (reading.time - reading.start).total_seconds()) == (60, 6 * 3600)


def test_an_amount_under_the_code_of_a_rate_is_refused_unless_the_site_says_so(read):
    theirs = observation(coding(LOINC, "9134-8"), valueQuantity=ml(240))
    assert rule(read(theirs)) == "unit"
    more = f'[sources.one.items."{LOINC}|9134-8"]\nobservable = "output"\ninterval = "24h"\n'
    reading = only(read(theirs, more=more))
    assert (reading.value, reading.original) == (240, None)


def test_local_codes_with_local_units_and_the_side_in_the_code(run):
    source = (
        SOURCE
        + f"""
[sources.one.items."{THEIRS}|DRN-L-LVL"]
observable = "level"
drain = "L1"
[sources.one.items."{THEIRS}|DRN-R-SUC"]
observable = "suction-set"
scale = "regulator"
drain = "R1"
[units]
"milli" = "mL"
"""
    )
    left = observation(
        coding(THEIRS, "DRN-L-LVL"),
        id_="a",
        device=None,
        valueQuantity={"value": 310, "unit": "Milliliter", "system": UNITS, "code": "milli"},
    )
    right = observation(
        coding(THEIRS, "DRN-R-SUC"),
        id_="b",
        device=None,
        valueQuantity={"value": 2, "unit": "kPa", "system": UNITS, "code": "17"},
    )
    for resource in (left, right):
        del resource["device"]
    done = run(source, ("theirs.json", bundle(left, right)))
    assert said(done) == {
        ("L1", "level", "310", "final"),
        ("R1", "suction-set", "20.3943", "final"),  # 2 kPa / 98.0665 Pa
    }
    (level,) = done.observation("level")
    assert coding(THEIRS, "DRN-L-LVL") in level["code"]["coding"]


def test_a_reading_a_component(read):
    more = "".join(
        f'[sources.one.items."{THEIRS}|{code}"]\nobservable = "{name}"\n{unit}'
        for code, name, unit in [
            ("amount", "output", 'unit = "mL"\n'),
            ("swing", "swing", 'words = { "Y" = "present", "N" = "absent" }\n'),
        ]
    )
    components = [
        {"code": {"coding": [coding(THEIRS, "amount")]}, "valueQuantity": ml(40)},
        {"code": {"coding": [coding(THEIRS, "swing")]}, "valueString": "Y"},
        {"code": {"coding": [coding(THEIRS, "mood")]}, "valueString": "fine"},
    ]
    run = read(observation(coding(THEIRS, "round"), component=components), more=more)
    assert run.report.issues == []
    assert said(run) == {
        ("R1", "output", "40", "final"), ("R1", "swing", "present", "final"),
    }  # fmt: skip
    assert run.report.handled["lost", "component", "its code is not in the site file"] == 1


def test_an_observation_of_r5(read):
    """R5 (hl7.org/fhir/R5/observation.html) adds triggeredBy, bodyStructure, organizer and more."""
    theirs = observation(
        coding(LOINC, "9129-8"),
        valueQuantity=ml(80),
        bodyStructure={"reference": "BodyStructure/1"},
        organizer=False,
        instantiatesCanonical="https://their.example/ObservationDefinition/drain",
    )
    run = read(theirs)
    assert only(run).value == 80
    lost = {element for became, element, _ in run.report.handled if became == "lost"}
    assert {"bodyStructure", "organizer", "instantiatesCanonical"} <= lost


@pytest.mark.parametrize("release", ["R4B", "R5"])
def test_what_a_library_of_another_release_writes(read, release):
    """fhir.resources writes Observations of R4B and R5 by their own models."""
    package = "fhir.resources.R4B" if release == "R4B" else "fhir.resources"
    model = importlib.import_module(f"{package}.observation").Observation
    more = {"bodySite": concept(coding(SNOMED, "73834008"))}
    if release == "R5":
        more = {"bodyStructure": {"reference": "BodyStructure/1"}}
    theirs = observation(
        coding(LOINC, "9129-8"),
        valueQuantity=ml(80),
        issued="2025-01-10T10:05:00+01:00",
        note=[{"text": "cloudy"}],
        **more,
    )
    text = model.model_validate(theirs).model_dump_json(exclude_none=True)
    reading = only(read(json.loads(text)))
    assert (reading.drain, reading.value, reading.note) == ("R1", 80, "cloudy")
    assert reading.recorded.isoformat() == "2025-01-10T10:05:00+01:00"


def test_an_instant_and_a_truth(read):
    more = (
        f'[sources.one.items."{THEIRS}|clamp"]\n'
        'words = { "true" = { mode = "clamped" } }\nno_reading = ["", "false"]\n'
    )
    theirs = observation(coding(THEIRS, "clamp"), valueBoolean=True)
    theirs["effectiveInstant"] = theirs.pop("effectiveDateTime")
    reading = only(read(theirs, more=more))
    assert (reading.observable, reading.value) == ("mode", "clamped")


# -- words by code, ConceptMap and site file ---------------------------------------------------


def concept(*codings, **more):
    return {"coding": list(codings), **more}


def test_a_word_by_a_code_that_is_sent_for_ours(read):
    theirs = observation(
        coding(SNOMED, "396276007"),
        valueCodeableConcept=concept(coding(SNOMED, "256913008", display="Serous"), text="serös"),
    )
    reading = only(read(theirs))
    assert (reading.observable, reading.value, reading.text) == ("appearance", "serous", "serös")


def a_map(*elements, source=THEIRS):
    group = {"source": source, "target": LOCAL, "element": list(elements)}
    return json.dumps({"resourceType": "ConceptMap", "status": "active", "group": [group]})


def element(code, ours, equivalence="equivalent", key="equivalence"):
    return {"code": code, "target": [{"code": ours, key: equivalence}]}


def mapped_by(tmp_path, text, *resources):
    (tmp_path / "map.json").write_text(text)
    source = SITE + SOURCE + 'concept_maps = ["map.json"]\n'
    return map_files(tmp_path, source, ("theirs.json", bundle(*resources)))


def test_codes_and_words_by_a_concept_map(tmp_path):
    text = a_map(element("AIR", "swing"), element("P", "present"), element("W", "reduced", "wider"))
    values = [concept(coding(THEIRS, word)) for word in "PW"]
    resources = [
        observation(coding(THEIRS, "AIR"), id_=str(n), valueCodeableConcept=value,
                    effectiveDateTime=f"2025-01-10T1{n}:00:00+01:00")
        for n, value in enumerate(values)
    ]  # fmt: skip
    run = mapped_by(tmp_path, text, *resources)
    assert run.report.issues == []
    assert [(r.observable, r.value) for r in run.report.readings] == [
        ("swing", "present"), ("swing", "reduced"),
    ]  # fmt: skip
    assert run.report.handled["changed", "valueCodeableConcept", "by a ConceptMap"] == 2


def test_a_map_of_r5_has_relationships(tmp_path):
    text = a_map(element("AIR", "swing", "equivalent", key="relationship"))
    theirs = observation(
        coding(THEIRS, "AIR"), valueCodeableConcept=concept(coding(LOCAL, "absent"))
    )
    assert mapped_by(tmp_path, text, theirs).report.readings[0].value == "absent"


@pytest.mark.parametrize("equivalence", ["narrower", "inexact", "unmatched", "disjoint"])
def test_what_says_more_than_was_said_is_not_taken(tmp_path, equivalence):
    text = a_map(element("AIR", "swing"), element("P", "present", equivalence))
    theirs = observation(coding(THEIRS, "AIR"), valueCodeableConcept=concept(coding(THEIRS, "P")))
    assert rule(mapped_by(tmp_path, text, theirs)) == "unknown-word"


@pytest.mark.parametrize(
    ("text", "why"),
    [("{", "not JSON"), ('{"resourceType": "Patient"}', "no ConceptMap"),
     (a_map(), "leads to no code"), ('{"resourceType": "ConceptMap", "group": [7]}', "as FHIR")],
)  # fmt: skip
def test_a_map_that_is_none_is_a_fault_of_the_site_file(tmp_path, text, why):
    with pytest.raises(ConfigurationError, match=why):
        mapped_by(tmp_path, text, observation(coding(THEIRS, "x")))


# -- whose it is -------------------------------------------------------------------------------


def patient(**more):
    return {
        "resourceType": "Patient",
        "id": "77",
        "identifier": [{"system": "https://test.example/patient", "value": "p-1"}],
        **more,
    }


@pytest.mark.parametrize(
    "reference",
    ["Patient/77", "https://their.example/fhir/Patient/77", "Patient/77/_history/3"],
)
def test_a_patient_is_looked_up_behind_what_speaks_of_him(read, reference):
    theirs = observation(
        coding(LOINC, "9129-8"), valueQuantity=ml(5), subject={"reference": reference}
    )
    run = read(theirs, patient())
    assert only(run).patient == "p-1"
    assert run.report.set_aside == {"Patient: no observation": 1}


def test_a_patient_in_the_resource_and_by_a_condition(read):
    inside = observation(
        coding(LOINC, "9129-8"), id_="a", valueQuantity=ml(5), subject={"reference": "#p"},
        contained=[patient(id="p")],
    )  # fmt: skip
    asked = observation(
        coding(LOINC, "9129-8"), id_="b", valueQuantity=ml(6),
        effectiveDateTime="2025-01-10T11:00:00+01:00",
        subject={"reference": "Patient?identifier=https%3A%2F%2Ftest.example%2Fpatient%7Cp-1"},
    )  # fmt: skip
    assert {r.patient for r in read(inside, asked).report.readings} == {"p-1"}


def test_a_number_of_another_system_is_not_taken_for_ours(read, tmp_path):
    theirs = observation(
        coding(LOINC, "9129-8"),
        valueQuantity=ml(5),
        subject={"identifier": {"system": "https://their.example/mrn", "value": "123"}},
    )
    assert rule(read(theirs)) == "no-patient"
    more = 'patient_authority = "https://their.example/mrn"\n'
    assert only(read(theirs, more=more)).patient == "123"
    (tmp_path / "numbers.csv").write_text("theirs,ours\n123,p-9\n")
    run = read(theirs, more=more + 'patient_numbers = "numbers.csv"\n')
    assert only(run).patient == "p-9"
    (tmp_path / "numbers.csv").write_text("theirs,ours\n124,p-9\n")
    assert rule(read(theirs, more=more + 'patient_numbers = "numbers.csv"\n')) == "no-patient"


def test_a_reference_itself_where_the_site_says_so(read):
    theirs = observation(
        coding(LOINC, "9129-8"), valueQuantity=ml(5), subject={"reference": "Patient/42"}
    )
    assert rule(read(theirs)) == "no-patient"
    assert only(read(theirs, more='patient_from = "reference"\n')).patient == "Patient/42"


@pytest.mark.parametrize(
    ("text", "why"),
    [("a,b\n1,2\n", "columns theirs and ours"), ("theirs,ours\n1,\n", "lacks a number"),
     ("theirs,ours\n1,2\n1,3\n", "second number"), ("theirs,ours\n1,2\n3,2\n", "one number")],
)  # fmt: skip
def test_a_table_of_numbers_that_cannot_be_right(read, tmp_path, text, why):
    (tmp_path / "numbers.csv").write_text(text)
    with pytest.raises(ConfigurationError, match=why):
        read(observation(coding(LOINC, "9129-8")), more='patient_numbers = "numbers.csv"\n')


def test_a_drain_by_its_device_and_by_its_body_site(read, run):
    device = {
        "resourceType": "Device",
        "id": "d",
        "deviceName": [{"name": "right 1", "type": "user-friendly-name"}],
    }
    theirs = observation(
        coding(LOINC, "9129-8"), valueQuantity=ml(5), device={"reference": "Device/d"}
    )
    assert {r.drain for r in read(theirs, device).report.readings} == {"R1"}
    labelled = SITE.replace(
        '[drains.L1]', f'[drains.L1]\nlabels = ["{SNOMED}|44067009"]'
    )  # fmt: skip
    theirs = observation(
        coding(LOINC, "9129-8"),
        valueQuantity=ml(5),
        bodySite=concept(coding(SNOMED, "44067009")),
    )
    del theirs["device"]
    import tempfile
    from pathlib import Path

    with tempfile.TemporaryDirectory() as folder:
        done = map_files(Path(folder), labelled + SOURCE, ("theirs.json", bundle(theirs)))
    assert {r.drain for r in done.report.readings} == {"L1"}


def test_a_body_site_on_the_other_side_is_refused(read):
    theirs = observation(
        coding(LOINC, "9129-8"), valueQuantity=ml(5), bodySite=concept(coding(SNOMED, "44067009"))
    )
    assert rule(read(theirs)) == "side"  # R1 is right, the code the left pleural cavity


# -- what cannot be read -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("more", "expected"),
    [
        ({"valueQuantity": ml(5, comparator="<")}, "number"),
        ({"valueQuantity": {"unit": "mL"}}, "value"),
        ({"valueQuantity": {**ml(5), "unit": "L"}}, "unit"),
        ({"valueQuantity": ml(5, "ML")}, "unit"),
        ({"valueQuantity": ml(5, "mL/24.h")}, "unit"),
        ({"valueRange": {"low": ml(5)}}, "value"),
        ({"valueQuantity": ml(-5)}, "impossible"),
        ({"valueQuantity": ml(5), "status": "cancelled"}, "status"),
        ({"valueQuantity": ml(5), "modifierExtension": [{"url": "x"}]}, "modifier"),
        ({"valueQuantity": ml(5), "effectiveDateTime": "2025-01"}, "time"),
        ({"dataAbsentReason": concept(coding("http://x", "masked"))}, "value"),
        ({"valueQuantity": ml(5), "device": {"display": "left 9"}}, "no-drain"),
        ({"valueQuantity": ml(5), "subject": 7}, "structure"),
    ],
)
def test_what_is_refused_and_by_which_rule(read, more, expected):
    run = read(observation(coding(LOINC, "9129-8"), **more))
    assert rule(run) == expected
    assert run.report.balanced


def test_two_codes_that_say_different_things(read):
    theirs = observation(
        coding(THEIRS, "lvl"), coding(LOINC, "9129-8"), valueQuantity=ml(500)
    )  # fmt: skip
    level = f'[sources.one.items."{THEIRS}|lvl"]\nobservable = "level"\n'
    assert rule(read(theirs, more=level)) == "two-codes"
    # Whoever knows that it is a level there says so of both.
    both = level + f'[sources.one.items."{LOINC}|9129-8"]\nobservable = "level"\n'
    run = read(theirs, more=both)
    assert only(run).observable == "level"
    (sent,) = run.observation("level")
    assert not any(c["code"] == "9129-8" for c in sent["code"]["coding"])


def test_an_unknown_code_and_other_resources_are_counted(read):
    run = read(
        observation(coding(THEIRS, "pulse"), valueQuantity=ml(5)),
        {"resourceType": "Encounter", "id": "e", "status": "planned"},
    )
    assert [i.rule for i in run.report.issues] == ["unknown-item"]
    assert run.report.set_aside == {"Encounter: no observation": 1}
    assert (run.report.items, run.report.balanced) == (2, True)


def test_what_a_category_sets_aside(read):
    theirs = observation(
        coding(THEIRS, "pulse"), category=[concept(coding("http://x", "vital-signs"))]
    )
    more = 'set_aside = [{ column = "category", values = ["vital-signs"] }]\n'
    run = read(theirs, more=more)
    assert run.report.set_aside == {'column "category" marks it as no reading': 1}


def test_reasons_why_there_is_no_value(read):
    reason = coding("http://terminology.hl7.org/CodeSystem/data-absent-reason", "not-performed")
    reading = only(read(observation(coding(LOCAL, "swing"), dataAbsentReason=concept(reason))))
    assert (reading.observable, reading.absent) == ("swing", "not_done")


def test_a_withdrawn_and_a_corrected_observation(read):
    first = observation(
        coding(LOINC, "9129-8"), valueQuantity=ml(50), issued="2025-01-10T10:05:00+01:00",
        identifier=[{"system": "https://their.example/obs", "value": "1"}],
    )  # fmt: skip
    second = {
        **first, "id": "o2", "status": "corrected", "valueQuantity": ml(30),
        "issued": "2025-01-10T11:00:00+01:00",
    }  # fmt: skip
    run = read(second, first)
    (sent,) = run.observation("9129-8")
    assert (sent["status"], sent["valueQuantity"]["value"]) == ("corrected", 30)
    gone = read(first, {**second, "status": "entered-in-error"})
    assert gone.observation("9129-8")[0]["status"] == "entered-in-error"


# -- files -------------------------------------------------------------------------------------


def test_ndjson_bundles_and_single_resources_say_the_same(run):
    theirs = observation(coding(LOINC, "9129-8"), valueQuantity=ml(5))
    forms = {
        "a.ndjson": json.dumps(theirs) + "\n" + json.dumps(patient()) + "\n",
        "b.json": bundle(theirs, patient()),
        "c.json": json.dumps(theirs, indent=2),
        "d.json": "\ufeff" + bundle(theirs),
    }
    values = [said(run(SOURCE, (name, text))) for name, text in forms.items()]
    assert values == [{("R1", "output", "5", "final")}] * 4


def test_the_line_of_an_entry_is_where_it_begins(run):
    good = observation(coding(LOINC, "9129-8"), valueQuantity=ml(5), id_="a")
    bad = observation(coding(LOINC, "9129-8"), valueQuantity=ml(-5), id_="b")
    text = json.dumps(json.loads(bundle(good, bad)), indent=1)
    done = run(SOURCE, ("theirs.json", text))
    (issue,) = done.report.issues
    line = next(n for n, row in enumerate(text.splitlines(), 1) if '"id": "b"' in row)
    assert line - issue.line == 2  # its brace, its type, its id


@pytest.mark.parametrize("text", ["[1]", "{", "x", '{"a": 1}'])
def test_a_file_that_is_no_fhir(run, text):
    with pytest.raises(SourceError, match="neither a FHIR resource"):
        run(SOURCE, ("theirs.json", text))


def test_a_broken_line_of_ndjson_is_refused_alone(run):
    theirs = observation(coding(LOINC, "9129-8"), valueQuantity=ml(5))
    twice = '{"resourceType": "Observation", "id": "x", "id": "y"}'
    text = json.dumps(theirs) + "\n{broken\n" + twice + "\n[]\n"
    done = run(SOURCE, ("theirs.ndjson", text))
    assert [i.rule for i in done.report.issues] == ["json", "json", "json"]
    assert said(done) == {("R1", "output", "5", "final")}
    assert done.report.balanced


def test_what_was_refused_can_be_mended_and_run_again(tmp_path):
    bad = observation(coding(LOINC, "9129-8"), valueQuantity=ml(-5))
    good = observation(coding(LOINC, "9129-8"), valueQuantity=ml(7), id_="o2",
                       effectiveDateTime="2025-01-10T12:00:00+01:00")  # fmt: skip
    files = ("theirs.json", bundle(good, bad))
    first = map_files(tmp_path, SITE + SOURCE, files, rejects="refused.ndjson")
    assert first.report.rejected == 1
    text = (tmp_path / "refused.ndjson").read_text()
    assert "is negative" in text
    mended = text.replace('"value": -5', '"value": 5')
    again = map_files(
        tmp_path, SITE + SOURCE, files, ("refused.ndjson", mended), rejects="again.ndjson"
    )
    assert again.report.rejected == 0
    assert {v for _, _, v, _ in said(again)} == {"5", "7"}
    assert again.report.balanced


# -- what is carried over, changed and lost ------------------------------------------------------


def test_every_element_has_its_line_in_the_account(tmp_path):
    theirs = observation(
        coding(THEIRS, "x"), coding(LOINC, "9129-8"),
        valueQuantity=ml(5), note=[{"text": "pale"}], interpretation=[concept(text="high")],
        issued="2025-01-10T10:05:00+01:00", performer=[{"display": "A"}, {"display": "B"}],
    )  # fmt: skip
    told = io.BytesIO()
    account = Account(told)
    map_files(tmp_path, SITE + SOURCE, ("theirs.json", bundle(theirs)), account=account.write)
    rows = list(csv.DictReader(io.StringIO(told.getvalue().decode())))
    by_element = {row["element"]: (row["became"], row["how"]) for row in rows}
    tops = {name.split("[")[0].split(".")[0] for name in by_element}
    assert tops == set(theirs) - {"resourceType"}
    assert by_element["interpretation"][0] == "lost"
    assert by_element["valueQuantity"] == ("carried", "")
    assert by_element["performer"] == ("changed", "the first")
    assert by_element["code.coding[1]"] == ("carried", "as the item")
    assert {row["resource"] for row in rows} == {"Observation/o1"}
    # It tells what became of elements, and none of what they say.
    assert "pale" not in told.getvalue().decode()
    assert "p-1" not in told.getvalue().decode()


def test_the_original_is_kept_by_its_names(read):
    named = observation(
        coding(LOINC, "9129-8"), valueQuantity=ml(5), id_="a",
        identifier=[{"system": "https://their.example/obs", "value": "99"}],
    )  # fmt: skip
    bare = observation(
        coding(LOINC, "9129-8"), valueQuantity=ml(5), id_="b",
        effectiveDateTime="2025-01-10T11:00:00+01:00",
    )  # fmt: skip
    run = read(named, bare)
    kept = {o["identifier"][1]["value"] for o in run.observation("9129-8")}
    assert kept == {"99", "https://their.example/fhir/Observation/b"}
    assert {i.get("use") for o in run.observation("9129-8") for i in o["identifier"]} == {
        None, "secondary",
    }  # fmt: skip


def test_without_a_url_its_id_is_a_name_without_a_system(run):
    theirs = observation(coding(LOINC, "9129-8"), valueQuantity=ml(5))
    done = run(SOURCE, ("theirs.ndjson", json.dumps(theirs) + "\n"))
    (sent,) = done.observation("9129-8")
    assert sent["identifier"][1] == {"use": "secondary", "value": "Observation/o1"}


# -- the site file -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("more", "why"),
    [
        ('delimiter = ","\n', 'a fhir source has no "delimiter"'),
        ('encoding = "cp1252"\n', 'a fhir source has no "encoding"'),
        ('drain_from = "PRT"\n', 'only a hl7v2 source has "drain_from"'),
        ('[sources.one.columns]\nrow = "id"\n', 'a fhir source has no column "row"'),
        ('[sources.one.items.x]\nobservable = "level"\n', "not a code with its system"),
        ('set_aside = [{ column = "a b", values = ["x"] }]\n', "is no element"),
        (f'[sources.one.items."{LOINC}|9129-8"]\nobservable = "level"\ninterval = "1h"\n',
         "has no interval"),
        (f'[sources.one.items."{LOINC}|9129-8"]\nobservable = "output"\ninterval = "soon"\n',
         "not a duration"),
        (f'[sources.one.items."{LOINC}|9129-8"]\nobservable = "output"\ndraft = true\n',
         "still a draft"),
    ],
)  # fmt: skip
def test_what_a_source_of_fhir_cannot_have(read, more, why):
    with pytest.raises(ConfigurationError, match=why):
        read(observation(coding(LOINC, "9129-8")), more=more)
