"""What a sheet is made from: one patient's drains as they were known at a time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import cached_property

from fhirdrain.bedside.findings import Finding
from fhirdrain.bedside.joins import Join
from fhirdrain.bedside.ledger import Ledger
from fhirdrain.bedside.orders import Order
from fhirdrain.bedside.places import Place
from fhirdrain.bedside.policy import Judgement
from fhirdrain.bedside.rates import Rate
from fhirdrain.bedside.reading import Reading, all_said, last_said, last_undone
from fhirdrain.bedside.saying import Saying
from fhirdrain.bedside.settings import Settings
from fhirdrain.bedside.totals import Total, total, totals, without
from fhirdrain.bedside.windows import Window, Windows, fixed

__all__ = ["Bed", "Shift", "Watched", "day_to", "last_handoff", "shift_at"]

# A hand-off is at a change of shift where it is so near to one; the site's windows say no more.
_NEAR = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class Shift:
    """The shift a sheet is about: its window, and whether it still goes on."""

    window: Window
    runs: bool


def shift_at(settings: Settings, at: datetime) -> Shift:
    """Return the shift that is just ending, or has ended: the one whose end is nearest."""
    windows = Windows(settings.zone, settings.windows)
    now = windows.containing(at)
    if at - now.start <= now.end - at:
        return Shift(windows.containing(now.start), runs=False)
    return Shift(now, runs=at < now.end)


def last_handoff(settings: Settings, at: datetime) -> datetime:
    """Return when the hand-off before this one is taken to have been.

    It was as long after (or before) the change of shift before as this one is, where this one is
    near a change of shift; else at the last change of shift.
    """
    windows = Windows(settings.zone, settings.windows)
    shift = shift_at(settings, at)
    offset = at - shift.window.end
    if abs(offset) <= _NEAR:
        return fixed(shift.window.start + offset, settings.zone)
    return windows.containing(at).start


def day_to(settings: Settings, end: datetime) -> Window:
    """Return the day that ends at a time and began at the same time by the wall clock."""
    wall = end.astimezone(settings.zone)
    # Python subtracts a day from the wall clock, whatever the offsets are.
    start = wall - timedelta(days=1)
    return Window(fixed(start.replace(fold=0), settings.zone), end)


@dataclass(frozen=True)
class Watched:
    """One drain (one episode) as known `at` a time.

    `readings` are in order of time, the withdrawn ones among them. `joined` are the tubes led into
    its unit, `led` the drains into whose units it was led itself, each with its name. `doubles` are
    the patient's groups of amounts that may be one. `rates` are those that the site's policy lets
    be worked out, `judgements` and `findings` those that are about this drain.
    """

    name: str
    episode: int
    place: Place
    readings: Sequence[Reading]
    ledger: Ledger
    orders: Sequence[Order]
    settings: Settings
    at: datetime
    joined: Sequence[tuple[Join, str]] = ()
    led: Sequence[tuple[Join, str]] = ()
    doubles: Sequence[Sequence[Reading]] = ()
    rates: Sequence[Rate] = ()
    judgements: Sequence[Judgement] = ()
    findings: Sequence[Finding] = ()

    @property
    def key(self) -> tuple[str, int]:
        """Return what tells it from the patient's other drains."""
        return self.name, self.episode

    @property
    def removed(self) -> datetime | None:
        """Return when it was removed, if it was."""
        return self.ledger.removed

    @property
    def led_into(self) -> str | None:
        """Return the drain whose unit it empties into now, None for its own."""
        now = [name for join, name in self.led if join.holds(self.at)]
        return now[-1] if now and self.removed is None else None

    def last(self, observable: str) -> Reading | None:
        """Return the last thing said of an observable, None where nothing is."""
        return last_said(self.readings, observable, self.at)

    def undone(self, observable: str) -> Reading | None:
        """Return what says that it was not done, refused or impossible; None if it was since."""
        return last_undone(self.readings, observable, self.at)

    def all(self, observable: str) -> list[Reading]:
        """Return all that is said of an observable, in order of time."""
        return all_said(self.readings, observable, self.at)

    def total(self, window: Window) -> Total:
        """Return what drained in a window, as far as it is known."""
        found = total(self.ledger, window, self.settings, now=self.at, doubles=self.doubles)
        return without(found, [join for join, _ in self.led])

    @cached_property
    def shifts(self) -> list[Total]:
        """Return the totals of its shifts, the first to the last that has ended or has more."""
        windows = Windows(self.settings.zone, self.settings.windows)
        found = totals(
            self.ledger,
            windows,
            self.settings,
            now=self.at,
            doubles=self.doubles,
            until=windows.containing(self.at).start,
        )
        return [without(one, [join for join, _ in self.led]) for one in found]


@dataclass(frozen=True)
class Bed:
    """One patient's drains as known `at` a time, for one sheet.

    `told` are the drains as they were known at the hand-off before (`last`), None where the source
    keeps no earlier versions. `newest` is when the newest reading was taken. `has_policy` tells
    whether there are figures to judge by. `gone` are drains that were removed too long ago to be on
    it, with the times of their removal.
    """

    patient: str
    at: datetime
    last: datetime
    settings: Settings
    drains: Sequence[Watched]
    told: Mapping[tuple[str, int], Watched] | None = None
    encounters: Sequence[str] = ()
    newest: datetime | None = None
    has_policy: bool = False
    notes: Sequence[Saying] = ()
    gone: Sequence[tuple[str, datetime]] = field(default=())

    @cached_property
    def shift(self) -> Shift:
        """Return the shift that it is about."""
        return shift_at(self.settings, self.at)
