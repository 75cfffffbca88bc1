"""The ledger of one drain: outputs from levels and amounts, and totals that say what they know.

Unknown is never zero: what cannot be known is a gap, a total over a gap says "at least", and a
total of which nothing is known has no value. The rules are those of DEVELOPERS.md, "Arithmetic".
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from fractions import Fraction
from itertools import groupby, pairwise
from typing import Literal

from fhirdrain.bedside.findings import Finding
from fhirdrain.bedside.reading import Reading
from fhirdrain.bedside.settings import Settings
from fhirdrain.bedside.windows import Window, Windows, hours_between
from fhirdrain.vocabulary.units import rounded

__all__ = ["Check", "Gap", "Ledger", "Output", "Total", "keep_ledger", "total", "totals"]


@dataclass(frozen=True, slots=True)
class Output:
    """What drained in (start, end], in mL; `start` is None where it is not known.

    `closing` is the reading that ends it and by which it is known, `sources` all readings it
    rests on. `basis` tells a difference of levels from a charted amount.
    """

    value: Decimal
    start: datetime | None
    end: datetime
    closing: Reading
    sources: tuple[Reading, ...]
    basis: Literal["levels", "amount"]


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch (start, end] in which what drained is not known, and why."""

    start: datetime
    end: datetime
    why: str


@dataclass(frozen=True, slots=True)
class Check:
    """A charted amount that only checks the levels: what they say for its interval, if anything."""

    amount: Reading
    by_levels: Decimal | None


@dataclass(slots=True)
class Ledger:
    """All that follows from one drain's readings.

    `baseline` is the first level, which was in the unit before anything was seen to drain.
    `first` and `last` are the times of the first and last reading that stands, `removed` that of
    the removal.
    """

    drain: str
    episode: int
    baseline: Reading | None = None
    outputs: list[Output] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    suspects: list[Reading] = field(default_factory=list)
    checks: list[Check] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    first: datetime | None = None
    last: datetime | None = None
    removed: datetime | None = None

    def find(self, kind: str, reading: Reading, message: str, *others: Reading) -> None:
        """Add a finding about a reading of this drain."""
        self.findings.append(
            Finding(kind, self.drain, self.episode, reading.time, message, (reading, *others))
        )


def keep_ledger(readings: Iterable[Reading], settings: Settings) -> Ledger:
    """Return the ledger of one drain (one episode) from its readings in any order."""
    standing = sorted((r for r in readings if r.counts), key=lambda r: r.sort_key)
    if not standing:
        raise ValueError("a ledger needs at least one reading that stands")
    ledger = Ledger(standing[0].drain, standing[0].episode)
    removals = [r.time for r in standing if r.observable == "removed"]
    ledger.removed = removals[-1] if removals else None
    # An order may be written, and a site described, before the drain is here.
    present = [r for r in standing if r.observable not in _TIMELESS] or standing
    ledger.first = present[0].time
    ledger.last = standing[-1].time
    if ledger.removed is not None:
        late = [r for r in standing if r.time > ledger.removed and r.observable not in _TIMELESS]
        for reading in late:
            ledger.find("after-removal", reading, f"{reading.observable} charted after the removal")
    amounts = [r for r in standing if r.observable == "output" and r.amount is not None]
    steps = _in_unit_order([r for r in standing if r.observable in _LEVEL_STEPS])
    if any(r.observable == "level" and r.amount is not None for r in steps):
        _from_levels(ledger, steps, settings)
        ledger.checks = [_checked(ledger, a, p) for a, p in _with_previous(amounts)]
        for check in ledger.checks:
            if check.by_levels is not None and check.by_levels != check.amount.amount:
                ledger.find(
                    "amount-differs",
                    check.amount,
                    f"charted as {check.amount.amount} mL, by the levels {check.by_levels} mL",
                )
    else:
        _from_amounts(ledger, amounts, settings)
    return ledger


_TIMELESS = ("suction-ordered", "mode-ordered", "drain-site")
_LEVEL_STEPS = ("level", "unit-change", "placed")


# -- levels ---------------------------------------------------------------------------------


def _in_unit_order(steps: Sequence[Reading]) -> list[Reading]:
    """Return levels and unit changes in time, a change and a level of one minute in unit order."""
    result: list[Reading] = []
    previous: Decimal | None = None
    for _, group in groupby(steps, key=lambda step: step.time):
        same = list(group)
        change = next((s for s in same if s.observable == "unit-change"), None)
        if change is not None:
            before = [s for s in same if s is not change and _is_before(s, change, previous)]
            after = [s for s in same if s is not change and s not in before]
            same = [*before, change, *after]
        result += same
        previous = next((s.amount for s in reversed(same) if s.amount is not None), previous)
    return result


def _is_before(level: Reading, change: Reading, previous: Decimal | None) -> bool:
    """Tell whether a level of the same minute was read on the old unit."""
    if level.observable == "placed":
        return True
    number, new = level.parts.get("unit-number"), change.parts.get("unit-number")
    if number is not None and new is not None:
        return number != new
    # Without unit numbers only the height speaks: the old unit cannot have gone down.
    return previous is not None and level.amount is not None and level.amount >= previous


class _Unit:
    """The unit now on the drain: its last good mark, and marks below it not yet explained."""

    def __init__(self, ledger: Ledger, settings: Settings) -> None:
        self.ledger = ledger
        self.settings = settings
        self.mark: Decimal | None = None
        self.marked: Reading | None = None
        self.low: list[Reading] = []
        self.number: object = None
        self.placed: datetime | None = None

    def open(self, level: Decimal | None, reading: Reading) -> None:
        """Begin a unit at a level, or at one not known."""
        self.mark, self.marked, self.low = level, reading, []

    def output(self, level: Decimal, reading: Reading) -> None:
        """Enter the rise from the last mark to a level as an output."""
        assert self.mark is not None
        assert self.marked is not None
        self.ledger.outputs.append(
            Output(
                level - self.mark,
                self.marked.time,
                reading.time,
                reading,
                (self.marked, reading),
                "levels",
            )
        )

    def gap(self, end: Reading, why: str) -> None:
        """Enter the time from the last mark to a reading as not known."""
        if self.marked is not None and self.marked.time < end.time:
            self.ledger.gaps.append(Gap(self.marked.time, end.time, why))

    def settle_low(self, why: str) -> None:
        """Ask about the marks below the last good one that nothing has explained."""
        if self.low:
            assert self.marked is not None
            first = self.low[0]
            self.ledger.find(
                "suspect-level",
                first,
                f"level {first.amount} mL is below {self.mark} mL of {self.marked.time:%d %b %H:%M}"
                f" {why}: was the unit changed?",
                self.marked,
            )

    def set_aside_low(self) -> None:
        """Keep the low marks out of the arithmetic for good."""
        self.ledger.suspects += self.low
        self.low = []


def _from_levels(ledger: Ledger, steps: Sequence[Reading], settings: Settings) -> None:
    unit = _Unit(ledger, settings)
    for step in steps:
        if step.observable == "placed":
            unit.placed = step.time
            opening = step.parts.get("opening-level")
            if isinstance(opening, Decimal):
                unit.open(opening, step)
        elif step.observable == "unit-change":
            _change(unit, step)
        elif step.amount is not None:
            _level(unit, step, step.amount)
    if unit.low:
        assert unit.marked is not None
        unit.settle_low("and nothing has risen above it since")
        ledger.gaps.append(Gap(unit.marked.time, unit.low[-1].time, "the level fell"))
        unit.set_aside_low()


def _level(unit: _Unit, reading: Reading, level: Decimal) -> None:
    number = reading.parts.get("unit-number")
    if number is not None and unit.number is not None and number != unit.number:
        unit.ledger.find(
            "unit-number-changed",
            reading,
            f"unit {number} is marked here and unit {unit.number} before it,"
            " and no change of unit is charted",
        )
        unit.gap(reading, "the unit was changed at a time not charted")
        unit.set_aside_low()
        unit.open(level, reading)
    elif unit.mark is None:
        _first_mark(unit, reading, level)
    elif level >= unit.mark:
        if unit.low:
            # It came back to where it was: the low marks were slips, the whole rise is known.
            unit.settle_low("and later marks are above it again")
            unit.set_aside_low()
        unit.output(level, reading)
        unit.open(level, reading)
    else:
        unit.low.append(reading)
    unit.number = number if number is not None else unit.number


def _first_mark(unit: _Unit, reading: Reading, level: Decimal) -> None:
    """Take a first mark as the baseline, or as output where the unit is known to begin empty."""
    ledger = unit.ledger
    if unit.marked is not None:
        unit.gap(reading, "the new unit's opening level is not charted")
    elif unit.settings.drain(reading.drain).began_empty and ledger.episode == 1:
        ledger.outputs.append(
            Output(level, unit.placed, reading.time, reading, (reading,), "levels")
        )
    else:
        ledger.baseline = reading
    unit.open(level, reading)


def _change(unit: _Unit, change: Reading) -> None:
    closing = change.parts.get("closing-level")
    if isinstance(closing, Decimal) and unit.mark is not None:
        if closing >= unit.mark:
            if unit.low:
                unit.settle_low("and the unit was closed above it")
            unit.set_aside_low()
            unit.output(closing, change)
        else:
            assert unit.marked is not None
            unit.ledger.find(
                "suspect-closing-level",
                change,
                f"the unit was closed at {closing} mL, below {unit.mark} mL of"
                f" {unit.marked.time:%d %b %H:%M}",
                unit.marked,
            )
            unit.gap(change, "the closing level is below the last mark")
    else:
        unit.gap(change, "the closing level is not charted")
    if unit.low:
        unit.settle_low("until the unit was changed")
        unit.set_aside_low()
    opening = change.parts.get("opening-level")
    level = opening if isinstance(opening, Decimal) else unit.settings.new_unit_level
    unit.open(level, change)
    unit.number = change.parts.get("unit-number")


# -- amounts --------------------------------------------------------------------------------


def _with_previous(amounts: Sequence[Reading]) -> list[tuple[Reading, Reading | None]]:
    """Return each amount with the last one charted for an earlier time."""
    result: list[tuple[Reading, Reading | None]] = []
    previous: Reading | None = None
    for _, group in groupby(amounts, key=lambda amount: amount.time):
        same = list(group)
        result += [(amount, previous) for amount in same]
        previous = same[-1]
    return result


def _start_of(amount: Reading, previous: Reading | None, settings: Settings) -> datetime | None:
    if amount.start is not None:
        return amount.start
    if previous is None:
        return None
    limit = settings.longest_interval
    if limit is not None and hours_between(previous.time, amount.time) > Fraction(
        int(limit.total_seconds()), 3600
    ):
        return None
    return previous.time


def _from_amounts(ledger: Ledger, amounts: Sequence[Reading], settings: Settings) -> None:
    for amount, previous in _with_previous(amounts):
        start = _start_of(amount, previous, settings)
        if amount.start is not None and previous is not None and amount.start < previous.time:
            ledger.find(
                "stated-before-last-amount",
                amount,
                f"stated as since {amount.start:%d %b %H:%M}, yet an amount was charted"
                f" at {previous.time:%d %b %H:%M}",
                previous,
            )
        value = amount.amount
        assert value is not None
        ledger.outputs.append(Output(value, start, amount.time, amount, (amount,), "amount"))


def _checked(ledger: Ledger, amount: Reading, previous: Reading | None) -> Check:
    """Hold an amount against the levels, where levels were read at both ends of its interval."""
    start = amount.start or (previous.time if previous else None)
    inside = [
        o
        for o in ledger.outputs
        if start is not None and o.start is not None and start <= o.start and o.end <= amount.time
    ]
    if not inside or inside[0].start != start or inside[-1].end != amount.time:
        return Check(amount, None)
    if any(a.end != b.start for a, b in pairwise(inside)):
        return Check(amount, None)
    return Check(amount, sum((o.value for o in inside), Decimal(0)))


# -- totals ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Total:
    """What drained in a window, in mL, and how much of it is known.

    `value` is set only when all of it is known; `at_least` alone when part of it is, `at_least`
    and `at_most` when all is charted but a double entry is suspected; none of them when nothing is
    known. `charted` is the plain sum of what was charted, suspected doubles included. `covered`
    is the share (0 to 1) of the time the drain was in place here (`place`) that outputs ending in
    the window account for. `carried` are outputs that began before the window.
    """

    window: Window
    place: Window | None
    charted: Decimal | None
    value: Decimal | None
    at_least: Decimal | None
    at_most: Decimal | None
    covered: Fraction
    carried: tuple[Output, ...] = ()
    open: bool = False

    @property
    def best(self) -> Decimal | None:
        """Return the value, else the lower bound, else None."""
        return self.value if self.value is not None else self.at_least


def total(
    ledger: Ledger,
    window: Window,
    settings: Settings,
    *,
    now: datetime,
    doubles: Iterable[Reading] = (),
) -> Total:
    """Return the total of one window as known `now`.

    `doubles` are the readings of this drain that may repeat another one; the lower bound is
    without them.
    """
    place = _in_place(ledger, window, now)
    parts = [part for o in ledger.outputs if (part := _part(o, window, settings)) is not None]
    suspected = {r.identity for r in doubles}
    amount = sum((p.share for p in parts), Decimal(0))
    doubtful = sum((p.share for p in parts if p.of.closing.identity in suspected), Decimal(0))
    covered = _covered([p.time for p in parts if p.time is not None], place)
    complete = place is not None and covered == 1
    return Total(
        window=window,
        place=place,
        charted=amount if parts else None,
        value=amount if complete and parts and not doubtful else None,
        at_least=amount - doubtful if parts else None,
        at_most=amount if complete and parts else None,
        covered=covered,
        carried=tuple(p.of for p in parts if p.of.start and p.of.start < window.start),
        open=now < window.end and ledger.removed is None,
    )


def totals(
    ledger: Ledger,
    windows: Windows,
    settings: Settings,
    *,
    now: datetime,
    doubles: Iterable[Reading] = (),
) -> list[Total]:
    """Return the totals of every window from the first reading to the last, charted or not."""
    assert ledger.first is not None
    assert ledger.last is not None
    last = min(ledger.last, ledger.removed) if ledger.removed else ledger.last
    doubles = list(doubles)
    return [
        total(ledger, window, settings, now=now, doubles=doubles)
        for window in windows.between(ledger.first, last)
    ]


def _in_place(ledger: Ledger, window: Window, now: datetime) -> Window | None:
    """Return the part of a window in which the drain was in place here, None if it was not."""
    assert ledger.first is not None
    until = ledger.removed or now
    start, end = max(window.start, ledger.first), min(window.end, until)
    return Window(start, end) if start < end else None


@dataclass(frozen=True, slots=True)
class _Part:
    """What of an output counts in a window, and the time it accounts for, if that is known."""

    of: Output
    share: Decimal
    time: Window | None


def _part(output: Output, window: Window, settings: Settings) -> _Part | None:
    """Return what of an output counts in a window; None when nothing does."""
    whole = Window(output.start, output.end) if output.start is not None else None
    if settings.spanning == "end" or whole is None:
        return _Part(output, output.value, whole) if output.end in window else None
    start, end = max(whole.start, window.start), min(whole.end, window.end)
    if start >= end:
        return None
    share = hours_between(start, end) / whole.hours
    value = Fraction(output.value) * share
    number = output.value if share == 1 else rounded(value, settings.significant_digits)
    return _Part(output, number, Window(start, end))


def _covered(pieces: Iterable[Window], place: Window | None) -> Fraction:
    """Return the share of `place` that the pieces cover, overlaps counted once."""
    if place is None:
        return Fraction(0)
    known, reached = Fraction(0), place.start
    for piece in sorted(pieces):
        start, end = max(piece.start, reached), min(piece.end, place.end)
        if start < end:
            known += hours_between(start, end)
            reached = end
    return known / place.hours
