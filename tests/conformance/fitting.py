"""Data that fits a type of R4, made from its element table and from nothing of the checker."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from functools import cache
from typing import Any

from fhirdrain.conformance.definitions import Definitions, elements, is_resource, type_names

# One value of each primitive, in the form R4 gives it.
PRIMITIVES: dict[str, Any] = {
    "base64Binary": "aGVsbG8=",
    "boolean": True,
    "canonical": "https://north-pier.example/fhir/ValueSet/one",
    "code": "one",
    "date": "2025-01-10",
    "dateTime": "2025-01-10T10:00:00+01:00",
    "decimal": Decimal("19.00"),
    "id": "one",
    "instant": "2025-01-10T10:00:00.123Z",
    "integer": 3,
    "markdown": "text",
    "oid": "urn:oid:1.2.3",
    "positiveInt": 3,
    "string": "text",
    "time": "10:00:00",
    "unsignedInt": 3,
    "uri": "https://north-pier.example/one",
    "url": "https://north-pier.example/one",
    "uuid": "urn:uuid:c757873d-ec9a-4326-a141-556f43239520",
    "xhtml": '<div xmlns="http://www.w3.org/1999/xhtml">text</div>',
}
# Of a Quantity a comparator: there is none where one is ordered.
_LEFT_OUT = ("extension", "modifierExtension", "contained", "comparator")
BASIC = {"resourceType": "Basic", "id": "one", "code": {"text": "text"}}


def fitting(kind: str, depth: int = 3) -> Any:
    """Return a value of a type, or of a group in place (`Timing.repeat`), with all its elements.

    So many levels are filled; of an element of several types the first is there.
    """
    if kind in PRIMITIVES:
        return PRIMITIVES[kind]
    if kind in ("Resource", "DomainResource"):
        return BASIC
    owner, _, path = kind.partition(".")
    value: dict[str, Any] = {"resourceType": kind} if is_resource(kind) else {}
    if depth == 0:
        return value | ({"id": "one"} if not path else {})
    chosen = set()
    for name, element in elements(owner, path).items():
        if element.name in chosen or name in _LEFT_OUT:
            continue
        chosen.add(element.name)
        below = type_of(element)
        if below in PRIMITIVES or below in type_names() or "." in below:
            one = fitting(below, depth - 1)
            value[name] = [one] if element.many else one
    return value


def type_of(element: Any) -> str:
    """Return the type of an element, or where a group in place is defined."""
    in_place = element.type in ("BackboneElement", "Element", "#") and element.path
    return f"{element.owner}.{element.path}" if in_place else element.type


@cache
def places() -> dict[tuple[str, str], list[str]]:
    """Return the types each of R4's own constraints is stated for, by key and expression."""
    found: dict[tuple[str, str], list[str]] = {}
    for name in sorted(type_names()):
        definition = Definitions().type(name)
        for element in (definition or {}).get("snapshot", {}).get("element", ()):
            for constraint in element.get("constraint", ()):
                known = found.setdefault((constraint["key"], constraint.get("expression")), [])
                known.extend(kind for kind in _kinds_of(element) if kind not in known)
    return found


def _kinds_of(element: Any) -> Iterator[str]:
    if "." not in element["path"]:
        yield element["path"]
    elif "contentReference" in element:
        yield element["contentReference"].rpartition("#")[2]
    for entry in element.get("type", ()):
        in_place = entry["code"] in ("BackboneElement", "Element")
        yield element["path"] if in_place else entry["code"]
