"""Whether a supplied definition has the shape R4 gives what the checker reads of it.

A StructureDefinition is data like any other, and may be as wrong. Its elements are looked at before
a snapshot is made of them, so that what is wrong can be said with its place. FHIR R4 5.3 and 2.26
(structuredefinition.html, elementdefinition.html).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from fhirdrain.conformance.rules.primitives import fault_of, is_primitive
from fhirdrain.conformance.tree import SnapshotFault

Json = dict[str, Any]
# What is wrong with a value, None for nothing.
Fault = Callable[[Any], str | None]


def check_shape(canonical: str, definition: Json) -> None:
    """Raise `SnapshotFault` at the first element that is not of R4's shape."""
    if fault := _texts(definition.get("contextInvariant", [])):
        raise SnapshotFault(canonical, "contextInvariant", fault)
    for where, fault in _list("context", definition.get("context", []), *_CONTEXT):
        raise SnapshotFault(canonical, where.removeprefix("."), fault)
    for view in ("differential", "snapshot"):
        if view not in definition:
            continue
        whole = definition[view]
        elements = whole.get("element") if isinstance(whole, dict) else None
        if not isinstance(elements, list) or not elements:
            raise SnapshotFault(canonical, view, "holds no list of elements")
        for index, element in enumerate(elements):
            for where, fault in _faults(element):
                place = f"{view}.element[{index}]{where}"
                path = element.get("path") if isinstance(element, dict) else None
                named = f"{place} ({path})" if isinstance(path, str) else place
                raise SnapshotFault(canonical, named, fault)


def _faults(element: Any) -> Iterator[tuple[str, str]]:
    if not isinstance(element, dict):
        yield "", "is no object"
        return
    if "path" not in element:
        yield ".path", "is missing"
    for key, test in _ELEMENT.items():
        if key in element and (fault := test(element[key])):
            yield f".{key}", fault
    for key, value in element.items():
        if (said := _VALUE.fullmatch(key)) and (fault := _value(said[1], value)):
            yield f".{key}", fault
    for key, (parts, needed) in _LISTS.items():
        yield from _list(key, element.get(key, []), parts, needed)
    for key, (parts, needed) in _OBJECTS.items():
        if key in element:
            yield from _object(f".{key}", element[key], parts, needed)
    if isinstance(element.get("slicing"), dict):
        discriminators = element["slicing"].get("discriminator", [])
        for where, fault in _list("discriminator", discriminators, *_DISCRIMINATOR):
            yield f".slicing{where}", fault


def _list(
    key: str, items: Any, parts: dict[str, Fault], needed: Iterable[str]
) -> Iterator[tuple[str, str]]:
    if not isinstance(items, list):
        yield f".{key}", "is no list"
        return
    for index, item in enumerate(items):
        yield from _object(f".{key}[{index}]", item, parts, needed)


def _object(
    where: str, value: Any, parts: dict[str, Fault], needed: Iterable[str]
) -> Iterator[tuple[str, str]]:
    if not isinstance(value, dict):
        yield where, "is no object"
        return
    for name in needed:
        if name not in value:
            yield f"{where}.{name}", "is missing"
    for name, test in parts.items():
        if name in value and (fault := test(value[name])):
            yield f"{where}.{name}", fault


# What a value must be, or lie within; its type stands in the name of the key.
_VALUE = re.compile(r"(?:fixed|pattern|minValue|maxValue)([A-Z]\w*)")


def _value(named: str, value: Any) -> str | None:
    primitive = f"{named[0].lower()}{named[1:]}"
    if is_primitive(primitive):
        return fault_of(primitive, value) or None
    return None if isinstance(value, dict) and value else "is no object that holds something"


def _text(value: Any) -> str | None:
    return None if isinstance(value, str) and value else "is no text"


def _string(value: Any) -> str | None:
    return None if isinstance(value, str) else "is no text"


def _whole(value: Any) -> str | None:
    right = isinstance(value, int) and not isinstance(value, bool) and value >= 0
    return None if right else "is no whole number"


def _most(value: Any) -> str | None:
    right = isinstance(value, str) and re.fullmatch(r"\*|[0-9]{1,9}", value)
    return None if right else "is neither a whole number nor *"


def _truth(value: Any) -> str | None:
    return None if isinstance(value, bool) else "is neither true nor false"


def _texts(value: Any) -> str | None:
    right = isinstance(value, list) and all(isinstance(one, str) for one in value)
    return None if right else "is no list of texts"


def _among(*words: str) -> Fault:
    return lambda value: None if value in words else f"is none of {', '.join(words)}"


_ELEMENT: dict[str, Fault] = {
    "path": _text,
    "id": _text,
    "sliceName": _text,
    "min": _whole,
    "max": _most,
    "maxLength": _whole,
    "contentReference": _text,
    "isModifier": _truth,
}
_TYPE: dict[str, Fault] = {
    "code": _text,
    "profile": _texts,
    "targetProfile": _texts,
    "aggregation": _texts,
    "versioning": _among("either", "independent", "specific"),
}
_CONSTRAINT: dict[str, Fault] = {
    "key": _text,
    "severity": _among("error", "warning"),
    "human": _string,
    "expression": _string,
}
_LISTS: dict[str, tuple[dict[str, Fault], tuple[str, ...]]] = {
    "type": (_TYPE, ("code",)),
    "constraint": (_CONSTRAINT, ("key",)),
}
_OBJECTS: dict[str, tuple[dict[str, Fault], tuple[str, ...]]] = {
    "binding": (
        {
            "strength": _among("required", "extensible", "preferred", "example"),
            "valueSet": _text,
        },
        ("strength",),
    ),
    "slicing": ({"rules": _among("closed", "open", "openAtEnd"), "ordered": _truth}, ()),
}
_CONTEXT: tuple[dict[str, Fault], tuple[str, ...]] = (
    {"type": _among("fhirpath", "element", "extension"), "expression": _text},
    ("type", "expression"),
)
_DISCRIMINATOR: tuple[dict[str, Fault], tuple[str, ...]] = (
    {"type": _among("value", "exists", "pattern", "type", "profile"), "path": _text},
    ("type", "path"),
)
