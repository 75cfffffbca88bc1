"""FHIRPath's operators: of truth, equality, order and arithmetic.

Measured on fhirpathpy 2.2.4: `=` compares only the first of several items, and takes 1 for true;
operators of truth refuse what is no boolean; times of different offsets are ordered as texts, and
Quantities not at all; `/` goes through floats; sums of times lose their offset. Specification:
FHIRPath N1, "Operations".
"""

from __future__ import annotations

from collections.abc import Callable
from decimal import ROUND_HALF_UP, Decimal
from typing import Any

from fhirdrain.conformance.fhirpath.engine import CannotEvaluate
from fhirdrain.conformance.fhirpath.items import (
    Items,
    in_order,
    is_quantity,
    same,
    truth,
    value_of,
    values_of,
)
from fhirdrain.conformance.fhirpath.table import ENGINE, Context, Function, on_values, ours, single
from fhirdrain.conformance.ordering import is_number
from fhirdrain.conformance.times import UNITS_OF_TIME, Time, added, time_of

TWO = ("Any", "Any")
NUMBERS = ("Number", "Number")


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
        places = min(max(0, -int(Decimal(v).as_tuple().exponent)) for v in (left, right))
        return round(Decimal(left), places) == round(Decimal(right), places)
    return bool(same(one, other))


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


# -- arithmetic -----------------------------------------------------------------------------------


def _moved(sign: int) -> Function:
    """Return `+` or `-`: of times and units of time ours, of all else the engine's."""
    plain = on_values(ENGINE["+" if sign > 0 else "-"]["fn"])

    def operator(context: Context, left: Items, right: Items) -> Any:
        one, other = values_of(left), values_of(right)
        if len(one) == len(other) == 1 and is_quantity(other[0]):
            start = time_of(one[0]) if isinstance(one[0], str) else one[0]
            unit = UNITS_OF_TIME.get(str(other[0].data.get("code")))
            number = other[0].data.get("value")
            if not isinstance(start, Time) or unit is None or not is_number(number):
                raise CannotEvaluate("it adds up what cannot be added up")
            return added(start, sign * Decimal(number), unit) or []
        return plain(context, left, right) if one and other else []

    return operator


ours("+", TWO, null="nullable")(_moved(1))
ours("-", TWO, null="nullable")(_moved(-1))


@ours("round", (), ("Number",))
def _round(context: Context, items: Items, places: int | Decimal = 0) -> Any:
    for value in values_of(single(items)):
        if not is_number(value):
            raise CannotEvaluate("it rounds what is no number")
        return Decimal(value).quantize(Decimal(1).scaleb(-int(places)), ROUND_HALF_UP)
    return []


@ours("&", TWO)
def _concatenated(context: Context, left: Items, right: Items) -> str:
    parts = [*values_of(single(left)), *values_of(single(right))]
    if not all(isinstance(part, str) for part in parts):
        raise CannotEvaluate("it joins what are no texts")
    return "".join(parts)


@ours("/", NUMBERS, null="nullable")
def _divided(context: Context, one: Any, other: Any) -> Any:
    return Decimal(one) / Decimal(other) if other else []


@ours("div", NUMBERS, null="nullable")
def _divided_whole(context: Context, one: Any, other: Any) -> Any:
    return int(Decimal(one) / Decimal(other)) if other else []


@ours("mod", NUMBERS, null="nullable")
def _remainder(context: Context, one: Any, other: Any) -> Any:
    return Decimal(one) % Decimal(other) if other else []
