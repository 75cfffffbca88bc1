"""The ledger of one drain: outputs from levels and amounts.

Unknown is never zero: what cannot be known is a gap. The rules are those of DEVELOPERS.md,
"Arithmetic".
"""

from __future__ import annotations

from bisect import bisect_right
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
from fhirdrain.bedside.windows import hours_between

__all__ = ["Check", "Gap", "Ledger", "Output", "keep_ledger"]


@dataclass(frozen=True, slots=True)
class Output:
    """What drained in (start, end], in mL, not rounded; `start` is None where it is not known.

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
    """A charted amount that only checks the levels, and what they say for its interval.

    Amounts finer than the levels check them together: `charted` is the sum of those that do.
    """

    amount: Reading
    by_levels: Decimal
    charted: Decimal

    @property
    def verdict(self) -> str:
        """Say in words how the amount and the levels go together."""
        return "agrees with" if self.by_levels == self.charted else "differs from"


@dataclass(slots=True)
class Ledger:
    """All that follows from one drain's readings.

    `baseline` is the first level, which was in the unit before anything was seen to drain.
    `first` and `last` are the times of the first and last reading that stands, `since` that from
    which the drain is known to have been here, `removed` that of the removal. `doubtful` are
    readings whose amount another one may hold as well. `marks` are the good levels of the unit now
    on the drain with the readings that say them, `low` is a later one below them, if one is.
    """

    drain: str
    episode: int
    baseline: Reading | None = None
    outputs: list[Output] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    suspects: list[Reading] = field(default_factory=list)
    checks: list[Check] = field(default_factory=list)
    doubtful: list[Reading] = field(default_factory=list)
    marks: list[tuple[Decimal, Reading]] = field(default_factory=list)
    low: Reading | None = None
    findings: list[Finding] = field(default_factory=list)
    first: datetime | None = None
    since: datetime | None = None
    last: datetime | None = None
    removed: datetime | None = None

    def find(self, kind: str, reading: Reading, message: str, *others: Reading) -> None:
        """Add a finding about a reading of this drain."""
        self.findings.append(
            Finding(kind, self.drain, self.episode, reading.time, message, (reading, *others))
        )


def keep_ledger(readings: Iterable[Reading], settings: Settings) -> Ledger:
    """Return the ledger of one drain (one episode) from its readings in any order."""
    standing = sorted((r for r in readings if r.real), key=lambda r: r.sort_key)
    if not standing:
        raise ValueError("a ledger needs at least one reading that stands")
    ledger = Ledger(standing[0].drain, standing[0].episode)
    said = [r for r in standing if r.said]
    removals = [r.time for r in said if r.observable == "removed"]
    ledger.removed = removals[-1] if removals else None
    # An order may be written, and a site described, before the drain is here.
    present = [r for r in standing if r.observable not in _TIMELESS] or standing
    ledger.first = present[0].time
    # What is stated since a time drained from a drain that was there.
    stated = [r.start for r in present if r.start is not None and r.start < ledger.first]
    ledger.since = min(stated, default=ledger.first)
    ledger.last = present[-1].time
    if ledger.removed is not None:
        late = [r for r in said if r.time > ledger.removed and r.observable not in _TIMELESS]
        for reading in late:
            ledger.find("after-removal", reading, f"{reading.observable} charted after the removal")
    _joinings(ledger, said)
    # What is charted of a drain that was out is asked about above, and drained from nothing.
    said = [r for r in said if ledger.removed is None or r.time <= ledger.removed]
    steps = [r for r in said if r.observable in _LEVEL_STEPS]
    if any(r.observable == "level" or "closing-level" in r.parts for r in steps):
        _from_levels(ledger, _in_unit_order(steps, settings), settings)
    _from_amounts(ledger, [r for r in said if r.observable == "output"], settings)
    ledger.outputs.sort(key=lambda o: o.end)
    return ledger


_TIMELESS = ("suction-ordered", "mode-ordered", "drain-site")
_LEVEL_STEPS = ("level", "unit-change", "placed")


def _joinings(ledger: Ledger, readings: Sequence[Reading]) -> None:
    """Ask about tubes joined while they are, parted while they are not, or joined to themselves."""
    joined: dict[str, Reading] = {}
    for reading in readings:
        tube = str(reading.parts.get("tube", ""))
        if reading.observable == "joined":
            if tube == ledger.drain:
                ledger.find("joined-to-itself", reading, f"{tube} is said to be joined to itself")
            elif tube in joined:
                ledger.find(
                    "joined-again", reading, f"{tube} is joined, and was already", joined[tube]
                )
            joined.setdefault(tube, reading)
        elif reading.observable == "parted" and joined.pop(tube, None) is None:
            ledger.find("parted-not-joined", reading, f"{tube} is parted, and was not joined")


# -- levels ---------------------------------------------------------------------------------


def _in_unit_order(steps: Sequence[Reading], settings: Settings) -> list[Reading]:
    """Return levels and unit changes in time, a change and a level of one minute in unit order."""
    result: list[Reading] = []
    height: Decimal | None = None  # how high the unit now on the drain stood last
    for _, group in groupby(steps, key=lambda step: step.time):
        same = sorted(group, key=_by_height)
        change = next((s for s in same if s.observable == "unit-change"), None)
        if change is not None:
            before = [
                s for s in same if s is not change and _is_before(s, change, height, settings)
            ]
            after = [s for s in same if s is not change and s not in before]
            same = [*before, change, *after]
        for step in same:
            height = _opening(step, settings) if step.observable != "level" else step.amount
        result += same
    return result


def _by_height(step: Reading) -> tuple[bool, Decimal]:
    """Put changes of one minute in the order of how full the units were that they closed.

    Levels come before them, the lower first: within a minute a unit does not run empty.
    """
    if step.observable != "unit-change":
        return False, step.amount or Decimal(0)
    closing = step.parts.get("closing-level")
    return True, -closing if isinstance(closing, Decimal) else Decimal(0)


def _opening(step: Reading, settings: Settings) -> Decimal | None:
    """Return the level a change or a placing opens a unit at, as far as it is known."""
    opening = step.parts.get("opening-level")
    if isinstance(opening, Decimal):
        return opening
    return settings.new_unit_level if step.observable == "unit-change" else None


def _is_before(level: Reading, change: Reading, height: Decimal | None, settings: Settings) -> bool:
    """Tell whether a level of the minute of a change was read on the old unit.

    Unit numbers decide; else what the change says of both units: within a minute neither has moved
    far from it. Only where it does not say does the height before decide.
    """
    if level.observable == "placed":
        return True
    number, new = level.parts.get("unit-number"), change.parts.get("unit-number")
    if number is not None and new is not None:
        return number != new
    amount, opening = level.amount, _opening(change, settings)
    closing = change.parts.get("closing-level")
    if amount is None or amount == opening:
        return False
    if isinstance(closing, Decimal):
        if opening is not None:
            return abs(amount - closing) <= abs(amount - opening)
        # Where the new unit began is not said: near its bottom, a level is hardly of the old one.
        return abs(amount - closing) <= amount and (height is None or amount >= height)
    # The old unit cannot have gone down; of a first minute nothing else is known.
    return height is None or amount >= height


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
        self.run: list[tuple[Decimal, Reading]] = []

    def open(self, level: Decimal | None, reading: Reading) -> None:
        """Begin a unit at a level, or at one not known."""
        self.run = []
        self.rise(level, reading)

    def rise(self, level: Decimal | None, reading: Reading) -> None:
        """Mark a level of the unit."""
        self.mark, self.marked, self.low = level, reading, []
        if level is not None:
            self.run.append((level, reading))

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
            unit.placed = unit.placed or step.time
            opening = _opening(step, settings)
            if unit.marked is not None:
                ledger.find(
                    "placed-again", step, "placed, yet it was here already: no new unit begins"
                )
            elif opening is not None:
                unit.open(opening, step)
        elif step.observable == "unit-change":
            _change(unit, step)
        elif step.amount is not None:
            _level(unit, step, step.amount)
    ledger.marks = unit.run
    if unit.low:
        assert unit.marked is not None
        ledger.low = unit.low[-1]
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
        unit.settle_low("until a unit of another number was marked")
        unit.set_aside_low()
        unit.open(level, reading)
    elif unit.mark is None:
        _first_mark(unit, reading, level)
    elif level >= unit.mark:
        if unit.low:
            # It came back to where it was: the low marks were slips, the whole rise is known.
            unit.settle_low("and later marks are above it again")
            unit.set_aside_low()
        if _are_two_levels(unit.marked, reading):
            unit.ledger.find(
                "two-levels",
                reading,
                f"two levels are charted for {reading.time:%d %b %H:%M}, {unit.mark} mL and"
                f" {level} mL: the higher counts",
                *filter(None, [unit.marked]),
            )
        unit.output(level, reading)
        unit.rise(level, reading)
    else:
        unit.low.append(reading)
    unit.number = number if number is not None else unit.number


def _are_two_levels(one: Reading | None, other: Reading) -> bool:
    return (
        one is not None
        and one.observable == "level"
        and one.time == other.time
        and one.amount != other.amount
    )


def _first_mark(unit: _Unit, reading: Reading, level: Decimal) -> None:
    """Take a first mark as the baseline, or as output where the unit is known to begin empty."""
    ledger = unit.ledger
    if unit.marked is not None:
        unit.gap(reading, "the new unit's opening level is not charted")
    elif unit.settings.drain(reading.drain).began_empty and ledger.episode == 1:
        start = unit.placed
        ledger.outputs.append(Output(level, start, reading.time, reading, (reading,), "levels"))
    else:
        ledger.baseline = reading
    unit.rise(level, reading)


def _change(unit: _Unit, change: Reading) -> None:
    closing = change.parts.get("closing-level")
    if not isinstance(closing, Decimal):
        unit.gap(change, "the closing level is not charted")
    elif unit.mark is None:
        _first_mark(unit, change, closing)
    elif closing >= unit.mark:
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
    if unit.low:
        unit.settle_low("until the unit was changed")
        unit.set_aside_low()
    unit.open(_opening(change, unit.settings), change)
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
    """Enter amounts as outputs, or hold them against levels that account for the same time.

    An amount that levels account for in part, or may, cannot be compared and is in no total: what
    is counted twice would make "at least" a lie. It is charted all the same, and sent.
    """
    by_levels = list(ledger.outputs)
    finer: list[tuple[Reading, datetime | None]] = []
    for amount, previous in _with_previous(amounts):
        start = _start_of(amount, previous, settings)
        value = amount.amount
        if value is None:
            continue
        beside = _beside(by_levels, start, amount.time)
        if beside:
            finer.append((amount, start))
            if _check(ledger, by_levels, finer):
                finer.clear()
            continue
        _same_end(ledger, amount, start)
        if amount.start is not None and previous is not None and amount.start < previous.time:
            ledger.find(
                "stated-before-last-amount",
                amount,
                f"stated as since {amount.start:%d %b %H:%M}, yet an amount was charted"
                f" at {previous.time:%d %b %H:%M}",
                previous,
            )
            ledger.doubtful += [
                o.closing for o in ledger.outputs if amount.start < o.end < amount.time
            ]
        ledger.outputs.append(Output(value, start, amount.time, amount, (amount,), "amount"))
    _not_compared(ledger, finer)


def _same_end(ledger: Ledger, amount: Reading, start: datetime | None) -> None:
    """Ask about amounts that end together: is one in the other, or charted again?

    Of two items of a drain each may hold a part; the same amount of both is a suspected double,
    which is asked about with those of other times.
    """
    for other in reversed(ledger.outputs):
        if other.end != amount.time or other.basis != "amount":
            break
        stated = amount.start is not None or other.closing.start is not None
        when = f"{amount.time:%d %b %H:%M}"
        if stated and start is not None and other.start is not None and start != other.start:
            ledger.find(
                "amounts-overlap",
                amount,
                f"two amounts end at {when}, and began at different times: is one in the other?",
                other.closing,
            )
            ledger.doubtful.append(amount if start > other.start else other.closing)
        elif start == other.start and not (amount.amount == other.value == 0):
            one_item = amount.item == other.closing.item
            if not one_item and amount.amount == other.value:
                continue
            ledger.find(
                "amounts-together",
                amount,
                f"{other.value} mL and {amount.amount} mL are charted for the same time, which"
                f" ends at {when}: do both count?",
                other.closing,
            )
            if one_item:
                # Amounts of one time come in order of their size: the smaller may be a slip.
                ledger.doubtful.append(other.closing)


def _beside(by_levels: Sequence[Output], start: datetime | None, end: datetime) -> Sequence[Output]:
    """Return the outputs from levels that account for some of the time (start, end], or may.

    Outputs from levels follow each other and are sorted by their ends. What has no known start
    reaches back to everything before it.
    """
    first = 0 if start is None else bisect_right(by_levels, start, key=lambda o: o.end)
    last = first
    while last < len(by_levels):
        began = by_levels[last].start
        if not (began is None or began < end or by_levels[last].end == end):
            break
        last += 1
    beside = by_levels[first:last]
    # Two marks of one minute account for no time.
    return beside if any(o.start is None or o.start < o.end for o in beside) else ()


def _check(
    ledger: Ledger,
    by_levels: Sequence[Output],
    amounts: Sequence[tuple[Reading, datetime | None]],
) -> bool:
    """Hold the last amounts in a row against the levels, where levels were read at both ends.

    Those before them, which cannot be compared any more, are asked about. Returns whether they
    could be compared.
    """
    end = amounts[-1][0].time
    for first in range(len(amounts) - 1, -1, -1):
        row = amounts[first:]
        start = row[0][1]
        if any(b is None or a.time != b for (a, _), (_, b) in pairwise(row)) or start is None:
            break
        beside = _beside(by_levels, start, end)
        whole = (
            bool(beside)
            and beside[0].start == start
            and beside[-1].end == end
            and all(a.end == b.start for a, b in pairwise(beside))
        )
        if whole:
            _not_compared(ledger, amounts[:first])
            _enter_checks(ledger, [amount for amount, _ in row], beside)
            return True
    return False


def _enter_checks(ledger: Ledger, amounts: Sequence[Reading], beside: Sequence[Output]) -> None:
    by_levels = sum((o.value for o in beside), Decimal(0))
    charted = sum((amount.amount or Decimal(0) for amount in amounts), Decimal(0))
    ledger.checks += (Check(amount, by_levels, charted) for amount in amounts)
    if by_levels != charted:
        together = "" if len(amounts) == 1 else f" in {len(amounts)} amounts"
        ledger.find(
            "amount-differs",
            amounts[-1],
            f"charted as {charted} mL{together}, by the levels {by_levels} mL",
            *amounts[:-1],
        )


def _not_compared(ledger: Ledger, amounts: Iterable[tuple[Reading, datetime | None]]) -> None:
    for amount, _ in amounts:
        ledger.find(
            "amount-not-compared",
            amount,
            f"{amount.amount} mL charted over a time of which the levels say something,"
            " and cannot be compared with them: in no total",
        )
