"""Our resources in the form that a destination asks for.

What is changed is how things are said, never what: each form is read back to the same readings
(`recover`), but for codings of the source that a closed slicing has no place for.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from fhirdrain.resources.identity import uuid_of
from fhirdrain.site.destination import Destination
from fhirdrain.vocabulary.codes import (
    LOCAL,
    LOINC,
    MDC,
    OUTPUT,
    OUTPUT_MDC,
    OUTPUT_PERICARDIAL,
    SNOMED,
    local,
)
from fhirdrain.vocabulary.observables import AS_CHARTED, OBSERVABLES, by_code

Json = dict[str, Any]

_BY_CODE = by_code()
_SYSTEMS = {"loinc": LOINC, "snomed": SNOMED, "mdc": MDC}
_OUTPUTS = ((OUTPUT.system, OUTPUT.code), (OUTPUT_PERICARDIAL.system, OUTPUT_PERICARDIAL.code))


def adapted(resource: Json, form: Destination) -> Json:
    """Return a resource in a destination's form; the one that was given is left as it is."""
    name = _observable(resource)
    kept = True
    if resource["resourceType"] == "Observation":
        resource, kept = _observation(resource, name, form)
    elif resource["resourceType"] == "ServiceRequest" and form.orders == "DeviceRequest":
        resource, kept = device_request(resource), False
    if form.orders == "DeviceRequest":
        resource = _renamed(resource)
    resource = _claiming(resource, name, form, kept=kept)
    if form.ids == "own":
        resource = {"resourceType": resource["resourceType"], "id": own_id(resource), **resource}
    return resource


def own_id(resource: Mapping[str, Any]) -> str:
    """Return the id that a resource has wherever it goes: made of its identifier."""
    if "id" in resource:
        return str(resource["id"])
    identifier = resource["identifier"][0]
    # A drain's Device and its DeviceUseStatement share one identifier.
    prefix = "" if resource["resourceType"] != "DeviceUseStatement" else "use|"
    return uuid_of(identifier["system"], prefix + identifier["value"])


def _observable(resource: Json) -> str:
    if resource["resourceType"] in ("ServiceRequest", "DeviceRequest"):
        return "suction-ordered"
    for coding in resource.get("code", {}).get("coding", ()):
        found = _BY_CODE.get((coding.get("system"), coding.get("code")))
        if found is not None:
            return found.name
        if coding.get("system") == LOCAL and coding.get("code") in OBSERVABLES:
            return str(coding["code"])
    return "drain-site" if resource["resourceType"] == "DeviceUseStatement" else ""


def _observation(resource: Json, name: str, form: Destination) -> tuple[Json, bool]:
    """Return an Observation in the form, and whether our profile still holds of it."""
    kept = True
    if name == "output" and form.output_codes:
        codings = _output_codings(resource["code"]["coding"], form)
        resource = {**resource, "code": {**resource["code"], "coding": codings}}
        kept = "loinc" in form.output_codes
    if name in ("output-total", "output-rate") and "loinc" not in (form.output_codes or ("loinc",)):
        kept = False  # what it is worked out from keeps to it no more
    units = {"mL": form.volume_unit, "mL/(24.h)": form.day_rate_unit}
    if any(unit != other for unit, other in units.items()):
        before = resource
        resource = _with_units(resource, units)
        kept = kept and resource is before and "derivedFrom" not in resource
    if form.orders == "DeviceRequest" and "basedOn" in resource:
        kept = False
    return resource, kept


def _output_codings(codings: list[Json], form: Destination) -> list[Json]:
    """Return an output's codings in the order the form names their systems."""
    known = {coding.get("system"): coding for coding in reversed(codings)}
    known.setdefault(MDC, OUTPUT_MDC.to_fhir())
    item = next((c for c in codings if c.get("system") not in (*_SYSTEMS.values(), LOCAL)), None)
    chosen = [
        item if name == "item" else known.get(_SYSTEMS.get(name, "")) for name in form.output_codes
    ]
    return [coding for coding in chosen if coding is not None]


def _with_units(resource: Json, units: Mapping[str, str]) -> Json:
    """Return an Observation with its quantities in other names of the same units."""

    def change(quantity: Json) -> Json:
        unit = units.get(quantity["code"], quantity["code"])
        return quantity if unit == quantity["code"] else {**quantity, "unit": unit, "code": unit}

    changed: Json = {}
    if "valueQuantity" in resource:
        changed["valueQuantity"] = change(resource["valueQuantity"])
    if "component" in resource:
        changed["component"] = [
            {**part, "valueQuantity": change(part["valueQuantity"])}
            if "valueQuantity" in part and not _is_as_charted(part)
            else part
            for part in resource["component"]
        ]
    same = all(resource[key] == value for key, value in changed.items())
    return resource if same else {**resource, **changed}


def _is_as_charted(component: Json) -> bool:
    return any(c.get("code") == AS_CHARTED.code for c in component["code"]["coding"])


def device_request(request: Json) -> Json:
    """Return an order as a DeviceRequest of the drain: its parameters are magnitude and mode."""
    taken = {"resourceType", "code", "orderDetail", "quantityQuantity", "replaces", "extension"}
    rest = {key: value for key, value in request.items() if key not in taken}
    extensions = request.get("extension", [])
    drain = next(e for e in extensions if e["url"].endswith("/StructureDefinition/ordered-drain"))
    others = [extension for extension in extensions if extension is not drain]
    parameters = []
    if "quantityQuantity" in request:
        code = {"coding": [local("suction-set").to_fhir()]}
        parameters.append({"code": code, "valueQuantity": request["quantityQuantity"]})
    if "orderDetail" in request:
        code = {"coding": [local("mode").to_fhir()]}
        parameters.append({"code": code, "valueCodeableConcept": request["orderDetail"][0]})
    return {
        "resourceType": "DeviceRequest",
        **rest,
        **({"extension": others} if others else {}),
        **({"priorRequest": request["replaces"]} if "replaces" in request else {}),
        "codeReference": drain["valueReference"],
        "parameter": parameters,
    }


def _renamed(value: Any) -> Any:
    """Return a resource whose references to orders lead to DeviceRequests."""
    return _walked(
        value,
        lambda text: (
            "DeviceRequest/" + text.removeprefix("ServiceRequest/")
            if text.startswith("ServiceRequest/")
            else text
        ),
    )


def _walked(value: Any, change: Callable[[str], str], key: str = "") -> Any:
    if isinstance(value, dict):
        return {name: _walked(item, change, name) for name, item in value.items()}
    if isinstance(value, list):
        return [_walked(item, change, key) for item in value]
    return change(value) if key == "reference" and isinstance(value, str) else value


def _claiming(resource: Json, name: str, form: Destination, *, kept: bool) -> Json:
    """Return a resource that claims the profiles that the form names, and ours if it keeps it."""
    meta = dict(resource.get("meta", {}))
    ours = meta.pop("profile", [])
    claimed = [*(ours if form.claim and kept else ()), *form.claims.get(name, ())]
    if not claimed and not kept:
        # It says that it keeps to R4 alone: what states nothing is held against ours.
        claimed = [f"http://hl7.org/fhir/StructureDefinition/{resource['resourceType']}"]
    if claimed:
        meta["profile"] = claimed
    rest = {key: value for key, value in resource.items() if key not in ("resourceType", "meta")}
    stated = {"meta": meta} if meta else {}
    return {"resourceType": resource["resourceType"], **stated, **rest}
