"""/metrics and /health of a feed, on loopback, for those who watch it."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from fhirdrain.errors import FhirdrainError
from fhirdrain.sandbox.server import bind
from fhirdrain.store import Store
from fhirdrain.street.listening import Counts, metrics

_OPEN_METRICS = "application/openmetrics-text; version=1.0.0; charset=utf-8"


@contextmanager
def watched(
    store: Store, counts: Counts, port: int, told: Callable[[str], object]
) -> Iterator[None]:
    """Serve metrics and health while inside; port 0 takes a free one, which is told."""

    def show(request: Request) -> Response:
        try:
            return Response(metrics(store, counts), media_type=_OPEN_METRICS)
        except FhirdrainError:
            return PlainTextResponse("the store cannot be read\n", 503)

    def health(request: Request) -> Response:
        try:
            store.outgoing_by_state()
        except FhirdrainError:
            return PlainTextResponse("the store cannot be read\n", 503)
        if counts.faults:
            told = ", ".join(f"{where}: {what}" for where, what in sorted(counts.faults.items()))
            return PlainTextResponse(f"{told}\n", 503)
        return PlainTextResponse("ok\n")

    app = Starlette(routes=[Route("/metrics", show), Route("/health", health)])
    listener = bind("127.0.0.1", port)
    server = uvicorn.Server(
        uvicorn.Config(app, log_level="warning", access_log=False, lifespan="off")
    )
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    deadline = time.monotonic() + 10
    while not server.started and time.monotonic() < deadline and thread.is_alive():
        time.sleep(0.01)
    told(f"watched at http://127.0.0.1:{listener.getsockname()[1]}/metrics")
    try:
        yield
    finally:
        server.should_exit = True
        thread.join(10)
        listener.close()
