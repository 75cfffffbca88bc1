"""Fetching: broad searches, whole answers, each resource once; and who a patient is there."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from fhirdrain.errors import ServerError
from fhirdrain.exchange.client import Client
from fhirdrain.vocabulary.codes import search_token

Json = dict[str, Any]
Query = tuple[str, Sequence[tuple[str, str]]]

_PAGE = "200"
_AT_ONCE = 30


def fetch(client: Client, queries: Iterable[Query]) -> Iterator[Json]:
    """Yield the resources that searches find or include, each once, in the order they come."""
    seen: set[tuple[object, object]] = set()
    for kind, params in queries:
        for entry in client.search(kind, [*params, ("_count", _PAGE)]):
            resource = entry["resource"]
            key = (resource.get("resourceType"), resource.get("id"))
            if not all(isinstance(part, str) for part in key):
                raise ServerError(f"a search of {kind} gave a resource without type or id")
            if key not in seen:
                seen.add(key)
                yield resource


def referring_to(references: Sequence[str], kind: str, parameter: str) -> Iterator[Query]:
    """Yield searches for what refers to any of many resources, a handful at a time.

    References are `Type/id`: R4 allows the bare id as well, but not every server knows it.
    """
    for start in range(0, len(references), _AT_ONCE):
        yield kind, [(parameter, ",".join(references[start : start + _AT_ONCE]))]


def patients_of(client: Client, system: str, value: str) -> list[str]:
    """Return the references, as `Patient/id`, of a server's patients with just this identifier.

    R4 lets servers compare tokens whatever the case ("Search", token), and some pass over an
    escape, so what comes is looked at: no other patient is taken for this one. Only a patient who
    is shown without any identifier is taken at the server's word.
    """
    params = [("identifier", search_token(system, value))]
    return [
        f"Patient/{patient['id']}"
        for patient in fetch(client, [("Patient", params)])
        if patient["resourceType"] == "Patient" and _is_named(patient, system, value)
    ]


def _is_named(resource: Json, system: str, value: str) -> bool:
    if "identifier" not in resource:
        return True
    identifiers = resource["identifier"]
    return isinstance(identifiers, list) and any(
        isinstance(one, dict) and (one.get("system", ""), one.get("value")) == (system, value)
        for one in identifiers
    )
