"""Orders over time: which one was in force when."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import groupby

from fhirdrain.bedside.reading import Reading

ORDERED = ("suction-ordered", "mode-ordered")
# Only these can be held against an order, each against what of it speaks of the same.
FOLLOWING = {"suction-set": "suction-ordered", "mode": "mode-ordered"}


@dataclass(frozen=True, slots=True)
class Order:
    """One order of a drain: its readings (magnitude, mode), from `start` until `end` if stated.

    `replaces` and `replaced_by` are identities of the orders before and after it.
    """

    identity: str
    readings: tuple[Reading, ...]
    start: datetime
    end: datetime | None
    replaces: tuple[str, ...] = ()
    replaced: bool = False

    @property
    def stands(self) -> bool:
        """Tell whether it was not withdrawn."""
        return any(reading.counts for reading in self.readings)


def orders_of(readings: Iterable[Reading]) -> list[Order]:
    """Return the orders of one drain in order of time, the withdrawn ones among them.

    A new order replaces the one in force from its time on; orders of one time stand together.
    A withdrawn order replaces nothing and is replaced by nothing.
    """
    grouped: dict[str, list[Reading]] = {}
    for reading in readings:
        if reading.observable in ORDERED and reading.absent is None:
            grouped.setdefault(reading.identity, []).append(reading)
    orders = []
    for identity, group in grouped.items():
        # A version may have dropped the magnitude or the mode: what stands is the order.
        stated = [reading for reading in group if reading.counts] or group
        orders.append(Order(identity, tuple(stated), stated[0].time, stated[0].end))
    orders.sort(key=lambda order: (order.start, order.identity))
    last_start = max((order.start for order in orders if order.stands), default=None)
    result: list[Order] = []
    before: tuple[str, ...] = ()
    for start, together in groupby(orders, key=lambda order: order.start):
        same = list(together)
        standing = tuple(order.identity for order in same if order.stands)
        for order in same:
            if order.stands:
                replaced = bool(last_start and start < last_start)
                order = replace(order, replaces=before, replaced=replaced)
            result.append(order)
        before = standing or before
    return result


def in_force(orders: Sequence[Order], at: datetime) -> tuple[Order, ...]:
    """Return the orders in force at a time; none is an answer, never a default.

    `orders` are in order of time, as `orders_of` gives them.
    """
    place = bisect_right(orders, at, key=lambda order: order.start)
    while place and not orders[place - 1].stands:
        place -= 1
    if not place:
        return ()
    newest = orders[place - 1].start
    first = bisect_left(orders, newest, key=lambda order: order.start)
    return tuple(
        order
        for order in orders[first:place]
        if order.stands and (order.end is None or at <= order.end)
    )


def link_orders(readings: Iterable[Reading]) -> list[Reading]:
    """Return one drain's readings, suction-set and mode with the order then in force."""
    readings = list(readings)
    orders = orders_of(readings)
    result = []
    for reading in readings:
        if reading.observable in FOLLOWING:
            said = FOLLOWING[reading.observable]
            # Of orders written together, the one that speaks of the same comes first.
            found = sorted(
                in_force(orders, reading.time),
                key=lambda order: all(r.observable != said for r in order.readings),
            )
            order = next(iter(found), None)
            reading = replace(reading, order=order.identity if order else None)
        result.append(reading)
    return result
