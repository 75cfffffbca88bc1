"""The items of a FHIRPath collection: what type each is of, what is below it, and what it equals.

An item is a node of FHIR data, or a plain value: bool, int, Decimal, str, `Time`. A primitive and
its extensions (`_x` in JSON) are one node. Specification: FHIR R4 2.9 (fhirpath.html), "Using FHIR
types in expressions"; FHIRPath N1, "Equals".
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from decimal import Decimal
from functools import cache
from itertools import zip_longest
from typing import Any

from fhirpathpy.engine.nodes import ResourceNode

from fhirdrain.conformance.definitions import (
    ancestry,
    elements,
    is_resource,
    type_names,
    types_below,
)
from fhirdrain.conformance.fhirpath.engine import CannotEvaluate
from fhirdrain.conformance.ordering import compared, is_number
from fhirdrain.conformance.times import SECONDS, UNITS_OF_TIME, Time, order_of, time_of
from fhirdrain.vocabulary.units import UCUM

Items = list[Any]

# Years and months as FHIRPath has them are as long as the calendar says; UCUM's are of one length.
CALENDAR = "http://hl7.org/fhirpath/CodeSystem/calendar-units"
_DEFINITE = {"year": "a", "month": "mo"}

_TIMES = frozenset(("date", "dateTime", "instant", "time"))
# The System type that stands for each of FHIR's primitives; for all others it is String.
_SYSTEM = {
    "boolean": "Boolean",
    "integer": "Integer",
    "unsignedInt": "Integer",
    "positiveInt": "Integer",
    "decimal": "Decimal",
    "date": "Date",
    "dateTime": "DateTime",
    "instant": "DateTime",
    "time": "Time",
}
_PLAIN = frozenset(("Boolean", "String", "Integer", "Decimal", "Date", "DateTime", "Time"))


def node(value: Any, kind: str | None, beside: Any = None) -> Any:
    """Return FHIR data as an item: of a type, with what stands in the `_` member beside it."""
    made = ResourceNode(value, kind, beside if type(beside) is dict else None)
    if not isinstance(made.path, str):
        made.path = None
    return made


def item(value: Any) -> Any:
    """Return what is in hand as an item: a JSON object as a node, all else as it is."""
    return node(value, None) if isinstance(value, dict) else value


def is_node(one: Any) -> bool:
    """Tell whether an item is FHIR data; else it is a plain value."""
    return isinstance(one, ResourceNode)


# -- types ------------------------------------------------------------------------------------


@cache
def _members(kind: str) -> dict[str, list[str]]:
    """Return the JSON names of the elements of a type by their FHIRPath names."""
    owner, _, path = kind.partition(".")
    found: dict[str, list[str]] = {}
    for name in types_below(kind):
        found.setdefault(elements(owner, path)[name].name, []).append(name)
    return found


@cache
def _line(kind: str) -> tuple[str, ...]:
    """Return a type and those it is made from; of a group in place, what every such group is."""
    owner, _, path = kind.partition(".")
    if path:
        return (kind, *ancestry("BackboneElement" if is_resource(owner) else "Element"))
    return ancestry(kind)


def fhir_type(one: Any) -> str:
    """Return the name of the FHIR type of a node; empty where it is not known."""
    line = _line(one.path or "")
    return line[1] if "." in line[0] else line[0]


def system_type(one: Any) -> str:
    """Return the name of the System type an item is of, or stands for; empty when there is none."""
    if isinstance(one, ResourceNode):
        if one.path == "Quantity" or isinstance(one.data, dict | list):
            return "Quantity" if is_quantity(one) else ""
        return _SYSTEM.get(one.path or "", "String" if one.path else "")
    if isinstance(one, bool):
        return "Boolean"
    if isinstance(one, Time):
        return "Time" if one.is_clock else "DateTime" if "T" in one.text else "Date"
    return {int: "Integer", Decimal: "Decimal", str: "String"}.get(type(one), "")


def is_of(one: Any, namespace: str | None, name: str) -> bool:
    """Tell whether an item is of a type or one made from it.

    A FHIR primitive is of the System type it stands for, too: R4's que-7 asks `answer is Boolean`.
    """
    known_to_fhir = name in type_names() and namespace != "System"
    known_to_system = (name in _PLAIN or name == "Quantity") and namespace != "FHIR"
    if not known_to_fhir and not known_to_system:
        raise CannotEvaluate("it names a type that is not known")
    if known_to_fhir and isinstance(one, ResourceNode) and name in _line(one.path or ""):
        return True
    return known_to_system and system_type(one) == name


def is_quantity(one: Any) -> bool:
    """Tell whether an item is a Quantity of any kind."""
    return isinstance(one, ResourceNode) and "Quantity" in _line(one.path or "")


# -- what is below ----------------------------------------------------------------------------


def member(one: Any, name: str) -> Iterator[Any]:
    """Yield the elements of an item that have a name."""
    if not isinstance(one, ResourceNode):
        return
    data = one.data
    if not isinstance(data, dict):
        if name == "value" and data is not None and not isinstance(data, list):
            yield data
        elif one._data is not None:
            yield from _nodes(one._data.get(name), None, _beside(name))
        return
    types = types_below(one.path or "")
    keys = _members(one.path or "").get(name)
    if keys is None:
        if name in types:
            raise CannotEvaluate("it names an element of several types with its type")
        keys = [name]
    for key in keys:  # of several types there are many, and most are not there
        value, beside = data.get(key), data.get(f"_{key}")
        if value is not None or beside is not None:
            yield from _nodes(value, beside, types.get(key) or _beside(key))


def children(one: Any) -> Iterator[Any]:
    """Yield the elements right below an item."""
    data = one.data if isinstance(one, ResourceNode) else None
    if isinstance(data, dict):
        types = types_below(one.path or "")
        for key in data:
            name = key[1:] if key[:1] == "_" else key
            if key == "resourceType" or (name != key and name in data):
                continue
            yield from _nodes(
                data.get(name), data.get(f"_{name}"), types.get(name) or _beside(name)
            )
    elif data is not None or isinstance(one, ResourceNode):
        for name, value in (one._data or {}).items():
            yield from _nodes(value, None, _beside(name))


def _beside(name: str) -> str | None:
    return {"extension": "Extension", "id": "string"}.get(name)


def _nodes(value: Any, beside: Any, kind: str | None) -> Iterator[Any]:
    values = value if isinstance(value, list) else [value]
    besides = beside if isinstance(beside, list) else [beside]
    for one, its in zip_longest(values, besides):
        if one is not None or isinstance(its, dict):
            yield node(one, kind, its)


# -- values -----------------------------------------------------------------------------------


def value_of(one: Any) -> Any:
    """Return the plain value of an item: a `Time` for a date or time, None where it has no value.

    What is a Quantity or another object stays a node.
    """
    if not isinstance(one, ResourceNode):
        return one
    data = one.data
    if isinstance(data, dict | list):
        return one
    if isinstance(data, str) and one.path in _TIMES:
        return time_of(data) or data
    return data


def values_of(items: Any) -> Items:
    """Return the plain values of items, without those that have none."""
    return [value for one in items if (value := value_of(one)) is not None]


def truth(items: Any) -> bool | None:
    """Return whether a collection is true: None for an empty one, True for a single other value.

    FHIRPath N1, "Singleton Evaluation of Collections".
    """
    values = values_of(items)
    if len(values) > 1:
        raise CannotEvaluate("it takes several values for one truth")
    if not values:
        return None
    return values[0] if isinstance(values[0], bool) else True


def key_of(one: Any) -> Hashable:
    """Return what is equal for equal items: 19.0 and 19.00 are one, and a time as it is written."""
    value = value_of(one)
    if isinstance(value, Time):
        return ("time", value.text.removesuffix("T"))
    if isinstance(value, ResourceNode):
        return _key(value.data)
    return ("none", _key(one._data)) if value is None else _key(value)


def _key(value: Any) -> Hashable:
    if isinstance(value, dict):
        return ("object", frozenset((name, _key(below)) for name, below in value.items()))
    if isinstance(value, list):
        return ("array", tuple(map(_key, value)))
    if isinstance(value, bool):
        return ("truth", value)
    return ("time", value.text) if isinstance(value, Time) else value


def same(one: Any, other: Any) -> bool | None:
    """Return whether two items are equal; None where their precision leaves it open."""
    left, right = value_of(one), value_of(other)
    if left is None or right is None:
        return None
    if isinstance(left, Time) or isinstance(right, Time):
        mine, its = (time_of(v) if isinstance(v, str) else v for v in (left, right))
        if not (isinstance(mine, Time) and isinstance(its, Time)) or mine.is_clock != its.is_clock:
            return False
        order = order_of(mine, its)
        return None if order is None else order == 0
    if is_quantity(left) and is_quantity(right) and key_of(left) != key_of(right):
        systems = {_system_of_unit(left), _system_of_unit(right)}
        if systems == {UCUM, CALENDAR}:
            return None
        return in_order(left, right) == 0 if systems == {UCUM} else False
    return key_of(left) == key_of(right)


def _system_of_unit(quantity: Any) -> Any:
    return quantity.data.get("system") if isinstance(quantity.data, dict) else None


def definite(quantity: Any) -> Any:
    """Return a quantity of calendar years or months in UCUM's, and any other as it is."""
    if _system_of_unit(quantity) != CALENDAR:
        return quantity
    code = _DEFINITE[quantity.data["code"]]
    return node({**quantity.data, "system": UCUM, "code": code}, "Quantity")


def in_order(one: Any, other: Any) -> int | None:
    """Return -1, 0 or 1 as an item is below, at or above another; None where that is open.

    Raises `CannotEvaluate` for what has no order.
    """
    left, right = value_of(one), value_of(other)
    if left is None or right is None:
        return None
    if isinstance(left, Time) or isinstance(right, Time):
        left, right = (time_of(v) if isinstance(v, str) else v for v in (left, right))
        if isinstance(left, Time) and isinstance(right, Time) and left.is_clock == right.is_clock:
            return order_of(left, right)
        raise CannotEvaluate("it orders values of different kinds")
    if is_quantity(left) and is_quantity(right):
        if any("comparator" in q.data for q in (left, right) if isinstance(q.data, dict)):
            raise CannotEvaluate("it orders quantities that are not exact")
        if any(isinstance(q.data, dict) and "value" not in q.data for q in (left, right)):
            return None
        order = compared(*map(_in_seconds, (left.data, right.data)))
        if order is None:
            raise CannotEvaluate("it orders quantities that are not of one unit")
        return order
    if isinstance(left, str) and isinstance(right, str):
        return (left > right) - (left < right)
    if is_number(left) and is_number(right):
        return int(left > right) - int(left < right)
    raise CannotEvaluate("it orders values of different kinds")


def _in_seconds(quantity: Any) -> Any:
    """Return a quantity of a unit of time in seconds, and any other as it is."""
    if isinstance(quantity, dict) and quantity.get("system") == UCUM:
        seconds = SECONDS.get(str(UNITS_OF_TIME.get(str(quantity.get("code")))))
        if seconds is not None and is_number(quantity.get("value")):
            return {"value": quantity["value"] * seconds, "system": UCUM, "code": "s"}
    return quantity
