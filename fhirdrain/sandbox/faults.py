"""Faults on purpose, so that others can try what their client does when a server fails.

A fault is written KIND:SHARE. KIND is a status (400 to 599), `slow` (waits a second or two),
`reset` (closes the connection before anything is done) or `late-reset` (does it, then closes
the connection without an answer). SHARE is the part of the requests, above 0 and up to 1.
"""

from __future__ import annotations

import asyncio
import random
import re
from collections.abc import Sequence
from http import HTTPStatus

from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from fhirdrain.errors import ConfigurationError
from fhirdrain.issues import Issue, to_operation_outcome
from fhirdrain.vocabulary.jsontext import encode

# Where the server leaves a way to close the connection: an answer is all that ASGI knows.
HANG_UP = "fhirdrain.hang_up"

_CODES = {408: "timeout", 429: "throttled", 502: "transient", 503: "transient", 504: "timeout"}
_WAITING = (429, 503)  # RFC 6585 and RFC 9110 have them say when to come back


class Faults:
    """A schedule of faults: one draw for each request, the same again for the same seed."""

    def __init__(self, shares: Sequence[tuple[str, float]], seed: int | None = None) -> None:
        if sum(share for _, share in shares) > 1 + 1e-9:
            raise ConfigurationError("the shares of the faults are together more than 1")
        self._shares = list(shares)
        # Not for secrets: a schedule that comes again is the point.
        self._random = random.Random(seed)

    def draw(self) -> str:
        """Return the kind of fault the next request meets, empty for none."""
        at = self._random.random()
        for kind, share in self._shares:
            at -= share
            if at < 0:
                return kind
        return ""

    def delay(self) -> float:
        """Return how many seconds a slow answer waits."""
        return self._random.uniform(1, 2)


def share_of(text: str) -> tuple[str, float]:
    """Return kind and share of a fault as it is written; raises `ConfigurationError`."""
    match = re.fullmatch(r"([45]\d\d|reset|late-reset|slow):(\d+(?:\.\d+)?|\.\d+)", text)
    if match is None or not 0 < float(match[2]) <= 1:
        raise ConfigurationError(
            "a fault is KIND:SHARE", hint="503:0.1, or reset, late-reset or slow in place of 503"
        )
    return match[1], float(match[2])


def with_faults(app: ASGIApp, faults: Faults) -> ASGIApp:
    """Return the application as it is with the faults."""

    async def faulty(scope: Scope, receive: Receive, send: Send) -> None:
        kind = faults.draw() if scope["type"] == "http" else ""
        if kind == "slow":
            await asyncio.sleep(faults.delay())
        if kind == "late-reset":
            await app(scope, receive, _unheard)
        if kind.endswith("reset"):
            scope["extensions"][HANG_UP]()
            while (await receive())["type"] != "http.disconnect":
                pass
        elif kind.isdigit():
            while (await receive()).get("more_body"):
                pass
            await _failed(int(kind))(scope, receive, send)
        else:
            await app(scope, receive, send)

    return faulty


async def _unheard(message: Message) -> None:
    """Take an answer that nobody gets."""


def _failed(status: int) -> Response:
    phrase = HTTPStatus(status).phrase if status in set(HTTPStatus) else "failed"
    issue = Issue(
        "error", _CODES.get(status, "exception"), "fault", f"{phrase}: a fault on purpose"
    )
    headers = {"Retry-After": "1"} if status in _WAITING else {}
    body = encode(to_operation_outcome([issue]))
    return Response(body, status, headers, media_type="application/fhir+json; charset=utf-8")
