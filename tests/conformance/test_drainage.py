"""What a drain obeys from one observation to the next; all data is invented.

The worked numbers are common practice and have no source but those named at each.
"""

from __future__ import annotations

import copy
import json
import tempfile
from datetime import datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fhirdrain.bedside.rates import Asked
from fhirdrain.conformance import Checker, Options, check_resource
from fhirdrain.conformance.drainbook import Bounds
from fhirdrain.street.patient import Wanted
from fhirdrain.vocabulary.jsontext import decode
from tests.conftest import map_files, row, rows_of, site_text

LOCAL = "https://fhirdrain.example/fhir/CodeSystem/drain"
LOINC = "http://loinc.org"
UCUM = "http://unitsofmeasure.org"
ACROSS = {
    "level-falls", "output-differs", "total-differs", "rate-differs", "output-overlap",
    "double-charted", "suction-differs", "side-changes", "rests-on-withdrawn",
}  # fmt: skip
URL = "urn:uuid:00000000-0000-4000-8000-{:012d}"


def concept(code: str, system: str = LOCAL) -> dict[str, Any]:
    return {"coding": [{"system": system, "code": code}]}


def quantity(value: str, code: str = "mL") -> dict[str, Any]:
    return {"value": Decimal(value), "system": UCUM, "code": code}


def seen(code: Any, value: Any, when: Any, drain: str = "R1", **more: Any) -> dict[str, Any]:
    """Return an observation of a drain, said by nobody's profile."""
    resource = {
        "resourceType": "Observation",
        "status": "final",
        "code": concept(code) if isinstance(code, str) else code,
        "subject": {"identifier": {"value": "p"}},
        "device": {"identifier": {"value": drain}},
    }
    if isinstance(when, tuple):
        resource["effectivePeriod"] = dict(zip(("start", "end"), when, strict=True))
    else:
        resource["effectiveDateTime"] = when
    key = "valueCodeableConcept" if isinstance(value, str) else "valueQuantity"
    resource[key] = concept(value) if isinstance(value, str) else value
    return resource | more


def at(hour: int, minute: int = 0, day: int = 10) -> str:
    return f"2025-01-{day:02d}T{hour:02d}:{minute:02d}:00+01:00"


def level(value: str, when: str, **more: Any) -> dict[str, Any]:
    return seen("level", quantity(value), when, **more)


OUTPUT = concept("9129-8", LOINC)


def output(value: str, start: str, end: str, **more: Any) -> dict[str, Any]:
    return seen(OUTPUT, quantity(value), (start, end), **more)


def from_(*numbers: int) -> dict[str, Any]:
    return {"derivedFrom": [{"reference": URL.format(n)} for n in numbers]}


def part(name: str, value: Any) -> dict[str, Any]:
    key = "valueInteger" if isinstance(value, int) else "valueQuantity"
    return {"code": concept(name), key: value}


def bundle(*resources: dict[str, Any]) -> dict[str, Any]:
    entries = [{"fullUrl": URL.format(n), "resource": r} for n, r in enumerate(resources)]
    return {"resourceType": "Bundle", "type": "collection", "entry": entries}


def found(*resources: dict[str, Any], bounds: Bounds | None = None) -> list[tuple[str, str]]:
    options = Options(bounds=bounds) if bounds else Options()
    issues = check_resource(bundle(*resources), checker=Checker(options=options))
    return [
        (i.rule, i.location.partition("[")[2].replace("].resource", "")) for i in issues
        if i.rule in ACROSS
    ]  # fmt: skip


# -- levels ---------------------------------------------------------------------------------


def test_a_level_that_falls():
    assert found(level("450", at(7)), level("480", at(11))) == []
    assert found(level("450", at(7)), level("450", at(11))) == []
    # In whatever order they stand, and whatever the unit.
    assert found(level("0.18", at(11)) | {"valueQuantity": quantity("0.18", "L")},
                 level("450", at(7))) == [("level-falls", "0.value")]  # fmt: skip
    # One of another drain, of another patient's drain of no name, and a withdrawn one are no mark.
    assert found(level("450", at(7)), level("180", at(11), drain="L1")) == []
    withdrawn = level("450", at(7), status="entered-in-error")
    assert found(withdrawn, level("180", at(11))) == []


def test_a_change_of_unit_explains_a_lower_level():
    change = seen("unit-change", "full", at(9), component=[part("closing-level", quantity("470"))])
    assert found(level("450", at(7)), change, level("20", at(11))) == []
    low = seen("unit-change", "full", at(9), component=[part("closing-level", quantity("400"))])
    assert found(level("450", at(7)), low, level("20", at(11))) == [("level-falls", "1")]
    # Unit numbers say it too; in the minute of the change a level may be of either unit.
    first = level("450", at(7), component=[part("unit-number", 1)])
    second = level("20", at(11), component=[part("unit-number", 2)])
    assert found(first, second) == []
    assert found(level("450", at(7)), level("20", at(9)), change) == []


def test_a_change_that_was_not_made_explains_nothing():
    change = seen("unit-change", "full", at(9))
    del change["valueCodeableConcept"]
    change["dataAbsentReason"] = concept(
        "not-performed", "http://terminology.hl7.org/CodeSystem/data-absent-reason"
    )
    levels = level("450", at(7)), level("20", at(11))
    assert found(*levels, change) == [("level-falls", "1.value")]


def test_of_two_levels_of_one_minute_the_lower_may_be_a_fall_and_the_higher_is_the_mark():
    both = [level("430", at(9)), level("460", at(9))]
    for pair in (both, both[::-1]):
        low = "1.value" if pair is both else "2.value"
        assert found(level("450", at(7)), *pair, level("470", at(11))) == [("level-falls", low)]
        assert found(level("420", at(7)), *pair, level("450", at(11))) == [
            ("level-falls", "3.value")
        ]


def test_drains_that_two_patients_wards_call_alike_are_two():
    other = {"subject": {"identifier": {"value": "q"}}}
    assert found(level("450", at(7)), level("180", at(11)) | other) == []
    derived = output("270", at(7), at(11), **from_(0, 1))
    assert found(level("180", at(7)), level("450", at(11)) | other, derived) == [
        ("output-differs", "2.value")
    ]
    # Named in another way, a patient is not surely another one.
    named = {"subject": {"reference": "Patient/1"}}
    assert found(level("180", at(7)), level("450", at(11)), derived | named) == []


def test_the_hour_that_comes_twice_is_ordered_by_its_offset():
    """2:45 at +02:00 is half an hour before 2:15 at +01:00 (26 October 2025, Vienna)."""
    early, late = "2025-10-26T02:45:00+02:00", "2025-10-26T02:15:00+01:00"
    assert found(level("1860", early), level("1870", late)) == []
    assert found(level("1870", early), level("1860", late)) == [("level-falls", "1.value")]


# -- derived numbers ------------------------------------------------------------------------


def test_an_output_is_a_difference_of_levels():
    """1700 at 19:00, 1980 at 03:00, a new unit from 0, 120 at 07:00: 280 and 120 mL."""
    change = seen("unit-change", "full", at(3, day=11),
                  component=[part("closing-level", quantity("1980")),
                             part("opening-level", quantity("0"))])  # fmt: skip
    levels = [level("1700", at(19)), change, level("120", at(7, day=11))]
    night = output("280", at(19), at(3, day=11), **from_(0, 1))
    morning = output("120", at(3, day=11), at(7, day=11), **from_(1, 2))
    assert found(*levels, night, morning) == []
    night["valueQuantity"] = quantity("281")
    assert found(*levels, night, morning) == [("output-differs", "3.value")]
    night = output("280", at(19), at(4, day=11), **from_(0, 1))
    assert ("output-differs", "3.effective") in found(*levels, night)


def test_an_output_of_an_unknown_opening_is_not_judged():
    change = seen("unit-change", "full", at(3))
    resources = [change, level("120", at(7)), output("120", at(3), at(7), **from_(0, 1))]
    assert found(*resources) == []
    issues = check_resource(bundle(*resources))
    assert [i.location for i in issues if i.rule == "not-judged"] == [
        "Bundle.entry[2].resource.value"
    ]


def test_the_first_output_of_a_unit_begins_where_it_was_opened():
    placed = {
        "resourceType": "Procedure", "status": "completed", "performedDateTime": at(7),
        "extension": [{"url": f"{LOCAL[:-18]}StructureDefinition/opening-level",
                       "valueQuantity": quantity("5")}],
        "focalDevice": [{"manipulated": {"identifier": {"value": "R1"}}}],
        "subject": {"identifier": {"value": "p"}},
    }  # fmt: skip
    first = level("100", at(8))
    assert found(first, placed, output("95", at(7), at(8), **from_(0))) == []
    again = placed | {"extension": [placed["extension"][0] | {"valueQuantity": quantity("10")}]}
    assert found(first, placed, again, output("95", at(7), at(8), **from_(0))) == []
    assert found(first, again, placed, output("95", at(7), at(8), **from_(0))) == []
    assert found(first, placed, output("100", at(7), at(8), **from_(0))) == [
        ("output-differs", "2.value")
    ]
    # One that began empty; and of what nothing is known nothing is said but that.
    assert found(first, output("100", at(7), at(8), **from_(0))) == []
    unknown = bundle(first, output("95", at(7), at(8), **from_(0)))
    said = {i.rule for i in check_resource(unknown)}
    assert "not-judged" in said
    assert not said & ACROSS


def changed(closing: str | None, opening: str | None) -> dict[str, Any]:
    parts = {"closing-level": closing, "opening-level": opening}
    known = [part(name, quantity(value)) for name, value in parts.items() if value is not None]
    return seen("unit-change", "full", at(9), component=known)


@pytest.mark.parametrize(
    ("change", "value", "says"),
    [
        # 470 - 450, and then 30 - 5 in the new unit: 45 (the reset rule is ACI's, 2014).
        (changed("470", "5"), "45", None),
        (changed("470", "5"), "46", "output-differs"),
        (changed("470", None), "45", "undecided"),
        # 30 - 450 is the output of no unit, nor is 500 - 450 over a change.
        (changed(None, None), "50", "output-differs"),
    ],
)
@pytest.mark.parametrize("named", [True, False])
def test_an_output_over_a_change_of_unit(change, value, says, named):
    last = level("500" if value == "50" else "30", at(11))
    sources = from_(0, 1, 2) if named else from_(0, 2)
    derived = output(value, at(7), at(11), **sources)
    rules = [rule for rule, _ in found(level("450", at(7)), change, last, derived)]
    assert rules == (["output-differs"] if says == "output-differs" else [])


def test_what_was_charted_in_the_minute_of_a_change_may_have_come_in_any_order():
    """100 to 180 in the old unit and 0 to 30 in the new one: 110, in whatever order they are named."""
    change = seen(
        "unit-change", "full", at(11),
        component=[part("closing-level", quantity("180")), part("opening-level", quantity("0"))],
    )  # fmt: skip
    first, last = level("100", at(7)), level("30", at(11))
    for sources in (from_(0, 1, 2), from_(0, 2, 1), from_(2, 1, 0), from_(0, 2)):
        assert found(first, change, last, output("110", at(7), at(11), **sources)) == []
        assert found(first, change, last, output("111", at(7), at(11), **sources)) == [
            ("output-differs", "3.value")
        ]
    before = seen(
        "unit-change", "full", at(7),
        component=[part("closing-level", quantity("180")), part("opening-level", quantity("0"))],
    )  # fmt: skip
    old, new = level("180", at(7)), level("30", at(11))
    assert found(old, before, new, output("30", at(7), at(11), **from_(0, 2))) == []


def said(*resources: dict[str, Any]) -> list[str]:
    return [i.rule for i in check_resource(bundle(*resources)) if i.rule in {*ACROSS, "not-judged"}]


def test_what_a_number_rests_on_beside_a_drains_readings_hides_nothing():
    weight = seen(concept("29463-7", LOINC), quantity("70", "kg"), at(7))
    levels = [level("100", at(7)), level("150", at(15))]
    right = output("50", at(7), at(15), **from_(0, 1, 2))
    assert said(*levels, weight, right) == []
    assert said(*levels, weight, output("500", at(7), at(15), **from_(0, 1, 2))) == [
        "output-differs"
    ]
    # Named by identifier, it is found; what is not at hand is said.
    named = [
        one | {"identifier": [{"system": "s", "value": str(n)}]} for n, one in enumerate(levels)
    ]
    by_name = {"derivedFrom": [{"identifier": {"system": "s", "value": str(n)}} for n in (0, 1)]}
    assert said(*named, output("50", at(7), at(15), **by_name)) == []
    assert said(*named, output("500", at(7), at(15), **by_name)) == ["output-differs"]
    assert said(*levels, output("50", at(7), at(15), **from_(0, 7))) == ["not-judged"]


def test_a_total_may_rest_on_levels():
    levels = [level("100", at(7)), level("150", at(19))]
    total = seen("output-total", quantity("50"), (at(7), at(19)), **from_(0, 1))
    assert said(*levels, total) == []
    total["valueQuantity"] = quantity("51")
    assert said(*levels, total) == ["total-differs"]


def test_a_rate_by_the_clocks_hours_is_told_on_the_day_of_23():
    """240 mL in 23 h are 10.43 mL/h and not 10 (the 30 March 2025, Vienna)."""
    start, end = "2025-03-29T07:00:00+01:00", "2025-03-30T07:00:00+02:00"
    day = output("240", start, end)

    def rate(value: str) -> dict[str, Any]:
        return seen("output-rate", quantity(value, "mL/h"), (start, end), **from_(0))

    assert found(day, rate("10.43")) == []
    assert found(day, rate("10.4")) == []
    assert found(day, rate("10")) == [("rate-differs", "1.value")]


def test_a_level_below_that_of_the_opening_of_its_unit():
    opened = seen("unit-change", "full", at(9), component=[part("opening-level", quantity("50"))])
    assert found(level("900", at(7)), opened, level("50", at(11))) == []
    assert found(level("900", at(7)), opened, level("20", at(11)), level("30", at(12))) == [
        ("level-falls", "2.value")
    ]


def test_levels_of_a_date_alone_are_not_judged():
    levels = [level("100", "2025-01-09"), level("150", "2025-01-10")]
    assert said(*levels, output("50", at(7), at(15), **from_(0, 1))) == ["not-judged"]


def test_suction_is_held_against_the_order_it_names():
    order = {
        "resourceType": "ServiceRequest", "status": "active", "intent": "order",
        "subject": {"identifier": {"value": "p"}}, "quantityQuantity": quantity("20", "cm[H2O]"),
    }  # fmt: skip
    mode, source = seen("mode", "suction", at(7)), seen("suction-source", "connected-on", at(7))
    named = {"basedOn": [{"reference": URL.format(0)}]}
    ten = seen("suction-set", quantity("10", "cm[H2O]"), at(8), **named)
    assert found(order, mode, source, ten) == [("suction-differs", "3.value")]
    twenty = seen("suction-set", quantity("20", "cm[H2O]"), at(8), **named)
    assert found(order, mode, source, twenty) == []


def test_levels_of_two_unit_numbers_have_no_difference():
    first, second = (
        level(value, at(hour), component=[part("unit-number", number)])
        for value, hour, number in (("450", 7, 1), ("500", 11, 2))
    )
    derived = output("50", at(7), at(11), **from_(0, 1))
    assert found(first, second, derived) == [("output-differs", "2.value")]


def test_litres_are_as_exact_as_they_are_stated():
    """0.14 L may be anything from 135 to 145 mL (common practice, no source)."""
    levels = [level("450", at(7)), level("586", at(11))]
    for value, fits in (("0.14", True), ("0.136", True), ("0.15", False), ("0.140", False)):
        derived = output("1", at(7), at(11), **from_(0, 1))
        derived["valueQuantity"] = quantity(value, "L")
        assert found(*levels, derived) == ([] if fits else [("output-differs", "2.value")])


def test_a_site_says_to_how_many_digits_it_rounds():
    levels = [level("0", at(7)), level("1234", at(11))]
    derived = output("1230", at(7), at(11), **from_(0, 1))
    assert found(*levels, derived) == [("output-differs", "2.value")]
    assert found(*levels, derived, bounds=Bounds(significant_digits=3)) == []
    assert found(*levels, derived, bounds=Bounds(significant_digits=2)) == [
        ("output-differs", "2.value")
    ]
    wrong = output("1240", at(7), at(11), **from_(0, 1))
    assert found(*levels, wrong, bounds=Bounds(significant_digits=3)) != []


def test_parts_that_were_rounded_make_no_total_and_no_rate_wrong():
    """1234 twice is 2468: to three digits 1230, 1230 and 2470 (and not 2460)."""
    levels = [level("0", at(7)), level("1234", at(13)), level("2468", at(19))]
    parts = [
        output("1230", at(7), at(13), **from_(0, 1)), output("1230", at(13), at(19), **from_(1, 2)),
    ]  # fmt: skip
    three = Bounds(significant_digits=3)

    def total(value: str) -> dict[str, Any]:
        return seen("output-total", quantity(value), (at(7), at(19)), **from_(3, 4))

    assert found(*levels, *parts, total("2470"), bounds=three) == []
    assert found(*levels, *parts, total("2460"), bounds=three) == []
    assert found(*levels, *parts, total("2480"), bounds=three) == [("total-differs", "5.value")]
    start, end = at(8), at(16, 50)
    marks = [level("0", start), level("1234", end)]
    drained = output("1230", start, end, **from_(0, 1))
    rate = seen("output-rate", quantity("140", "mL/h"), (start, end), **from_(2))
    assert found(*marks, drained, rate, bounds=three) == []


def test_a_first_level_of_the_minute_of_the_placing_is_no_opening_of_its_own():
    placed = {
        "resourceType": "Procedure", "status": "completed", "performedDateTime": at(8),
        "focalDevice": [{"manipulated": {"identifier": {"value": "R1"}}}],
        "subject": {"identifier": {"value": "p"}},
    }  # fmt: skip
    assert found(level("200", at(8)), placed, output("200", at(8), at(8), **from_(0))) == []


def test_a_rate_is_over_true_hours():
    """50 mL over 8 h is 6.25 mL/h (Open RN, Nursing Advanced Skills, 6.9 note); nights have 13 h."""
    amount = output("50", at(7), at(15))
    assert (
        found(amount, seen("output-rate", quantity("6.25", "mL/h"), (at(7), at(15)), **from_(0)))
        == []
    )
    rate = seen("output-rate", quantity("50", "mL/(8.h)"), (at(7), at(15)), **from_(0))
    assert found(amount, rate) == []
    night = "2025-10-25T19:00:00+02:00", "2025-10-26T07:00:00+01:00"
    amount = output("130", *night)
    right = seen("output-rate", quantity("10", "mL/h"), night, **from_(0))
    assert found(amount, right) == []
    by_the_clock = seen("output-rate", quantity("10.8333", "mL/h"), night, **from_(0))
    assert found(amount, by_the_clock) == [("rate-differs", "1.value")]


def test_a_rate_may_be_over_amounts_in_a_row_and_by_the_kilogram():
    """2 mL/kg/h (doi:10.1053/j.jvca.2011.09.021) of 4 kg is 8 mL/h."""
    amounts = output("3", at(7), at(7, 30)), output("5", at(7, 30), at(8))
    hour = at(7), at(8)

    def rate(value: str, by_weight: str, kilograms: str, when: Any = hour) -> dict[str, Any]:
        parts = [
            part("by-weight", quantity(by_weight, "mL/kg/h")),
            part("weight", quantity(kilograms, "kg")),
        ]
        return seen("output-rate", quantity(value, "mL/h"), when, component=parts, **from_(0, 1))

    assert found(*amounts, rate("8", "2", "4")) == []
    assert found(*amounts, rate("9", "2", "4")) == [("rate-differs", "2.value")]
    assert found(*amounts, rate("8", "8", "4")) == [("rate-differs", "2.value")]
    assert found(*amounts, rate("8", "2", "4", (at(7), at(9)))) == [("rate-differs", "2.effective")]
    apart = output("3", at(7), at(7, 30)), output("5", at(7, 31), at(8))
    assert found(*apart, rate("8", "2", "4")) == []  # not in a row: nothing is said of it


def test_a_level_passed_off_as_an_output_is_told_by_the_level_before():
    levels = level("100", at(7)), level("150", at(9))
    assert found(*levels, output("150", at(7), at(9), **from_(1))) == [
        ("output-differs", "2.value")
    ]


def test_what_is_derived_from_another_drain_or_twice_from_one_part_differs():
    other = level("100", at(7), drain="L1"), level("150", at(9), drain="L1")
    assert found(*other, output("50", at(7), at(9), **from_(0, 1))) == [
        ("output-differs", "2.value")
    ]
    amount = output("10", at(7), at(9))
    total = seen("output-total", quantity("20"), (at(7), at(19)), **from_(0, 0))
    assert found(amount, total) == [("total-differs", "1.value")]


def test_a_mode_that_was_not_looked_at_takes_no_mode_away():
    order = {
        "resourceType": "ServiceRequest",
        "subject": {"identifier": {"value": "p"}},
        "extension": [
            {"url": "x/ordered-drain", "valueReference": {"identifier": {"value": "R1"}}}
        ],
        "quantityQuantity": quantity("20", "cm[H2O]"),
        "occurrencePeriod": {"start": at(6)},
    }
    looks = [seen("mode", "suction", at(7)), seen("suction-source", "connected-on", at(7))]
    missed = seen("mode", "suction", at(8), dataAbsentReason=concept("not-performed", "x"))
    del missed["valueCodeableConcept"]
    number = seen("suction-set", quantity("10", "cm[H2O]"), at(9))
    assert found(order, *looks, missed, number) == [("suction-differs", "4.value")]


def test_a_total_is_the_sum_of_its_parts_or_of_their_shares():
    parts = [output("30", at(5), at(9)), output("40", at(9), at(19))]
    shift = (at(7), at(19))

    def total(value: str) -> dict[str, Any]:
        return seen("output-total", quantity(value), shift, **from_(0, 1))

    assert found(*parts, total("70")) == []
    assert found(*parts, total("55")) == []  # half of the first lies before the shift
    assert found(*parts, total("60")) == [("total-differs", "2.value")]
    unknown = total("70")
    del unknown["valueQuantity"]
    unknown |= {"dataAbsentReason": {"text": "a part is not known"}}
    assert found(*parts, unknown | {"component": [part("at-least", quantity("70"))]}) == []
    assert found(*parts, unknown | {"component": [part("at-least", quantity("71"))]}) == [
        ("total-differs", "2")
    ]


def test_a_total_has_no_part_of_another_time():
    parts = [output("30", at(1), at(5)), output("40", at(9), at(19))]
    total = seen("output-total", quantity("70"), (at(7), at(19)), **from_(0, 1))
    assert found(*parts, total) == [("total-differs", "2.effective")]


def test_a_total_that_says_all_is_covered_leaves_no_amount_out():
    parts = [
        output("50", at(7), at(11)),
        output("60", at(11), at(15)),
        output("70", at(15), at(19)),
    ]
    covered = {"component": [part("covered", quantity("100", "%"))]}
    shift = (at(7), at(19))
    short = seen("output-total", quantity("110"), shift, **from_(0, 1)) | covered
    assert found(*parts, short) == [("total-differs", "3.value")]
    whole = seen("output-total", quantity("180"), shift, **from_(0, 1, 2)) | covered
    assert found(*parts, whole) == []
    # One that overlaps a part may be a check of it, and a part of a part no further amount.
    check = output("110", at(7), at(15))
    assert [rule for rule, _ in found(*parts, whole, check) if rule == "total-differs"] == []


def test_a_total_is_split_only_by_known_times():
    """Half of 30 mL lies in the shift; of what began nobody knows when, all counts at its end."""
    shift = (at(7), at(19))
    open_ = output("30", at(5), at(9))
    del open_["effectivePeriod"]["start"]
    instant = output("10", at(9), at(9))
    total = seen("output-total", quantity("25"), shift, **from_(0, 1))
    assert found(output("30", at(5), at(9)), instant, total) == []
    assert found(open_, instant, total) == [("total-differs", "2.value")]
    whole = seen("output-total", quantity("40"), shift, **from_(0, 1))
    assert found(open_, instant, whole) == []


def test_a_number_that_rests_on_a_withdrawn_reading():
    levels = [level("450", at(7)), level("480", at(11), status="entered-in-error")]
    derived = output("30", at(7), at(11), **from_(0, 1))
    assert found(*levels, derived) == [("rests-on-withdrawn", "2.derivedFrom[1]")]
    assert found(*levels, derived | {"status": "entered-in-error"}) == []


def test_what_is_not_in_the_bundle_is_not_held_against_it():
    derived = output("99", at(7), at(11), **from_(0, 7))
    assert found(level("450", at(7)), derived) == []


# -- beside each other ----------------------------------------------------------------------


def test_times_that_overlap():
    assert found(output("30", at(7), at(11)), output("40", at(11), at(15))) == []
    assert found(output("30", at(7), at(11)), output("40", at(10), at(15))) == [
        ("output-overlap", "1.effective")
    ]
    # A long one overlaps those behind it too.
    day = [output("300", at(7), at(19)), output("40", at(8), at(9)), output("40", at(10), at(15))]
    assert found(*day) == [("output-overlap", "1.effective"), ("output-overlap", "2.effective")]
    other = output("40", at(10), at(15), drain="L1")
    assert found(output("30", at(7), at(11)), other) == []
    # What sums others up, coded as a destination may want it, is no further output.
    total = output("70", at(7), at(15), **from_(0, 1))
    assert found(output("30", at(7), at(11)), output("40", at(11), at(15)), total) == []


def item(code: str) -> dict[str, Any]:
    return {"coding": [*OUTPUT["coding"], {"system": "urn:oid:1.2.3", "code": code}]}


def amount(value: str, when: str, drain: str = "R1", of: str = "a") -> dict[str, Any]:
    resource = seen(item(of), quantity(value), (None, when), drain)
    del resource["effectivePeriod"]["start"]
    return resource


@pytest.mark.parametrize(
    ("second", "double"),
    [
        (amount("90", at(22, 5), of="b"), True),  # as in the open data: 22:00 and 22:05
        (amount("90", at(22, 0), of="b"), True),
        (amount("90", at(22, 5)), False),  # under the same item
        (amount("91", at(22, 5), of="b"), False),
        (amount("90", at(22, 11), of="b"), False),
        (amount("90", at(22, 5), "L1"), True),
        (amount("90", at(22, 0), "L1"), False),  # two drains read together
        (amount("90", at(22, 5), of="b") | {"status": "entered-in-error"}, False),
        (amount("90", at(22, 5), of="b") | {"subject": {"identifier": {"value": "q"}}}, False),
    ],
)
def test_amounts_charted_twice(second, double):
    rules = [rule for rule, _ in found(amount("90", at(22)), second)]
    assert rules == (["double-charted"] if double else [])


def test_a_zero_is_charted_as_often_as_it_is_read_and_a_site_says_how_near_is_near():
    assert found(amount("0", at(22)), amount("0", at(22, 5), of="b")) == []
    apart = amount("90", at(22)), amount("90", at(22, 20), of="b")
    assert found(*apart) == []
    wide = Bounds(double_within=timedelta(minutes=30))
    assert found(*apart, bounds=wide) == [("double-charted", "1.value")]


def order(value: str, start: str, end: str | None = None, **more: Any) -> dict[str, Any]:
    drain = {"url": f"{LOCAL[:-18]}StructureDefinition/ordered-drain",
             "valueReference": {"identifier": {"value": "R1"}}}  # fmt: skip
    return {
        "resourceType": "ServiceRequest", "status": "active", "intent": "order",
        "extension": [drain], "quantityQuantity": quantity(value, "cm[H2O]"),
        "code": concept("274441001", "http://snomed.info/sct"),
        "subject": {"identifier": {"value": "p"}},
        "occurrencePeriod": {"start": start} | ({"end": end} if end else {}),
    } | more  # fmt: skip


ON = [seen("mode", "suction", at(8)), seen("suction-source", "connected-on", at(8))]


@pytest.mark.parametrize(
    ("resources", "differs"),
    [
        ([order("20", at(7)), *ON], False),
        ([order("10", at(7)), *ON], True),
        # The newest order that has begun is in force, and none after its end.
        ([order("20", at(6)), order("10", at(7)), *ON], True),
        ([order("20", at(7)), order("10", at(9)), *ON], False),
        ([order("10", at(6), at(7)), *ON], False),
        ([order("10", at(7), status="entered-in-error"), *ON], False),
        (ON, False),
        # Set is compared only where suction is really on.
        ([order("10", at(7)), seen("mode", "water-seal", at(8)), ON[1]], False),
        ([order("10", at(7)), ON[0], seen("suction-source", "connected-off", at(8))], False),
        ([order("10", at(7)), ON[0]], False),
        # In other units the same is the same: 20 cm[H2O] are 1.96133 kPa (NIST SP 811).
        ([order("20", at(7)) | {"quantityQuantity": quantity("1.96133", "kPa")}, *ON], False),
    ],
)
def test_suction_against_the_order(resources, differs):
    place = seen("suction-set", quantity("20", "cm[H2O]"), at(8))
    rules = [rule for rule, _ in found(*resources, place)]
    assert rules == (["suction-differs"] if differs else [])


def test_a_site_says_how_far_suction_may_be_from_the_order():
    near = [order("20", at(7)), *ON, seen("suction-set", quantity("19", "cm[H2O]"), at(8))]
    assert found(*near) == [("suction-differs", "3.value")]
    assert found(*near, bounds=Bounds(suction_tolerance=Decimal(1))) == []


def test_a_drain_that_changes_its_side():
    right, left = (concept(f"{side}-pleural") for side in ("right", "left"))
    assert found(level("1", at(7), bodySite=right), level("2", at(8), bodySite=right)) == []
    assert found(level("1", at(7), bodySite=right), level("2", at(8), bodySite=left)) == [
        ("side-changes", "1.bodySite")
    ]
    other = level("2", at(8), drain="L1", bodySite=left)
    assert found(level("1", at(7), bodySite=right), other) == []


def test_what_is_of_no_drain_is_not_compared_and_that_is_said():
    lone = [level("450", at(7)), level("20", at(8))]
    for resource in lone:
        del resource["device"]
    assert found(*lone) == []
    said = [i for i in check_resource(bundle(*lone)) if i.rule == "not-judged"]
    assert [(i.severity, i.location) for i in said] == [("information", "Bundle.entry[0].resource")]


# -- against the ledger ---------------------------------------------------------------------

steps = st.lists(
    st.tuples(
        st.sampled_from(["level", "level", "level", "change", "open change"]),
        st.integers(0, 200),
        st.integers(1, 400),
    ),
    min_size=2,
    max_size=15,
)


@settings(max_examples=40, deadline=None)
@given(steps)
def test_the_ledger_and_this_come_to_the_same(walk):
    """Whatever a drain does, what `map` derives holds here; and what is one off does not."""
    rows, height, number = [], 100, 1
    when = datetime(2025, 1, 10, 8)
    rows.append(row(id="0", item="lvl", value="100", seen=f"{when:%Y-%m-%d %H:%M}", no="1"))
    for count, (kind, rise, minutes) in enumerate(walk, 1):
        when += timedelta(minutes=minutes)
        height += rise
        seen_at = f"{when:%Y-%m-%d %H:%M}"
        if kind == "level":
            rows.append(row(id=str(count), item="lvl", value=str(height), seen=seen_at,
                            no=str(number)))  # fmt: skip
        else:
            number += 1
            closing = {"closing": str(height)} if kind == "change" else {}
            rows.append(row(id=str(count), item="chg", value="full", opening="0",
                            no=str(number), seen=seen_at, **closing))  # fmt: skip
            height = 0
    with tempfile.TemporaryDirectory() as folder:
        wanted = Wanted(totals=True, rates=Asked(timedelta(minutes=5), rolling_hour=True))
        file = ("rounds.csv", rows_of(*rows))
        run = map_files(Path(folder), site_text(), file, form="collection", wanted=wanted)
    whole = decode(run.data)
    assert [i.rule for i in check_resource(whole) if i.rule in ACROSS] == []
    derived = [
        e["resource"] for e in whole["entry"]
        if "derivedFrom" in e["resource"] and "valueQuantity" in e["resource"]
    ]  # fmt: skip
    for resource in derived[:3]:
        before = copy.deepcopy(resource["valueQuantity"])
        resource["valueQuantity"]["value"] += 1
        rules = {i.rule for i in check_resource(whole)}
        assert rules & {"output-differs", "total-differs", "rate-differs"}, json.dumps(
            before, default=str
        )
        resource["valueQuantity"] = before
