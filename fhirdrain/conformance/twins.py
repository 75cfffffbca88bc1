"""R4's constraints that stand on nearly every element, as plain functions.

A twin is found by the text of its expression, so none is ever used for another one. Tests hold
each against the FHIRPath engine, or, where that is known to be wrong, against the specification.
A twin takes any JSON; where the structure is broken, which other rules report, it holds. What it
cannot know raises `CannotEvaluate`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from decimal import Decimal
from functools import cache
from typing import Any, cast

from fhirdrain.conformance.definitions import constraints, types_below
from fhirdrain.conformance.fhirpath import CannotEvaluate, Holds, Surroundings, compiled
from fhirdrain.conformance.narrative import fault_of_div
from fhirdrain.conformance.ordering import compared, is_number
from fhirdrain.conformance.rules.primitives import fault_of
from fhirdrain.conformance.times import times_in_order
from fhirdrain.vocabulary.codes import LOCAL
from fhirdrain.vocabulary.observables import CALCULATED
from fhirdrain.vocabulary.units import UCUM

Json = dict[str, Any]


def expression_for(expression: str) -> Holds:
    """Return the test of an expression: its twin, else the engine's; raises `CannotEvaluate`."""
    return twins().get(expression) or compiled(expression)


_BY_KEY: dict[str, Holds] = {}

# What only says something of an object that has such a member, so that others need not be asked.
ONLY_WITH = {
    "dom-2": "contained",
    "dom-3": "contained",
    "dom-4": "contained",
    "dom-5": "contained",
    "obs-6": "dataAbsentReason",
    "obs-7": "component",
    "prr-1": "orderDetail",
}


@cache
def twins() -> dict[str, Holds]:
    """Return the twins by the text of the expression each is one of."""
    found: dict[str, Holds] = {}
    for key, twin in _BY_KEY.items():
        found[constraints()[key]["expression"]] = twin
    return found | _OURS


def _twin(*keys: str) -> Callable[[Holds], Holds]:
    def register(test: Holds) -> Holds:
        for key in keys:
            _BY_KEY[key] = test
        return test

    return register


def _needs(key: str, one: str, *others: str) -> None:
    """Make the twin of "if one element is there, one of the others is"."""

    def test(value: Any, kind: str, around: Surroundings) -> bool:
        return not _has(value, one) or any(_has(value, other) for other in others)

    _BY_KEY[key] = test


def _not_both(key: str, one: str, other: str) -> None:
    def test(value: Any, kind: str, around: Surroundings) -> bool:
        return not (_has(value, one) and _has(value, other))

    _BY_KEY[key] = test


def _one_of(key: str, *names: str) -> None:
    """Make the twin of "one of these elements is there"."""

    def test(value: Any, kind: str, around: Surroundings) -> bool:
        return type(value) is not dict or any(_has(value, name) for name in names)

    _BY_KEY[key] = test


def _has(value: Any, name: str) -> bool:
    """Tell whether an object has an element, be it by an extension alone."""
    return type(value) is dict and (name in value or f"_{name}" in value)


def _has_choice(value: Json, stem: str) -> bool:
    """Tell whether an object has an element of several types."""
    length = len(stem)
    for key in value:
        if key[:1] == "_":
            key = key[1:]
        if key[:length] == stem and key[length : length + 1].isupper():
            return True
    return False


def _items(value: Any, name: str) -> list[Any]:
    member = value.get(name) if type(value) is dict else None
    return member if type(member) is list else [] if member is None else [member]


# -- elements and data types ------------------------------------------------------------------


@_twin("ext-1")
def ext_1(value: Any, kind: str, around: Surroundings) -> bool:
    """An extension has either extensions or a value."""
    return type(value) is not dict or ("extension" in value) != _has_choice(value, "value")


@_twin("per-1")
def per_1(value: Any, kind: str, around: Surroundings) -> bool:
    """A period starts before it ends; where precision leaves that open, it is not known to.

    Here an empty result does not hold: R4 demands that the start be lower.
    """
    start, end = (value.get(key) if type(value) is dict else None for key in ("start", "end"))
    if type(start) is not str or type(end) is not str:
        return True
    order = 0 if start == end else times_in_order(start, end)
    if order is None:
        return bool(fault_of("dateTime", start) or fault_of("dateTime", end))
    return order <= 0


@_twin("rng-2")
def rng_2(value: Any, kind: str, around: Surroundings) -> bool:
    """The low of a range is not above its high; raises `CannotEvaluate` for other units."""
    low, high = (value.get(key) if type(value) is dict else None for key in ("low", "high"))
    if not all(type(end) is dict and is_number(end.get("value")) for end in (low, high)):
        return True
    if _has(low, "comparator") or _has(high, "comparator"):
        return True  # it has none, which sqty-1 says
    order = compared(low, high)
    if order is None:
        raise CannotEvaluate("it orders quantities that are not of one unit")
    return order <= 0


@_twin("rat-1")
def rat_1(value: Any, kind: str, around: Surroundings) -> bool:
    """A ratio has both numbers, or none and an extension."""
    if type(value) is not dict:
        return True
    both = _has(value, "numerator") == _has(value, "denominator")
    return both and ("numerator" in value or "extension" in value)


@_twin("sqty-1")
def sqty_1(value: Any, kind: str, around: Surroundings) -> bool:
    """A simple quantity has no comparator."""
    return not _has(value, "comparator")


def _measured(value: Any, system: str) -> bool:
    """Tell whether a value has a code, of a system if that is there."""
    return type(value) is not dict or (
        ("code" in value or "_code" in value or not _has(value, "value"))
        and value.get("system") in (None, system)
    )


@_twin("dis-1")
def dis_1(value: Any, kind: str, around: Surroundings) -> bool:
    """A distance has a code of UCUM."""
    return _measured(value, UCUM)


@_twin("age-1")
def age_1(value: Any, kind: str, around: Surroundings) -> bool:
    """An age has a code of UCUM and is more than nothing."""
    number = value.get("value") if type(value) is dict else None
    return _measured(value, UCUM) and (not is_number(number) or number > 0)


@_twin("cnt-3")
def cnt_3(value: Any, kind: str, around: Surroundings) -> bool:
    """A count is a whole number of ones."""
    if type(value) is not dict:
        return True
    number = value.get("value")
    is_whole = not isinstance(number, Decimal) or cast(int, number.as_tuple().exponent) >= 0
    return _measured(value, UCUM) and is_whole and value.get("code") in (None, "1")


@_twin("mqty-1")
def mqty_1(value: Any, kind: str, around: Surroundings) -> bool:
    """An amount of money has a code of ISO 4217."""
    return _measured(value, "urn:iso:std:iso:4217")


@_twin("drt-1")
def drt_1(value: Any, kind: str, around: Surroundings) -> bool:
    """A duration with a code has a value, and no other system than UCUM."""
    return not _has(value, "code") or (value.get("system") in (None, UCUM) and _has(value, "value"))


_needs("qty-3", "code", "system")
_needs("cpt-2", "value", "system")
_needs("att-1", "data", "contentType")
_needs("tim-1", "duration", "durationUnit")
_needs("tim-2", "period", "periodUnit")
_needs("tim-6", "periodMax", "period")
_needs("tim-7", "durationMax", "duration")
_needs("tim-8", "countMax", "count")
_not_both("tim-10", "timeOfDay", "when")


@_twin("tim-9")
def tim_9(value: Any, kind: str, around: Surroundings) -> bool:
    """An offset is from an event, and from none that is a meal itself.

    The expression cannot be evaluated when there are several events, of which this is as true.
    """
    if not _has(value, "offset"):
        return True
    meals = ("C", "CM", "CD", "CV")
    return _has(value, "when") and not any(event in meals for event in _items(value, "when"))


def _not_negative(name: str) -> Holds:
    def test(value: Any, kind: str, around: Surroundings) -> bool:
        number = value.get(name) if type(value) is dict else None
        return not is_number(number) or number >= 0

    return test


_BY_KEY["tim-4"] = _not_negative("duration")
_BY_KEY["tim-5"] = _not_negative("period")


@_twin("txt-1", "txt-2")
def txt_1(value: Any, kind: str, around: Surroundings) -> bool:
    """A narrative holds what XHTML in FHIR may hold, and something at all."""
    return not fault_of_div(value)


# -- resources --------------------------------------------------------------------------------


@_twin("dom-2")
def dom_2(value: Any, kind: str, around: Surroundings) -> bool:
    """What is contained contains nothing."""
    return not any(_has(one, "contained") for one in _items(value, "contained"))


@_twin("dom-3")
def dom_3(value: Any, kind: str, around: Surroundings) -> bool:
    """What is contained is referred to, or refers to what contains it."""
    held = [one for one in _items(value, "contained") if type(one) is dict and "id" in one]
    if not held:
        return True
    named = set(_references(value, _URIS))
    return all(f"#{one['id']}" in named or "#" in _references(one, _CANONICAL) for one in held)


_CANONICAL = frozenset(("canonical",))
_URIS = frozenset(("uri", "url", "canonical", "oid", "uuid"))


def _references(resource: Any, kinds: frozenset[str]) -> Iterator[str]:
    """Yield the texts in a resource that are a reference, or of one of these types."""
    waiting = [(resource, "", "")]
    while waiting:
        value, name, kind = waiting.pop()
        if type(value) is dict:
            own = value.get("resourceType")
            types = types_below(own if type(own) is str else kind)
            for key, below in value.items():
                waiting.append(
                    (below, key, types.get(key, "Extension" if key == "extension" else ""))
                )
        elif type(value) is list:
            waiting += [(one, name, kind) for one in value]
        elif type(value) is str and (name == "reference" or kind in kinds):
            yield value


@_twin("dom-4")
def dom_4(value: Any, kind: str, around: Surroundings) -> bool:
    """What is contained has no version of its own."""
    return not any(
        _has(meta, name)
        for one in _items(value, "contained")
        for meta in _items(one, "meta")
        for name in ("versionId", "lastUpdated")
    )


@_twin("dom-5")
def dom_5(value: Any, kind: str, around: Surroundings) -> bool:
    """What is contained has no security label of its own."""
    return not any(
        _has(meta, "security") for one in _items(value, "contained") for meta in _items(one, "meta")
    )


@_twin("dom-6")
def dom_6(value: Any, kind: str, around: Surroundings) -> bool:
    """There is a narrative."""
    return type(value) is not dict or any(_has(text, "div") for text in _items(value, "text"))


_one_of("obs-3", "low", "high", "text")


@_twin("obs-6")
def obs_6(value: Any, kind: str, around: Surroundings) -> bool:
    """A value and a reason why there is none do not stand together."""
    return not _has(value, "dataAbsentReason") or not _has_choice(value, "value")


@_twin("obs-7")
def obs_7(value: Any, kind: str, around: Surroundings) -> bool:
    """Beside a value no component has a code of the observation itself."""
    components = _items(value, "component")
    if not components or not _has_choice(value, "value"):
        return True
    own = [coding for code in _items(around.resource, "code") for coding in _items(code, "coding")]
    return not any(
        coding in own
        for component in components
        for code in _items(component, "code")
        for coding in _items(code, "coding")
    )


@_twin("vs-1")
def vs_1(value: Any, kind: str, around: Surroundings) -> bool:
    """The time of a vital sign is known to the day, or is a period."""
    return kind != "dateTime" or type(value) is not str or len(value) >= 8


@_twin("vs-2")
def vs_2(value: Any, kind: str, around: Surroundings) -> bool:
    """A vital sign has components, members, a value or a reason why there is none."""
    return (
        type(value) is not dict
        or any(_has(value, name) for name in ("component", "hasMember", "dataAbsentReason"))
        or _has_choice(value, "value")
    )


@_twin("vs-3")
def vs_3(value: Any, kind: str, around: Surroundings) -> bool:
    """A component of a vital sign has a value or a reason why there is none."""
    return type(value) is not dict or _has(value, "dataAbsentReason") or _has_choice(value, "value")


_needs("prr-1", "orderDetail", "code")


_one_of("pat-1", "name", "telecom", "address", "organization")


def _says_something(value: Any, kind: str, around: Surroundings) -> bool:
    return (
        type(value) is not dict
        or _has_choice(value, "value")
        or any(_has(value, name) for name in ("dataAbsentReason", "component", "hasMember"))
    )


def _calculated_if_derived(value: Any, kind: str, around: Surroundings) -> bool:
    """What is derived from others says that it was calculated, and nothing else does."""
    if type(value) is not dict:
        return True
    calculated = any(
        type(coding) is dict
        and coding.get("system") == LOCAL
        and coding.get("code") == CALCULATED.code
        for method in _items(value, "method")
        for coding in _items(method, "coding")
    )
    return calculated == bool(_items(value, "derivedFrom"))


# Our profiles' own, which are walked for every reading.
_OURS: dict[str, Holds] = {
    f"derivedFrom.exists() = method.coding.where(system = '{LOCAL}' and"
    f" code = '{CALCULATED.code}').exists()": _calculated_if_derived,
    "value.exists() or dataAbsentReason.exists() or component.exists() or hasMember.exists()": (
        _says_something
    ),
}


# -- bundles ----------------------------------------------------------------------------------


def _kind(value: Any) -> Any:
    return value.get("type") if type(value) is dict else None


@_twin("bdl-1")
def bdl_1(value: Any, kind: str, around: Surroundings) -> bool:
    """Only searches and histories have a total."""
    return not _has(value, "total") or _kind(value) in (None, "searchset", "history")


@_twin("bdl-2")
def bdl_2(value: Any, kind: str, around: Surroundings) -> bool:
    """Only the entries of searches say how they were found."""
    return _kind(value) in (None, "searchset") or not any(
        _has(entry, "search") for entry in _items(value, "entry")
    )


@_twin("bdl-3")
def bdl_3(value: Any, kind: str, around: Surroundings) -> bool:
    """Entries of batches, transactions and histories have a request, and no others."""
    kind_of_bundle = _kind(around.resource)
    asked = kind_of_bundle in ("batch", "transaction", "history")
    return kind_of_bundle is None or all(
        _has(entry, "request") == asked for entry in _items(value, "entry")
    )


@_twin("bdl-4")
def bdl_4(value: Any, kind: str, around: Surroundings) -> bool:
    """Entries of responses and histories have a response, and no others."""
    kind_of_bundle = _kind(around.resource)
    answered = kind_of_bundle in ("batch-response", "transaction-response", "history")
    return kind_of_bundle is None or all(
        _has(entry, "response") == answered for entry in _items(value, "entry")
    )


_one_of("bdl-5", "resource", "request", "response")


@_twin("bdl-7")
def bdl_7(value: Any, kind: str, around: Surroundings) -> bool:
    """Full URLs stand once, or once a version."""
    if _kind(value) == "history":
        return True
    seen: set[tuple[str, str]] = set()
    for entry in _items(value, "entry"):
        url = entry.get("fullUrl") if type(entry) is dict else None
        if type(url) is not str:
            continue
        metas = [meta for one in _items(entry, "resource") for meta in _items(one, "meta")]
        key = url, "".join(str(meta.get("versionId", "")) for meta in metas if type(meta) is dict)
        if key in seen:
            return False
        seen.add(key)
    return True


@_twin("bdl-8")
def bdl_8(value: Any, kind: str, around: Surroundings) -> bool:
    """A full URL names no version."""
    url = value.get("fullUrl") if type(value) is dict else None
    return type(url) is not str or "/_history/" not in url


@_twin("bdl-9")
def bdl_9(value: Any, kind: str, around: Surroundings) -> bool:
    """A document has an identifier with system and value."""
    return _kind(value) != "document" or any(
        _has(one, "system") and _has(one, "value") for one in _items(value, "identifier")
    )


@_twin("bdl-10")
def bdl_10(value: Any, kind: str, around: Surroundings) -> bool:
    """A document has a timestamp."""
    return _kind(value) != "document" or value.get("timestamp") is not None


def _begins_with(bundle: str, first: str) -> Holds:
    def test(value: Any, kind: str, around: Surroundings) -> bool:
        if _kind(value) != bundle:
            return True
        entries = _items(value, "entry")
        resource = entries[0].get("resource") if entries and type(entries[0]) is dict else None
        if type(resource) is not dict:
            return not entries  # nothing of nothing is nothing, and that holds
        return bool(resource.get("resourceType") == first)

    return test


_BY_KEY["bdl-11"] = _begins_with("document", "Composition")
_BY_KEY["bdl-12"] = _begins_with("message", "MessageHeader")


# -- definitions ------------------------------------------------------------------------------

_one_of("eld-1", "discriminator", "description")
_needs("eld-22", "sliceIsConstraining", "sliceName")


@_twin("eld-13")
def eld_13(value: Any, kind: str, around: Surroundings) -> bool:
    """The types of an element are different ones."""
    return _are_different(value, "type", "code")


@_twin("eld-14")
def eld_14(value: Any, kind: str, around: Surroundings) -> bool:
    """The constraints of an element have different keys."""
    return _are_different(value, "constraint", "key")


def _are_different(value: Any, name: str, key: str) -> bool:
    texts = [one.get(key) for one in _items(value, name) if type(one) is dict]
    texts = [text for text in texts if type(text) is str]
    return len(set(texts)) == len(texts)
