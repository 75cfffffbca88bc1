"""Creates, updates and transactions, as the REST section of R4 has them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qsl
from uuid import uuid4

from fhirdrain.conformance import check_resource
from fhirdrain.conformance.definitions import is_resource
from fhirdrain.sandbox.refusal import Refusal
from fhirdrain.sandbox.storage import Criterion, Storage, Stored

Json = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one write: the HTTP status and what is stored now."""

    status: int
    stored: Stored


def validated(resource: Any) -> Json:
    """Return a resource that is base R4; raises `Refusal` 422 with what is wrong."""
    errors = [issue for issue in check_resource(resource, base_only=True) if issue.is_error]
    if errors:
        raise Refusal(422, "invalid", "the resource is not valid R4", errors)
    return resource  # type: ignore[no-any-return]


def create(storage: Storage, kind: str, resource: Any, if_none_exist: str | None) -> Outcome:
    """Create a resource, or with If-None-Exist return the one that is there."""
    _of_type(resource, kind)
    if if_none_exist:
        there = one_match(storage, kind, if_none_exist)
        if there is not None:
            return Outcome(200, there)
    stored, _ = storage.write(validated(resource))
    return Outcome(201, stored)


def update(
    storage: Storage, kind: str, id_: str, resource: Any, if_match: str | None = None
) -> Outcome:
    """Update a resource, or create it under the id the client chose."""
    _of_type(resource, kind)
    if resource.get("id") != id_:
        raise Refusal(400, "value", "the resource's id is not the one in the URL")
    before = storage.read(kind, id_)
    if if_match is not None and (before is None or before.etag != if_match):
        raise Refusal(412, "conflict", "the version is not the one If-Match names")
    stored, new = storage.write(validated(resource), id_)
    return Outcome(201 if new else 200, stored)


def conditional_update(storage: Storage, kind: str, query: str, resource: Any) -> Outcome:
    """Update the one resource a search finds, or create it when there is none."""
    _of_type(resource, kind)
    there = one_match(storage, kind, query)
    given = resource.get("id")
    if there is None:
        if given is None:
            return create(storage, kind, resource, None)
        if storage.read(kind, given) is not None:
            raise Refusal(409, "conflict", "nothing matches, and the resource's id is taken")
        return update(storage, kind, given, resource)
    if given not in (None, there.body["id"]):
        raise Refusal(400, "value", "the resource's id is not that of the match")
    return update(storage, kind, there.body["id"], {**resource, "id": there.body["id"]})


def one_match(storage: Storage, kind: str, query: str) -> Stored | None:
    """Return the one resource that matches a query, None for none; several are a 412."""
    criteria = criteria_of(query)
    if not criteria:
        raise Refusal(400, "value", "a condition needs a search")
    found = storage.search(kind, criteria, count=2)
    if len(found) > 1:
        raise Refusal(412, "multiple-matches", f"several {kind} resources match the condition")
    return found[0] if found else None


def criteria_of(query: str) -> list[Criterion]:
    """Return the criteria of a query string."""
    return [(name, value) for name, value in parse_qsl(query.removeprefix("?")) if value]


def _of_type(resource: Any, kind: str) -> None:
    if not isinstance(resource, dict):
        raise Refusal(400, "structure", "a resource must be a JSON object")
    if resource.get("resourceType") != kind:
        raise Refusal(400, "value", f"the URL says {kind}, the resource something else")


# -- transactions ---------------------------------------------------------------------------


def transaction(storage: Storage, bundle: Any) -> list[Outcome]:
    """Do a whole transaction or none of it; returns the outcomes in the order of its entries.

    A conditional reference may lead to what is stored or to what an earlier entry creates.
    """
    if not isinstance(bundle, dict) or bundle.get("resourceType") != "Bundle":
        raise Refusal(400, "structure", "only a Bundle can be posted here")
    if bundle.get("type") != "transaction":
        raise Refusal(422, "not-supported", "only transactions are taken here")
    entries = _entries(validated(bundle))
    outcomes = []
    with storage.atomic():
        kinds = [_request_type(entry, index) for index, entry in enumerate(entries)]
        targets = [_target(storage, e, kind) for e, kind in zip(entries, kinds, strict=True)]
        names = {
            entry["fullUrl"]: f"{kind}/{id_}"
            for entry, kind, (_, id_) in zip(entries, kinds, targets, strict=True)
            if "fullUrl" in entry
        }
        for entry, (there, id_) in zip(entries, targets, strict=True):
            if there is not None and entry["request"]["method"] == "POST":
                outcomes.append(Outcome(200, there))
                continue
            resource = _resolved(entry["resource"], lambda text: _lead(storage, text, names))
            stored, new = storage.write(resource, id_)
            outcomes.append(Outcome(201 if new else 200, stored))
    return outcomes


def _entries(bundle: Any) -> list[Json]:
    entries = bundle.get("entry", [])
    seen: set[tuple[str, str]] = set()
    for index, entry in enumerate(entries):
        request = entry.get("request") if isinstance(entry, dict) else None
        if not isinstance(request, dict) or "resource" not in entry:
            raise Refusal(400, "structure", f"entry {index} needs a resource and a request")
        if request.get("method") not in ("POST", "PUT"):
            raise Refusal(422, "not-supported", f"entry {index}: only POST and PUT are taken here")
        condition = (
            request.get("ifNoneExist") if request["method"] == "POST" else request.get("url")
        )
        if condition:
            key = (str(request.get("url")), str(condition))
            if key in seen:
                raise Refusal(400, "duplicate", f"entry {index}: the same identity stands twice")
            seen.add(key)
    return list(entries)


def _request_type(entry: Json, index: int) -> str:
    request = entry["request"]
    path = str(request.get("url", "")).split("?")[0]
    kind = path.split("/")[0]
    if not is_resource(kind) or (request["method"] == "POST" and path != kind):
        raise Refusal(400, "value", f"entry {index}: the URL names no R4 resource type")
    _of_type(entry["resource"], kind)
    return kind


def _target(storage: Storage, entry: Json, kind: str) -> tuple[Stored | None, str]:
    """Return what an entry's condition matches, and the id that it has or will have."""
    request = entry["request"]
    path, _, query = str(request["url"]).partition("?")
    if request["method"] == "POST":
        query = request.get("ifNoneExist", "")
    elif not query:
        id_ = path.partition("/")[2]
        if entry["resource"].get("id") != id_:
            raise Refusal(400, "value", "the resource's id is not the one in the URL")
        there = storage.read(kind, id_)
        if "ifMatch" in request and (there is None or there.etag != request["ifMatch"]):
            raise Refusal(412, "conflict", "the version is not the one ifMatch names")
        return there, id_
    there = one_match(storage, kind, query) if query else None
    given = entry["resource"].get("id") if request["method"] == "PUT" else None
    if there is not None and given not in (None, there.body["id"]):
        raise Refusal(400, "value", "the resource's id is not that of the match")
    return there, there.body["id"] if there else str(uuid4())


def _lead(storage: Storage, text: str, names: dict[str, str]) -> str:
    """Return where a reference of a transaction leads."""
    if text in names:
        return names[text]
    if text.startswith("urn:uuid:"):
        raise Refusal(400, "not-found", f"no entry has the fullUrl {text}")
    kind, mark, query = text.partition("?")
    if mark and is_resource(kind):
        there = one_match(storage, kind, query)
        if there is None:
            raise Refusal(412, "not-found", f"no {kind} matches a conditional reference")
        return f"{kind}/{there.body['id']}"
    return text


def _resolved(value: Any, lead: Callable[[str], str]) -> Any:
    """Return a copy of a resource with every reference led to where it goes."""
    if isinstance(value, dict):
        return {
            key: lead(item)
            if key == "reference" and isinstance(item, str)
            else _resolved(item, lead)
            for key, item in value.items()
        }
    if isinstance(value, list):
        return [_resolved(item, lead) for item in value]
    return value
