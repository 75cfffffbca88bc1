"""FHIRPath's functions that make one plain value of another.

Measured on fhirpathpy 2.2.4: toString() writes True and 1E+2, toBoolean() knows no data,
toInteger() takes 1.0 and is silent about several values; now() is kept in a module.
Specification: FHIRPath N1, "Conversion", "Current date and time functions".
"""

from __future__ import annotations

import re
from datetime import datetime
from decimal import Decimal
from typing import Any

from fhirdrain.conformance.fhirpath.engine import MOST_CHARACTERS, CannotEvaluate
from fhirdrain.conformance.fhirpath.items import CALENDAR, Items, is_quantity, node, values_of
from fhirdrain.conformance.fhirpath.table import (
    OURS,
    Context,
    Function,
    ours,
    single,
)
from fhirdrain.conformance.ordering import is_number
from fhirdrain.conformance.times import UNITS_OF_TIME, Time, time_of
from fhirdrain.vocabulary.units import UCUM

_CODES_OF_TIME = {
    "week": "wk",
    "day": "d",
    "hour": "h",
    "minute": "min",
    "second": "s",
    "millisecond": "ms",
}
# Without a bound a long text of digits takes Python as long as it likes.
_INTEGER = re.compile(r"[+-]?\d{1,40}", re.ASCII)
_DECIMAL = re.compile(r"[+-]?\d+(?:\.\d+)?", re.ASCII)
_QUANTITY = re.compile(r"([+-]?\d+(?:\.\d+)?)\s*(?:'([^']+)'|([a-z]+))?", re.ASCII)


def _written(value: Any) -> str | None:
    if isinstance(value, bool):
        return str(value).lower()
    if is_number(value):
        number = Decimal(value)
        return f"{number:f}" if abs(number.adjusted()) < MOST_CHARACTERS else None
    if isinstance(value, Time):
        return value.text
    if is_quantity(value) and value.data.get("system") in (UCUM, CALENDAR):
        amount, code = _written(value.data.get("value")), value.data.get("code")
        unit = code if value.data["system"] == CALENDAR else f"'{code}'"
        return f"{amount} {unit}" if amount and code else None
    return value if isinstance(value, str) else None


@ours("toString")
def _to_string(context: Context, items: Items) -> Any:
    found = [_written(value) for value in values_of(single(items))]
    return [text for text in found if text is not None]


_TRUE = frozenset(("true", "t", "yes", "y", "1", "1.0"))
_FALSE = frozenset(("false", "f", "no", "n", "0", "0.0"))


@ours("toBoolean")
def _to_boolean(context: Context, items: Items) -> Any:
    for value in values_of(single(items)):
        if is_number(value) and value in (0, 1):
            return value == 1
        text = _written(value) if isinstance(value, str | bool) else None
        if text is not None and text.lower() in _TRUE | _FALSE:
            return text.lower() in _TRUE
    return []


@ours("toInteger")
def _to_integer(context: Context, items: Items) -> Any:
    for value in values_of(single(items)):
        if isinstance(value, int):
            return int(value)
        if isinstance(value, str) and _INTEGER.fullmatch(value):
            return int(value)
    return []


@ours("toDecimal")
def _to_decimal(context: Context, items: Items) -> Any:
    for value in values_of(single(items)):
        if isinstance(value, int | Decimal):
            return Decimal(value)
        if isinstance(value, str) and _DECIMAL.fullmatch(value):
            return Decimal(value)
    return []


def _to_time(kind: str) -> Function:
    """Return toDate(), toDateTime() or toTime()."""

    def convert(context: Context, items: Items) -> Any:
        for value in values_of(single(items)):
            time = time_of(value) if isinstance(value, str) else value
            if isinstance(time, Time) and time.is_clock == (kind == "Time"):
                if kind == "Time":
                    return time
                date, _, clock = time.text.partition("T")
                return time_of(date if kind == "Date" else f"{date}T{clock}")
        return []

    return convert


def quantity(number: Decimal, unit: str) -> Any:
    """Return a quantity, its unit a UCUM code in quotes or a calendar word, as an item."""
    if unit[:1] == "'":
        return node({"value": number, "system": UCUM, "code": unit.strip("'")}, "Quantity")
    word = UNITS_OF_TIME.get(unit)
    if word is None:
        raise CannotEvaluate("it names a unit that is not known")
    if word in _CODES_OF_TIME:
        return node({"value": number, "system": UCUM, "code": _CODES_OF_TIME[word]}, "Quantity")
    return node({"value": number, "system": CALENDAR, "code": word}, "Quantity")


@ours("toQuantity")
def _to_quantity(context: Context, items: Items) -> Any:
    for value in values_of(single(items)):
        if is_quantity(value):
            return value
        if isinstance(value, int | Decimal):
            return quantity(Decimal(value), "'1'")
        found = _QUANTITY.fullmatch(value) if isinstance(value, str) else None
        if found and (found[3] is None or found[3] in UNITS_OF_TIME):
            return quantity(Decimal(found[1]), found[3] or f"'{found[2] or 1}'")
    return []


def _converts(convert: Function) -> Function:
    def test(context: Context, items: Items) -> Any:
        return convert(context, items) != [] if items else []

    return test


for _kind in ("Date", "DateTime", "Time"):
    ours(f"to{_kind}")(_to_time(_kind))
for _name in [name for name in OURS if name.startswith("to")]:
    ours(f"convertsT{_name[1:]}")(_converts(OURS[_name]["fn"]))


# -- the time --------------------------------------------------------------------------------------


def _now(form: str) -> Function:
    def function(context: Context, items: Items) -> Any:
        now: datetime = context.setdefault("now", datetime.now().astimezone())
        return time_of(now.strftime(form) + (now.isoformat()[-6:] if "T" in form else ""))

    return function


ours("now")(_now("%Y-%m-%dT%H:%M:%S.%f"))
ours("today")(_now("%Y-%m-%d"))
ours("timeOfDay")(_now("%H:%M:%S.%f"))
