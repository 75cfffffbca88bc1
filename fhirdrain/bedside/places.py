"""Where a drain lies: side, space, and the position in words."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from fhirdrain.bedside.reading import Reading
from fhirdrain.bedside.settings import DrainSettings


@dataclass(frozen=True, slots=True)
class Place:
    """Where a drain lies: side, space, and the position in words if any."""

    side: str
    space: str
    position: str | None = None


def place_at(sites: Sequence[Reading], settings: DrainSettings, at: datetime) -> Place:
    """Return where a tube lay at a time: by its last drain-site reading, else by the site file.

    `sites` are its drain-site readings in order of time. What one leaves open is taken from the
    site file, never from an earlier reading.
    """
    place = bisect_right(sites, at, key=lambda reading: reading.time)
    if not place:
        return Place(settings.side, settings.space)
    parts = sites[place - 1].parts
    position = parts.get("position")
    return Place(
        str(parts.get("side", settings.side)),
        str(parts.get("space", settings.space)),
        None if position is None else str(position),
    )
