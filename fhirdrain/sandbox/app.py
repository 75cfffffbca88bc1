"""The sandbox's HTTP side: requests in, FHIR JSON out, an OperationOutcome for every error."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any
from urllib.parse import urlencode

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from fhirdrain.conformance import raw
from fhirdrain.conformance.definitions import is_resource
from fhirdrain.issues import Issue, to_operation_outcome
from fhirdrain.sandbox.capability import INCLUDES, capability_statement
from fhirdrain.sandbox.refusal import Refusal
from fhirdrain.sandbox.storage import Storage, Stored
from fhirdrain.sandbox.writing import (
    Outcome,
    conditional_update,
    create,
    transaction,
    update,
)
from fhirdrain.vocabulary.jsontext import encode

JSON = "application/fhir+json"
MOST_BYTES = 64 * 1024 * 1024
MOST_COUNT = 500
_CONTROL = {"_count", "_include", "_format", "_after", "_upto", "_total"}


def make_app(storage: Storage, version: str, *, loopback: bool = True) -> Starlette:
    """Return the application; on loopback it answers only to loopback names."""

    def endpoint(work: Callable[[_Call], Response]) -> Callable[[Request], Any]:
        async def answer(request: Request) -> Response:
            if loopback and request.url.hostname not in ("127.0.0.1", "localhost", "::1"):
                # A page in somebody's browser may call us by a name of its own.
                return _refusal(
                    Refusal(421, "security", "this server answers only to loopback names")
                )
            call = _Call(storage, request, await _body(request), version)
            return await run_in_threadpool(_guarded, work, call)

        return answer

    routes = [
        Route("/fhir/metadata", endpoint(_metadata), methods=["GET"]),
        Route("/fhir", endpoint(_transaction), methods=["POST"]),
        Route("/fhir/", endpoint(_transaction), methods=["POST"]),
        Route("/fhir/{kind}", endpoint(_type), methods=["GET", "POST", "PUT"]),
        Route("/fhir/{kind}/{id}", endpoint(_instance), methods=["GET", "PUT"]),
    ]

    async def refused(request: Request, error: Exception) -> Response:
        status = error.status_code if isinstance(error, HTTPException) else 500
        code = "not-supported" if status in (404, 405) else "exception"
        return _refusal(Refusal(status, code, f"HTTP {status}: {request.method} is not done here"))

    return Starlette(
        routes=routes,
        exception_handlers={404: refused, 405: refused, 500: refused},
    )


class _Call:
    """One request with what every answer to it needs."""

    def __init__(self, storage: Storage, request: Request, body: bytes, version: str) -> None:
        self.storage = storage
        self.request = request
        self.body = body
        self.version = version
        self.base = f"{request.url.scheme}://{request.url.netloc}/fhir"

    def resource(self) -> Any:
        """Return the body as decoded JSON; raises `Refusal`."""
        sent = self.request.headers.get("content-type", "").split(";")[0].strip()
        if sent.lower() not in (JSON, "application/json"):
            raise Refusal(415, "not-supported", f"send {JSON}")
        value, _, issues = raw.parse(self.body)
        faults = [issue for issue in issues if issue.is_error]
        if faults:
            raise Refusal(400, "structure", faults[0].message, faults)
        return value

    def prefers(self, what: str) -> bool:
        """Tell whether the Prefer header asks for a kind of return."""
        return f"return={what}" in self.request.headers.get("prefer", "").replace(" ", "")


async def _body(request: Request) -> bytes:
    pieces, size = [], 0
    async for piece in request.stream():
        size += len(piece)
        if size <= MOST_BYTES:
            pieces.append(piece)
    return b"".join(pieces) if size <= MOST_BYTES else b"\0"


def _guarded(work: Callable[[_Call], Response], call: _Call) -> Response:
    try:
        if call.body == b"\0":
            raise Refusal(413, "too-long", f"larger than {MOST_BYTES >> 20} MiB")
        _acceptable(call.request)
        return work(call)
    except Refusal as refusal:
        return _refusal(refusal)


def _acceptable(request: Request) -> None:
    wanted = request.query_params.get("_format") or request.headers.get("accept", "*/*")
    if not any(known in wanted for known in ("json", "*/*", "application/*")):
        raise Refusal(406, "not-supported", "only JSON is spoken here")


def _answer(
    body: Any, status: int = 200, headers: dict[str, str] | None = None, *, empty: bool = False
) -> Response:
    content = b"" if empty else encode(body)
    return Response(content, status, headers, media_type=f"{JSON}; charset=utf-8")


def _refusal(refusal: Refusal) -> Response:
    return _answer(to_operation_outcome(refusal.issues), refusal.status)


def _metadata(call: _Call) -> Response:
    return _answer(capability_statement(call.base, call.version))


def _known_type(call: _Call) -> str:
    kind = str(call.request.path_params["kind"])
    if not is_resource(kind):
        raise Refusal(404, "not-supported", f"{kind} is not an R4 resource type")
    return kind


def _type(call: _Call) -> Response:
    kind = _known_type(call)
    if call.request.method in ("GET", "HEAD"):
        return _answer(_search(call, kind))
    resource = call.resource()
    with call.storage.atomic():
        if call.request.method == "POST":
            condition = call.request.headers.get("if-none-exist")
            if condition is not None and not condition.strip():
                raise Refusal(400, "value", "If-None-Exist needs a search")
            outcome = create(call.storage, kind, resource, condition)
        else:
            outcome = conditional_update(call.storage, kind, call.request.url.query, resource)
    return _written(call, outcome)


def _instance(call: _Call) -> Response:
    kind, id_ = _known_type(call), str(call.request.path_params["id"])
    if call.request.method in ("GET", "HEAD"):
        stored = call.storage.read(kind, id_)
        if stored is None:
            raise Refusal(404, "not-found", f"there is no {kind}/{id_}")
        return _answer(stored.body, 200, _headers(call, stored))
    resource = call.resource()
    with call.storage.atomic():
        if_match = call.request.headers.get("if-match")
        outcome = update(call.storage, kind, id_, resource, if_match)
    return _written(call, outcome)


def _headers(call: _Call, stored: Stored) -> dict[str, str]:
    return {"ETag": stored.etag, "Location": f"{call.base}/{stored.location}"}


def _written(call: _Call, outcome: Outcome) -> Response:
    stored = outcome.stored
    if call.prefers("OperationOutcome"):
        body = to_operation_outcome([Issue("information", "informational", "sandbox", "done")])
    else:
        body = stored.body
    return _answer(body, outcome.status, _headers(call, stored), empty=call.prefers("minimal"))


def _transaction(call: _Call) -> Response:
    outcomes = transaction(call.storage, call.resource())
    entries = []
    for outcome in outcomes:
        response = {
            "status": "201 Created" if outcome.status == 201 else "200 OK",
            "location": outcome.stored.location,
            "etag": outcome.stored.etag,
            "lastModified": outcome.stored.body["meta"]["lastUpdated"],
        }
        entry: dict[str, Any] = {"response": response}
        if call.prefers("representation"):
            entry = {"resource": outcome.stored.body, **entry}
        entries.append(entry)
    bundle: dict[str, Any] = {"resourceType": "Bundle", "type": "transaction-response"}
    return _answer({**bundle, "entry": entries} if entries else bundle)


# -- search ---------------------------------------------------------------------------------


def _search(call: _Call, kind: str) -> dict[str, Any]:
    query = call.request.query_params.multi_items()
    own = f"{call.base}/"
    criteria = [
        (name, value.removeprefix(own)) for name, value in query if name not in _CONTROL and value
    ]
    control = {name: value for name, value in query if name in _CONTROL}
    count = min(_whole(control.get("_count", "50"), "_count"), MOST_COUNT)
    after = _whole(control.get("_after", "0"), "_after")
    # What arrives while somebody turns pages stays out of the pages they have yet to turn.
    upto = _whole(control.get("_upto", str(call.storage.newest())), "_upto")
    page = call.storage.search(kind, criteria, after=after, upto=upto, count=count + 1)
    more, page = len(page) > count, page[:count]
    includes = [value for name, value in query if name == "_include"]
    entries = [_entry(call, stored, "match") for stored in page]
    entries += [_entry(call, stored, "include") for stored in _included(call, kind, page, includes)]
    links = [{"relation": "self", "url": f"{call.base}/{kind}?{urlencode(query)}"}]
    if more and page:
        kept = [(n, v) for n, v in query if n not in ("_after", "_upto")]
        turned = [*kept, ("_after", str(page[-1].seq)), ("_upto", str(upto))]
        links.append({"relation": "next", "url": f"{call.base}/{kind}?{urlencode(turned)}"})
    bundle = {
        "resourceType": "Bundle",
        "type": "searchset",
        "total": call.storage.count(kind, criteria, upto),
        "link": links,
    }
    return {**bundle, "entry": entries} if entries else bundle


def _whole(text: str, name: str) -> int:
    if not text.isascii() or not text.isdigit():
        raise Refusal(400, "value", f"{name} must be a whole number")
    return int(text)


def _entry(call: _Call, stored: Stored, mode: str) -> dict[str, Any]:
    url = f"{call.base}/{stored.body['resourceType']}/{stored.body['id']}"
    return {"fullUrl": url, "resource": stored.body, "search": {"mode": mode}}


def _included(call: _Call, kind: str, page: list[Stored], includes: list[str]) -> list[Stored]:
    found: dict[str, Stored] = {}
    for include in includes:
        owner, _, name = include.partition(":")
        element = INCLUDES.get(owner, {}).get(name)
        if owner != kind or element is None:
            raise Refusal(400, "not-supported", f"_include={include} is not supported here")
        for stored in page:
            value = stored.body.get(element, [])
            for reference in value if isinstance(value, list) else [value]:
                target, _, id_ = str(reference.get("reference", "")).partition("/")
                if id_ and is_resource(target) and f"{target}/{id_}" not in found:
                    there = call.storage.read(target, id_)
                    if there is not None:
                        found[f"{target}/{id_}"] = there
    return list(found.values())
