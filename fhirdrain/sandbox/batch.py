"""Batches, each entry on its own, and transactions, all or nothing, by R4's rules for both."""

from __future__ import annotations

from collections.abc import Callable
from http import HTTPStatus
from typing import Any
from urllib.parse import unquote

from fhirdrain.sandbox.call import Answer, Call, pairs_of
from fhirdrain.sandbox.refusal import Refusal, outcome_of
from fhirdrain.sandbox.transaction import Transaction
from fhirdrain.sandbox.writing import validated

Json = dict[str, Any]
Perform = Callable[[Call], Answer]

# The headers that an entry's request has as elements.
_HEADERS = {
    "ifNoneMatch": "if-none-match",
    "ifModifiedSince": "if-modified-since",
    "ifMatch": "if-match",
    "ifNoneExist": "if-none-exist",
}


def post(call: Call, perform: Perform) -> Answer:
    """Do a posted batch or transaction; its answers stand in the order of the entries."""
    bundle = call.body()
    if not isinstance(bundle, dict) or bundle.get("resourceType") != "Bundle":
        raise Refusal(400, "structure", "only a Bundle can be posted here")
    if bundle.get("type") == "batch":
        entries = _batch(call, bundle, perform)
    elif bundle.get("type") == "transaction":
        entries = _transaction(call, validated(bundle), perform)
    else:
        raise Refusal(422, "not-supported", "only batches and transactions are taken here")
    answer: Json = {"resourceType": "Bundle", "type": f"{bundle['type']}-response"}
    return Answer(body={**answer, "entry": entries} if entries else answer)


def _batch(call: Call, bundle: Json, perform: Perform) -> list[Json]:
    entries = bundle.get("entry", [])
    known = isinstance(entries, list) and all(isinstance(entry, dict) for entry in entries)
    # What an entry holds is judged when its turn comes, so that one alone fails.
    shells = [{k: v for k, v in e.items() if k != "resource"} for e in entries] if known else None
    validated({**bundle, "entry": shells} if "entry" in bundle else bundle)
    answers = []
    for entry in entries:
        method = entry["request"]["method"]
        try:
            one = entry_call(call, entry)
            if not one.path:
                raise Refusal(422, "not-supported", "a bundle cannot stand in a bundle here")
            answers.append(_answered(perform(one), method))
        except Refusal as refusal:
            outcome = outcome_of(refusal.issues)
            answers.append({"response": {"status": _status(refusal.status), "outcome": outcome}})
    return answers


def _transaction(call: Call, bundle: Json, perform: Perform) -> list[Json]:
    calls = []
    for index, entry in enumerate(bundle.get("entry", [])):
        try:
            calls.append(entry_call(call, entry))
        except Refusal as refusal:
            raise refusal.at(f"Bundle.entry[{index}]") from None
    answers = Transaction(call, bundle.get("entry", []), calls).done(perform)
    return [_answered(answer, one.method) for answer, one in zip(answers, calls, strict=True)]


def entry_call(call: Call, entry: Json) -> Call:
    """Return what an entry asks for; without a wish of the caller's it brings no resource back."""
    request = entry["request"]
    path, _, query = str(request["url"]).partition("?")
    parts = path.removeprefix(f"{call.base}/").strip("/").split("/")
    if "://" in path and parts[0].endswith(":"):
        raise Refusal(400, "value", "the URL is another server's")
    headers = {name: str(request[key]) for key, name in _HEADERS.items() if key in request}
    prefer = call.headers.get("prefer", "")
    headers["prefer"] = prefer if "return=" in prefer else f"{prefer},return=minimal"
    return Call(
        service=call.service,
        base=call.base,
        method="GET" if request["method"] == "HEAD" else str(request["method"]),
        path=tuple(unquote(part) for part in parts if part),
        query=pairs_of(query),
        headers=headers,
        body=lambda: _resource(entry),
        sent="resource" in entry,
    )


def _resource(entry: Json) -> Any:
    if "resource" not in entry:
        raise Refusal(400, "required", "the entry has no resource")
    return entry["resource"]


def _answered(answer: Answer, method: str) -> Json:
    """Return the entry that answers one."""
    stored, body = answer.stored, answer.body
    response: Json = {"status": _status(answer.status)}
    if stored is not None:
        if answer.located:
            response["location"] = stored.location
        response |= {"etag": stored.etag, "lastModified": stored.last_updated}
    if answer.status == 304 or method == "HEAD" or body is None:
        return {"response": response}
    if method != "GET" and body["resourceType"] == "OperationOutcome" and stored is not None:
        return {"response": {**response, "outcome": body}}
    return {"resource": body, "response": response}


def _status(status: int) -> str:
    return f"{status} {HTTPStatus(status).phrase}"
