"""HL7 v2 messages as text: cut out of a stream, and their fields; the one way to the `hl7` library.

What the library lets pass in silence is refused here: escapes that are none, separators that are
none. It is never left to log anything, since what it logs are patients' values.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import hl7
from hl7.util import unescape

logging.getLogger("hl7").addHandler(logging.NullHandler())
logging.getLogger("hl7").propagate = False

START, END = b"\x0b", b"\x1c"  # MLLP's frame; a carriage return stands behind the end
MOST_BYTES = 16 << 20  # of one message; a bound of ours

# HL7 table 0211, the sets that are met, by Python's names: an assignment of ours.
CHARSETS = {
    "": "",
    "ASCII": "ascii",
    "UNICODE": "utf-8",
    "UNICODE UTF-8": "utf-8",
    "UNICODE UTF-16": "utf-16",
    "8859/1": "iso-8859-1",
    "8859/2": "iso-8859-2",
    "8859/9": "iso-8859-9",
    "8859/15": "iso-8859-15",
}

# Escapes of chapter 2 ("Use of escape sequences in text fields") that stand for text. The library
# makes a line end of those that lay text out; emphasis is left out.
_LAYOUT = re.compile(r"\.(br|sp|fi|nf|in|ti|sk|ce)[+-]?\d*")
_KNOWN = re.compile(r"[FSTREHN]|X([0-9A-Fa-f]{2})+|" + _LAYOUT.pattern)


class Hl7Error(ValueError):
    """A text is no HL7 v2 message; says why, and quotes nothing of it."""


class Repetition(NamedTuple):
    """One repetition of a field: its components, each a list of subcomponents, escapes undone."""

    components: Sequence[Sequence[str]]

    def text(self, component: int = 1, sub: int = 1) -> str:
        """Return a component, counted from 1; empty where there is none."""
        try:
            return self.components[component - 1][sub - 1]
        except IndexError:
            return ""

    @property
    def whole(self) -> tuple[str, ...]:
        """Return the first subcomponents of all components, without empty ones at the end."""
        texts = [component[0] for component in self.components]
        while texts and not texts[-1]:
            texts.pop()
        return tuple(texts)


@dataclass(frozen=True, slots=True)
class Segment:
    """One segment: its name, at which line of its message it stands, and its fields."""

    name: str
    line: int
    _fields: hl7.Segment
    _charset: str

    def field(self, number: int) -> list[Repetition]:
        """Return the repetitions of a field, numbered as in the standard; raises `Hl7Error`."""
        try:
            field = self._fields[number]
        except IndexError:
            return []
        except Exception as error:
            raise Hl7Error(f"a field that cannot be read: {type(error).__name__}") from None
        if self.name == "MSH" and number <= 2:  # the separators themselves
            return [Repetition([[str(field)]])]
        if not isinstance(field, hl7.Field):
            return [Repetition([[str(field)]])] if field else []
        return [self._repetition(repetition) for repetition in field] if str(field) else []

    def text(self, number: int, component: int = 1, sub: int = 1) -> str:
        """Return a component of a field's first repetition; empty where there is none."""
        found = self.field(number)
        return found[0].text(component, sub) if found else ""

    def _repetition(self, repetition: hl7.Container | str) -> Repetition:
        components = repetition if isinstance(repetition, hl7.Repetition) else [repetition]
        return Repetition([self._component(component) for component in components])

    def _component(self, component: hl7.Container | str) -> list[str]:
        parts = component if isinstance(component, hl7.Component) else [component]
        return [self._plain(str(part)) for part in parts]

    def _plain(self, text: str) -> str:
        """Return a text with its escapes undone."""
        esc = self._fields.esc
        if not esc or esc not in text:
            return text.strip()
        pieces = text.split(esc)
        if len(pieces) % 2 == 0 or any(not _KNOWN.fullmatch(piece) for piece in pieces[1::2]):
            raise Hl7Error(f'"{esc}" begins an escape that is none')
        meant = {"H": "", "N": "", ".fi": "", ".nf": ""}
        for piece in pieces[1::2]:
            if piece.startswith("X"):
                data = bytes.fromhex(piece[1:])
                meant[piece] = data.decode(self._charset or "utf-8", "replace")
        plain: str = unescape(self._fields, text, app_map=meant)
        return plain.replace("\r", "\n").strip()


class Message:
    """One message, cut into segments."""

    def __init__(self, text: str, charset: str = "utf-8") -> None:
        """Parse a text whose segments end with a line end of any kind; raises `Hl7Error`."""
        numbered = [
            (number, line)
            for number, line in enumerate(re.sub(r"\r\n|\n", "\r", text).strip().split("\r"))
            if line.strip()
        ]
        raws = [line for _, line in numbered]
        _refuse_separators(raws[0] if raws else "")
        if any(raw.startswith("MSH") for raw in raws[1:]):
            raise Hl7Error("two message headers in one message")
        try:
            parsed = list(hl7.parse("\r".join(raws) + "\r"))
        except Exception as error:
            raise Hl7Error(f"not an HL7 message: {type(error).__name__}") from None
        if len(parsed) != len(raws):
            raise Hl7Error("segments that cannot be told apart")
        self.segments = [
            Segment(raw[:3], number, fields, charset)
            for (number, raw), fields in zip(numbered, parsed, strict=True)
        ]

    @cached_property
    def header(self) -> Segment:
        """Return MSH."""
        return self.segments[0]

    @property
    def kind(self) -> str:
        """Return message type and trigger event, as "ORU^R01"."""
        return f"{self.header.text(9)}^{self.header.text(9, 2)}".strip("^")


def _refuse_separators(text: str) -> None:
    """Refuse a header whose separators cannot be told apart."""
    if not text.startswith("MSH") or len(text) < 8:
        raise Hl7Error("it does not begin with a message header")
    field, encoding = text[3], text[4:].split(text[3], 1)[0]
    marks = [field, *encoding]
    if not 4 <= len(encoding) <= 5 or len(set(marks)) < len(marks):
        raise Hl7Error("MSH-2 has no four encoding characters that differ")
    if any(mark.isalnum() or mark.isspace() for mark in marks):
        raise Hl7Error("a letter, a digit or a space cannot be an encoding character")


def charset_of(data: bytes, otherwise: str) -> str:
    """Return the encoding that a message's own header names, else another one.

    Raises `Hl7Error` for a set that is not known here.
    """
    head = re.split(rb"[\r\n]", data.lstrip(), maxsplit=1)[0].decode("latin-1")
    fields = head[3:4] and head.split(head[3])
    named = fields[17].split(fields[1][1:2] or "~")[0].strip() if len(fields) > 17 else ""
    if named.upper() not in CHARSETS:
        raise Hl7Error("MSH-18 names a character set that is not known here")
    return CHARSETS[named.upper()] or otherwise


def messages(chunks: Iterable[bytes]) -> Iterator[tuple[int, bytes, bool]]:
    """Yield each message of a stream with the line it begins at, from 1, and whether it is whole.

    Frames are taken off; CR, LF and CRLF end a segment; batch headers and trailers are left out.
    What stands before a first header is yielded as it is. The last one may have been cut: its frame
    or its last segment does not end.
    """
    line, first, size = 0, 1, 0
    kept: list[bytes] = []
    framed = ended = False
    for segment, has_end in _segments(chunks):
        line += 1
        ended = has_end
        begins = segment.lstrip(START)[:3] == b"MSH"
        if begins or segment[:3] in (b"FHS", b"BHS", b"BTS", b"FTS"):
            if b"".join(kept).strip():
                yield first, b"\r".join(kept), not framed
            kept, size, first = [], 0, line
            framed = segment.startswith(START)
            if not begins:
                first = line + 1
                continue
        size += len(segment)
        if size > MOST_BYTES:
            raise Hl7Error(f"a message of more than {MOST_BYTES >> 20} MiB")
        if END in segment:
            framed, ended = False, True
        kept.append(segment.replace(START, b"").replace(END, b""))
    if b"".join(kept).strip():
        yield first, b"\r".join(kept), not framed and ended


def _segments(chunks: Iterable[bytes]) -> Iterator[tuple[bytes, bool]]:
    """Yield the segments of a stream, without their line ends, and if they have one."""
    rest = bytearray()
    for chunk in chunks:
        may_end = rest.endswith(b"\r") or b"\r" in chunk or b"\n" in chunk
        rest += chunk
        if may_end:
            *whole, last = re.split(rb"\r\n|\r(?!\Z)|\n", bytes(rest))
            rest = bytearray(last)
            for segment in whole:
                yield segment, True
        if len(rest) > MOST_BYTES:
            raise Hl7Error(f"a segment of more than {MOST_BYTES >> 20} MiB")
    if rest:
        *whole, last = bytes(rest).split(b"\r")
        for segment in whole:
            yield segment, True
        if last:
            yield last, False
