"""What a person should look at: things found in the readings that no arithmetic can settle."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from fhirdrain.bedside.reading import Reading


@dataclass(frozen=True, slots=True)
class Finding:
    """Say in words what was found, of which drain, when, and in which readings.

    `kind` is one of: suspect-level, suspect-closing-level, unit-number-changed, placed-again,
    double, stated-before-last-amount, after-removal, amount-differs, amount-not-compared,
    joined-to-itself, joined-again, parted-not-joined, sum-differs, sum-not-compared,
    amounts-overlap, amounts-together, two-levels.
    """

    kind: str
    drain: str
    episode: int
    time: datetime
    message: str
    readings: tuple[Reading, ...] = ()


def suspected_doubles(
    readings: Iterable[Reading], within: timedelta
) -> list[tuple[Reading, Reading]]:
    """Return the pairs of one patient's amounts that may be one amount charted twice.

    A pair has the same non-zero amount at most `within` apart, under two items of one drain, or
    on two drains when the times differ (at one time, two drains are simply read together).
    """
    amounts = sorted(
        (r for r in readings if r.observable == "output" and r.amount),
        key=lambda r: (r.time, r.drain, r.item or ""),
    )
    pairs = []
    for index, first in enumerate(amounts):
        for second in amounts[index + 1 :]:
            if second.time - first.time > within:
                break
            same_drain = (first.drain, first.episode) == (second.drain, second.episode)
            # A server is not always told of items: what is not known may be another one.
            two_items = first.item != second.item or first.item is None
            apart = two_items if same_drain else first.time != second.time
            if apart and first.amount == second.amount:
                pairs.append((first, second))
    return pairs


def doubles_in(pairs: Iterable[Sequence[Reading]]) -> list[tuple[Reading, ...]]:
    """Return the amounts that pairs lead to from one another, in order of time.

    Of each such group one amount is surely real, and nobody knows which.
    """
    groups: list[dict[str, Reading]] = []
    for pair in pairs:
        together = {reading.identity: reading for reading in pair}
        apart = []
        for group in groups:
            if group.keys() & together.keys():
                together |= group
            else:
                apart.append(group)
        groups = [*apart, together]
    return [tuple(sorted(group.values(), key=lambda r: r.sort_key)) for group in groups]


def double_finding(pair: Sequence[Reading]) -> Finding:
    """Return the finding that asks whether two amounts are one."""
    first, second = pair
    where = (
        f"under two items of {first.drain}"
        if first.drain == second.drain
        else f"on {first.drain} and {second.drain}"
    )
    message = (
        f"{first.amount} {first.unit} stand twice, at {first.time:%H:%M} and {second.time:%H:%M}, "
        f"{where}: one amount charted twice?"
    )
    return Finding("double", second.drain, second.episode, second.time, message, (first, second))
