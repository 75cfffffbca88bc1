"""The arithmetic of a drain written down once more, slowly and plainly, to compare the ledger with.

Times are whole minutes, and no two events share one. It shares nothing with `fhirdrain.bedside`:
units are cut apart first, what is known is a set of minutes, and a window is counted minute by
minute.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction


@dataclass(frozen=True)
class Event:
    """A level, a change of the unit (`closing`, `opening` None where not charted), or an amount."""

    minute: int
    kind: str
    value: int = 0
    closing: int | None = None
    opening: int | None = None


def outputs(events: list[Event], longest: int | None = None) -> list[tuple[int | None, int, int]]:
    """Return (start, end, mL) of everything that is known to have drained, by its end."""
    if any(event.kind == "level" or event.closing is not None for event in events):
        found = by_levels(events)
    else:
        found = by_amounts(events, longest)
    return sorted(found, key=lambda output: output[1])


def by_levels(events: list[Event]) -> list[tuple[int | None, int, int]]:
    """Return the rises of each unit between marks that are at or above all before them."""
    units: list[list[tuple[int, int]]] = [[]]
    for event in sorted(events, key=lambda event: event.minute):
        if event.kind == "level":
            units[-1].append((event.minute, event.value))
        elif event.kind == "change":
            if event.closing is not None:
                units[-1].append((event.minute, event.closing))
            units.append([] if event.opening is None else [(event.minute, event.opening)])
    found: list[tuple[int | None, int, int]] = []
    for unit in units:
        good: list[tuple[int, int]] = []
        for minute, level in unit:
            if not good or level >= good[-1][1]:
                good.append((minute, level))
        for (start, low), (end, high) in itertools.pairwise(good):
            found.append((start, end, high - low))
    return found


def by_amounts(events: list[Event], longest: int | None) -> list[tuple[int | None, int, int]]:
    """Return each amount from the one before, if that is not too far back."""
    found: list[tuple[int | None, int, int]] = []
    before: int | None = None
    for event in sorted(events, key=lambda event: event.minute):
        if event.kind != "amount":
            continue
        near = before is not None and (longest is None or event.minute - before <= longest)
        found.append((before if near else None, event.minute, event.value))
        before = event.minute
    return found


@dataclass(frozen=True)
class Sum:
    """What a window holds: the plain sum, whether it is all, and the share that is covered."""

    charted: Decimal | None
    known: bool
    covered: Fraction


def window(
    events: list[Event],
    start: int,
    end: int,
    now: int,
    removed: int | None = None,
    longest: int | None = None,
) -> Sum:
    """Return what drained in (start, end], minute by minute; the drain is here from event to end.

    A minute m stands for the time (m - 1, m].
    """
    here_from = min(event.minute for event in events)
    here_to = removed if removed is not None else now
    here = {m for m in range(start + 1, end + 1) if here_from < m <= here_to}
    inside = [o for o in outputs(events, longest) if start < o[1] <= end]
    told: set[int] = set()
    for began, ended, _ in inside:
        if began is not None:
            told |= set(range(began + 1, ended + 1))
    covered = Fraction(len(told & here), len(here)) if here else Fraction(0)
    charted = Decimal(sum(value for _, _, value in inside)) if inside else None
    return Sum(charted, bool(here) and covered == 1 and bool(inside), covered)
