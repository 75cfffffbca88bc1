from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhirdrain.bedside.findings import doubles_in, suspected_doubles
from fhirdrain.bedside.joins import Join
from fhirdrain.bedside.ledger import keep_ledger
from fhirdrain.bedside.settings import DrainSettings
from fhirdrain.bedside.totals import total, totals, without
from fhirdrain.bedside.windows import Window, Windows
from tests.conftest import amount, at, change, level, reading


def outputs(ledger):
    return [(o.value, o.start, o.end) for o in ledger.outputs]


def shift(ledger, settings, *, start=0, hours=12, now=None, doubles=()):
    window = Window(at(start), at(start + hours))
    return total(ledger, window, settings, now=now or at(start + hours), doubles=doubles)


# -- levels


def test_a_first_level_is_a_baseline_and_no_output(settings):
    ledger = keep_ledger([level(3, 1150)], settings)
    assert ledger.outputs == []
    assert ledger.baseline is not None
    assert ledger.baseline.value == 1150


def test_output_is_the_difference_of_two_levels(settings):
    ledger = keep_ledger([level(8, 510), level(0, 375)], settings)
    assert outputs(ledger) == [(Decimal(135), at(0), at(8))]
    assert [s.value for s in ledger.outputs[0].sources] == [375, 510]


def test_a_drain_that_began_empty_counts_its_first_level(settings):
    empty = replace(settings, drains={"R1": DrainSettings(began_empty=True)})
    ledger = keep_ledger([level(3, 60)], empty)
    assert outputs(ledger) == [(Decimal(60), None, at(3))]


def test_a_placing_with_an_opening_level_starts_the_first_unit(settings):
    placed = reading("placed", 1, parts={"opening-level": Decimal(20)})
    ledger = keep_ledger([placed, level(3, 60)], settings)
    assert outputs(ledger) == [(Decimal(40), at(1), at(3))]
    assert ledger.baseline is None


def test_a_change_closes_one_unit_and_opens_the_next(settings):
    ledger = keep_ledger(
        [
            level(0, 1860),
            change(
                2,
                1870,
                0,
            ),
            level(4, 45),
        ],
        settings,
    )
    assert outputs(ledger) == [(Decimal(10), at(0), at(2)), (Decimal(45), at(2), at(4))]
    assert ledger.gaps == []


def test_without_a_closing_level_what_drained_before_the_change_is_unknown(settings):
    ledger = keep_ledger([level(0, 1860), change(2, None, 0), level(4, 45)], settings)
    assert outputs(ledger) == [(Decimal(45), at(2), at(4))]
    assert [(g.start, g.end) for g in ledger.gaps] == [(at(0), at(2))]
    found = shift(ledger, settings, hours=4)
    assert (found.value, found.at_least, found.covered) == (None, 45, Fraction(1, 2))


def test_without_an_opening_level_the_site_file_may_know_it(settings):
    readings = [level(0, 1860), change(2, 1870), level(4, 45)]
    unknown = keep_ledger(readings, settings)
    assert outputs(unknown) == [(Decimal(10), at(0), at(2))]
    assert [(g.start, g.end) for g in unknown.gaps] == [(at(2), at(4))]
    known = keep_ledger(readings, replace(settings, new_unit_level=Decimal(5)))
    assert outputs(known)[1] == (Decimal(40), at(2), at(4))


def test_new_unit_level_is_never_for_the_first_unit(settings):
    ledger = keep_ledger([level(0, 80)], replace(settings, new_unit_level=Decimal(0)))
    assert ledger.outputs == []


@pytest.mark.parametrize("numbered", [True, False])
def test_a_level_in_the_minute_of_a_change_goes_to_its_own_unit(settings, numbered):
    old, new = ({"unit-number": 1}, {"unit-number": 2}) if numbered else ({}, {})
    readings = [
        level(0, 100, parts=old),
        change(2, 120, 0, parts=new),
        level(2, 120, parts=old),
        level(4, 30, parts=new),
    ]
    ledger = keep_ledger(readings, settings)
    assert sum(o.value for o in ledger.outputs) == 50
    later = [level(0, 100, parts=old), change(2, 120, 0, parts=new), level(2, 0, parts=new)]
    assert sum(o.value for o in keep_ledger(later, settings).outputs) == 20


def test_a_low_level_that_later_levels_pass_is_set_aside(settings):
    ledger = keep_ledger([level(0, 300), level(1, 200), level(2, 340)], settings)
    assert outputs(ledger) == [(Decimal(40), at(0), at(2))]
    assert [s.value for s in ledger.suspects] == [200]
    assert [f.kind for f in ledger.findings] == ["suspect-level"]


def test_levels_that_stay_low_give_no_output_and_a_question(settings):
    ledger = keep_ledger([level(0, 300), level(1, 20), level(2, 60), level(3, 90)], settings)
    assert ledger.outputs == []
    assert [(g.start, g.end) for g in ledger.gaps] == [(at(0), at(3))]
    assert "was the unit changed?" in ledger.findings[0].message


def test_a_low_level_is_explained_by_the_closing_level(settings):
    ledger = keep_ledger([level(0, 300), level(1, 30), change(2, 320, 0), level(3, 5)], settings)
    assert outputs(ledger) == [(Decimal(20), at(0), at(2)), (Decimal(5), at(2), at(3))]


def test_a_closing_level_below_the_last_mark_is_a_gap_and_a_finding(settings):
    ledger = keep_ledger([level(0, 300), change(2, 280, 0), level(3, 5)], settings)
    assert outputs(ledger) == [(Decimal(5), at(2), at(3))]
    assert [f.kind for f in ledger.findings] == ["suspect-closing-level"]


def test_a_new_unit_number_without_a_change_is_a_gap_and_a_finding(settings):
    readings = [
        level(0, 100, parts={"unit-number": 1}),
        level(1, 150, parts={"unit-number": 2}),
        level(2, 160, parts={"unit-number": 2}),
    ]
    ledger = keep_ledger(readings, settings)
    assert outputs(ledger) == [(Decimal(10), at(1), at(2))]
    assert [f.kind for f in ledger.findings] == ["unit-number-changed"]


def test_a_withdrawn_level_does_not_count(settings):
    readings = [level(0, 100), level(1, 900, status="entered-in-error"), level(2, 130)]
    assert outputs(keep_ledger(readings, settings)) == [(Decimal(30), at(0), at(2))]


# -- amounts


def test_an_amount_reaches_back_to_the_one_before(settings):
    ledger = keep_ledger([amount(0, 0), amount(4, 60), amount(6, 25)], settings)
    assert outputs(ledger) == [
        (Decimal(0), None, at(0)),
        (Decimal(60), at(0), at(4)),
        (Decimal(25), at(4), at(6)),
    ]


def test_an_amount_reaches_no_further_than_the_longest_interval(settings):
    short = replace(settings, longest_interval=timedelta(hours=6))
    ledger = keep_ledger([amount(0, 10), amount(7, 60)], short)
    assert outputs(ledger)[1] == (Decimal(60), None, at(7))
    assert shift(ledger, short, now=at(7)).covered == 0
    assert shift(ledger, short, now=at(7)).at_least == 60
    stated = keep_ledger([amount(0, 10), amount(7, 60, start=at(0))], short)
    assert outputs(stated)[1] == (Decimal(60), at(0), at(7))


def test_two_amounts_of_one_minute_share_their_interval(settings):
    ledger = keep_ledger(
        [amount(0, 5, item="a"), amount(2, 30, item="a"), amount(2, 10, item="b")], settings
    )
    assert [o.start for o in ledger.outputs] == [None, at(0), at(0)]
    assert shift(ledger, settings, hours=2).value == 40


def test_levels_count_and_amounts_check_them(settings):
    readings = [
        level(0, 100),
        level(4, 160),
        amount(0, 0),
        amount(4, 60),
        level(8, 200),
        amount(8, 35),
    ]
    ledger = keep_ledger(readings, settings)
    assert sum(o.value for o in ledger.outputs) == 100
    assert [(c.by_levels, c.verdict) for c in ledger.checks] == [
        (60, "agrees with"),
        (40, "differs from"),
    ]
    assert [f.kind for f in ledger.findings] == ["amount-differs"]


# -- totals


def test_a_total_is_known_only_when_its_time_is_covered(settings):
    readings = [level(0, 100), level(4, 120), level(12, 180), level(14, 200)]
    known = shift(keep_ledger(readings, settings), settings)
    assert (known.value, known.at_least, known.at_most, known.covered) == (80, 80, 80, 1)


def test_a_step_across_a_boundary_counts_where_it_ends_and_is_said(settings):
    ledger = keep_ledger([level(0, 100), level(4, 120), level(16, 180)], settings)
    first, second = shift(ledger, settings, now=at(16)), shift(ledger, settings, start=12)
    assert (first.value, first.at_least, first.covered) == (None, 20, Fraction(1, 3))
    assert [o.value for o in second.carried] == [60]
    assert second.at_least == 60


def test_a_step_across_a_boundary_can_be_split(settings):
    split = replace(settings, spanning="split")
    ledger = keep_ledger([level(0, 100), level(16, 180)], split)
    assert [shift(ledger, split, start=s, now=at(16)).value for s in (0, 12)] == [60, 20]


def test_unknown_is_never_zero(settings):
    ledger = keep_ledger([reading("swing", 1, "present"), level(20, 50)], settings)
    found = totals(ledger, Windows(settings.zone, settings.windows), settings, now=at(20))
    assert [(t.value, t.at_least, t.at_most) for t in found] == [(None, None, None)] * 2


def test_a_zero_that_was_read_is_zero(settings):
    ledger = keep_ledger([amount(0, 0), amount(12, 0)], settings)
    assert shift(ledger, settings).value == 0


def test_a_window_is_open_at_its_start_and_closed_at_its_end(settings):
    ledger = keep_ledger([level(0, 100), level(12, 150), level(24, 170)], settings)
    assert [shift(ledger, settings, start=s).value for s in (0, 12)] == [50, 20]


def test_no_window_after_the_removal_and_none_missing_before(settings):
    readings = [
        level(1, 10),
        level(30, 60),
        reading("removed", 30, "planned"),
        reading("swing", 60, "absent"),
    ]
    ledger = keep_ledger(readings, settings)
    found = totals(ledger, Windows(settings.zone, settings.windows), settings, now=at(60))
    assert [t.window.start for t in found] == [at(0), at(12), at(24)]
    assert found[-1].place == Window(at(24), at(30))
    assert [f.kind for f in ledger.findings] == ["after-removal"]


def test_a_suspected_double_makes_a_total_a_range(settings):
    readings = [
        amount(0, 0, item="a"),
        amount(11, 45, item="a"),
        amount(11.05, 45, item="b"),
        amount(12, 10, item="a"),
    ]
    pairs = suspected_doubles(readings, timedelta(minutes=10))
    found = shift(keep_ledger(readings, settings), settings, doubles=doubles_in(pairs))
    assert (found.value, found.at_least, found.at_most, found.charted) == (None, 55, 100, 100)


steps = st.lists(
    st.tuples(st.integers(1, 600), st.integers(0, 300), st.booleans()), min_size=1, max_size=40
)


@given(steps, st.integers(0, 500))
def test_whatever_rises_in_the_units_is_what_drained(walk, first):
    """Conservation: known outputs add up to all rises, however often the unit was changed."""
    settings = _plain()
    minutes, mark, drained = 0, first, 0
    readings = [level(0, first)]
    for wait, rise, changed in walk:
        minutes += wait
        mark += rise
        drained += rise
        if changed:
            readings.append(change(minutes / 60, mark, 0))
            mark = 0
        else:
            readings.append(level(minutes / 60, mark))
    ledger = keep_ledger(reversed(readings), settings)
    assert sum(o.value for o in ledger.outputs) == drained
    assert all(o.value >= 0 for o in ledger.outputs)
    found = totals(ledger, Windows(settings.zone, settings.windows), settings, now=at(minutes / 60))
    assert sum(t.charted or 0 for t in found) == drained


@given(st.lists(st.integers(0, 2000), min_size=1, max_size=25))
def test_no_series_of_levels_ever_gives_a_negative_output(values):
    readings = [level(hour, value) for hour, value in enumerate(values)]
    ledger = keep_ledger(readings, _plain())
    assert all(o.value >= 0 for o in ledger.outputs)
    used = {s.identity for o in ledger.outputs for s in o.sources}
    assert not used & {s.identity for s in ledger.suspects}


def _plain():
    from datetime import time
    from zoneinfo import ZoneInfo

    from fhirdrain.bedside.settings import Settings

    return Settings(zone=ZoneInfo("UTC"), windows=(time(7), time(19)), day_starts=time(7))


# -- what has not happened, and what happens in one minute


def test_a_change_that_was_not_done_is_no_change(settings):
    known = replace(settings, new_unit_level=Decimal(0))
    not_done = replace(change(1), value=None, absent="not_done")
    ledger = keep_ledger([level(0, 100), not_done, level(2, 150)], known)
    assert outputs(ledger) == [(Decimal(50), at(0), at(2))]


def test_a_removal_that_was_not_done_removes_nothing(settings):
    not_done = reading("removed", 1, None, absent="not_done")
    assert keep_ledger([level(0, 100), not_done, level(2, 150)], settings).removed is None


def test_a_first_level_in_the_minute_of_a_change_is_a_baseline(settings):
    known = replace(settings, new_unit_level=Decimal(0))
    ledger = keep_ledger([level(0, 1860), change(0), level(2, 50)], known)
    assert outputs(ledger) == [(Decimal(50), at(0), at(2))]
    assert ledger.suspects == []


def test_after_a_change_the_height_is_that_of_the_new_unit(settings):
    known = replace(settings, new_unit_level=Decimal(0))
    readings = [level(0, 1700), change(2, 1800), level(4, 300), change(4), level(6, 20)]
    ledger = keep_ledger(readings, known)
    assert [o.value for o in ledger.outputs] == [100, 300, 20]
    assert ledger.suspects == []


def test_a_step_of_no_length_is_not_lost_when_steps_are_split(settings):
    readings = [level(0, 100), change(2, 150, 0), level(2, 20), level(4, 30)]
    found = [
        shift(keep_ledger(readings, s), s, hours=4).value
        for s in (settings, replace(settings, spanning="split"))
    ]
    assert found == [80, 80]


def test_a_unit_that_began_empty_counts_its_closing_level(settings):
    empty = replace(settings, drains={"R1": DrainSettings(began_empty=True)})
    ledger = keep_ledger([change(1, 1870, 0), level(3, 30)], empty)
    assert sum(o.value for o in ledger.outputs) == 1900


def test_amounts_of_which_the_levels_say_nothing_count(settings):
    readings = [level(1, 80), *(amount(hour, 50) for hour in range(2, 6))]
    ledger = keep_ledger(readings, settings)
    assert [o.value for o in ledger.outputs] == [50, 50, 50, 50]
    assert ledger.checks == []


def test_an_amount_over_a_part_of_the_levels_time_is_in_no_total(settings):
    readings = [level(1, 80), level(5, 120), amount(2, 0), amount(3, 30)]
    ledger = keep_ledger(readings, settings)
    assert ledger.checks == []
    assert [f.kind for f in ledger.findings] == ["amount-not-compared"] * 2
    assert sum(o.value for o in ledger.outputs) == 40


def test_a_lower_bound_is_one(settings):
    # 50 mL of the 200 in the unit were charted as an amount too.
    empty = replace(settings, drains={"R1": DrainSettings(began_empty=True)})
    ledger = keep_ledger([amount(1, 50), level(2, 200), level(3, 260)], empty)
    assert shift(ledger, empty, now=at(3)).at_least == 260
    # The first amount may hold what the levels have shown before.
    ledger = keep_ledger([level(0, 0), level(3, 100), amount(5, 150), amount(6, 10)], settings)
    assert shift(ledger, settings, now=at(6)).at_least == 110


def test_amounts_whose_times_overlap_are_a_range(settings):
    readings = [amount(0, 0), amount(5, 10, start=at(0)), amount(12, 400, start=at(0))]
    found = shift(keep_ledger(readings, settings), settings)
    assert (found.value, found.at_least, found.at_most) == (None, 400, 410)


def test_a_second_placing_without_a_removal_begins_no_unit(settings):
    placed = {"parts": {"opening-level": Decimal(0)}}
    readings = [
        reading("placed", 0, **placed),
        level(3, 100),
        reading("placed", 4, **placed),
        level(5, 110),
    ]
    ledger = keep_ledger(readings, settings)
    assert sum(o.value for o in ledger.outputs) == 110
    assert [f.kind for f in ledger.findings] == ["placed-again"]


def test_two_marks_of_one_minute_do_not_swallow_an_amount(settings):
    readings = [amount(2, 0), level(3, 100), level(3, 100), amount(4, 50)]
    assert sum(o.value for o in keep_ledger(readings, settings).outputs) == 50


def test_a_unit_that_began_empty_began_when_it_was_placed(settings):
    empty = replace(settings, drains={"R1": DrainSettings(began_empty=True)})
    ledger = keep_ledger([reading("placed", 1), level(3, 60)], empty)
    assert outputs(ledger) == [(Decimal(60), at(1), at(3))]
    second = [replace(r, episode=2) for r in (reading("placed", 1), level(3, 60))]
    assert keep_ledger(second, empty).outputs == []


def test_a_window_is_open_until_it_has_passed(settings):
    ledger = keep_ledger([level(0, 10), level(4, 20)], settings)
    assert shift(ledger, settings, now=at(4)).open
    assert not shift(ledger, settings, now=at(12)).open


def test_a_split_step_is_rounded_to_the_sites_digits(settings):
    split = replace(settings, spanning="split", significant_digits=4)
    ledger = keep_ledger([level(11, 0), level(14, 1000)], split)
    assert [shift(ledger, split, start=s, now=at(14)).charted for s in (0, 12)] == [
        Decimal("333.3"),
        Decimal("666.7"),
    ]


def test_a_low_level_before_another_unit_number_is_still_asked_about(settings):
    readings = [
        level(0, 300, parts={"unit-number": 1}),
        level(1, 200, parts={"unit-number": 1}),
        level(2, 10, parts={"unit-number": 2}),
    ]
    kinds = [f.kind for f in keep_ledger(readings, settings).findings]
    assert kinds == ["unit-number-changed", "suspect-level"]


def test_what_is_added_up_is_rounded_once(settings):
    """140 and 1100 would be 1200; 1278 is 1300."""
    two = replace(settings, significant_digits=2)
    ledger = keep_ledger([level(0, 0), level(1, 135), level(2, 1278)], two)
    assert [o.value for o in ledger.outputs] == [135, 1143]
    _, whole = totals(ledger, Windows(two.zone, two.windows), two, now=at(2))
    assert whole.value == 1300


def test_amounts_that_end_together_and_began_apart_make_a_range(settings):
    """100 mL since 07:00 and 60 since 09:00, both at 12:00: 100 to 160."""
    twice = [amount(0, 0), amount(5, 100, start=at(0)), amount(5, 60, start=at(2), item="b")]
    ledger = keep_ledger(twice, settings)
    _, whole = totals(ledger, Windows(settings.zone, settings.windows), settings, now=at(5))
    assert (whole.value, whole.at_least, whole.at_most) == (None, 100, 160)
    assert [f.kind for f in ledger.findings] == ["amounts-overlap"]


@pytest.mark.parametrize(
    ("first", "second", "items", "kinds", "bounds"),
    [
        (50, 30, "aa", ["amounts-together"], (None, 50, 80)),
        (50, 50, "aa", ["amounts-together"], (None, 50, 100)),
        (50, 0, "aa", ["amounts-together"], (50, 50, 50)),
        (0, 0, "aa", [], (0, 0, 0)),
        (50, 30, "ab", ["amounts-together"], (80, 80, 80)),
        (50, 50, "ab", [], (100, 100, 100)),  # a suspected double: `suspected_doubles` asks
    ],
)
@pytest.mark.parametrize("names", ["ab", "ba"])
def test_two_amounts_of_one_time(settings, names, first, second, items, kinds, bounds):
    amounts = [
        amount(0, 0),
        amount(2, first, identity=names[0], item=items[0]),
        amount(2, second, identity=names[1], item=items[1]),
    ]
    ledger = keep_ledger(amounts, settings)
    _, whole = totals(ledger, Windows(settings.zone, settings.windows), settings, now=at(2))
    assert (whole.value, whole.at_least, whole.at_most) == bounds
    assert [f.kind for f in ledger.findings] == kinds


def test_a_unit_that_was_only_closed_is_known_by_its_change(settings):
    placed = reading("placed", 1, parts={"opening-level": Decimal(0)})
    ledger = keep_ledger([placed, change(11, 800, 0)], settings)
    assert [(o.value, o.start, o.end) for o in ledger.outputs] == [(800, at(1), at(11))]
    two = keep_ledger([change(1, None, 0), change(11, 600, 0)], settings)
    assert [o.value for o in two.outputs] == [600]
    # Amounts beside them are checks, as beside levels.
    both = keep_ledger([placed, amount(5, 300, start=at(1)), change(11, 800, 0)], settings)
    assert [o.basis for o in both.outputs] == ["levels"]
    bare = keep_ledger([change(1, None, None), amount(5, 300), amount(6, 10)], settings)
    assert [o.basis for o in bare.outputs] == ["amount", "amount"]


def test_a_double_across_the_end_of_a_shift_is_sure_in_neither(settings):
    """90 mL stand at 18:55 and at 19:05: whichever is withdrawn, the shift may have none of them."""
    amounts = [
        amount(0, 0, item="a"),
        amount(11, 40, item="a"),
        amount(11 + 55 / 60, 90, item="a"),
        amount(12 + 5 / 60, 90, item="b"),
    ]
    doubles = doubles_in(suspected_doubles(amounts, timedelta(minutes=10)))
    ledger = keep_ledger(amounts, settings)
    first = shift(ledger, settings, doubles=doubles)
    later = shift(ledger, settings, start=12, now=at(12 + 5 / 60), doubles=doubles)
    assert (first.at_least, later.at_least) == (40, 0)
    whole = shift(ledger, settings, hours=24, now=at(12 + 5 / 60), doubles=doubles)
    assert (whole.at_least, whole.at_most) == (130, 220)


def test_a_double_of_which_a_share_is_elsewhere_is_sure_nowhere(settings):
    """10, 10 and 90 mL twice round the end of a shift that splits amounts: without the first 90 the
    second begins at 18:58, and 2 of its 11 minutes are in the shift (worked by hand: 36.36)."""
    split = replace(settings, spanning="split")

    def amounts(*twice):
        return [
            amount(0, 0, item="a"),
            amount(11 + 50 / 60, 10, item="a"),
            amount(11 + 58 / 60, 10, item="a"),
            *twice,
        ]

    first, second = amount(11 + 59 / 60, 90, item="a"), amount(12 + 9 / 60, 90, item="b")
    both = amounts(first, second)
    doubles = doubles_in(suspected_doubles(both, timedelta(minutes=10)))
    found = shift(keep_ledger(both, split), split, now=at(13), doubles=doubles)
    one = shift(keep_ledger(amounts(second), split), split, now=at(13))
    assert one.at_least == Decimal("36.3636")
    assert found.at_least <= one.at_least


def test_what_a_device_made_up_makes_no_window_and_covers_nothing(settings):
    levels = [level(3, 10), level(12, 30)]
    demo = [level(1, 500, test=True), level(60, 900, test=True)]
    ledger = keep_ledger([*levels, *demo], settings)
    assert (ledger.first, ledger.last, ledger.since) == (at(3), at(12), at(3))
    assert shift(ledger, settings).value == 20


def test_an_amount_of_unknown_start_stays_known_of_a_tube_that_is_led_away_later(settings):
    ledger = keep_ledger([amount(1, 50), reading("swing", 12, "present")], settings)
    whole = shift(ledger, settings, now=at(12))
    assert without(whole, [Join("R1", at(3), None)]).at_least == 50
    assert without(whole, [Join("R1", at(0), None)]).at_least is None


def test_what_is_known_from_before_a_tube_was_led_away_stays_known(settings):
    """20 mL in the first six hours, and then led into another unit: at least 20, half covered."""
    ledger = keep_ledger([amount(6, 20, start=at(0)), reading("swing", 12, "present")], settings)
    whole = shift(ledger, settings, now=at(12))
    led = without(whole, [Join("R1", at(6), None)])
    assert (led.value, led.at_least, led.covered) == (None, 20, Fraction(1, 2))
    beyond = without(whole, [Join("R1", at(3), None)])
    assert (beyond.at_least, beyond.covered) == (20, Fraction(1, 4))


def test_amounts_finer_than_the_levels_check_them_together(settings):
    """10, 20 and 30 mL in the hours between two levels 60 mL apart."""
    levels = [level(0, 0), level(3, 60)]
    finer = [amount(1, 10, start=at(0)), amount(2, 20), amount(3, 30)]
    ledger = keep_ledger([*levels, *finer], settings)
    assert [(c.amount.amount, c.verdict) for c in ledger.checks] == [
        (10, "agrees with"), (20, "agrees with"), (30, "agrees with"),
    ]  # fmt: skip
    assert ledger.findings == []
    assert [o.basis for o in ledger.outputs] == ["levels"]
    other = keep_ledger([*levels, *finer[:2], amount(3, 31)], settings)
    assert [f.kind for f in other.findings] == ["amount-differs"]
    assert other.findings[0].message == "charted as 61 mL in 3 amounts, by the levels 60 mL"
    gap = keep_ledger([*levels, finer[0], amount(3, 30, start=at(2))], settings)
    assert [f.kind for f in gap.findings] == ["amount-not-compared"] * 2


@pytest.mark.parametrize("names", ["ab", "ba"])
def test_of_two_levels_of_one_minute_the_higher_counts(settings, names):
    marks = [level(0, 0), level(1, 100, identity=names[0]), level(1, 90, identity=names[1])]
    ledger = keep_ledger([*marks, level(2, 120)], settings)
    assert [o.value for o in ledger.outputs] == [90, 10, 20]
    assert [f.kind for f in ledger.findings] == ["two-levels"]
    assert ledger.suspects == []


@pytest.mark.parametrize("names", ["ab", "ba"])
def test_two_changes_of_one_minute_are_in_the_order_of_what_they_closed(settings, names):
    first, second = names
    steps = [
        level(0, 100),
        change(1, 150, 0, identity=first),
        change(1, 30, 0, identity=second),
        level(3, 10),
    ]
    ledger = keep_ledger(steps, settings)
    assert [o.value for o in ledger.outputs] == [50, 30, 10]
    assert ledger.findings == []


def test_a_first_level_like_the_opening_level_is_of_the_new_unit(settings):
    ledger = keep_ledger([level(2, 0), change(2, 394, 0), level(5, 60)], settings)
    assert sum(o.value for o in ledger.outputs) == 60


def test_a_level_like_the_opening_level_says_nothing_of_the_old_unit(settings):
    ledger = keep_ledger([change(1, 100, 0), level(11, 0), change(11, None, 0)], settings)
    assert [(o.value, o.start, o.end) for o in ledger.outputs] == [(Decimal(0), at(11), at(11))]
    assert [(g.start, g.end) for g in ledger.gaps] == [(at(1), at(11))]
    assert shift(ledger, settings, now=at(11)).value is None


def test_a_level_is_of_the_unit_it_is_nearer_to(settings):
    readings = [level(0, 5), level(4, 20), change(4, 300, 0), level(6, 30)]
    assert [o.value for o in keep_ledger(readings, settings).outputs] == [295, 20, 10]
    readings = [level(0, 5), level(4, 290), change(4, 300, 0), level(6, 30)]
    assert [o.value for o in keep_ledger(readings, settings).outputs] == [285, 10, 30]


def test_joinings_that_contradict_each_other_are_asked_about(settings):
    def join(hours, name="joined", tube="L1"):
        return reading(name, hours, parts={"tube": tube})

    def kinds(*readings):
        ledger = keep_ledger([level(0, 10), *readings], settings)
        return [(finding.kind, finding.time) for finding in ledger.findings]

    assert kinds(join(1), join(2, "parted"), join(3)) == []
    assert kinds(join(1), join(2)) == [("joined-again", at(2))]
    assert kinds(join(2, "parted")) == [("parted-not-joined", at(2))]
    assert kinds(join(1), join(1.5, tube="M1"), join(2, "parted"), join(3, "parted")) == [
        ("parted-not-joined", at(3))
    ]
    assert kinds(join(1, tube="R1")) == [("joined-to-itself", at(1))]


def test_a_level_in_the_minute_of_a_change_is_not_what_was_in_the_old_unit(settings):
    """The first unit was closed at 1150, where the next began is not said, and it stands at 0."""
    ledger = keep_ledger([change(1, 1150), level(1, 0), level(5, 20)], settings)
    assert [o.value for o in ledger.outputs] == [20]


def test_what_is_charted_after_the_removal_is_in_no_total(settings):
    steps = [level(1, 0), level(3, 100), reading("removed", 3, "planned"), level(5, 400)]
    ledger = keep_ledger(steps, settings)
    (whole,) = totals(ledger, Windows(settings.zone, settings.windows), settings, now=at(6))
    assert (whole.value, [f.kind for f in ledger.findings]) == (100, ["after-removal"])
