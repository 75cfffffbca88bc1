"""FHIRPath's operators of truth, equality and order.

Measured on fhirpathpy 2.2.4: `=` compares only the first of several items, and takes 1 for true;
operators of truth refuse what is no boolean; times of different offsets are ordered as texts, and
Quantities not at all. Specification: FHIRPath N1, "Equality", "Comparison", "Boolean logic".
"""

from __future__ import annotations

from collections.abc import Callable
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

from fhirdrain.conformance.fhirpath.items import (
    Items,
    definite,
    in_order,
    is_quantity,
    same,
    truth,
    value_of,
)
from fhirdrain.conformance.fhirpath.table import TWO, Context, Function, ours, single
from fhirdrain.conformance.ordering import is_number


@ours("not")
def _not(context: Context, items: Items) -> Any:
    value = truth(items)
    return [] if value is None else not value


def _logic(name: str) -> Function:
    def operator(context: Context, left: Items, right: Items) -> Any:
        one = truth(left)
        if name == "implies":
            one = None if one is None else not one
        decides = name != "and"  # true decides an "or", false an "and"
        if one is decides and name != "xor":
            return decides
        other = truth(right)
        if name == "xor":
            return [] if one is None or other is None else one != other
        if other is decides:
            return decides
        return [] if one is None or other is None else not decides

    return operator


for _name in ("and", "or", "xor", "implies"):
    ours(_name, TWO)(_logic(_name))


# -- equality and order ---------------------------------------------------------------------------


def _equal(left: Items, right: Items) -> bool | None:
    if len(left) != len(right):
        return False
    found = [same(one, other) for one, other in zip(left, right, strict=True)]
    return False if False in found else None if None in found else True


@ours("=", TWO, null="nullable")
def _is_equal(context: Context, left: Items, right: Items) -> Any:
    return _equal(left, right)


@ours("!=", TWO, null="nullable")
def _is_unequal(context: Context, left: Items, right: Items) -> Any:
    equal = _equal(left, right)
    return [] if equal is None else not equal


def _alike(one: Any, other: Any) -> bool:
    """Tell whether two items are equivalent: texts whatever their case and spaces, and so on."""
    left, right = value_of(one), value_of(other)
    if isinstance(left, str) and isinstance(right, str):
        return left.lower().split() == right.lower().split()
    if is_number(left) and is_number(right):
        grain = Decimal(1).scaleb(-min(map(_places, (left, right))))
        mine, its = (Decimal(v).quantize(grain, ROUND_HALF_UP) for v in (left, right))
        return mine == its
    if is_quantity(left) and is_quantity(right):
        left, right = definite(left), definite(right)
    return bool(same(left, right))


def _places(number: int | Decimal) -> int:
    """Return how many decimal places a number has, without the zeros at its end."""
    return max(0, -int(Decimal(number).normalize().as_tuple().exponent))


@ours("~", TWO)
def _is_alike(context: Context, left: Items, right: Items) -> bool:
    waiting = list(right)
    for one in left:
        match = next((index for index, other in enumerate(waiting) if _alike(one, other)), None)
        if match is None:
            return False
        del waiting[match]
    return not waiting


@ours("!~", TWO)
def _is_unlike(context: Context, left: Items, right: Items) -> bool:
    return not _is_alike(context, left, right)


@ours("inOp", TWO)
def _is_within(context: Context, one: Items, items: Items) -> Any:
    """Return whether a single item is among others, by equality."""
    if not single(one):
        return []
    return any(same(one[0], other) for other in items)


@ours("containsOp", TWO)
def _contains(context: Context, items: Items, one: Items) -> Any:
    return _is_within(context, one, items)


def _ordered(judge: Callable[[int], bool]) -> Function:
    def operator(context: Context, left: Items, right: Items) -> Any:
        order = in_order(*single(left), *single(right))
        return [] if order is None else judge(order)

    return operator


ours("<", TWO, null="nullable")(_ordered(lambda order: order < 0))
ours(">", TWO, null="nullable")(_ordered(lambda order: order > 0))
ours("<=", TWO, null="nullable")(_ordered(lambda order: order <= 0))
ours(">=", TWO, null="nullable")(_ordered(lambda order: order >= 0))
