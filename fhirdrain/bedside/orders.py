"""Orders over time: which one was in force when."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from decimal import Decimal
from itertools import groupby
from typing import Literal

from fhirdrain.bedside.reading import Reading, charted_since, last_said, last_undone
from fhirdrain.bedside.saying import Saying, say

__all__ = [
    "FOLLOWING",
    "ORDERED",
    "Held",
    "Order",
    "against_order",
    "in_force",
    "link_orders",
    "orders_of",
]

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


# -- held against the order -----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Held:
    """How a drain is run, held against the order in force: the verdict, why, and since when.

    It "agrees" only where it is on suction, the source is on, and what is set is what is ordered;
    "as ordered" is a drain that is off suction by order.
    """

    verdict: Literal["agrees", "as ordered", "differs", "not compared"]
    why: Saying
    since: datetime | None = None
    readings: tuple[Reading, ...] = ()


def against_order(
    readings: Sequence[Reading], orders: Sequence[Order], tolerance: Decimal, at: datetime
) -> Held:
    """Hold a drain's last mode and setting up to a time against the orders then in force.

    `readings` and `orders` are in order of time, `tolerance` is in cm[H2O].
    """
    mode = last_said(readings, "mode", at)
    if mode is None:
        return Held("not compared", say("mode-not-charted"))
    modes, numbers = (_ordered(orders, name, at) for name in ("mode-ordered", "suction-ordered"))
    if any(len({order.value for order in stated}) > 1 for stated in (modes, numbers)):
        return Held("not compared", say("orders-contradict"))
    ordered = next(iter(modes), None)
    if ordered is not None and ordered.value != mode.value:
        together = (ordered, mode)
        if mode.time < ordered.time:
            return Held("not compared", say("mode-not-charted-since-order"), None, together)
        why = say("ordered-and-run", ordered=ordered, mode=mode)
        return Held("differs", why, max(ordered.time, mode.time), together)
    if mode.value != "suction":
        if ordered is None:
            return Held("not compared", say("no-order-of-mode"))
        return Held("as ordered", say("run-as-ordered", mode=mode), None, (mode,))
    # What was read before it went on suction says nothing of the suction that it is on.
    since = charted_since(readings, mode)
    return _suction_against_order(readings, next(iter(numbers), None), since, tolerance, at)


def _suction_against_order(
    readings: Sequence[Reading],
    wanted: Reading | None,
    since: datetime,
    tolerance: Decimal,
    at: datetime,
) -> Held:
    source, number = (last_said(readings, name, at) for name in ("suction-source", "suction-set"))
    if wanted is None or wanted.amount is None:
        return Held("not compared", say("no-order-of-suction"))
    if number is None or number.amount is None or number.time < wanted.time:
        return Held("not compared", say("suction-not-read-since-order"), None, (wanted,))
    if number.time < since:
        return Held("not compared", say("suction-not-read-since-mode"), None, (wanted, number))
    unread = last_undone(readings, "suction-source", at)
    if source is not None and (source.time < since or unread is not None):
        source = None
    joints = last_said(readings, "connections", at)
    if joints is not None and joints.value == "disconnected":
        return Held("not compared", say("connections-apart"), None, (wanted, number, joints))
    if source is None or source.value != "connected-on":
        why = say("source-not-charted") if source is None else say("source-is", source=source)
        return Held("not compared", why, None, (wanted, number))
    why = say("ordered-and-set", ordered=wanted, set=number)
    if abs(wanted.amount - number.amount) > tolerance:
        first = max(wanted.time, charted_since(readings, number))
        return Held("differs", why, first, (wanted, number))
    return Held("agrees", why, None, (wanted, number))


def _ordered(orders: Sequence[Order], observable: str, at: datetime) -> list[Reading]:
    return [
        reading
        for order in in_force(orders, at)
        for reading in order.readings
        if reading.observable == observable and reading.said
    ]
