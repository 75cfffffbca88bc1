"""Creates, updates and deletes, plain and conditional, as the REST section of R4 has them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from fhirdrain.conformance import check_resource
from fhirdrain.issues import Issue, to_operation_outcome
from fhirdrain.sandbox.call import GENERAL, Answer, Call, pairs_of
from fhirdrain.sandbox.criteria import Criterion
from fhirdrain.sandbox.refusal import Refusal
from fhirdrain.sandbox.storage import Storage
from fhirdrain.sandbox.stored import Stored

Json = dict[str, Any]


def validated(resource: Any) -> Json:
    """Return a resource that is base R4; raises `Refusal` 422 with what is wrong."""
    errors = [issue for issue in check_resource(resource, base_only=True) if issue.is_error]
    if errors:
        raise Refusal(422, "invalid", "the resource is not valid R4", errors)
    return resource  # type: ignore[no-any-return]


def create(call: Call, kind: str) -> Answer:
    """Create a resource, or with If-None-Exist answer with the one that is there."""
    resource = validated(of_type(call.body(), kind))
    condition = call.headers.get("if-none-exist")
    with call.storage.atomic():
        there = None
        if condition is not None:
            there = one_match(call.storage, kind, pairs_of(condition), call.base)
        if there is not None:
            return written(call, 200, there)
        return written(call, 201, call.storage.write(resource, base=call.base)[0])


def update(call: Call, kind: str, id_: str) -> Answer:
    """Update a resource, or create it under the id the client chose; it may have been deleted."""
    resource = of_type(call.body(), kind)
    if resource.get("id") != id_:
        raise Refusal(400, "value", "the resource's id is not the one in the URL")
    validated(resource)
    with call.storage.atomic():
        unless_changed(call, call.storage.latest(kind, id_))
        stored, new = call.storage.write(resource, id_, "PUT", call.base)
        return written(call, 201 if new else 200, stored)


def conditional_update(call: Call, kind: str) -> Answer:
    """Update the one resource a search finds, or create it when there is none."""
    resource = validated(of_type(call.body(), kind))
    with call.storage.atomic():
        there = one_match(call.storage, kind, call.query, call.base)
        id_ = identity(call.storage, kind, there, resource.get("id"))
        unless_changed(call, there)
        method = "PUT" if id_ else "POST"
        stored, new = call.storage.write(resource, id_, method, call.base)
        return written(call, 201 if new else 200, stored)


def identity(storage: Storage, kind: str, there: Stored | None, given: str | None) -> str | None:
    """Return the id a conditional update writes to, None for a new one of the server's choice."""
    if there is None:
        if given is not None and storage.read(kind, given) is not None:
            raise Refusal(409, "conflict", "nothing matches, and the resource's id is taken")
        return given
    if given not in (None, there.id):
        raise Refusal(400, "value", "the resource's id is not that of the match")
    return there.id


def delete(call: Call, kind: str, id_: str) -> Answer:
    """Delete a resource; where there is none, there is nothing left to do."""
    with call.storage.atomic():
        unless_changed(call, call.storage.latest(kind, id_))
        return deleted(call, call.storage.delete(kind, id_))


def conditional_delete(call: Call, kind: str) -> Answer:
    """Delete the one resource a search finds; several are a 412."""
    with call.storage.atomic():
        there = one_match(call.storage, kind, call.query, call.base)
        if there is None:
            return deleted(call, None)
        unless_changed(call, there)
        return deleted(call, call.storage.delete(kind, there.id))


def unless_changed(call: Call, there: Stored | None) -> None:
    """Refuse a write whose If-Match or If-None-Match does not hold (RFC 9110, 13.1)."""
    wanted, unwanted = call.headers.get("if-match"), call.headers.get("if-none-match")
    if wanted is not None and not (there and there.is_named_by(wanted)):
        raise Refusal(412, "conflict", "the version is not the one If-Match names")
    named = unwanted is not None and there and there.is_named_by(unwanted, weakly=True)
    if named and there and not there.deleted:
        raise Refusal(412, "conflict", "there is what If-None-Match names")


def criteria_of(condition: Sequence[Criterion]) -> list[Criterion]:
    """Return what a condition asks for, which must not be nothing; raises `Refusal`.

    A search passes over a parameter without a value; a condition would so match more than it says.
    """
    criteria = [(name, value) for name, value in condition if name not in GENERAL]
    if not criteria or not all(value for _, value in criteria):
        raise Refusal(400, "value", "a condition needs a search, and each parameter a value")
    return criteria


def one_match(storage: Storage, kind: str, query: Sequence[Criterion], base: str) -> Stored | None:
    """Return the one resource that matches a condition, None for none; several are a 412."""
    criteria = criteria_of(query)
    found = storage.search(kind, criteria, base=base, count=2)
    if len(found) > 1:
        raise Refusal(412, "multiple-matches", f"several {kind} resources match the condition")
    return found[0] if found else None


def of_type(resource: Any, kind: str) -> Json:
    """Return a resource that is of a type; raises `Refusal` 400."""
    if not isinstance(resource, dict):
        raise Refusal(400, "structure", "a resource must be a JSON object")
    if resource.get("resourceType") != kind:
        raise Refusal(400, "value", f"the URL says {kind}, the resource something else")
    return resource


# -- answers --------------------------------------------------------------------------------


def written(call: Call, status: int, stored: Stored) -> Answer:
    """Return the answer to a create or an update, in the form that Prefer asks for."""
    body: Json | None = stored.body
    if "return=minimal" in call.preferences:
        body = None
    elif "return=operationoutcome" in call.preferences:
        body = _done()
    return Answer(status, body, stored, located=True)


def deleted(call: Call, deletion: Stored | None) -> Answer:
    """Return the answer to a delete: there is nothing more to show."""
    if "return=operationoutcome" in call.preferences:
        return Answer(200, _done(), deletion)
    return Answer(204, None, deletion)


def _done() -> Json:
    return to_operation_outcome([Issue("information", "informational", "sandbox", "done")])
