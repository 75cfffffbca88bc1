"""/metrics and /health of a feed, on loopback, for those who watch it."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Iterator, MutableMapping
from contextlib import contextmanager
from typing import Any

from fhirdrain.errors import FhirdrainError
from fhirdrain.sandbox.server import serving
from fhirdrain.store import Store
from fhirdrain.street.listening import Counts, metrics

_OPEN_METRICS = "application/openmetrics-text; version=1.0.0; charset=utf-8"
_TEXT = "text/plain; charset=utf-8"

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Any]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]


@contextmanager
def watched(
    store: Store, counts: Counts, port: int, told: Callable[[str], object]
) -> Iterator[None]:
    """Serve metrics and health while inside; port 0 takes a free one, which is told."""

    async def app(scope: Scope, receive: Receive, send: Send) -> None:
        status, kind, text = _answer(str(scope.get("path")), store, counts)
        headers = [(b"content-type", kind.encode())]
        await send({"type": "http.response.start", "status": status, "headers": headers})
        await send({"type": "http.response.body", "body": text.encode()})

    with serving(app, port) as taken:
        told(f"watched at http://127.0.0.1:{taken}/metrics")
        yield


def _answer(path: str, store: Store, counts: Counts) -> tuple[int, str, str]:
    """Return status, type and text of what is asked for."""
    try:
        if path == "/metrics":
            return 200, _OPEN_METRICS, metrics(store, counts)
        if path == "/health":
            store.outgoing_by_state()
            faults = [f"{where}: {what}\n" for where, what in sorted(counts.faults.items())]
            return (503 if faults else 200), _TEXT, "".join(faults) or "ok\n"
    except FhirdrainError:
        return 503, _TEXT, "the store cannot be read\n"
    return 404, _TEXT, "/metrics or /health\n"
