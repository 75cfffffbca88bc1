"""The raw text of FHIR JSON: is it JSON at all, and where in it does each element stand."""

from __future__ import annotations

import json
import re
from bisect import bisect_right
from collections.abc import Iterator
from decimal import Decimal
from typing import Any

import msgspec

from fhirdrain.conformance.definitions import shown_key, shown_type
from fhirdrain.issues import Issue

JsonPath = tuple[str | int, ...]

# RFC 8259 leaves both bounds to the reader. FHIR resources nest a dozen deep.
MOST_DEPTH = 100
MOST_BYTES = 256 * 1024 * 1024

_SPACE = re.compile(r"[ \t\n\r]*")
# Possessive, as the engine would keep a way back for every character of a long text.
_STRING = re.compile(r'"(?:[^"\\\x00-\x1f]++|\\.)*+"')
_SCALAR = re.compile(r"[^\s,\]}]+")


# FHIR sets no bound; its own examples go to 1E-245.
_MOST_EXPONENT = 999


class _NoNumber(ValueError):
    """NaN, Infinity, or a number beyond all measure, which Python's reader would let pass."""


def _no_constant(text: str) -> Any:
    raise _NoNumber(text)


def _number(text: str) -> Decimal:
    try:
        number = Decimal(text)
    except ArithmeticError:
        raise _NoNumber(text) from None
    if abs(number.adjusted()) > _MOST_EXPONENT:
        raise _NoNumber(text)
    return number


_DECODER = msgspec.json.Decoder(float_hook=_number)
_ENCODER = msgspec.json.Encoder(decimal_format="number")


def parse(data: bytes, file: str = "") -> tuple[Any, str, list[Issue]]:
    """Return the value, the text it came from, and what is wrong with the text.

    With a fatal issue the value is None. Numbers are int or Decimal, as written. A key that
    stands twice is an error: one reader keeps the first, another the last.
    """

    def fatal(message: str, line: int = 0, column: int = 0, hint: str = "") -> list[Issue]:
        return [
            Issue(
                "fatal",
                "structure",
                "json",
                message,
                hint=hint,
                file=file,
                line=line,
                column=column,
            )
        ]

    if not data.strip():
        return None, "", fatal("the file is empty")
    if len(data) > MOST_BYTES:
        hint = "write it as NDJSON"
        return None, "", fatal(f"larger than {MOST_BYTES >> 20} MiB", hint=hint)
    if b"\0" in data[:8192]:
        return None, "", fatal("is a binary file, not JSON")
    found, value = _as_written(data)
    if found:
        return value, data.decode("utf-8"), []
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        return None, "", fatal(f"not UTF-8 at byte {error.start + 1}", line=line)
    issues = []
    if text.startswith("\ufeff"):
        text = text[1:]
        issues.append(
            Issue(
                "warning", "structure", "json", "begins with a byte-order mark", file=file, line=1
            )
        )
    twice = False

    def members(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        nonlocal twice
        found = dict(pairs)
        twice = twice or len(found) != len(pairs)
        return found

    try:
        value = json.loads(
            text, parse_float=_number, parse_constant=_no_constant, object_pairs_hook=members
        )
    except _NoNumber as error:
        place = max(text.find(str(error)), 0)
        where = line_and_column(text, place)
        shown = str(error) if str(error)[-1:].isalpha() else "a number beyond all measure"
        return None, text, fatal(f"{shown} is not JSON that can be used", *where)
    except json.JSONDecodeError as error:
        ends = error.pos >= len(text.rstrip()) or "Unterminated string" in error.msg
        hint = "the text ends in the middle: was the file cut short?" if ends else ""
        return None, text, fatal(f"not JSON: {error.msg}", error.lineno, error.colno, hint)
    except RecursionError:
        return None, text, fatal(f"nested more than {MOST_DEPTH} deep")
    except ValueError:  # an integer of more digits than Python reads
        return None, text, fatal("holds a whole number of thousands of digits")
    if re.search(r"\\u[dD][89a-fA-F]", text) and not _is_text(value):
        return None, text, fatal("holds half of a character (a lone surrogate)")
    if twice:
        seen: set[JsonPath] = set()
        doubled: set[JsonPath] = set()
        lines = Lines(text)
        for path, offset in _members(text):
            if any(path[:length] in doubled for length in range(1, len(path))):
                continue  # below a doubled key everything stands twice
            if path in seen:
                doubled.add(path)
                line, column = lines.of(offset)
                issues.append(
                    Issue(
                        "error",
                        "structure",
                        "duplicate-key",
                        "a key stands twice in one object",
                        value=str(path[-1]),
                        hint="readers differ in which one they keep",
                        file=file,
                        line=line,
                        column=column,
                        location=_dotted(value, path),
                    )
                )
            seen.add(path)
    return value, text, issues


def _as_written(data: bytes) -> tuple[bool, Any]:
    """Return the value of a text that is what our own writer makes of that value, if it is one.

    Such a text has no key twice, no broken character and no number that is not one, and is read
    five times as fast.
    """
    try:
        value = _DECODER.decode(data)
        return _ENCODER.encode(value) == data.rstrip(b"\r\n"), value
    except (msgspec.MsgspecError, ValueError, ArithmeticError, RecursionError, TypeError):
        return False, None


def _is_text(value: Any) -> bool:
    try:
        json.dumps(value, ensure_ascii=False, default=str).encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


def _dotted(root: Any, path: JsonPath) -> str:
    """Return a path as FHIRPath writes it, from the type of the resource on."""
    text = shown_type(root.get("resourceType") if isinstance(root, dict) else None, "$this")
    for step in path:
        text += f"[{step}]" if isinstance(step, int) else f".{shown_key(step, '?')}"
    return text


class Lines:
    """The lines of a text, for finding many places in it."""

    def __init__(self, text: str) -> None:
        self._starts = [0, *(match.end() for match in re.finditer("\n", text))]

    def of(self, offset: int) -> tuple[int, int]:
        """Return line and column, from 1, of an offset."""
        line = bisect_right(self._starts, offset)
        return line, offset - self._starts[line - 1] + 1


def line_and_column(text: str, offset: int) -> tuple[int, int]:
    """Return line and column, from 1, of one offset in a text."""
    return Lines(text).of(offset)


def positions(text: str) -> dict[JsonPath, int]:
    """Return where each element of a JSON text begins: a member at its key, an item at its value.

    Only for text that `parse` accepts. This is slow and used only when there is something to say.
    """
    found: dict[JsonPath, int] = {(): len(text) - len(text.lstrip())}
    for path, offset in _members(text):
        found.setdefault(path, offset)
    return found


def _members(text: str) -> Iterator[tuple[JsonPath, int]]:
    """Yield the path and offset of each member and item, in the order of the text."""
    # A stack of [path, is an object, next index]; no recursion, so depth costs nothing.
    stack: list[tuple[JsonPath, bool, list[int]]] = []
    path: JsonPath = ()
    place, length = 0, len(text)
    value_next = True
    while place < length:
        place = _SPACE.match(text, place).end()  # type: ignore[union-attr]
        if place >= length:
            return
        character = text[place]
        if value_next:
            value_next = False
            if character in "{[":
                stack.append((path, character == "{", [0]))
                place += 1
                continue
            if character not in "]}":
                pattern = _STRING if character == '"' else _SCALAR
                place = pattern.match(text, place).end()  # type: ignore[union-attr]
                continue
        parent, is_object, index = stack[-1]
        if character in "]}":
            stack.pop()
            place += 1
        elif character == ",":
            place += 1
        elif is_object:
            key = _STRING.match(text, place)
            assert key is not None  # the text is JSON
            path = (*parent, json.loads(key[0]))
            yield path, place
            place = _SPACE.match(text, key.end()).end() + 1  # type: ignore[union-attr]
            value_next = True
        else:
            path = (*parent, index[0])
            index[0] += 1
            yield path, place
            value_next = True
