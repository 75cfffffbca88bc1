"""FHIRPath's functions that go from item to item, and FHIR's own, which the engine lacks.

Measured on fhirpathpy 2.2.4: it makes two items of a primitive with extensions; where() takes a
false in the data for true; sets of data and plain values tell nothing apart; `$this` stays where a
function left it; ofType() knows types only after is() was asked once. Specification: FHIRPath N1,
"Existence", "Filtering and projection", "Combining"; FHIR R4 2.9, "Additional functions".
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from typing import Any

from fhirdrain.conformance.fhirpath.engine import CannotEvaluate
from fhirdrain.conformance.fhirpath.items import (
    Items,
    children,
    fhir_type,
    is_node,
    is_of,
    item,
    key_of,
    member,
    node,
    system_type,
    truth,
    value_of,
    values_of,
)
from fhirdrain.conformance.fhirpath.table import Context, Each, Function, ours, single
from fhirdrain.conformance.narrative import fault_of_div
from fhirdrain.vocabulary.units import UCUM

EXPRESSION = ("Expr",)
ROOT = ("AnyAtRoot",)
TYPE = ("TypeSpecifier",)
TEXT = ("String",)


def named(items: Items, name: str) -> Items:
    """Return the elements of a name; at the start of a path it may be the name of a type."""
    if not name[:1].isupper():
        return [found for one in items for found in member(one, name)]
    typed = [one for one in items if is_of(one, "FHIR", name)]
    if items and not typed:
        raise CannotEvaluate("it starts with a type that is not that of what it is asked of")
    return typed


def variable(context: Context, name: str) -> Items:
    """Return what a variable stands for."""
    if name == "context":
        return list(context["start"])
    if name in ("resource", "rootResource"):
        around = context["surroundings"]
        one = around.resource if name == "resource" else around.root
        return [] if one is None else [item(one)]
    if name == "extension" and context["surroundings"].extension is not None:
        return [node(context["surroundings"].extension, "Extension")]
    if name in _URLS:
        return [_URLS[name]]
    form, _, rest = name.partition("-")
    folder = {"vs": "ValueSet", "ext": "StructureDefinition"}.get(form)
    if folder is None or not rest:
        raise CannotEvaluate("it uses a variable that is not known")
    return [f"http://hl7.org/fhir/{folder}/{rest}"]


_URLS = {"ucum": UCUM, "sct": "http://snomed.info/sct", "loinc": "http://loinc.org"}


@ours("children")
def _children(context: Context, items: Items) -> Items:
    return [below for one in items for below in children(one)]


@ours("descendants")
def _descendants(context: Context, items: Items) -> Items:
    found: Items = []
    level = items
    while level:
        level = [below for one in level for below in children(one)]
        found += level
        context["budget"].spend(found)
    return found


def _each(context: Context, items: Items) -> Iterator[Any]:
    for index, one in enumerate(items):
        context["$index"] = index
        yield one


@ours("where", EXPRESSION)
def _where(context: Context, items: Items, test: Each) -> Items:
    return [one for one in _each(context, items) if truth(test(one))]


@ours("exists", (), EXPRESSION)
def _exists(context: Context, items: Items, test: Each | None = None) -> bool:
    return bool(items if test is None else _where(context, items, test))


@ours("all", EXPRESSION)
def _all(context: Context, items: Items, test: Each) -> bool:
    return all(truth(test(one)) for one in _each(context, items))


@ours("select", EXPRESSION)
def _select(context: Context, items: Items, each: Each) -> Items:
    found: Items = []
    for one in _each(context, items):
        found += each(one)
        context["budget"].spend(found)
    return found


@ours("repeat", EXPRESSION)
def _repeat(context: Context, items: Items, each: Each) -> Items:
    found: Items = []
    seen = set()
    waiting = deque(items)
    while waiting:
        for one in each(waiting.popleft()):
            key = key_of(one)
            if key not in seen:
                seen.add(key)
                found.append(one)
                waiting.append(one)
        context["budget"].spend(found)
    return found


@ours("iif", ("Expr", "Expr"), ("Expr", "Expr", "Expr"))
def _iif(context: Context, items: Items, test: Each, then: Each, other: Each | None = None) -> Any:
    if truth(test(items)):
        return then(items)
    return [] if other is None else other(items)


@ours("single")
def _single(context: Context, items: Items) -> Items:
    return single(items)


@ours("take", ("Integer",))
def _take(context: Context, items: Items, count: int) -> Items:
    return items[: max(count, 0)]


@ours("skip", ("Integer",))
def _skip(context: Context, items: Items, count: int) -> Items:
    return items[max(count, 0) :]


@ours("ofType", TYPE)
@ours("as", TYPE)
def _of_type(context: Context, items: Items, wanted: Any) -> Items:
    """Return the items of a type; R4's dom-3 asks as() of many items, though N1 lets it of one."""
    return [one for one in items if is_of(one, wanted.namespace, wanted.name)]


@ours("is", TYPE)
def _is(context: Context, items: Items, wanted: Any) -> Any:
    return [is_of(one, wanted.namespace, wanted.name) for one in single(items)]


@ours("type")
def _type(context: Context, items: Items) -> Items:
    return [
        node({"namespace": "FHIR", "name": fhir_type(one)}, "ClassInfo")
        if is_node(one)
        else node({"namespace": "System", "name": system_type(one)}, "SimpleTypeInfo")
        for one in items
    ]


# -- sets -------------------------------------------------------------------------------------


def _keys(items: Items) -> set[Any]:
    return {key_of(one) for one in items}


@ours("distinct")
def _distinct(context: Context, items: Items) -> Items:
    first: dict[Any, Any] = {}
    for one in items:
        first.setdefault(key_of(one), one)
    return list(first.values())


@ours("isDistinct")
def _is_distinct(context: Context, items: Items) -> bool:
    return len(_keys(items)) == len(items)


@ours("union", ROOT)
@ours("|", ("Any", "Any"))
def _union(context: Context, items: Items, others: Items) -> Items:
    return _distinct(context, items + others)


@ours("intersect", ROOT)
def _intersect(context: Context, items: Items, others: Items) -> Items:
    keys = _keys(others)
    return [one for one in _distinct(context, items) if key_of(one) in keys]


@ours("exclude", ROOT)
def _exclude(context: Context, items: Items, others: Items) -> Items:
    keys = _keys(others)
    return [one for one in items if key_of(one) not in keys]


@ours("subsetOf", ROOT)
def _subset(context: Context, items: Items, others: Items) -> bool:
    return _keys(items) <= _keys(others)


@ours("supersetOf", ROOT)
def _superset(context: Context, items: Items, others: Items) -> bool:
    return _keys(items) >= _keys(others)


# -- FHIR's own ---------------------------------------------------------------------------------


@ours("extension", TEXT, null="nullable")
def _extension(context: Context, items: Items, url: str) -> Items:
    return [
        extension
        for one in items
        for extension in member(one, "extension")
        if isinstance(extension.data, dict) and extension.data.get("url") == url
    ]


@ours("hasValue")
def _has_value(context: Context, items: Items) -> bool:
    return len(items) == 1 and not is_node(value_of(items[0])) and values_of(items) != []


@ours("getValue")
def _get_value(context: Context, items: Items) -> Items:
    return values_of(items) if len(items) == 1 else []


@ours("resolve")
def _resolve(context: Context, items: Items) -> Items:
    found = []
    for one in items:
        data = getattr(one, "data", one)
        text = data.get("reference") if isinstance(data, dict) else data
        target = context["surroundings"].resolve(text) if isinstance(text, str) else None
        if target is not None:
            found.append(item(target))
    return found


def _asked(ask: str, why: str) -> Function:
    """Return a function that the surroundings answer, unless they cannot."""

    def function(context: Context, items: Items, url: str) -> Any:
        for one in single(items):
            answer = getattr(context["surroundings"], ask)(getattr(one, "data", one), url)
            if answer is None:
                raise CannotEvaluate(why)
            return answer
        return []

    return function


_UNKNOWN_CODE = "whether a code is in a value set cannot be known here"
ours("memberOf", TEXT, null="nullable")(_asked("member_of", _UNKNOWN_CODE))
ours("conformsTo", TEXT, null="nullable")(_asked("conforms_to", "a profile it names is not known"))


@ours("htmlChecks")
def _html_checks(context: Context, items: Items) -> bool:
    return not any(fault_of_div(value) for value in values_of(items))


@ours("trace", TEXT, ("String", "Expr"))
def _trace(context: Context, items: Items, *_: Any) -> Items:
    """Return what is traced, and print nothing: it may be a patient's."""
    return items
