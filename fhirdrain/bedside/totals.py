"""Totals of shifts and days, which say how much of them is known.

A total over a gap says "at least", and a total of which nothing is known has no value.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from decimal import Decimal
from fractions import Fraction

from fhirdrain.bedside.joins import Join
from fhirdrain.bedside.ledger import Ledger, Output
from fhirdrain.bedside.reading import Reading
from fhirdrain.bedside.settings import Settings
from fhirdrain.bedside.windows import Window, Windows, hours_between
from fhirdrain.vocabulary.units import rounded, significant

__all__ = ["Total", "total", "totals", "uncovered", "without"]


@dataclass(frozen=True, slots=True)
class Total:
    """What drained in a window, in mL, and how much of it is known.

    `value` is set only when all of it is known; `at_least` alone when part of it is, `at_least`
    and `at_most` when all is charted but a double entry is suspected; none of them when nothing is
    known. `charted` is the plain sum of what was charted, suspected doubles included. `covered`
    is the share (0 to 1) of the time the drain was in place here (`place`) that outputs ending in
    the window account for. `outputs` are what was counted, in order of their ends; where they are
    `split`, only with their share of the window.
    """

    window: Window
    place: Window | None
    charted: Decimal | None
    value: Decimal | None
    at_least: Decimal | None
    at_most: Decimal | None
    covered: Fraction
    outputs: tuple[Output, ...] = ()
    open: bool = False
    split: bool = False

    @property
    def carried(self) -> tuple[Output, ...]:
        """Return the outputs that began before the window and count in it whole."""
        if self.split:
            return ()
        return tuple(o for o in self.outputs if o.start and o.start < self.window.start)


def total(
    ledger: Ledger,
    window: Window,
    settings: Settings,
    *,
    now: datetime,
    doubles: Iterable[Sequence[Reading]] = (),
) -> Total:
    """Return the total of one window as known `now`.

    `doubles` are groups of amounts of which only one is surely real (`doubles_in`); the lower bound
    is without those that may be repeats, here or elsewhere.
    """
    place = _in_place(ledger, window, now)
    candidates = _candidates(ledger.outputs, window, settings)
    parts = [part for o in candidates if (part := _part(o, window, settings)) is not None]
    suspected = {r.identity for r in ledger.doubtful} | _repeats(parts, doubles)
    digits = settings.significant_digits
    amount = _sum(parts, digits)
    doubtful = _sum([p for p in parts if p.of.closing.identity in suspected], digits)
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
        outputs=tuple(p.of for p in parts),
        open=now < window.end and ledger.removed is None,
        split=settings.spanning == "split",
    )


def totals(
    ledger: Ledger,
    windows: Windows,
    settings: Settings,
    *,
    now: datetime,
    doubles: Iterable[Sequence[Reading]] = (),
    until: datetime | None = None,
) -> list[Total]:
    """Return the totals of every window from the first reading to the last, charted or not.

    With `until` they go on to the window that holds it, as long as the drain is in place.
    """
    assert ledger.first is not None
    assert ledger.since is not None
    assert ledger.last is not None
    # A window holds its end and not its start: what is stated since 07:00 begins in the next one.
    begins = ledger.since + timedelta.resolution if ledger.since < ledger.first else ledger.first
    last = ledger.last if until is None else max(ledger.last, until)
    last = min(last, ledger.removed) if ledger.removed else last
    doubles = list(doubles)
    return [
        total(ledger, window, settings, now=now, doubles=doubles)
        for window in windows.between(begins, last)
    ]


def uncovered(total: Total) -> list[Window]:
    """Return the stretches of the time in place that none of a total's outputs accounts for."""
    if total.place is None:
        return []
    gaps, reached = [], total.place.start
    for piece in sorted(Window(o.start, o.end) for o in total.outputs if o.start is not None):
        if piece.start > reached:
            gaps.append(Window(reached, min(piece.start, total.place.end)))
        reached = max(reached, piece.end)
    if reached < total.place.end:
        gaps.append(Window(reached, total.place.end))
    return [gap for gap in gaps if gap.start < gap.end]


def without(total: Total, away: Iterable[Join]) -> Total:
    """Return a total as far as it is known of a tube that was led into another unit meanwhile.

    What it drained then is in the other drain's total, and is not known by itself.
    """
    if total.place is None:
        return total
    away = list(away)
    start, end = total.place.start, total.place.end
    led = [
        Window(max(start, join.start), min(end, join.end or end))
        for join in away
        if join.overlaps(start, end)
    ]
    if not led:
        return total
    own = [Window(o.start, o.end) for o in total.outputs if o.start is not None]
    covered = _covered([*own, *led], total.place) - _covered(led, total.place)
    # What has no known start ended before the tube was led away, if it ended in no such time.
    unknown = [o for o in total.outputs if o.start is None]
    before = any(not any(_is_led(join, o.end) for join in away) for o in unknown)
    at_least = total.at_least if covered or before else None
    return replace(total, value=None, at_least=at_least, at_most=None, covered=covered)


def _is_led(join: Join, at: datetime) -> bool:
    return join.start < at and (join.end is None or at <= join.end)


def _candidates(outputs: Sequence[Output], window: Window, settings: Settings) -> Sequence[Output]:
    """Return the outputs, which are sorted by their end, that can count in a window."""
    first = bisect_right(outputs, window.start, key=lambda o: o.end)
    if settings.spanning == "split":
        return outputs[first:]
    return outputs[first : bisect_right(outputs, window.end, key=lambda o: o.end)]


def _in_place(ledger: Ledger, window: Window, now: datetime) -> Window | None:
    """Return the part of a window in which the drain was in place here, None if it was not."""
    assert ledger.since is not None
    until = ledger.removed or now
    start, end = max(window.start, ledger.since), min(window.end, until)
    return Window(start, end) if start < end else None


@dataclass(frozen=True, slots=True)
class _Part:
    """What of an output counts in a window, and the time it accounts for, if that is known.

    `share` is the whole amount with its digits, or an exact part of it, not yet rounded.
    """

    of: Output
    share: Decimal | Fraction
    time: Window | None


def _repeats(parts: Sequence[_Part], doubles: Iterable[Sequence[Reading]]) -> set[str]:
    """Return the identities of what is counted here and may not be real."""
    counted = {part.of.closing.identity: part for part in parts}
    found: set[str] = set()
    for group in doubles:
        inside = [reading.identity for reading in group if reading.identity in counted]
        # Of amounts that are all counted here, and whole, one is real; else the real one may be
        # elsewhere, or have another share of this time.
        whole = all(isinstance(counted[name].share, Decimal) for name in inside)
        found |= set(inside[1:] if whole and len(inside) == len(group) else inside)
    return found


def _sum(parts: Sequence[_Part], digits: int) -> Decimal:
    """Return the sum of parts, rounded once to so many significant digits."""
    whole = sum((p.share for p in parts if isinstance(p.share, Decimal)), Decimal(0))
    split = sum((p.share for p in parts if isinstance(p.share, Fraction)), Fraction(0))
    return rounded(Fraction(whole) + split, digits) if split else significant(whole, digits)


def _part(output: Output, window: Window, settings: Settings) -> _Part | None:
    """Return what of an output counts in a window; None when nothing does."""
    whole = Window(output.start, output.end) if output.start is not None else None
    if settings.spanning == "end" or whole is None or whole.start == whole.end:
        return _Part(output, output.value, whole) if output.end in window else None
    start, end = max(whole.start, window.start), min(whole.end, window.end)
    if start >= end:
        return None
    share = hours_between(start, end) / whole.hours
    value = output.value if share == 1 else Fraction(output.value) * share
    return _Part(output, value, Window(start, end))


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
