from __future__ import annotations

import itertools
from datetime import UTC, datetime, time, timedelta, timezone
from fractions import Fraction
from zoneinfo import ZoneInfo

import pytest

from fhirdrain.bedside.windows import WallTimeError, Windows, fixed, hours_between, instant

VIENNA = ZoneInfo("Europe/Vienna")
SHIFTS = Windows(VIENNA, [time(7), time(19)])
DAYS = Windows(VIENNA, [time(7)])


def wall(text: str) -> datetime:
    return instant(datetime.fromisoformat(text), VIENNA)


def test_a_time_on_a_boundary_belongs_to_the_window_that_ends():
    window = SHIFTS.containing(wall("2025-10-24 07:00"))
    assert (window.start, window.end) == (wall("2025-10-23 19:00"), wall("2025-10-24 07:00"))


@pytest.mark.parametrize(
    ("moment", "shift", "day"),
    [
        ("2025-10-26 05:00", 13, 25),  # clocks go back at 03:00
        ("2025-03-30 05:00", 11, 23),  # clocks go forward at 02:00
        ("2025-07-01 05:00", 12, 24),
    ],
)
def test_windows_have_their_true_hours(moment, shift, day):
    assert SHIFTS.containing(wall(moment)).hours == shift
    assert DAYS.containing(wall(moment)).hours == day


def test_240_ml_a_day_at_clock_changes():
    """Worked numbers, common practice, no source: 240 mL in 23 h and in 25 h are not 10 mL/h."""
    rates = [
        round(240 / float(DAYS.containing(wall(d)).hours), 2)
        for d in ("2025-03-30 05:00", "2025-10-26 05:00")
    ]
    assert rates == [10.43, 9.60]


def test_windows_follow_each_other_without_a_gap_across_both_changes():
    for first, last in (
        ("2025-10-24 10:00", "2025-10-28 10:00"),
        ("2025-03-28 10:00", "2025-04-01 10:00"),
    ):
        for windows in (SHIFTS, DAYS, Windows(VIENNA, [time(2, 30), time(10), time(18)])):
            found = list(windows.between(wall(first), wall(last)))
            assert all(a.end == b.start for a, b in itertools.pairwise(found))
            assert all(w.hours > 0 for w in found)
            assert wall(first) in found[0]
            assert wall(last) in found[-1]


def test_the_hour_that_comes_twice_is_two_times():
    with pytest.raises(WallTimeError, match="comes twice"):
        wall("2025-10-26 02:30")
    first = datetime.fromisoformat("2025-10-26T02:45+02:00")
    second = datetime.fromisoformat("2025-10-26T02:15+01:00")
    assert second > first
    assert hours_between(first, second) == Fraction(1, 2)


def test_the_hour_left_out_is_no_time():
    with pytest.raises(WallTimeError, match="does not exist"):
        wall("2025-03-30 02:30")


def test_times_with_plain_offsets_compare_as_instants():
    first = fixed(datetime(2025, 10, 26, 0, 45, tzinfo=UTC), VIENNA)
    second = fixed(datetime(2025, 10, 26, 1, 15, tzinfo=UTC), VIENNA)
    assert (first.hour, second.hour) == (2, 2)
    assert second - first == timedelta(minutes=30)
    assert isinstance(first.tzinfo, timezone)


def test_any_number_of_shifts_and_any_start_of_day():
    three = Windows(VIENNA, [time(22), time(6), time(14)])
    assert three.containing(wall("2025-07-01 23:00")).start == wall("2025-07-01 22:00")
    assert three.containing(wall("2025-07-01 06:00")).start == wall("2025-06-30 22:00")
    midnight = Windows(VIENNA, [time(0)])
    assert midnight.containing(wall("2025-07-01 00:00")).start == wall("2025-06-30 00:00")
