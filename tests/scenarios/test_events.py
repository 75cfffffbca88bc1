"""The nine events of the scenario, each with what must be shown of it and what a slip would show.

Times, amounts and words are those of the scenario's own table, copied as figures.
"""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from fhirdrain.bedside.policy import Drained, Figure, judge
from fhirdrain.bedside.windows import hours_between
from fhirdrain.vocabulary.units import rounded
from tests.scenarios.test_handoffs import SITE, drains_known, moment, shown


@pytest.fixture
def known(tmp_path):
    """What is known of one drain at a time: the drain, its totals by their ends, a judge."""

    def at(when: str, name: str):
        drains, summaries, _ = drains_known(moment(when), tmp_path)
        return drains[name], {t.window.end: t for t in summaries[name].windows}, summaries[name]

    return at


def answer(drain, kind: str, when: str, **more):
    """Return what a figure of a kind, of the test's own, says of a drain."""
    held = Drained(drain.name, drain.readings, drain.ledger, drain.orders)
    figure = Figure(kind, kind, "says", "source", **more)
    (found,) = judge([figure], [held], SITE.settings, now=moment(when))
    return found


def charted(drain, observable: str) -> list:
    return [r for r in drain.readings if r.observable == observable]


@pytest.mark.parametrize(
    ("name", "level", "when", "total"),
    [("R1", 1150, "24 10:00", "310"), ("M1", 80, "24 13:00", "360")],
)
def test_e1_what_was_in_the_unit_on_arrival_is_no_output(known, name, level, when, total):
    drain, shifts, _ = known("24 19:05", name)
    assert (drain.ledger.baseline.amount, drain.ledger.baseline.time) == (level, moment(when))
    assert shown(shifts[moment("24 19:00")]) == total
    assert all(o.start is not None and o.value < 1000 for o in drain.ledger.outputs)


def test_e1_a_zero_that_was_read_is_a_reading(known):
    drain, _, _ = known("24 19:05", "L1")
    first = charted(drain, "output")[0]
    assert (first.time, str(first.amount)) == (moment("24 13:00"), "0")


def test_e2_a_unit_is_closed_at_its_own_mark_and_the_next_one_begins_at_its_own(known):
    drain, shifts, _ = known("26 07:05", "R1")
    (change,) = charted(drain, "unit-change")
    at = moment("26 02:15").replace(tzinfo=moment("26 03:00").tzinfo)  # the second pass
    assert (change.time, change.value) == (at, "full")
    outputs = {o.end: o.value for o in drain.ledger.outputs}
    assert (outputs[at], outputs[moment("26 03:00")]) == (10, 5)  # 1870 - 1860, then 5 from 0
    assert shown(shifts[moment("26 07:00")]) == "130"
    assert charted(drain, "level")[-1].amount == 45


def test_e3_a_leak_is_ended_by_coughs_without_it_and_by_nothing_less(known):
    drain, _, _ = known("26 07:05", "R1")
    begun = answer(drain, "air-leak-new", "26 07:05")
    before, first = begun.readings
    assert (before.time, first.time) == (moment("24 23:00"), moment("25 03:00"))
    assert answer(drain, "air-leak-ended", "26 07:05", rounds=2).answer == "not met"
    later, _, _ = known("26 19:05", "R1")
    ended = answer(later, "air-leak-ended", "26 19:05", rounds=2)
    last, *nones = ended.readings
    assert last.time == moment("25 23:00")
    assert [r.time for r in nones] == [moment("26 07:00"), moment("26 11:00")]
    # At 03:00 nobody coughed: asleep is not ended.
    asleep = next(r for r in charted(later, "air-leak") if r.time == moment("26 03:00"))
    assert (asleep.value, asleep.parts["on-cough"]) == ("undetermined", "not-tested")
    assert hours_between(first.time, last.time) == 20
    assert hours_between(before.time, nones[0].time) == 33


def test_e4_what_is_set_is_held_against_the_order_in_force(known):
    drain, _, _ = known("25 19:05", "R1")
    found = answer(drain, "order", "25 19:05")
    ordered, number = found.readings
    assert (found.answer, ordered.amount, number.amount) == ("met", 10, 20)
    assert (ordered.time, number.time) == (moment("25 11:30"), moment("25 19:00"))
    later, _, _ = known("26 11:05", "R1")
    assert answer(later, "order", "25 19:15").answer == "not met"  # set to 10 at 19:10
    # On water seal the regulator still shows 10, which is held against no order.
    sealed = answer(later, "order", "26 11:05")
    assert (sealed.answer, [r.observable for r in sealed.readings]) == ("not met", ["mode"])


def test_e5_a_change_of_colour_stands_with_both_times_and_its_hour(known):
    drain, _, _ = known("25 19:05", "M1")
    before, after = answer(drain, "appearance", "25 19:05").readings
    assert (before.value, before.time) == ("serosanguineous", moment("25 11:00"))
    assert (after.value, after.time) == ("bloody", moment("25 14:00"))
    assert after.parts == {"hue": "dark-red", "clots": "small"}
    hour = next(o for o in drain.ledger.outputs if o.end == moment("25 14:00"))
    assert (hour.value, hour.start) == (95, moment("25 13:00"))
    assert "sitting out of bed" in hour.closing.note


def test_e6_a_pair_that_may_be_one_makes_a_range_until_a_person_decides(known):
    drain, shifts, summary = known("25 19:05", "L1")
    assert shown(shifts[moment("25 19:00")]) == "120 or 165"
    pair = [r for r in charted(drain, "output") if r.amount == 45]
    assert [r.time for r in pair] == [moment("25 18:00"), moment("25 18:05")]
    assert [[r.identity for r in group] for group in summary.doubles] == [
        [r.identity for r in pair]
    ]
    _, later, _ = known("25 19:30", "L1")
    assert shown(later[moment("25 19:00")]) == "120"


def test_e7_what_was_told_and_withdrawn_is_struck_and_not_vanished(known):
    _, told, _ = known("26 07:05", "L1")
    assert shown(told[moment("26 07:00")]) == "240"
    drain, shifts, _ = known("26 19:05", "L1")
    assert shown(shifts[moment("26 07:00")]) == "90"
    (struck,) = [r for r in charted(drain, "output") if r.time == moment("26 05:00")]
    assert (struck.status, struck.value, struck.recorded) == (
        "entered-in-error", Decimal(150), moment("26 09:20"),
    )  # fmt: skip


def test_e8_the_hour_that_comes_twice_is_two_hours(known):
    left, _, _ = known("26 07:05", "L1")
    step = next(o for o in left.ledger.outputs if o.end == moment("26 03:00"))
    assert (step.value, hours_between(step.start, step.end)) == (35, 5)
    middle, shifts, _ = known("26 07:05", "M1")
    night = shifts[moment("26 07:00")]
    assert night.window.hours == 13
    twos = [r for r in charted(middle, "level") if r.time.strftime("%d %H:%M") == "26 02:00"]
    assert [(r.amount, r.time.strftime("%z")) for r in twos] == [(1105, "+0200"), (1115, "+0100")]
    means = {"M1": "9.62", "L1": "6.92", "R1": "10.0"}
    later = {name: known("26 19:05", name)[1][moment("26 07:00")] for name in means}
    for name, mean in means.items():
        assert rounded(Fraction(later[name].value) / 13, 3) == Decimal(mean), name


def test_e9_what_was_not_charted_is_at_least_and_then_carried(known):
    _, shifts, _ = known("26 19:05", "L1")
    day = shifts[moment("26 19:00")]
    assert shown(day) == "at least 20"
    assert day.covered == Fraction(4, 12)  # 11:00 to 19:00 is not
    _, later, _ = known("27 07:05", "L1")
    night = later[moment("27 07:00")]
    assert shown(night) == "80"
    (carried,) = night.carried
    assert (carried.value, carried.start) == (55, moment("26 11:00"))
    assert hours_between(carried.start, night.window.start) == 8
    assert shown(later[moment("26 19:00")]) == "at least 20"  # the split by shift stays unknown


def test_after_the_removal_a_drain_is_out_and_neither_nothing_nor_unknown(known):
    drain, shifts, _ = known("27 07:05", "M1")
    assert drain.removed == moment("26 12:00")
    assert shown(shifts[moment("26 19:00")]) == "35"
    assert moment("27 07:00") not in shifts


def test_swing_on_suction_cannot_be_judged(known):
    drain, _, _ = known("24 19:05", "R1")
    swings = charted(drain, "swing")
    assert swings
    assert {r.value for r in swings} <= {"not-assessable", None}
    assert answer(drain, "swing-lost", "24 19:05").answer == "cannot be judged"
