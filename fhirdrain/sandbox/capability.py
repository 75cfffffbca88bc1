"""What the sandbox can do, as a CapabilityStatement."""

from __future__ import annotations

from typing import Any

from fhirdrain.conformance.definitions import resource_types
from fhirdrain.sandbox.parameters import parameters_of

INCLUDES = {"Observation": {"device": "device", "based-on": "basedOn", "subject": "subject"}}


def capability_statement(base: str, version: str) -> dict[str, Any]:
    """Return the CapabilityStatement of a sandbox at a base URL."""
    return {
        "resourceType": "CapabilityStatement",
        "status": "active",
        "date": "2026-11-24",
        "kind": "instance",
        "software": {"name": "fhirdrain sandbox", "version": version},
        "implementation": {"description": "For trying and testing, never for care", "url": base},
        "fhirVersion": "4.0.1",
        "format": ["json"],
        "rest": [
            {
                "mode": "server",
                "resource": [_resource(kind) for kind in resource_types()],
                "interaction": [{"code": "transaction"}],
            }
        ],
    }


def _resource(kind: str) -> dict[str, Any]:
    parameters = [
        {"name": "_id", "type": "token"},
        *({"name": p.name, "type": p.kind} for p in parameters_of(kind).values()),
    ]
    entry: dict[str, Any] = {
        "type": kind,
        "interaction": [{"code": code} for code in ("read", "update", "create", "search-type")],
        "versioning": "versioned-update",
        "updateCreate": True,
        "conditionalCreate": True,
        "conditionalUpdate": True,
    }
    if kind in INCLUDES:
        entry["searchInclude"] = [f"{kind}:{name}" for name in INCLUDES[kind]]
    return {**entry, "searchParam": parameters}
