"""FHIRPath's arithmetic: of numbers, of texts that are joined, of times that are moved.

Measured on fhirpathpy 2.2.4: `/` goes through floats, `true * 2` is 2, sums of times lose their
offset; floor() and its like give decimals, power() nothing for a root or below zero, 0.ln() minus
infinity. Specification: FHIRPath N1, "Math", "Date/Time Arithmetic", "Math functions".
"""

from __future__ import annotations

from collections.abc import Callable
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_UP, Decimal
from typing import Any

from fhirdrain.conformance.fhirpath.engine import CannotEvaluate
from fhirdrain.conformance.fhirpath.items import Items, is_quantity, node, values_of
from fhirdrain.conformance.fhirpath.table import TWO, Context, Function, ours, single
from fhirdrain.conformance.ordering import is_number
from fhirdrain.conformance.times import UNITS_OF_TIME, Time, added, time_of

Number = int | Decimal
# An Integer of FHIRPath has ten digits; what has more than these is an overflow.
_MOST_DIGITS = 28


def _calculated(calculate: Callable[..., Any]) -> Function:
    """Return a function of single numbers; without one of them, or beyond all bounds, nothing."""

    def function(context: Context, *operands: Items) -> Any:
        numbers = [value for items in operands for value in values_of(single(items))]
        if not all(map(is_number, numbers)):
            raise CannotEvaluate("it calculates with what is no number")
        if len(numbers) < len(operands):
            return []
        try:
            result = calculate(*numbers)
        except ArithmeticError:
            return []
        return [] if isinstance(result, Decimal) and not result.is_finite() else result

    return function


def _whole(number: Number, rounding: str | None = None) -> int:
    """Return a number without its fraction, cut where no rounding is asked for."""
    if Decimal(number).adjusted() >= _MOST_DIGITS:
        raise OverflowError
    return int(Decimal(number).to_integral_value(rounding) if rounding else number)


def _power(number: Number, exponent: Number) -> Number:
    power = Decimal(number) ** Decimal(exponent)
    whole = isinstance(number, int) and isinstance(exponent, int) and exponent >= 0
    return _whole(power) if whole else power


def _log(number: Number, base: Number) -> Decimal:
    return (Decimal(number).ln() / Decimal(base).ln()).quantize(Decimal("1e-15"))


# -- operators ------------------------------------------------------------------------------------

ours("*", TWO)(_calculated(lambda one, other: one * other))
ours("/", TWO)(_calculated(lambda one, other: Decimal(one) / Decimal(other)))
ours("div", TWO)(_calculated(lambda one, other: _whole(Decimal(one) / Decimal(other))))


@ours("mod", TWO)
@_calculated
def _remainder(one: Number, other: Number) -> Number:
    rest = Decimal(one) % Decimal(other)
    return rest if isinstance(one, Decimal) or isinstance(other, Decimal) else int(rest)


def _moved(sign: int) -> Function:
    """Return `+` or `-`: of numbers, of a time and a quantity of time, `+` of texts, too."""
    of_numbers = _calculated(lambda one, other: one + sign * other)

    def operator(context: Context, left: Items, right: Items) -> Any:
        one, other = values_of(single(left)), values_of(single(right))
        if not one or not other:
            return []
        if is_quantity(other[0]):
            start = time_of(one[0]) if isinstance(one[0], str) else one[0]
            unit = UNITS_OF_TIME.get(str(other[0].data.get("code")))
            number = other[0].data.get("value")
            if not isinstance(start, Time) or unit is None or not is_number(number):
                raise CannotEvaluate("it adds up what cannot be added up")
            return added(start, sign * Decimal(number), unit) or []
        if sign > 0 and isinstance(one[0], str) and isinstance(other[0], str):
            return one[0] + other[0]
        return of_numbers(context, one, other)

    return operator


ours("+", TWO)(_moved(1))
ours("-", TWO)(_moved(-1))


@ours("&", TWO)
def _concatenated(context: Context, left: Items, right: Items) -> str:
    parts = [*values_of(single(left)), *values_of(single(right))]
    if not all(isinstance(part, str) for part in parts):
        raise CannotEvaluate("it joins what are no texts")
    return "".join(parts)


# -- functions ------------------------------------------------------------------------------------

ours("ceiling")(_calculated(lambda number: _whole(number, ROUND_CEILING)))
ours("floor")(_calculated(lambda number: _whole(number, ROUND_FLOOR)))
ours("truncate")(_calculated(_whole))
ours("exp")(_calculated(lambda number: Decimal(number).exp()))
ours("ln")(_calculated(lambda number: Decimal(number).ln()))
ours("sqrt")(_calculated(lambda number: Decimal(number).sqrt()))
ours("log", ("Any",))(_calculated(_log))
ours("power", ("Any",))(_calculated(_power))


def _measured(calculate: Callable[[Number], Number]) -> Function:
    """Return a function of a single number, or of that of a quantity."""
    of_number = _calculated(calculate)

    def function(context: Context, items: Items) -> Any:
        for value in values_of(single(items)):
            if is_quantity(value) and is_number(value.data.get("value")):
                return node({**value.data, "value": calculate(value.data["value"])}, "Quantity")
        return of_number(context, items)

    return function


ours("abs")(_measured(lambda number: -number if number < 0 else number))
negated, unchanged = _measured(lambda number: -number), _measured(lambda number: number)


@ours("round", (), ("Integer",))
def _round(context: Context, items: Items, places: int = 0) -> Any:
    if places < 0:
        raise CannotEvaluate("it rounds to less than no decimal places")
    grain = Decimal(1).scaleb(-places)
    return _calculated(lambda number: Decimal(number).quantize(grain, ROUND_HALF_UP))(
        context, items
    )
