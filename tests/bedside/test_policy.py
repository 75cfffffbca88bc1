"""A policy's figures: met, not met, cannot be judged. All figures here are invented."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, timedelta
from decimal import Decimal

import pytest

from fhirdrain.bedside.joins import Join
from fhirdrain.bedside.ledger import keep_ledger
from fhirdrain.bedside.orders import orders_of
from fhirdrain.bedside.policy import Drained, Figure, judge
from fhirdrain.handoff.language import Language
from tests.conftest import at, reading


def hours(number):
    return timedelta(hours=number)


def figure(kind, **more):
    return Figure(kind, kind, "what it says", "invented", **more)


UNSURE = "cannot be judged"


def said_why(judgement):
    return "; ".join(map(Language("en", UTC).say, judgement.why))


def drained(settings, *readings, name="R1"):
    own = sorted((replace(r, drain=name) for r in readings), key=lambda r: r.sort_key)
    return Drained(name, own, keep_ledger(own, settings), orders_of(own))


def told(settings, one, *drains, now=24.0):
    return [(j.answer, j.time, j.drains) for j in judge([one], drains, settings, now=at(now))]


def answer(settings, one, *readings, now=24.0):
    ((said, time, _),) = told(settings, one, drained(settings, *readings), now=now)
    return said, time


def levels(*pairs):
    return [reading("level", hour, value) for hour, value in pairs]


# -- volume ---------------------------------------------------------------------------------

OVER = figure("volume", above=Decimal(100), within=hours(2))


@pytest.mark.parametrize(
    ("marks", "said", "when"),
    [
        ([(0, 0), (1, 110)], "met", 1),
        ([(0, 0), (1, 60), (2, 110)], "met", 2),
        ([(0, 0), (1, 60), (2, 100)], "not met", None),  # just as much is not more
        ([(0, 0), (1, 60), (3, 100), (4, 130)], "not met", None),
        # What drained in 8 h may have drained in 2 of them.
        ([(0, 0), (8, 110)], "cannot be judged", None),
        ([(0, 0), (8, 90)], "not met", None),
        ([(0, 50)], "cannot be judged", None),  # a baseline is no output
    ],
)
def test_a_volume_in_a_time(settings, marks, said, when):
    assert answer(settings, OVER, *levels(*marks)) == (said, None if when is None else at(when))


def test_what_is_unknown_is_not_taken_for_little(settings):
    change = reading("unit-change", 1, "full", parts={"opening-level": Decimal(0)})
    readings = [*levels((0, 0)), change, *levels((2, 20))]
    assert answer(settings, OVER, *readings)[0] == "cannot be judged"


def test_a_suspected_double_counts(settings):
    """Findings use the higher: two drains of one patient, the same amount minutes apart."""
    whole = figure("volume", scope="patient", above=Decimal(100), within=hours(2))
    one = drained(settings, reading("output", 0, 0), reading("output", 1, 60))
    two = drained(settings, reading("output", 0, 0), reading("output", 1.1, 60), name="L1")
    assert told(settings, whole, one, two) == [("met", at(1.1), ("R1", "L1"))]


def test_what_may_be_charted_twice_is_said_to_be(settings):
    over = figure("volume", above=Decimal(100), within=hours(4))
    since = [
        reading("output", 1, 10),
        reading("output", 3, 60),
        reading("output", 4, 60, start=at(1)),
    ]
    (judgement,) = judge([over], [drained(settings, *since)], settings, now=at(4))
    assert judgement.answer == "met"
    assert (
        said_why(judgement)
        == "120 mL in the 4 h to 10 Jan 11:00; with amounts that may be charted twice"
    )


def test_a_drain_of_a_group_that_is_not_charted_is_named(settings):
    group = replace(OVER, scope="group", drains=("R1", "L1"))
    (judgement,) = judge(
        [group], [drained(settings, *levels((0, 0), (1, 60)))], settings, now=at(2)
    )
    assert said_why(judgement) == "never more than 100 mL; nothing is charted of L1"


def test_scopes(settings):
    one = drained(settings, *levels((0, 0), (1, 60)))
    two = drained(settings, *levels((0, 0), (1, 50)), name="L1")
    three = drained(settings, *levels((0, 0), (1, 500)), name="M1")
    assert [j[0] for j in told(settings, OVER, one, two)] == ["not met", "not met"]
    group = replace(OVER, scope="group", drains=("R1", "L1"))
    assert told(settings, group, one, two, three) == [("met", at(1), ("R1", "L1"))]
    of_one = replace(OVER, drains=("M1",))
    assert told(settings, of_one, one, two, three) == [("met", at(1), ("M1",))]
    assert told(settings, of_one, one) == []


def test_only_in_the_first_hours_and_only_of_an_appearance(settings):
    early = replace(OVER, after=hours(6))
    late = levels((0, 0), (1, 10), (7, 20), (8, 200))
    assert answer(settings, OVER, *late) == ("met", at(8))
    assert answer(settings, early, *late)[0] == "not met"
    blood = replace(OVER, appearance=("bloody",))
    marks = levels((0, 0), (1, 110))
    assert answer(settings, blood, *marks)[0] == "cannot be judged"
    assert answer(settings, blood, *marks, reading("appearance", 1, "bloody"))[0] == "met"
    assert answer(settings, blood, *marks, reading("appearance", 1, "serous"))[0] != "met"


def test_a_sudden_stop(settings):
    stop = figure("stopped", above=Decimal(50), within=hours(4), after=hours(2))
    assert answer(settings, stop, *levels((0, 0), (4, 60), (6, 60))) == ("met", at(6))
    assert answer(settings, stop, *levels((0, 0), (4, 60), (6, 61)), now=6)[0] == "not met"
    assert answer(settings, stop, *levels((0, 0), (4, 60), (6, 61)))[0] == UNSURE  # not read since
    assert answer(settings, stop, *levels((0, 0), (4, 40), (6, 40)))[0] == "not met"
    # It goes on having stopped, however often nothing is read.
    assert answer(settings, stop, *levels((0, 0), (2, 60), (8, 60))) == ("met", at(4))
    assert answer(settings, stop, *levels((0, 0), (2, 60), (4, 60), (8, 60))) == ("met", at(4))
    # What drained since the last mark is not known, and the new unit holds 50 mL.
    unknown = [
        *levels((0, 0), (4, 60), (6, 60)),
        reading("unit-change", 9, "full"),
        *levels((12, 50)),
    ]
    assert answer(settings, stop, *unknown)[0] == "cannot be judged"


# -- the unit, and charting -----------------------------------------------------------------


def change(hour, closing=None, opening=None, **parts):
    stated = {"closing-level": closing, "opening-level": opening}
    known = {name: Decimal(value) for name, value in stated.items() if value is not None}
    return reading("unit-change", hour, "full", parts={**known, **parts})


def test_what_drained_within_the_minute_of_a_change_counts(settings):
    """250 mL to 11:00 and 30 up to the closing level of that minute: 280 (the change's rule: ACI)."""
    over = figure("volume", above=Decimal(260), within=hours(1))
    marks = [*levels((3, 100), (4, 350)), change(4, 380, 0), *levels((5, 5))]
    assert answer(settings, over, *marks, now=5) == ("met", at(4))
    stop = figure("stopped", above=Decimal(50), within=hours(2), after=hours(2))
    marks = [*levels((1, 100), (3, 130)), change(3, 155, 0), *levels((5, 0))]
    assert answer(settings, stop, *marks, now=5) == ("met", at(5))


def test_a_level_of_the_minute_of_a_change_is_of_the_unit_it_was_read_on(settings):
    near = figure("level", above=Decimal(100))
    full = [*levels((1, 900)), change(5, 950, 0), *levels((5, 150))]
    assert answer(settings, near, *full) == ("met", at(5))
    bare = [*levels((1, 900)), change(5), *levels((5, 150))]
    assert answer(settings, near, *bare)[0] == "met"
    numbered = [
        reading("level", 5, 950, parts={"unit-number": 1}),
        change(5, **{"unit-number": 2}),
        reading("level", 5, 0, parts={"unit-number": 2}),
    ]
    assert answer(settings, near, *numbered)[0] == "not met"
    placed = reading("placed", 0, parts={"opening-level": Decimal(150)})
    assert answer(settings, near, placed, change(5), *levels((6, 5)))[0] == "not met"


def test_tubes_in_one_unit_are_counted_there(settings):
    group = figure(
        "volume", scope="group", drains=("R1", "L1"), above=Decimal(200), within=hours(1)
    )
    unit = drained(settings, *levels((1, 0), (2, 50), (3, 80)))
    led = replace(
        drained(settings, reading("placed", 1), name="L1"),
        away=[Join("L1", at(1), None)],
        into=["R1"],
    )
    assert [j[0] for j in told(settings, group, unit, led, now=3)] == ["not met"]
    elsewhere = replace(led, into=["M1"])
    assert [j[0] for j in told(settings, group, unit, elsewhere, now=3)] == [UNSURE]


def test_a_level_near_the_top(settings):
    full = figure("level", above=Decimal(1800))
    assert answer(settings, full, *levels((0, 1700), (1, 1815), (2, 1850))) == ("met", at(1))
    assert answer(settings, full, *levels((0, 1700), (1, 1800)))[0] == "not met"
    change = reading("unit-change", 3, "full", parts={"opening-level": Decimal(0)})
    assert answer(settings, full, *levels((0, 1850)), change)[0] == "not met"
    assert answer(settings, full, *levels((0, 1850)), replace(change, parts={}))[0] == (
        "cannot be judged"
    )
    assert answer(settings, full, *levels((0, 1900), (2, 50)))[0] == "cannot be judged"
    assert answer(settings, full, *levels((0, 1850)), change, *levels((4, 20)))[0] == "not met"


def test_not_charted(settings):
    late = figure("not-charted", after=hours(6))
    assert answer(settings, late, *levels((0, 0), (1, 10)), now=7) == ("not met", None)
    assert answer(settings, late, *levels((0, 0), (1, 10)), now=7.1) == ("met", at(7))
    # One that is out is not overdue; one never read is, from when it was here.
    out = reading("removed", 2, "planned")
    assert answer(settings, late, *levels((0, 0)), out, now=20)[0] == "not met"
    assert answer(settings, late, reading("swing", 0, "present"), now=7) == ("met", at(6))


# -- how it is run --------------------------------------------------------------------------


def suction(number, hour, source="connected-on"):
    return [
        reading("mode", hour, "suction"),
        reading("suction-source", hour, source),
        replace(reading("suction-set", hour, number), unit="cm[H2O]"),
    ]


def ordered(number, hour, **more):
    return replace(reading("suction-ordered", hour, number, **more), unit="cm[H2O]")


ORDER = figure("order")


def test_set_against_ordered(settings):
    assert answer(settings, ORDER, ordered(20, 0), *suction(20, 1))[0] == "not met"
    changed = [ordered(20, 0), *suction(20, 1), ordered(10, 4), *suction(20, 8)]
    assert answer(settings, ORDER, *changed) == ("met", at(4))
    # Since the order nobody has looked; the source is off; there is no order.
    assert answer(settings, ORDER, *changed[:5])[0] == "cannot be judged"
    off = suction(20, 1, "connected-off")
    assert answer(settings, ORDER, ordered(10, 0), *off)[0] == "cannot be judged"
    assert answer(settings, ORDER, *suction(20, 1))[0] == "cannot be judged"
    near = replace(settings, suction_tolerance=Decimal(1))
    assert answer(near, ORDER, ordered(20, 0), *suction(19, 1))[0] == "not met"


def test_the_mode_against_the_order(settings):
    seal = reading("mode-ordered", 0, "water-seal")
    assert answer(settings, ORDER, seal, reading("mode", 1, "water-seal"))[0] == "not met"
    assert answer(settings, ORDER, seal, *suction(20, 1)) == ("met", at(1))
    # It was on suction before the order, and nobody has charted how it is run since.
    late = reading("mode-ordered", 2, "water-seal")
    assert answer(settings, ORDER, *suction(20, 1), late)[0] == "cannot be judged"
    # The regulator still shows 10 on water seal: that is not suction.
    shown = [ordered(20, 0), seal, reading("mode", 1, "water-seal"), suction(10, 1)[2]]
    assert answer(settings, ORDER, *shown)[0] == "not met"


def test_clamped_for_too_long(settings):
    clamped = figure("clamped", after=hours(1))
    marks = [reading("mode", 0, "suction"), reading("mode", 1, "clamped")]
    assert answer(settings, clamped, *marks, now=2) == ("not met", None)
    assert answer(settings, clamped, *marks, now=2.5) == ("met", at(2))
    again = reading("mode", 3, "clamped")
    assert answer(settings, clamped, *marks, again, now=4) == ("met", at(2))
    assert answer(settings, clamped, *marks, reading("mode", 3, "suction"), now=4)[0] == "not met"
    assert answer(settings, clamped, *levels((0, 1)))[0] == "cannot be judged"


# -- what is seen ---------------------------------------------------------------------------


def leak(hour, rest, cough):
    value = "present" if "present" in (rest, cough) else "undetermined"
    value = "none" if (rest, cough) == ("none", "none") else value
    return reading("air-leak", hour, value, parts={"at-rest": rest, "on-cough": cough})


LEAKS = [leak(0, "none", "none"), leak(4, "none", "present"), leak(8, "present", "present")]
NOT_TESTED = leak(12, "none", "not-tested")


def test_a_new_leak(settings):
    new = figure("air-leak-new")
    assert answer(settings, new, *LEAKS) == ("met", at(4))
    assert answer(settings, new, LEAKS[0])[0] == "not met"
    assert answer(settings, new, NOT_TESTED)[0] == "cannot be judged"
    assert answer(settings, new, *LEAKS[1:])[0] == "cannot be judged"
    assert answer(settings, new, *levels((0, 1)))[0] == "cannot be judged"


def test_a_new_leak_that_ended_as_the_site_counts_is_none_any_more(settings):
    nones = [leak(24, "none", "none"), leak(28, "none", "none")]
    new = figure("air-leak-new")
    counted = replace(new, rounds=2)
    assert answer(settings, new, *LEAKS, *nones, now=30)[0] == "met"
    assert answer(settings, counted, *LEAKS, nones[0], now=30)[0] == "met"
    assert answer(settings, counted, *LEAKS, *nones, now=30)[0] == "not met"


def test_two_rows_of_one_look_are_one_round(settings):
    ended = figure("air-leak-ended", rounds=2)
    twice = [replace(leak(24, "none", "none"), identity=name) for name in "ab"]
    assert answer(settings, ended, *LEAKS, *twice, now=30)[0] == "not met"
    later = leak(25, "none", "none")
    together = [replace(r, round="r-1") for r in (twice[0], later)]
    assert answer(settings, ended, *LEAKS, *together, now=30)[0] == "not met"
    assert answer(settings, ended, *LEAKS, twice[0], later, now=30) == ("met", at(25))


def test_a_lasting_leak(settings):
    lasting = figure("air-leak-lasting", after=hours(5))
    assert answer(settings, lasting, *LEAKS)[0] == "cannot be judged"
    assert answer(settings, lasting, *LEAKS, now=9)[0] == "not met"
    assert answer(settings, lasting, *LEAKS, leak(12, "none", "present")) == ("met", at(9))
    # A plain none between them makes two leaks of it.
    apart = [*LEAKS[:2], leak(5, "none", "none"), leak(10, "none", "present")]
    assert answer(settings, lasting, *apart, now=12)[0] == "not met"


def test_a_leak_that_has_ended(settings):
    ended = figure("air-leak-ended", rounds=2)
    assert answer(settings, ended, *LEAKS)[0] == "not met"
    # A look without cough is not one that found none, and breaks the row.
    one = [*LEAKS, leak(10, "none", "none"), NOT_TESTED, leak(14, "none", "none")]
    assert answer(settings, ended, *one)[0] == "not met"
    assert answer(settings, ended, *one, leak(16, "none", "none")) == ("met", at(16))


def test_swing_lost_off_suction(settings):
    lost = figure("swing-lost")
    there, gone = reading("swing", 0, "present"), reading("swing", 4, "absent")
    seal, on = reading("mode", 0, "water-seal"), reading("mode", 0, "suction")
    assert answer(settings, lost, there, gone, seal) == ("met", at(4))
    assert answer(settings, lost, there, gone, on)[0] == UNSURE  # is the source on?
    plugged, off = (reading("suction-source", 1, w) for w in ("connected-on", "connected-off"))
    assert answer(settings, lost, there, gone, on, plugged)[0] == "not met"
    assert answer(settings, lost, there, gone, on, off) == ("met", at(4))
    assert answer(settings, lost, there, gone, reading("mode", 0, "clamped"))[0] == "not met"
    assert answer(settings, lost, there, gone)[0] == "cannot be judged"
    assert answer(settings, lost, gone, seal)[0] == "not met"
    hidden = reading("swing", 5, "not-assessable")
    assert answer(settings, lost, there, gone, hidden, seal) == ("met", at(4))


def test_another_appearance(settings):
    other = figure("appearance")
    before, after = reading("appearance", 0, "serous"), reading("appearance", 4, "bloody")
    assert answer(settings, other, before, after) == ("met", at(4))
    assert answer(settings, other, before)[0] == "cannot be judged"
    assert answer(settings, other, before, reading("appearance", 4, "serous"))[0] == "not met"
    to_milky = replace(other, appearance=("milky",))
    assert answer(settings, to_milky, before, after)[0] == "not met"
    lately = replace(other, within=hours(12))
    assert answer(settings, lately, before, after, now=12) == ("met", at(4))
    assert answer(settings, lately, before, after, now=24)[0] == UNSURE  # nobody looked since
    again = reading("appearance", 20, "bloody")
    assert answer(settings, lately, before, after, again, now=24)[0] == "not met"
    odd = [reading("appearance", hour, "other", text=text) for hour, text in enumerate(("a", "b"))]
    assert answer(settings, other, *odd) == ("met", at(1))
    dark, bright = (
        reading("appearance", hour, "bloody", parts={"hue": hue})
        for hour, hue in enumerate(("dark-red", "bright-red"))
    )
    assert answer(settings, other, dark, bright) == ("met", at(1))


@pytest.mark.parametrize(
    "one",
    [
        figure("level", above=Decimal(1)),
        figure("not-charted", after=hours(1)),
        ORDER,
        figure("clamped", after=hours(1)),
        figure("swing-lost"),
        figure("stopped", above=Decimal(1), within=hours(1), after=hours(1)),
    ],
    ids=lambda one: one.kind,
)
def test_a_drain_that_is_out_asks_for_nothing(settings, one):
    held = [
        *levels((0, 0), (1, 50), (2, 50)),
        ordered(10, 0), *suction(20, 1),
        reading("mode", 2, "clamped"),
        reading("swing", 0, "present"), reading("swing", 2, "absent"),
        reading("removed", 3, "planned"),
    ]  # fmt: skip
    assert answer(settings, one, *held)[0] == "not met"


def test_a_judgement_names_what_it_rests_on(settings):
    marks = levels((0, 0), (1, 110))
    (judgement,) = judge([OVER], [drained(settings, *marks)], settings, now=at(2))
    assert [r.identity for r in judgement.readings] == [marks[1].identity]
    assert judgement.figure.source == "invented"


def test_a_volume_is_not_judged_over_time_that_nothing_accounts_for(settings):
    """Each was once answered "not met", though nobody knows what drained."""
    over = figure("volume", above=Decimal(100), within=hours(2))
    change = reading("unit-change", 5, "full")
    assert answer(settings, over, *levels((0, 0), (1, 10)), change, *levels((6, 3)))[0] == UNSURE
    beside = reading("output", 3, 900, start=at(0.5))
    assert answer(settings, over, *levels((0, 0), (1, 10)), beside)[0] == UNSURE
    fell = figure("volume", above=Decimal(1000), within=hours(2))
    assert answer(settings, fell, *levels((0, 0), (1, 900), (5, 500)))[0] == UNSURE
    limited = replace(settings, longest_interval=hours(2))
    amounts = [reading("output", 1, 10), reading("output", 9, 10)]
    eight = figure("volume", above=Decimal(100), within=hours(8))
    assert answer(limited, eight, *amounts)[0] == UNSURE
    first = figure("volume", above=Decimal(200), within=hours(1), after=hours(6))
    across = [reading("output", 0, 0), reading("output", 1, 10), reading("output", 7, 2000)]
    assert answer(settings, first, *across)[0] == UNSURE


def test_orders_of_one_time_that_contradict_are_not_judged(settings):
    both = [ordered(20, 0, identity="b"), ordered(10, 0, identity="a")]
    assert answer(settings, ORDER, *both, *suction(10, 1))[0] == UNSURE


def test_an_order_written_ahead_does_not_move_the_time(settings):
    ahead = ordered(20, 40)
    assert keep_ledger([*levels((0, 0), (2, 50)), ahead], settings).last == at(2)


def test_a_leak_that_was_not_looked_for_may_have_lasted(settings):
    lasting = figure("air-leak-lasting", after=hours(24))
    there = reading("air-leak", 0, "present", parts={"at-rest": "present"})
    none = reading("air-leak", 100, "none", parts={"at-rest": "none", "on-cough": "none"})
    assert answer(settings, lasting, there, none, now=100)[0] == UNSURE
    soon = replace(none, time=at(20))
    assert answer(settings, lasting, there, soon, now=100)[0] == "not met"
