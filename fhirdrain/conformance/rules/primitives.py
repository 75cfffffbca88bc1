"""The formats of R4's primitive types (R4, Data Types, "Primitive Types")."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection
from datetime import date, datetime
from decimal import Decimal
from functools import cache
from typing import Any

_DATE = r"\d(?:\d(?:\d[1-9]|[1-9]0)|[1-9]00)|[1-9]000"
_YEAR = rf"(?:{_DATE})"
_MONTH = r"(?:0[1-9]|1[0-2])"
_DAY = r"(?:0[1-9]|[12]\d|3[01])"
_CLOCK = r"(?:[01]\d|2[0-3]):[0-5]\d:(?:[0-5]\d|60)(?:\.\d+)?"
_OFFSET = r"(?:Z|[+-](?:(?:0\d|1[0-3]):[0-5]\d|14:00))"

# White space in FHIR's patterns is what XML Schema calls so: a no-break space is a character. Of
# what stands below it, XML knows only tab and line ends.
_VISIBLE = r"[^\x00-\x20]"
_CHARACTERS = r"[^\x00-\x08\x0b\x0c\x0e-\x1f]+"

_PATTERNS = {
    name: re.compile(pattern, re.ASCII)
    for name, pattern in {
        "string": _CHARACTERS,
        "markdown": _CHARACTERS,
        "xhtml": _CHARACTERS,
        "uri": rf"{_VISIBLE}+",
        "url": rf"{_VISIBLE}+",
        "canonical": rf"{_VISIBLE}+",
        "code": rf"{_VISIBLE}+(?: {_VISIBLE}+)*",
        "id": r"[A-Za-z0-9\-.]{1,64}",
        "oid": r"urn:oid:[0-2](?:\.(?:0|[1-9]\d*))+",
        "uuid": r"urn:uuid:[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}",
        "base64Binary": r"(?:\s*[0-9A-Za-z+/=]{4})+\s*",
        "date": rf"{_YEAR}(?:-{_MONTH}(?:-{_DAY})?)?",
        "dateTime": rf"{_YEAR}(?:-{_MONTH}(?:-{_DAY}(?:T{_CLOCK}{_OFFSET})?)?)?",
        "instant": rf"{_YEAR}-{_MONTH}-{_DAY}T{_CLOCK}{_OFFSET}",
        "time": _CLOCK,
    }.items()
}

_WHOLE = {
    "integer": (-(2**31), 2**31 - 1),
    "unsignedInt": (0, 2**31 - 1),
    "positiveInt": (1, 2**31 - 1),
}


def is_primitive(kind: str) -> bool:
    """Tell whether a type is one of R4's primitives."""
    return kind in _PATTERNS or kind in _WHOLE or kind in ("boolean", "decimal")


def fault_of(kind: str, value: Any) -> str:
    """Return what is wrong with a primitive value; empty when nothing is."""
    if kind == "boolean":
        return "" if isinstance(value, bool) else "must be true or false, without quotes"
    if kind in _WHOLE:
        low, high = _WHOLE[kind]
        if isinstance(value, bool) or not isinstance(value, int):
            return "must be a whole number, without quotes"
        return "" if low <= value <= high else f"must be from {low} to {high}"
    if kind == "decimal":
        number = isinstance(value, int | Decimal) and not isinstance(value, bool)
        return "" if number else "must be a number, without quotes"
    if not isinstance(value, str):
        return "must be a text in quotes"
    if not value.strip(" \t\r\n"):
        return "is empty"
    if not _PATTERNS[kind].fullmatch(value):
        return f"is not a valid {kind}"
    if kind in ("date", "dateTime", "instant") and not _exists(value):
        return f"is not a valid {kind}: there is no such day"
    return ""


Quick = tuple[Collection[str], Callable[[Any], bool]]

# What was right once is right again: times, ids and codes come many times over.
_MOST_KNOWN = 4096
_LONGEST_KNOWN = 200


def is_plain_id(text: str) -> bool:
    """Tell whether a text is an id of a resource."""
    return _RESOURCE_ID.fullmatch(text) is not None


_RESOURCE_ID = re.compile(r"[A-Za-z0-9\-.]{1,64}")


def quick_of(kind: str) -> Quick:
    """Return texts that are right, and a test that is never wrong when it says that all is well."""
    if kind == "boolean":
        return (), lambda value: value is True or value is False
    if kind in _WHOLE:
        low, high = _WHOLE[kind]
        return (), lambda value: type(value) is int and low <= value <= high
    if kind == "decimal":
        return (), lambda value: type(value) is Decimal or type(value) is int
    if kind in ("string", "markdown", "xhtml"):
        return (), _is_plain_text
    return _known(kind)


def _is_plain_text(value: Any) -> bool:
    return type(value) is str and value.isprintable() and value[:1] > " "


@cache
def _known(kind: str) -> Quick:
    known: set[str] = set()

    def sure(value: Any) -> bool:
        if type(value) is not str or len(value) > _LONGEST_KNOWN or fault_of(kind, value):
            return False
        if len(known) >= _MOST_KNOWN:
            known.clear()
        known.add(value)
        return True

    return known, sure


def _exists(text: str) -> bool:
    try:
        if len(text) >= 10:
            date.fromisoformat(text[:10])
        if "T" in text:
            datetime.fromisoformat(text.replace(":60", ":59"))
    except ValueError:
        return False
    return True
