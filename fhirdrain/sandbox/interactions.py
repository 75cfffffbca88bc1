"""Which interaction a method and a path ask for, by the table of R4's REST section."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from fhirdrain.conformance.definitions import is_resource
from fhirdrain.sandbox import batch
from fhirdrain.sandbox.call import Answer, Call
from fhirdrain.sandbox.capability import capability_statement
from fhirdrain.sandbox.history import history
from fhirdrain.sandbox.reading import read, vread
from fhirdrain.sandbox.refusal import Refusal
from fhirdrain.sandbox.searching import search
from fhirdrain.sandbox.validation import validate
from fhirdrain.sandbox.writing import (
    conditional_delete,
    conditional_update,
    create,
    delete,
    update,
)

Handlers = Mapping[str, Callable[[], Answer]]


def perform(call: Call) -> Answer:
    """Do what a call asks for; raises `Refusal`."""
    reads, writes = _handlers(call)
    if not reads and not writes:
        raise Refusal(404, "not-supported", "there is nothing at this URL")
    done = reads if call.service.read_only else {**reads, **writes}
    if call.method in done:
        return done[call.method]()
    if call.method in writes:
        why = "this server is read-only"
    elif call.method == "PATCH":
        why = "PATCH is not done here: send the whole resource with PUT"
    else:
        why = f"{call.method} is not done here"
    raise Refusal(405, "not-supported", why, headers={"Allow": ", ".join(done)})


def _handlers(call: Call) -> tuple[Handlers, Handlers]:
    """Return what can be done at a path by method: what only reads, and what writes."""
    match call.path:
        case ():
            # What of it writes is refused entry by entry where the server is read-only.
            return {"POST": lambda: batch.post(call, perform)}, {}
        case ("metadata",):
            return {"GET": lambda: _metadata(call)}, {}
        case ("_history",):
            return {"GET": lambda: history(call)}, {}
    kind, rest = call.path[0], call.path[1:]
    if not is_resource(kind):
        raise Refusal(404, "not-supported", "the URL names no R4 resource type")
    match rest:
        case ():
            return {"GET": lambda: search(call, kind)}, {
                "POST": lambda: create(call, kind),
                "PUT": lambda: conditional_update(call, kind),
                "DELETE": lambda: conditional_delete(call, kind),
            }
        case ("_search",):
            return {"POST": lambda: search(call, kind)}, {}
        case ("_history",):
            return {"GET": lambda: history(call, kind)}, {}
        case ("$validate",):
            return {"POST": lambda: validate(call, kind)}, {}
        case (id_,) if id_[0] not in "_$":
            return {"GET": lambda: read(call, kind, id_)}, {
                "PUT": lambda: update(call, kind, id_),
                "DELETE": lambda: delete(call, kind, id_),
            }
        case (id_, "_history"):
            return {"GET": lambda: history(call, kind, id_)}, {}
        case (id_, "_history", version):
            return {"GET": lambda: vread(call, kind, id_, version)}, {}
        case (id_, "$validate"):
            checked = {"GET": lambda: validate(call, kind, id_)}
            return {**checked, "POST": lambda: validate(call, kind, id_)}, {}
    return {}, {}


def _metadata(call: Call) -> Answer:
    service = call.service
    statement = capability_statement(
        call.base, service.version, read_only=service.read_only, needs_token=service.needs_token
    )
    return Answer(body=statement)
