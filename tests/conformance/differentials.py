"""A plain second reading of our profiles: each differential held against a resource as it stands.

It makes no snapshot and shares nothing with the checker. What a differential does not say is R4's
to say, and is checked elsewhere.
"""

from __future__ import annotations

import json
from decimal import Decimal
from functools import cache

import fhirpathpy
from fhirpathpy.models import models

from fhirdrain.conformance.terminology import codes_of
from tests.conftest import ROOT

PROFILES = ROOT / "profiles"


@cache
def package():
    """Return the resources of the package by canonical URL."""
    read = (json.loads(path.read_text()) for path in PROFILES.glob("*-*.json"))
    return {resource["url"]: resource for resource in read}


def faults(resource, url, resolve=lambda reference: None):
    """Return what in a resource is against a profile of ours or a profile that one is based on.

    `resolve` returns the resource a reference leads to, None when it is not at hand.
    """
    found = []
    while url in package():
        definition = package()[url]
        if definition["type"] != resource.get("resourceType", "Extension"):
            return [f"not a {definition['type']}"]
        elements = {e["id"]: e for e in definition["differential"]["element"]}
        for element in elements.values():
            found += _element(resource, element, elements, resolve)
        url = definition["baseDefinition"]
    return found


def by_reference(resources):
    """Return what finds a resource by a reference, in NDJSON and in the package's examples."""
    found = {f"{r['resourceType']}/{r['id']}": r for r in resources}
    return lambda reference: found.get(reference.get("reference"))


def in_bundle(bundle):
    found = {entry["fullUrl"]: entry["resource"] for entry in bundle["entry"]}
    return lambda reference: found.get(reference.get("reference"))


def stated(resources, resolve):
    """Return what is against the profiles that resources state."""
    return [
        (resource.get("id"), fault)
        for resource in resources
        for url in resource["meta"]["profile"]
        for fault in faults(resource, url, resolve)
    ]


def _element(resource, element, elements, resolve):
    groups, path = [[resource]], ""
    for step in element["id"].split(".")[1:]:
        path = f"{path}.{step}" if path else f"{element['path'].partition('.')[0]}.{step}"
        groups = [_children(node, path, elements) for group in groups for node in group]
    if path:
        low, high = element.get("min", 0), element.get("max", "*")
        for group in groups:
            if len(group) < low or (high != "*" and len(group) > int(high)):
                yield f"{element['id']}: {len(group)} of {low}..{high}"
    nodes = [node for group in groups for node in group]
    for node in nodes:
        for fault in _facts(node, element, resolve):
            yield f"{element['id']}: {fault}"


class Typed(dict):
    """One of a choice of types: what stands there, and which type its name says."""

    def __init__(self, value, kind):
        super().__init__(value if isinstance(value, dict) else {})
        self.value, self.kind = value, kind

    def is_one_of(self, types):
        """Tell whether it is of one of these types; keys write a primitive's first letter large."""
        return any(t["code"][0].upper() + t["code"][1:] == self.kind for t in types)


def _children(holder, path, elements):
    """Return what an element, or a slice of it, has below a holder."""
    name, _, slice_name = path.rpartition(".")[2].partition(":")
    if name.endswith("[x]"):
        stem = name.removesuffix("[x]")
        keys = [k for k in holder if k.startswith(stem) and k[len(stem) :][:1].isupper()]
        return [Typed(holder[key], key.removeprefix(stem)) for key in keys]
    value = holder.get(name, [])
    nodes = value if isinstance(value, list) else [value]
    return [n for n in nodes if _is_of(n, path, elements)] if slice_name else nodes


def _is_of(node, path, elements):
    """Tell whether a repetition is of a slice, by the discriminator of what is sliced."""
    (by,) = elements.get(path.rpartition(":")[0], SHARED_SLICING)["slicing"]["discriminator"]
    if by["path"] == "url":
        return elements[path]["type"][0]["profile"] == [node["url"]]
    facts = elements[path if by["path"] == "$this" else f"{path}.{by['path']}"]
    inner = node if by["path"] == "$this" else node.get(by["path"])
    if by["type"] == "type":
        return facts["type"][0]["code"] == inner["resourceType"]
    if by["type"] == "value":
        return inner == facts["fixedCode"]
    return _holds(inner, facts["patternCodeableConcept"])


# The abstract profile slices components by code, and the profiles of observables add slices.
SHARED_SLICING = {"slicing": {"discriminator": [{"type": "pattern", "path": "code"}]}}


def _holds(value, pattern):
    """Tell whether a value has all that a pattern has."""
    if isinstance(pattern, dict):
        return isinstance(value, dict) and all(
            k in value and _holds(value[k], inner) for k, inner in pattern.items()
        )
    if isinstance(pattern, list):
        return all(any(_holds(item, inner) for item in value) for inner in pattern)
    return value == pattern


def _facts(node, element, resolve):
    plain = node.value if isinstance(node, Typed) else node
    if "type" in element and isinstance(node, Typed) and not node.is_one_of(element["type"]):
        yield f"is a {node.kind}"  # and the other facts are about the right type
        return
    for key, wanted in element.items():
        if key.startswith("fixed") and plain != wanted:
            yield f"is not {wanted}"
        elif key.startswith("pattern") and not _holds(plain, wanted):
            yield "lacks what its pattern has"
        elif key.startswith(("minValue", "maxValue")):
            number, end = (_number(value) for value in (plain, wanted))
            if number is None:
                continue
            if number < end if key.startswith("min") else number > end:
                yield f"beyond {key} {end}"
        elif key == "binding" and wanted["strength"] == "required":
            if not _codings(plain) & _members(wanted["valueSet"]):
                yield f"no code of {wanted['valueSet']}"
        elif key == "constraint":
            for constraint in wanted:
                if fhirpathpy.evaluate(plain, constraint["expression"], {}, models["r4"]) != [True]:
                    yield f"breaks {constraint['key']}"
        elif key == "type":
            yield from _type(plain, wanted, resolve)


def _number(value):
    number = value.get("value") if isinstance(value, dict) else value
    return None if number is None else Decimal(number)


def _codings(value):
    if isinstance(value, str):
        return {(None, value)}
    return {(c.get("system"), c.get("code")) for c in value.get("coding", [value])}


def _members(value_set):
    ours = package().get(value_set)
    if ours is None:
        codes = codes_of(value_set.partition("|")[0])
        pairs = {(system, code) for system, group in codes.items() for code in group}
    else:
        pairs = {
            (include["system"], concept["code"])
            for include in ours["compose"]["include"]
            for concept in include["concept"]
        }
    return pairs | {(None, code) for _, code in pairs}


def _type(plain, allowed, resolve):
    for kind in allowed:
        if "targetProfile" in kind:
            yield from _target(plain, kind["targetProfile"], resolve)
        elif "profile" in kind:
            tried = [list(faults(plain, url, resolve)) for url in kind["profile"]]
            if all(tried):
                yield f"of none of its profiles: {min(tried, key=len)}"


def _target(reference, targets, resolve):
    resource = resolve(reference)
    if resource is None:
        kinds = {package()[t]["type"] if t in package() else t.rpartition("/")[2] for t in targets}
        if reference.get("type") not in {None, *kinds}:
            yield f"refers to a {reference['type']}"
        return
    tried = [list(faults(resource, url)) for url in targets if url in package()]
    others = {t.rpartition("/")[2] for t in targets if t not in package()}
    if resource["resourceType"] not in others and all(tried):
        yield f"refers to none of {targets}: {tried}"
