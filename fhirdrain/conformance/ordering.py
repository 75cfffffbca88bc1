"""Which of two values comes first, as far as their precision and their units tell."""

from __future__ import annotations

from datetime import UTC, date, datetime
from decimal import Decimal
from fractions import Fraction
from typing import Any

from fhirdrain.vocabulary.units import UCUM, UnitError, unit_of

Json = dict[str, Any]


def compared(value: Any, bound: Any) -> int | None:
    """Return -1, 0, 1 as a value is below, at or above a bound; None where that is not known.

    Dates of different precision are compared as far as both go. Quantities are compared in one
    unit: R4, ElementDefinition.minValue[x].
    """
    if isinstance(bound, dict):
        return _quantities(value, bound)
    if isinstance(bound, str):
        return _times(value, bound) if isinstance(value, str) else None
    if isinstance(value, bool) or not isinstance(value, int | Decimal):
        return None
    return _sign(Decimal(value) - Decimal(str(bound)))


def _sign(difference: Decimal | Fraction) -> int:
    return (difference > 0) - (difference < 0)


def _quantities(value: Any, bound: Json) -> int | None:
    number, wanted = (
        (value.get("value") if isinstance(value, dict) else None),
        bound.get("value"),
    )
    if isinstance(number, bool) or not isinstance(number, int | Decimal) or wanted is None:
        return None
    one, other = Fraction(number), Fraction(str(wanted))
    if any(value.get(key) != bound.get(key) for key in ("system", "code")):
        if value.get("system") != UCUM or bound.get("system") != UCUM:
            return None
        try:
            (mine, _), (its, _) = unit_of(str(value.get("code"))), unit_of(str(bound.get("code")))
        except UnitError:
            return None
        if mine.kind != its.kind:
            return None
        one, other = one * mine.factor, other * its.factor
    return _sign(one - other)


def _times(value: str, bound: str) -> int | None:
    if "T" in value and "T" in bound:
        try:
            mine, its = datetime.fromisoformat(value), datetime.fromisoformat(bound)
            apart = mine.astimezone(UTC) - its.astimezone(UTC)
        except ValueError:
            return None
        return _sign(Decimal(apart.total_seconds()))
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


def times_in_order(one: str, other: str) -> int | None:
    """Return the order of two FHIR times; None where their precision leaves it open.

    FHIRPath N1, "Comparison": parts are compared from the year on; where one ends first and all
    before was equal, the order is not known.
    """
    if len(one) == len(other) or ("T" in one and "T" in other):
        return _times(one.replace(":60", ":59"), other.replace(":60", ":59"))
    shorter = min(len(one.split("T")[0]), len(other.split("T")[0]))
    order = (one[:shorter] > other[:shorter]) - (one[:shorter] < other[:shorter])
    return order or None
