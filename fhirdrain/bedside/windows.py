"""Shifts and days in a site's zone: (start, end], with true elapsed hours across clock changes."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, timezone, tzinfo
from fractions import Fraction
from zoneinfo import ZoneInfo


class WallTimeError(ValueError):
    """A wall time names no instant, or two: `offsets` are those it could be meant in."""

    def __init__(self, message: str, offsets: tuple[str, ...] = ()) -> None:
        super().__init__(message)
        self.offsets = offsets


def fixed(moment: datetime, zone: tzinfo | None = None) -> datetime:
    """Return the same instant with a plain offset, that of `zone` where one is given.

    Python compares and subtracts two times that share a zone by their wall clocks, which is wrong
    in the hour that comes twice; times with plain offsets it compares as instants.
    """
    moment = moment if zone is None else moment.astimezone(zone)
    offset = moment.utcoffset()
    if offset is None:
        raise ValueError("a time without an offset names no instant")
    return moment.replace(tzinfo=timezone(offset), fold=0)


@dataclass(frozen=True, slots=True, order=True)
class Window:
    """A stretch of time from `start`, not included, to `end`, included."""

    start: datetime
    end: datetime

    def __contains__(self, moment: datetime) -> bool:
        return self.start < moment <= self.end

    @property
    def hours(self) -> Fraction:
        """Return its true length in hours: 13 for a night in which clocks go back."""
        return hours_between(self.start, self.end)


def hours_between(start: datetime, end: datetime) -> Fraction:
    """Return the elapsed hours between two aware times, whatever their offsets."""
    elapsed = end.astimezone(UTC) - start.astimezone(UTC)
    return Fraction(elapsed // timedelta(microseconds=1), 3_600_000_000)


def instant(wall: datetime, zone: ZoneInfo) -> datetime:
    """Return the one instant that a wall time without offset means in a zone.

    Raises `WallTimeError` for a time in the hour that comes twice and in the hour left out.
    """
    first, second = (wall.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if first.utcoffset() == second.utcoffset():
        return fixed(first)
    if first.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != wall:
        raise WallTimeError(
            f"{wall:%Y-%m-%d %H:%M} does not exist in {zone.key}: clocks go forward"
        )
    offsets = tuple(moment.isoformat()[-6:] for moment in (first, second))
    raise WallTimeError(
        f"{wall:%Y-%m-%d %H:%M} comes twice in {zone.key}, at {' and at '.join(offsets)}", offsets
    )


class Windows:
    """The windows of a site: shifts with several starts a day, or days with one."""

    def __init__(self, zone: tzinfo, starts: Sequence[time]) -> None:
        self.zone = zone
        self.starts = sorted(starts)

    def _boundaries(self, around: datetime) -> list[datetime]:
        day = around.astimezone(self.zone).date()
        moments = [
            # A boundary in the hour left out falls as long after the jump as it would have after
            # the hour began; in the hour that comes twice, the first pass counts.
            datetime.combine(day + timedelta(days=shift), start, self.zone)
            for shift in (-2, -1, 0, 1, 2)
            for start in self.starts
        ]
        return sorted({fixed(m.astimezone(UTC), self.zone) for m in moments})

    def containing(self, moment: datetime) -> Window:
        """Return the window a moment is in; one on a boundary is in the window that ends there."""
        before = after = None
        for boundary in self._boundaries(moment):
            if boundary < moment:
                before = boundary
            elif after is None:
                after = boundary
        assert before is not None
        assert after is not None
        return Window(before, after)

    def between(self, first: datetime, last: datetime) -> Iterator[Window]:
        """Return every window from the one that holds `first` to the one that holds `last`."""
        window = self.containing(first)
        yield window
        while window.end < last:
            window = self.containing(window.end + timedelta(microseconds=1))
            yield window
