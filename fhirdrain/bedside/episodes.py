"""Tube episodes: a label used again after a removal is another tube."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from fhirdrain.bedside.reading import Reading


def assign_episodes(readings: Iterable[Reading]) -> list[Reading]:
    """Return the readings of one drain label in order, numbered by tube: 1, 2, ...

    A new episode begins where a drain is placed after one was removed.
    """
    episode, removed = 1, False
    result = []
    for reading in sorted(readings, key=lambda r: r.sort_key):
        if reading.counts and reading.observable == "placed" and removed:
            episode, removed = episode + 1, False
        elif reading.counts and reading.observable == "removed":
            removed = True
        result.append(replace(reading, episode=episode) if episode > 1 else reading)
    return result
