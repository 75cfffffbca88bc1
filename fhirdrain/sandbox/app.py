"""The sandbox's HTTP side: requests in, FHIR JSON out, an OperationOutcome for every error."""

from __future__ import annotations

import sqlite3
from email.utils import format_datetime
from typing import Any
from urllib.parse import parse_qsl

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.routing import Route

from fhirdrain.conformance import raw
from fhirdrain.sandbox.access import is_signed
from fhirdrain.sandbox.call import Answer, Call, Service
from fhirdrain.sandbox.dates import to_datetime
from fhirdrain.sandbox.interactions import perform
from fhirdrain.sandbox.refusal import Refusal, outcome_of
from fhirdrain.sandbox.storage import Storage
from fhirdrain.vocabulary.jsontext import encode

JSON = "application/fhir+json"
FORM = "application/x-www-form-urlencoded"
MOST_BYTES = 64 * 1024 * 1024
_METHODS = ["GET", "POST", "PUT", "DELETE", "PATCH", "OPTIONS"]


def make_app(
    storage: Storage,
    version: str,
    *,
    loopback: bool = True,
    read_only: bool = False,
    token: str | None = None,
) -> Starlette:
    """Return the application; on loopback it answers only to loopback names."""
    service = Service(storage, version, read_only=read_only, needs_token=token is not None)

    async def answer(request: Request) -> Response:
        try:
            # Taken in any case: whoever is refused in the middle of sending sees no answer.
            body = await _body(request)
            if loopback and not _is_loopback_name(request):
                # A page in somebody's browser may call us by a name of its own.
                raise Refusal(421, "security", "this server answers only to loopback names")
            _signed(request, token)
            return await run_in_threadpool(_answered, service, request, body)
        except Refusal as refusal:
            return _refused(refusal)
        except ClientDisconnect:
            return Response(status_code=400)  # nobody is left to see it

    async def failed(request: Request, error: Exception) -> Response:
        return _refused(Refusal(500, "exception", "the server has failed"))

    return Starlette(
        routes=[Route("/{path:path}", answer, methods=_METHODS)],
        exception_handlers={500: failed, 405: _no_method, 404: _nowhere},
    )


def _is_loopback_name(request: Request) -> bool:
    try:
        return request.url.hostname in ("127.0.0.1", "localhost", "::1")
    except ValueError:
        return False


def _signed(request: Request, token: str | None) -> None:
    """Refuse who does not present the token; what the server can do is told to everybody."""
    if token is None or request.url.path == "/fhir/metadata":
        return
    if not is_signed(request.headers.get("authorization", ""), token):
        headers = {"WWW-Authenticate": 'Bearer realm="fhirdrain sandbox"'}
        raise Refusal(401, "login", "a bearer token is needed", headers=headers)


async def _body(request: Request) -> bytes:
    pieces, size = [], 0
    async for piece in request.stream():
        size += len(piece)
        if size <= MOST_BYTES:
            pieces.append(piece)
    if size > MOST_BYTES:
        raise Refusal(413, "too-long", f"larger than {MOST_BYTES >> 20} MiB")
    return b"".join(pieces)


def _answered(service: Service, request: Request, body: bytes) -> Response:
    try:
        call = _call(service, request, body)
        return _response(perform(call), call.base)
    except sqlite3.Error as error:
        if "too large" in str(error) or "stack overflow" in str(error):
            raise Refusal(400, "too-costly", "the search asks for too much at once") from None
        raise Refusal(500, "exception", f"the data cannot be kept or read: {error}") from None


def _call(service: Service, request: Request, body: bytes) -> Call:
    """Return what a request asks for; raises `Refusal`."""
    parts = [part for part in request.url.path.split("/") if part]
    if parts[:1] != ["fhir"]:
        raise Refusal(404, "not-found", "the base URL ends in /fhir")
    query = request.query_params.multi_items()
    _acceptable(request, query)
    if parts[-1] == "_search" and request.method == "POST":
        query += _form(request, body)
    return Call(
        service=service,
        base=f"{request.url.scheme}://{request.url.netloc}/fhir",
        method="GET" if request.method == "HEAD" else request.method,
        path=tuple(parts[1:]),
        query=query,
        headers=_headers(request),
        body=lambda: _resource(request, body),
        sent=bool(body),
    )


def _headers(request: Request) -> dict[str, str]:
    """Return the headers, several lines of one name as one list (RFC 9110, 5.3)."""
    lines: dict[str, list[str]] = {}
    for name, value in request.headers.items():
        lines.setdefault(name, []).append(value)
    return {name: ", ".join(values) for name, values in lines.items()}


def _acceptable(request: Request, query: list[tuple[str, str]]) -> None:
    wanted = dict(query).get("_format") or request.headers.get("accept", "*/*")
    if not any(known in wanted for known in ("json", "*/*", "application/*")):
        raise Refusal(406, "not-supported", "only JSON is spoken here")


def _sent_as(request: Request) -> str:
    return request.headers.get("content-type", "").split(";")[0].strip().lower()


def _form(request: Request, body: bytes) -> list[tuple[str, str]]:
    """Return the parameters in the body of a search by POST."""
    if not body:
        return []
    if _sent_as(request) != FORM:
        raise Refusal(415, "not-supported", f"send {FORM}")
    try:
        return parse_qsl(body.decode("utf-8"), keep_blank_values=True, errors="strict")
    except UnicodeDecodeError:
        raise Refusal(400, "structure", "the form is not UTF-8") from None


def _resource(request: Request, body: bytes) -> Any:
    """Return the body as decoded JSON; raises `Refusal`."""
    if _sent_as(request) not in (JSON, "application/json"):
        raise Refusal(415, "not-supported", f"send {JSON}")
    value, _, issues = raw.parse(body)
    faults = [issue for issue in issues if issue.is_error]
    if faults:
        raise Refusal(400, "structure", faults[0].message, faults)
    return value


# -- answers --------------------------------------------------------------------------------


def _response(answer: Answer, base: str) -> Response:
    headers = {}
    if answer.stored is not None:
        headers["ETag"] = answer.stored.etag
        updated = to_datetime(answer.stored.moment)
        headers["Last-Modified"] = format_datetime(updated, usegmt=True)
        if answer.located:
            headers["Location"] = f"{base}/{answer.stored.location}"
    if answer.body is None or answer.status == 304:
        return Response(b"", answer.status, headers)
    return _json(answer.body, answer.status, headers)


def _json(body: Any, status: int, headers: dict[str, str]) -> Response:
    return Response(encode(body), status, headers, media_type=f"{JSON}; charset=utf-8")


def _refused(refusal: Refusal) -> Response:
    return _json(outcome_of(refusal.issues), refusal.status, refusal.headers)


async def _no_method(request: Request, error: Exception) -> Response:
    headers = {"Allow": ", ".join(_METHODS)}
    return _refused(Refusal(405, "not-supported", "there is no such method", headers=headers))


async def _nowhere(request: Request, error: Exception) -> Response:
    return _refused(Refusal(404, "not-found", "the base URL ends in /fhir"))
