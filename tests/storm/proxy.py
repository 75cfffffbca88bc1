"""A proxy that does to HTTP what nets and servers do to it, on a seeded schedule."""

from __future__ import annotations

import asyncio
import random
import socket
import struct
import threading
from collections import Counter
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime

STATUSES = (400, 401, 408, 409, 412, 413, 422, 425, 429, 500, 502, 503, 504)
LINE = ("reset", "late-reset", "cut", "delay", "twice", "html")


class Proxy:
    """Passes requests on to a port, and lets a share of them meet a fault."""

    def __init__(self, upstream: int, share: float, seed: int) -> None:
        self.upstream = upstream
        self.share = share
        self.random = random.Random(seed)
        self.met: Counter[str] = Counter()
        self.requests = 0
        self._loop = asyncio.new_event_loop()
        self._ready = threading.Event()
        self.port = 0
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()
        self._ready.wait(10)

    def close(self) -> None:
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(10)

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        server = self._loop.run_until_complete(
            asyncio.start_server(self._talk, "127.0.0.1", 0, limit=1 << 24)
        )
        self.port = server.sockets[0].getsockname()[1]
        self._ready.set()
        self._loop.run_forever()
        server.close()
        left = asyncio.all_tasks(self._loop)
        for task in left:
            task.cancel()
        self._loop.run_until_complete(asyncio.gather(*left, return_exceptions=True))
        self._loop.close()

    def _fault(self) -> str:
        if self.random.random() >= self.share:
            return ""
        if self.random.random() < 0.5:
            return self.random.choice(LINE)
        return str(self.random.choice(STATUSES))

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while (request := await _message(reader)) is not None:
                self.requests += 1
                fault = self._fault()
                if fault:
                    self.met[fault] += 1
                if not await self._met(fault, request, writer):
                    break
        except (ConnectionError, asyncio.IncompleteReadError):
            pass
        finally:
            writer.close()

    async def _met(self, fault: str, request: bytes, writer: asyncio.StreamWriter) -> bool:
        """Let a request meet a fault; tell whether the connection goes on."""
        if fault == "reset":
            _reset(writer)
            return False
        if fault == "delay":
            await asyncio.sleep(self.random.uniform(0.05, 0.4))
        if fault == "html":
            writer.write(_answer(200, b"<html>be right back</html>", "text/html"))
            await writer.drain()
            return True
        if fault.isdigit():
            writer.write(self._status(int(fault)))
            await writer.drain()
            return True
        try:
            answer = await self._passed_on(request)
            if fault == "twice":
                answer = await self._passed_on(request)
        except (ConnectionError, asyncio.IncompleteReadError, OSError):
            _reset(writer)  # the server is down
            return False
        if fault == "late-reset":
            _reset(writer)
            return False
        if fault == "cut":
            writer.write(answer[: max(len(answer) * 2 // 3, 1)])
            await writer.drain()
            return False
        writer.write(answer)
        await writer.drain()
        return True

    async def _passed_on(self, request: bytes) -> bytes:
        reader, writer = await asyncio.open_connection("127.0.0.1", self.upstream, limit=1 << 24)
        try:
            writer.write(request)
            await writer.drain()
            answer = await _message(reader)
            if answer is None:
                raise ConnectionError
            return answer
        finally:
            writer.close()

    def _status(self, status: int) -> bytes:
        more = ""
        if status in (429, 503):
            later = datetime.now(UTC) + timedelta(seconds=1)
            date = format_datetime(later, usegmt=True)
            more = f"Retry-After: {self.random.choice(['0', '1', date])}\r\n"
        body = b""
        if self.random.random() < 0.5:
            body = b'{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"transient"}]}'
        return _answer(status, body, "application/fhir+json", more)


def _answer(status: int, body: bytes, kind: str, more: str = "") -> bytes:
    head = f"HTTP/1.1 {status} Weather\r\nContent-Type: {kind}\r\n{more}Content-Length: {len(body)}\r\n\r\n"
    return head.encode() + body


def _reset(writer: asyncio.StreamWriter) -> None:
    """Close a connection as a crash does: with a reset."""
    line = writer.get_extra_info("socket")
    if line is not None:
        line.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    writer.transport.abort()


async def _message(reader: asyncio.StreamReader) -> bytes | None:
    """Return one whole HTTP message, None at the end of the line."""
    try:
        head = await reader.readuntil(b"\r\n\r\n")
    except asyncio.IncompleteReadError as error:
        if error.partial:
            raise
        return None
    length = 0
    for line in head.split(b"\r\n"):
        name, _, value = line.partition(b":")
        if name.lower() == b"content-length":
            length = int(value)
    return head + await reader.readexactly(length)
