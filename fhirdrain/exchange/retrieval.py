"""Fetching: broad searches, whole answers, each resource once."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from fhirdrain.errors import ServerError
from fhirdrain.exchange.client import Client

Json = dict[str, Any]
Query = tuple[str, Sequence[tuple[str, str]]]

_PAGE = "200"
_IDS_AT_ONCE = 30


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


def by_ids(kind: str, parameter: str, ids: Sequence[str]) -> Iterator[Query]:
    """Yield searches for what refers to any of many resources, a handful at a time."""
    for start in range(0, len(ids), _IDS_AT_ONCE):
        yield kind, [(parameter, ",".join(ids[start : start + _IDS_AT_ONCE]))]
