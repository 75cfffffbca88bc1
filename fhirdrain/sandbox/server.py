"""Running the sandbox: in the foreground for a person, in a thread for the tour and the tests."""

from __future__ import annotations

import asyncio
import ipaddress
import re
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from urllib.parse import unquote

import uvicorn
from starlette.types import ASGIApp
from uvicorn.protocols.http.h11_impl import H11Protocol

from fhirdrain.errors import ConfigurationError, UnreachableError
from fhirdrain.sandbox.app import make_app
from fhirdrain.sandbox.faults import HANG_UP, Faults, with_faults
from fhirdrain.sandbox.storage import Storage


def is_loopback(host: str) -> bool:
    """Tell whether an address reaches only this machine."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def bind(host: str, port: int) -> socket.socket:
    """Return a listening socket; port 0 takes a free one. Raises `ConfigurationError`."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    # Only where the protocol is named does asyncio send small answers without waiting for more.
    listener = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
    except OSError as error:
        listener.close()
        raise ConfigurationError(
            f"{host}:{port} cannot be listened on: {error.strerror or error}"
        ) from None
    listener.listen(128)
    return listener


class _Protocol(H11Protocol):
    """HTTP whose applications can close the connection without an answer."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        app = self.app

        async def leaving(scope: Any, receive: Any, send: Any) -> None:
            extensions = {HANG_UP: transport.abort}
            await app({**_origin_form(scope), "extensions": extensions}, receive, send)

        self.app = leaving


def _origin_form(scope: Any) -> Any:
    """Return a request whose target names host and path as one whose Host header names the host.

    RFC 9112, 3.2.2: a server must accept the absolute form; its host stands above the header's.
    """
    target = re.fullmatch(rb"https?://([^/]*)(/.*)?", scope["raw_path"], re.IGNORECASE)
    if target is None:
        return scope
    raw = target[2] or b"/"
    headers = [(name, value) for name, value in scope["headers"] if name != b"host"]
    headers.append((b"host", target[1]))
    return {**scope, "path": unquote(raw), "raw_path": raw, "headers": headers}


def _server(
    storage: Storage,
    version: str,
    host: str,
    faults: Faults | None,
    read_only: bool,
    token: str | None,
) -> uvicorn.Server:
    app: ASGIApp = make_app(
        storage, version, loopback=is_loopback(host), read_only=read_only, token=token
    )
    # Access logs would hold patients' identifiers, which stand in the URLs of searches.
    config = uvicorn.Config(
        with_faults(app, faults) if faults else app,
        http=_Protocol,
        log_level="warning",
        access_log=False,
        lifespan="off",
        proxy_headers=False,
    )
    return uvicorn.Server(config)


def serve(
    listener: socket.socket,
    storage: Storage,
    version: str,
    host: str,
    *,
    faults: Faults | None = None,
    read_only: bool = False,
    token: str | None = None,
) -> None:
    """Serve until interrupted."""
    server = _server(storage, version, host, faults, read_only, token)
    server.run(sockets=[listener])


@contextmanager
def running(
    version: str,
    path: str = ":memory:",
    *,
    faults: Faults | None = None,
    read_only: bool = False,
    token: str | None = None,
) -> Iterator[str]:
    """Run a sandbox on a free loopback port while inside; gives its base URL."""
    storage = Storage(path)
    try:
        server = _server(storage, version, "127.0.0.1", faults, read_only, token)
        with _in_a_thread(server, 0) as port:
            yield f"http://127.0.0.1:{port}/fhir"
    finally:
        storage.close()


@contextmanager
def serving(app: ASGIApp, port: int) -> Iterator[int]:
    """Serve an application of another room on loopback while inside; gives its port."""
    config = uvicorn.Config(app, log_level="warning", access_log=False, lifespan="off")
    with _in_a_thread(uvicorn.Server(config), port) as taken:
        yield taken


@contextmanager
def _in_a_thread(server: uvicorn.Server, port: int) -> Iterator[int]:
    listener = bind("127.0.0.1", port)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    try:
        deadline = time.monotonic() + 10
        while not server.started:
            if time.monotonic() > deadline or not thread.is_alive():
                raise UnreachableError("the server did not start")
            time.sleep(0.01)
        yield listener.getsockname()[1]
    finally:
        server.should_exit = True
        thread.join(10)
        listener.close()
