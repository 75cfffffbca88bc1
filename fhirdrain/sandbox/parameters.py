"""The search parameters the sandbox knows, and what of a resource each one indexes."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

from fhirdrain.conformance.definitions import elements
from fhirdrain.conformance.terminology import codes_of
from fhirdrain.sandbox.dates import span_of

Kind = Literal["token", "reference", "date"]
Row = tuple[str, str, Any, Any]

# R4, "Search Parameter Registry": name, kind, elements. Only what a drain's exchange needs.
_TABLE: dict[str, dict[str, tuple[Kind, tuple[str, ...]]]] = {
    "Observation": {
        "category": ("token", ("category",)),
        "code": ("token", ("code",)),
        "status": ("token", ("status",)),
        "date": (
            "date",
            ("effectiveDateTime", "effectivePeriod", "effectiveInstant", "effectiveTiming"),
        ),
        "patient": ("reference", ("subject",)),
        "subject": ("reference", ("subject",)),
        "device": ("reference", ("device",)),
        "based-on": ("reference", ("basedOn",)),
        "derived-from": ("reference", ("derivedFrom",)),
        "has-member": ("reference", ("hasMember",)),
        "encounter": ("reference", ("encounter",)),
    },
    "Patient": {
        "active": ("token", ("active",)),
        "gender": ("token", ("gender",)),
        "birthdate": ("date", ("birthDate",)),
    },
    "Encounter": {
        "class": ("token", ("class",)),
        "type": ("token", ("type",)),
        "status": ("token", ("status",)),
        "date": ("date", ("period",)),
        "patient": ("reference", ("subject",)),
        "subject": ("reference", ("subject",)),
        "based-on": ("reference", ("basedOn",)),
        "part-of": ("reference", ("partOf",)),
    },
    "Device": {
        "type": ("token", ("type",)),
        "status": ("token", ("status",)),
        "patient": ("reference", ("patient",)),
    },
    "DeviceUseStatement": {
        "device": ("reference", ("device",)),
        "patient": ("reference", ("subject",)),
        "subject": ("reference", ("subject",)),
    },
    "DeviceRequest": {
        "device": ("reference", ("codeReference",)),
        "code": ("token", ("codeCodeableConcept",)),
        "status": ("token", ("status",)),
        "authored-on": ("date", ("authoredOn",)),
        "patient": ("reference", ("subject",)),
        "subject": ("reference", ("subject",)),
        "prior-request": ("reference", ("priorRequest",)),
        "encounter": ("reference", ("encounter",)),
    },
    "ServiceRequest": {
        "category": ("token", ("category",)),
        "code": ("token", ("code",)),
        "status": ("token", ("status",)),
        "authored": ("date", ("authoredOn",)),
        "occurrence": ("date", ("occurrenceDateTime", "occurrencePeriod", "occurrenceTiming")),
        "patient": ("reference", ("subject",)),
        "subject": ("reference", ("subject",)),
        "based-on": ("reference", ("basedOn",)),
        "replaces": ("reference", ("replaces",)),
        "encounter": ("reference", ("encounter",)),
    },
    "Procedure": {
        "category": ("token", ("category",)),
        "code": ("token", ("code",)),
        "status": ("token", ("status",)),
        "date": ("date", ("performedDateTime", "performedPeriod")),
        "patient": ("reference", ("subject",)),
        "subject": ("reference", ("subject",)),
        "based-on": ("reference", ("basedOn",)),
        "encounter": ("reference", ("encounter",)),
    },
}

_LITERAL = re.compile(r"([A-Z][A-Za-z]+)/([A-Za-z0-9\-.]{1,64})")
# R4, "Search", token: the system of true and false.
_BOOLEANS = "http://hl7.org/fhir/special-values"


@dataclass(frozen=True, slots=True)
class Parameter:
    """One search parameter of a type; `targets` are the types a reference may lead to."""

    name: str
    kind: Kind
    elements: tuple[str, ...]
    targets: tuple[str, ...] = ()


@cache
def parameters_of(kind: str) -> Mapping[str, Parameter]:
    """Return the search parameters of a resource type, those of every resource left out."""
    known = elements(kind, "")
    found = {}
    for name, (what, sources) in _TABLE.get(kind, {}).items():
        targets: tuple[str, ...] = ()
        if what == "reference":
            # R4 has `patient` as that part of the subjects that are patients.
            targets = ("Patient",) if name == "patient" else known[sources[0]].targets
        found[name] = Parameter(name, what, sources, targets)
    if "identifier" in known:
        found["identifier"] = Parameter("identifier", "token", ("identifier",))
    return found


def index_rows(resource: Mapping[str, Any], base: str = "") -> Iterator[Row]:
    """Yield what a search can find a resource by, as (parameter, kind, first, second).

    A token gives system and code, a reference target type and id (or system and value of its
    identifier under the kind `logical`), a date the first and last microsecond it may mean.
    A value of none of these forms gives one row that says it is there. An absolute reference
    below `base` is one to ourselves.
    """
    kind = str(resource["resourceType"])
    for parameter in parameters_of(kind).values():
        for element in parameter.elements:
            value = resource.get(element)
            for one in value if isinstance(value, list) else [] if value is None else [value]:
                rows = list(_rows(kind, parameter, element, one, base))
                yield from rows or [(parameter.name, "present", None, None)]


def _rows(kind: str, parameter: Parameter, element: str, value: Any, base: str) -> Iterator[Row]:
    name = parameter.name
    if parameter.kind == "reference":
        yield from _reference_rows(parameter, value, base)
    elif parameter.kind == "date":
        try:
            low, high = span_of(value)
        except ValueError:
            return
        yield name, "date", low, high
    elif isinstance(value, bool):
        yield name, "token", _BOOLEANS, str(value).lower()
    elif isinstance(value, str):
        yield name, "token", _system_of(kind, element, value), value
    elif "value" in value:
        yield name, "token", value.get("system", ""), value["value"]
    else:
        for coding in value.get("coding", [value]):
            if "code" in coding:
                yield name, "token", coding.get("system", ""), coding["code"]


@cache
def _system_of(kind: str, element: str, code: str) -> str:
    """Return the system of an element of type code: that of its required value set."""
    systems = codes_of(elements(kind, "")[element].value_set or "") or {}
    return next((system for system, codes in systems.items() if code in codes), "")


def _reference_rows(parameter: Parameter, value: Mapping[str, Any], base: str) -> Iterator[Row]:
    target = str(value.get("reference", "")).split("/_history/")[0]
    match = _LITERAL.fullmatch(target.removeprefix(f"{base}/") if base else target)
    narrow = parameter.name == "patient"
    if match and not (narrow and match[1] != "Patient"):
        yield parameter.name, "reference", match[1], match[2]
    elif not match and target and not (narrow and "/Patient/" not in target):
        yield parameter.name, "url", "", target  # of another server: nothing of ours has this name
    identifier = value.get("identifier", {})
    if "value" in identifier and not (narrow and value.get("type", "Patient") != "Patient"):
        yield parameter.name, "logical", identifier.get("system", ""), identifier["value"]
