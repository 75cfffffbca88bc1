"""Tubes that share the unit of a drain: which ones, from when to when."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from fhirdrain.bedside.reading import Reading

JOINING = ("joined", "parted")


@dataclass(frozen=True, slots=True)
class Join:
    """A further tube that emptied into a drain's unit from `start` until `end`, None for still."""

    tube: str
    start: datetime
    end: datetime | None

    def holds(self, at: datetime) -> bool:
        """Tell whether the tube was joined at a time."""
        return self.start <= at and (self.end is None or at < self.end)

    def overlaps(self, start: datetime, end: datetime) -> bool:
        """Tell whether the tube was joined at any time in (start, end)."""
        return self.start < end and (self.end is None or start < self.end)


def joins_of(readings: Iterable[Reading]) -> list[Join]:
    """Return the joins of one drain in order of time; its removal ends those that go on.

    A tube joined again while it is joined goes on being joined.
    """
    open_since: dict[str, datetime] = {}
    joins: list[Join] = []
    for reading in sorted((r for r in readings if r.said), key=lambda r: r.sort_key):
        tube = str(reading.parts.get("tube", ""))
        if reading.observable == "joined":
            open_since.setdefault(tube, reading.time)
        elif reading.observable == "parted" and tube in open_since:
            joins.append(Join(tube, open_since.pop(tube), reading.time))
        elif reading.observable == "removed":
            joins += (Join(tube, start, reading.time) for tube, start in open_since.items())
            open_since.clear()
    joins += (Join(tube, start, None) for tube, start in open_since.items())
    return sorted(joins, key=lambda join: (join.start, join.tube))
