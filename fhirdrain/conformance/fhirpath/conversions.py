"""FHIRPath's functions that make one plain value of another.

Measured on fhirpathpy 2.2.4: toString() writes True and 1E+2, toBoolean() knows no data; regular
expressions may run for ever, and what replaces may grow without bound; now() is kept in a module.
Specification: FHIRPath N1, "Conversion", "String Manipulation", "Current date and time functions".
"""

from __future__ import annotations

import re
from datetime import datetime
from decimal import Decimal
from typing import Any

import regex

from fhirdrain.conformance.fhirpath.engine import MOST_CHARACTERS, MOST_SECONDS, CannotEvaluate
from fhirdrain.conformance.fhirpath.items import Items, is_quantity, node, values_of
from fhirdrain.conformance.fhirpath.table import (
    ENGINE,
    OURS,
    Context,
    Function,
    bound,
    on_values,
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
_QUANTITY = re.compile(r"([+-]?\d+(?:\.\d+)?)\s*(?:'([^']+)'|([a-z]+))?", re.ASCII)
_CALENDAR = "http://hl7.org/fhirpath/CodeSystem/calendar-units"


def _written(value: Any) -> str | None:
    if isinstance(value, bool):
        return str(value).lower()
    if is_number(value):
        number = Decimal(value)
        return f"{number:f}" if abs(number.adjusted()) < MOST_CHARACTERS else None
    if isinstance(value, Time):
        return value.text
    return value if isinstance(value, str) else None


@ours("toString")
def _to_string(context: Context, items: Items) -> Any:
    found = [_written(value) for value in values_of(single(items))]
    return [text for text in found if text is not None]


_TRUE = frozenset(("true", "t", "yes", "y", "1", "1.0"))
_FALSE = frozenset(("false", "f", "no", "n", "0", "0.0"))


@ours("toBoolean")
def _to_boolean(context: Context, items: Items) -> Any:
    for text in _to_string(context, items):
        if text.lower() in _TRUE | _FALSE:
            return text.lower() in _TRUE
    return []


def _to_time(kind: str) -> Function:
    """Return toDate(), toDateTime() or toTime()."""

    def convert(context: Context, items: Items) -> Any:
        for value in values_of(single(items)):
            time = time_of(value) if isinstance(value, str) else value
            if isinstance(time, Time) and time.is_clock == (kind == "Time"):
                return time_of(time.text.partition("T")[0]) if kind == "Date" else time
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
    return node({"value": number, "system": _CALENDAR, "code": word}, "Quantity")


@ours("toQuantity")
def _to_quantity(context: Context, items: Items) -> Any:
    for value in values_of(single(items)):
        if is_quantity(value):
            return value
        if is_number(value):
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
for _kind in ("String", "Boolean", "Date", "DateTime", "Time", "Quantity"):
    ours(f"convertsTo{_kind}")(_converts(OURS[f"to{_kind}"]["fn"]))
for _kind in ("Integer", "Decimal"):
    ours(f"convertsTo{_kind}")(_converts(on_values(ENGINE[f"to{_kind}"]["fn"])))


# -- texts and the time -------------------------------------------------------------------------


def _pattern(text: str) -> Any:
    try:
        return regex.compile(text, regex.DOTALL)
    except (regex.error, RecursionError):
        raise CannotEvaluate("a regular expression in it cannot be read") from None


@ours("matches", ("String",), null="nullable")
def _matches(context: Context, items: Items, text: Any) -> Any:
    for value in values_of(single(items)):
        try:
            return _pattern(text).search(value, timeout=MOST_SECONDS) is not None
        except TimeoutError:
            raise CannotEvaluate("it does not come to an end") from None
    return []


@ours("replaceMatches", ("String", "String"), null="nullable")
def _replace_matches(context: Context, items: Items, text: str, instead: str) -> Any:
    for value in values_of(single(items)):
        bound(len(value) + 1, instead)
        groups = re.sub(r"\$(\d+)", r"\\g<\1>", instead.replace("\\", r"\\"))
        try:
            return _pattern(text).sub(groups, value, timeout=MOST_SECONDS)
        except TimeoutError:
            raise CannotEvaluate("it does not come to an end") from None
    return []


@ours("replace", ("String", "String"), null="nullable")
def _replace(context: Context, items: Items, text: str, instead: str) -> Any:
    for value in values_of(single(items)):
        bound(value.count(text), instead)
        return value.replace(text, instead)
    return []


@ours("join", (), ("String",))
def _join(context: Context, items: Items, between: str = "") -> str:
    bound(len(items), between)
    return between.join(values_of(items))


def _now(form: str) -> Function:
    def function(context: Context, items: Items) -> Any:
        now: datetime = context["now"]
        return time_of(now.strftime(form) + (now.isoformat()[-6:] if "T" in form else ""))

    return function


ours("now")(_now("%Y-%m-%dT%H:%M:%S.%f"))
ours("today")(_now("%Y-%m-%d"))
ours("timeOfDay")(_now("%H:%M:%S.%f"))
