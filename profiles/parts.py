"""What the resources of the package are put together from: headings, bindings, elements."""

from __future__ import annotations

from typing import Any

from fhirdrain import __version__
from fhirdrain.vocabulary.codes import BASE, Coding
from fhirdrain.vocabulary.observables import Component, Observable, profile_url
from fhirdrain.vocabulary.units import UCUM

PACKAGE = "fhirdrain.profiles"
R4 = "http://hl7.org/fhir/StructureDefinition/"
Json = dict[str, Any]


def canonical(kind: str, name: str) -> str:
    """Return the canonical URL of a resource of the package."""
    return f"{BASE}/{kind}/{name}"


def heading(kind: str, name: str, title: str) -> Json:
    """Return how every resource of the package begins."""
    return {
        "resourceType": kind,
        "id": name,
        "url": canonical(kind, name),
        "version": __version__,
        "name": "".join(part.capitalize() for part in name.split("-")),
        "title": title,
        "status": "draft",
        "experimental": False,
        "publisher": "fhirdrain",
    }


def pattern(*codings: Coding) -> Json:
    """Return the CodeableConcept that holds at least these codings."""
    return {"coding": [{"system": c.system, "code": c.code} for c in codings]}


def bound(value_set: str, strength: str = "required") -> Json:
    """Return a binding to one of our value sets, or to another's by its URL."""
    url = value_set if "://" in value_set else canonical("ValueSet", value_set)
    return {"strength": strength, "valueSet": url}


def types(*names: str) -> list[Json]:
    """Return a choice of types."""
    return [{"code": name} for name in names]


def profile(
    name: str, title: str, kind: str, elements: list[Json], base: str = "", **root: Any
) -> Json:
    """Return a profile of a type, or of another profile of ours."""
    for element in elements:
        element.setdefault("id", element["path"])
    return heading("StructureDefinition", name, title) | {
        "fhirVersion": "4.0.1",
        "kind": "resource",
        "abstract": False,
        "type": kind,
        "baseDefinition": profile_url(base) if base else R4 + kind,
        "derivation": "constraint",
        "differential": {"element": [{"id": kind, "path": kind, **root}, *elements]},
    }


def obliged(key: str, human: str, expression: str) -> Json:
    """Return what an element must obey beyond its own facts."""
    constraint = {"key": key, "severity": "error", "human": human, "expression": expression}
    return {"constraint": [constraint]}


def reference(path: str, *targets: str, **facts: Any) -> list[Json]:
    """Return a reference that names what it points to: a reference alone says nothing elsewhere."""
    return [
        {"path": path, **facts, "type": [refers(*targets)]},
        {"path": f"{path}.identifier", "min": 1},
        {"path": f"{path}.identifier.value", "min": 1},
    ]


def refers(*targets: str) -> Json:
    """Return the type of a reference to types of R4 or profiles of ours."""
    urls = [R4 + t if t[0].isupper() else profile_url(t) for t in targets]
    return {"code": "Reference", "targetProfile": urls}


def quantity(path: str, of: Observable | Component, root: str = "", **facts: Any) -> list[Json]:
    """Return a number in the one unit it is sent in, within the bounds of the possible."""
    unit = {"system": UCUM, "code": of.units[0]}
    ends = (("minValueQuantity", of.low), ("maxValueQuantity", of.high))
    bounds = {key: {"value": int(end), **unit} for key, end in ends if end is not None}
    value = {"path": path, **facts, "type": [{"code": "Quantity"}], "patternQuantity": unit}
    return [{**value, **bounds, "id": root or path}, *exactly(path, root or path)]


def exactly(path: str, root: str) -> list[Json]:
    """Return that a quantity has a number, and not "more than" one."""
    return [
        {"id": f"{root}.value", "path": f"{path}.value", "min": 1},
        {"id": f"{root}.comparator", "path": f"{path}.comparator", "max": "0"},
    ]


def sliced(path: str, kind: str, discriminator: str, **facts: Any) -> Json:
    """Return an element whose repetitions are told apart."""
    by = {"discriminator": [{"type": kind, "path": discriminator}], "rules": "open"}
    return {"path": path, "slicing": by, **facts}


def extended(kind: str, *names: str, needed: tuple[str, ...] = ()) -> list[Json]:
    """Return the extensions of ours that a type carries."""
    path = f"{kind}.extension"
    elements = [sliced(path, "value", "url", **({"min": len(needed)} if needed else {}))]
    for name in names:
        low = {"min": 1} if name in needed else {}
        use = {"path": path, "sliceName": name, **low, "max": "1"}
        kinds = [{"code": "Extension", "profile": [profile_url(name)]}]
        elements.append({"id": f"{path}:{name}", **use, "type": kinds})
    return elements
