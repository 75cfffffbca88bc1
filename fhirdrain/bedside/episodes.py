"""Tube episodes: a label used again after a removal is another tube."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from itertools import groupby

from fhirdrain.bedside.reading import Reading


def assign_episodes(readings: Iterable[Reading]) -> list[Reading]:
    """Return the readings of one drain label in order, numbered by tube: 1, 2, ...

    A new episode begins where a drain is placed after one was removed.
    """
    episode, removed = 1, False
    result: list[Reading] = []
    ordered = sorted(readings, key=lambda r: r.sort_key)
    for _, group in groupby(ordered, key=lambda r: r.time):
        same = list(group)
        if result and not removed and any(r.said and r.observable == "removed" for r in same):
            # One tube out and the next one in within a minute: what else was charted then is of
            # the tube that was there.
            same.sort(key=lambda r: {"removed": 1, "placed": 2}.get(r.observable, 0))
        for reading in same:
            if reading.said and reading.observable == "placed" and removed:
                episode, removed = episode + 1, False
            elif reading.said and reading.observable == "removed":
                removed = True
            result.append(replace(reading, episode=episode) if episode > 1 else reading)
    return result
