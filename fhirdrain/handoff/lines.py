"""The lines that a sheet is made of."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from fhirdrain.bedside.reading import Reading
from fhirdrain.bedside.saying import Saying, Word, say

__all__ = [
    "Line",
    "Part",
    "capped",
    "look",
    "noted",
    "plain",
    "quiet",
    "reading_at",
    "reading_of",
    "stale",
]


@dataclass(frozen=True, slots=True)
class Line:
    """One thing said. What is to be looked at stands out; what was struck stands before it."""

    says: Saying
    weight: Literal["plain", "look", "quiet"] = "plain"
    struck: Saying | None = None


@dataclass(frozen=True, slots=True)
class Part:
    """One part of what is said of a drain, in its order, under its heading (a key)."""

    name: str
    lines: tuple[Line, ...]


def plain(key: str, **values: object) -> Line:
    """Return a line."""
    return Line(say(key, **values))


def look(key: str, **values: object) -> Line:
    """Return a line that asks to be looked at."""
    return Line(say(key, **values), "look")


def quiet(key: str, **values: object) -> Line:
    """Return a line for whoever wants to know."""
    return Line(say(key, **values), "quiet")


def reading_at(reading: Reading) -> Saying:
    """Return what a reading says, with its time."""
    return say("reading-at", reading=reading, time=reading.time)


def reading_of(reading: Reading, drain: str = "") -> Saying:
    """Return what was read with its time, and of which drain unless it is this one."""
    key = "reading-of" if reading.drain == drain else "reading-of-drain"
    return say(
        key,
        observable=Word("", reading.observable),
        reading=reading,
        time=reading.time,
        drain=reading.drain,
    )


def noted(line: Line, reading: Reading) -> Line:
    """Return a line with what the nurse wrote to the reading it is about."""
    if reading.note is None or not reading.note.strip():
        return line
    return Line(say("with-note", says=line.says, note=reading.note), line.weight, line.struck)


def capped(lines: Sequence[Line], most: int = 6) -> list[Line]:
    """Return the last lines, with how many more there are before them."""
    if len(lines) <= most:
        return list(lines)
    return [quiet("and-more", count=len(lines) - most), *lines[-most:]]


def stale(reading: Reading, since: datetime) -> bool:
    """Tell whether a reading is from before the shift."""
    return reading.time <= since
