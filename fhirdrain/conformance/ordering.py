"""Which of two values comes first, as far as their precision and their units tell."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Any, TypeGuard

from fhirdrain.conformance.times import times_in_order
from fhirdrain.vocabulary.units import UCUM, UnitError, unit_of

Json = dict[str, Any]

# A number of more digits than this before or behind the point is no measurement.
_MOST_DIGITS = 1000


def compared(value: Any, bound: Any) -> int | None:
    """Return -1, 0, 1 as a value is below, at or above a bound; None where that is not known.

    Dates of different precision are compared as far as both go. Quantities are compared in one
    unit: R4, ElementDefinition.minValue[x].
    """
    if isinstance(bound, dict):
        return _quantities(value, bound)
    if isinstance(bound, str):
        return _times(value, bound) if isinstance(value, str) else None
    one, other = _number(value), _number(bound)
    return None if one is None or other is None else (one > other) - (one < other)


def is_number(value: Any) -> TypeGuard[int | Decimal]:
    """Tell whether a value is a number, which a truth is not."""
    return isinstance(value, int | Decimal) and not isinstance(value, bool)


def _quantities(value: Any, bound: Json) -> int | None:
    if not isinstance(value, dict):
        return None
    number, wanted = _number(value.get("value")), _number(bound.get("value"))
    if number is None or wanted is None:
        return None
    # Without a code the words of the unit tell whether it is one unit.
    names = ("system", "code") if "code" in value or "code" in bound else ("system", "unit")
    if all(value.get(name) == bound.get(name) for name in names):
        return (number > wanted) - (number < wanted)
    if value.get("system") != UCUM or bound.get("system") != UCUM:
        return None
    try:
        (mine, _), (its, _) = unit_of(str(value.get("code"))), unit_of(str(bound.get("code")))
    except UnitError:
        return None
    if mine.kind != its.kind or max(abs(n.adjusted()) for n in (number, wanted)) > _MOST_DIGITS:
        return None
    one, other = Fraction(number) * mine.factor, Fraction(wanted) * its.factor
    return (one > other) - (one < other)


def _number(value: Any) -> Decimal | None:
    """Return a number that can be ordered; None for anything else."""
    if not is_number(value):
        return None
    number = Decimal(value)
    return number if number.is_finite() else None


def _times(value: str, bound: str) -> int | None:
    if "T" in value and "T" in bound:
        return times_in_order(value, bound)
    if value[:2].isdigit() and bound[2:3] == ":":
        return (value > bound) - (value < bound)
    length = min(len(value.split("T")[0]), len(bound.split("T")[0]))
    one, other = value[:length], bound[:length]
    try:
        for text in (one, other):
            date.fromisoformat(text + "-01-01"[len(text) - 4 :] if length < 10 else text)
    except ValueError:
        return None
    return (one > other) - (one < other)
