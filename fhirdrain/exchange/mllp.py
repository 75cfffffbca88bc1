"""HL7 v2 over MLLP: frames in, acknowledgements out, many connections at once.

What is asked of each message is somebody else's (`take`): this knows frames, headers and answers.
HL7 v2.5.1, chapter 2 ("Acknowledgment", ERR, MSA) and "Transport Specification: MLLP, Release 1".
"""

from __future__ import annotations

import asyncio
import ssl
import uuid
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Literal, NamedTuple

from fhirdrain.log import event
from fhirdrain.vocabulary.hl7text import END, START, Hl7Error, Message, charset_of

Verdict = Literal["accept", "error", "reject"]

_CODES = {"accept": "A", "error": "E", "reject": "R"}


class Fault(NamedTuple):
    """Why a message was not taken: a code of HL7 table 0357, where, and in words."""

    code: str
    place: str
    text: str


@dataclass(frozen=True, slots=True)
class Reply:
    """What became of a message. It must be kept for good before it is said to be accepted."""

    verdict: Verdict
    faults: Sequence[Fault] = ()


@dataclass(frozen=True, slots=True)
class Limits:
    """What a connection may do: so large a message; in seconds, so long a pause, so long for one
    message, and so long until its answer is read.
    """

    most_bytes: int = 1 << 20
    idle: float = 3600.0
    frame: float = 60.0
    answer: float = 10.0
    connections: int = 256


Take = Callable[[bytes], Awaitable[Reply]]


@dataclass(slots=True)
class Listener:
    """Listens for messages, hands each to `take` and answers what comes of it, in order."""

    take: Take
    limits: Limits = field(default_factory=Limits)
    _server: asyncio.Server | None = None
    _talks: set[asyncio.Task[None]] = field(default_factory=set)
    _closing: bool = False

    async def start(self, host: str, port: int, tls: ssl.SSLContext | None = None) -> int:
        """Begin to listen; returns the port."""
        self._server = await asyncio.start_server(
            self._talk, host, port, ssl=tls, limit=self.limits.most_bytes + 2
        )
        port_in_use: int = self._server.sockets[0].getsockname()[1]
        return port_in_use

    async def stop(self) -> None:
        """Take no more; what is being answered is answered first."""
        self._closing = True
        if self._server is not None:
            self._server.close()
        talks = list(self._talks)
        for talk in talks:
            talk.cancel()
        if talks:
            await asyncio.wait(talks, timeout=self.limits.answer)

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        if len(self._talks) >= self.limits.connections:
            event("too many connections")
            writer.close()
            return
        self._talks.add(task)
        answering: asyncio.Future[None] | None = None
        try:
            while not self._closing:
                data = await self._frame(reader)
                if data is None:
                    break
                # Whatever happens to the connection now, this one is taken and answered.
                answering = asyncio.ensure_future(self._answer(data, writer))
                await asyncio.shield(answering)
        except _TooLarge:
            fault = Fault("102", "MSH", f"more than {self.limits.most_bytes} bytes")
            await self._send(writer, acknowledge(b"", Reply("reject", [fault])))
        except asyncio.CancelledError:
            if answering is not None:
                await answering
        except (ConnectionError, TimeoutError):
            pass
        finally:
            self._talks.discard(task)
            writer.close()

    async def _answer(self, data: bytes, writer: asyncio.StreamWriter) -> None:
        reply = await self.take(data)
        for answer in acknowledgements(data, reply):
            await self._send(writer, answer)

    async def _send(self, writer: asyncio.StreamWriter, answer: bytes) -> None:
        try:
            writer.write(START + answer + END + b"\r")
            await asyncio.wait_for(writer.drain(), self.limits.answer)
        except (ConnectionError, RuntimeError, TimeoutError):
            # The sender asks again, and is answered again: what it said is kept once.
            event("no acknowledgement", error="the connection was closed, or nobody read")
            writer.transport.abort()

    async def _frame(self, reader: asyncio.StreamReader) -> bytes | None:
        """Return the next message; None where there is no more, or a pause was too long."""
        try:
            # What stands between frames is no message.
            await asyncio.wait_for(reader.readuntil(START), self.limits.idle)
            data = await asyncio.wait_for(reader.readuntil(END), self.limits.frame)
        except (asyncio.IncompleteReadError, TimeoutError):
            return None
        except asyncio.LimitOverrunError:
            raise _TooLarge from None
        if len(data) > self.limits.most_bytes:
            raise _TooLarge
        # A frame that does not end before the next begins was cut: its sender sends it again.
        return data[:-1].rpartition(START)[2]


class _TooLarge(Exception):
    pass


def acknowledgements(data: bytes, reply: Reply) -> list[bytes]:
    """Return what is answered to a message: by its original mode, or by MSH-15 and MSH-16."""
    header = _header(data)
    wants = header[15:17]
    if not any(wants):
        return [_acknowledgement(header, reply)]
    modes = zip(wants, "CA", strict=True)
    wanted = [first for want, first in modes if _is_wanted(want, reply.verdict)]
    return [_acknowledgement(header, reply, first) for first in wanted]


def _is_wanted(condition: str, verdict: Verdict) -> bool:
    """Tell whether an acknowledgement is asked for (HL7 table 0155)."""
    return (
        condition == "AL"
        or (condition == "SU" and verdict == "accept")
        or (condition == "ER" and verdict != "accept")
    )


def acknowledge(data: bytes, reply: Reply, first: str = "A") -> bytes:
    """Return an acknowledgement: MSA, and an ERR for each fault."""
    return _acknowledgement(_header(data), reply, first)


def _acknowledgement(header: Sequence[str], reply: Reply, first: str = "A") -> bytes:
    now = f"{datetime.now(UTC):%Y%m%d%H%M%S}+0000"
    trigger = header[9].split("^")[1:2]
    kind = "^".join(["ACK", *(t for t in trigger if t), "ACK"]) if trigger else "ACK"
    own = [now, "", kind, uuid.uuid4().hex[:20], header[11] or "P", header[12] or "2.5.1"]
    segments = [
        ["MSH", "^~\\&", *header[5:7], *header[3:5], *own],
        ["MSA", first + _CODES[reply.verdict], header[10]],
    ]
    for fault in reply.faults:
        code = f"{fault.code}^{FAULTS.get(fault.code, '')}^HL70357"
        at = _located(fault.place)
        segments.append(["ERR", "", at, code, "E", "", "", "", _escaped(fault.text)])
    return ("\r".join("|".join(fields) for fields in segments) + "\r").encode("utf-8")


# HL7 table 0357; its words are from memory, its codes are R4's.
FAULTS = {
    "100": "Segment sequence error",
    "101": "Required field missing",
    "102": "Data type error",
    "103": "Table value not found",
    "200": "Unsupported message type",
    "203": "Unsupported version id",
    "207": "Application internal error",
}


def _header(data: bytes) -> list[str]:
    """Return MSH's fields by their numbers, with the usual separators; empty where it has none."""
    try:
        charset = charset_of(data, "utf-8")
    except Hl7Error:
        charset = "latin-1"  # it is refused for that, and answered all the same
    try:
        text = data.decode(charset, "replace")
        segment = Message(text.replace("\r", "\n").strip().partition("\n")[0]).header
        fields = [_field(segment.field(number)) for number in range(20)]
    except Hl7Error:
        return [""] * 20
    return fields


def _field(repetitions: Sequence[object]) -> str:
    first = repetitions[0] if repetitions else None
    components = getattr(first, "components", [])
    texts = ["&".join(_escaped(sub) for sub in component) for component in components]
    return "^".join(texts).rstrip("^")


def _located(place: str) -> str:
    """Return a place like "OBX[2]-5" as an ERL: segment, sequence, field."""
    segment, _, number = place.partition("-")
    name, _, count = segment.partition("[")
    return "^".join([name, count.rstrip("]") or "1", number]).rstrip("^")


def _escaped(text: str) -> str:
    """Return a text as it may stand in a field."""
    marks = {"\\": "\\E\\", "|": "\\F\\", "^": "\\S\\", "&": "\\T\\", "~": "\\R\\"}
    marks |= {"\r": " ", "\n": " "}
    return "".join(marks.get(character, character) for character in text)
