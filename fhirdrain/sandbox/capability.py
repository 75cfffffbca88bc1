"""What the sandbox can do, as a CapabilityStatement."""

from __future__ import annotations

from typing import Any

from fhirdrain.conformance.definitions import resource_types
from fhirdrain.sandbox.parameters import parameters_of

_READS = ("read", "vread", "history-instance", "history-type", "search-type")
_SYSTEM = ("transaction", "batch", "history-system")
_WRITES = ("create", "update", "delete")
_VALIDATE = {
    "name": "validate",
    "definition": "http://hl7.org/fhir/OperationDefinition/Resource-validate",
}


def capability_statement(
    base: str, version: str, *, read_only: bool = False, needs_token: bool = False
) -> dict[str, Any]:
    """Return the CapabilityStatement of a sandbox at a base URL."""
    signed = "A bearer token is asked for everywhere but at /metadata"
    system = ("batch", "history-system") if read_only else _SYSTEM
    return {
        "resourceType": "CapabilityStatement",
        "status": "active",
        "date": "2026-11-25",
        "kind": "instance",
        "software": {"name": "fhirdrain sandbox", "version": version},
        "implementation": {"description": "For trying and testing, never for care", "url": base},
        "fhirVersion": "4.0.1",
        "format": ["application/fhir+json"],
        "rest": [
            {
                "mode": "server",
                "security": {
                    "cors": False,
                    "description": signed if needs_token else "There is no sign-in",
                },
                "resource": [_resource(kind, read_only) for kind in resource_types()],
                "interaction": [{"code": code} for code in system],
            }
        ],
    }


def _resource(kind: str, read_only: bool) -> dict[str, Any]:
    parameters = [
        {"name": "_id", "type": "token"},
        {"name": "_lastUpdated", "type": "date"},
        *({"name": p.name, "type": p.kind} for p in parameters_of(kind).values()),
    ]
    codes = _READS if read_only else (*_READS, *_WRITES)
    entry: dict[str, Any] = {
        "type": kind,
        "interaction": [{"code": code} for code in codes],
        "versioning": "versioned",
        "readHistory": True,
        "updateCreate": not read_only,
        "conditionalCreate": not read_only,
        "conditionalRead": "full-support",
        "conditionalUpdate": not read_only,
        "conditionalDelete": "not-supported" if read_only else "single",
        "referencePolicy": ["literal", "logical"],
    }
    includes = [f"{kind}:{p.name}" for p in parameters_of(kind).values() if p.kind == "reference"]
    if includes:
        entry["searchInclude"] = includes
    if reverse := _REVERSE.get(kind):
        entry["searchRevInclude"] = reverse
    return {**entry, "searchParam": parameters, "operation": [_VALIDATE]}


def _reverse_includes() -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for source in resource_types():
        for parameter in parameters_of(source).values():
            for target in parameter.targets:
                found.setdefault(target, []).append(f"{source}:{parameter.name}")
    return found


_REVERSE = _reverse_includes()
