"""The versions of a charted item, folded into what stands and what was withdrawn."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from fhirdrain.bedside.reading import WITHDRAWN, Reading

_EARLIEST = datetime.min.replace(tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Version:
    """One state of a charted item: its readings (one an observable), or its bare withdrawal.

    `arrival` is its place in the source, which decides where no recorded time is given.
    """

    arrival: int
    recorded: datetime | None
    readings: tuple[Reading, ...]
    withdraws: bool = False


def fold(versions: Iterable[Version]) -> list[Reading]:
    """Return one reading an observable, with the status that all the versions together give it.

    The version with the newest recorded time wins. A value put right is `corrected`; what the
    newest version no longer says was entered in error. The order of arrival makes no difference
    where recorded times are given.
    """
    ordered = sorted(versions, key=lambda v: (v.recorded or _EARLIEST, v.arrival))
    newest = ordered[-1]
    standing = {_key(reading): reading for reading in newest.readings}
    earlier: dict[tuple[str, str], list[Reading]] = {}
    for version in ordered[:-1]:
        for reading in version.readings:
            earlier.setdefault(_key(reading), []).append(reading)
    result = [_with_status(reading, earlier.get(key, ())) for key, reading in standing.items()]
    for key, older in earlier.items():
        if key not in standing:
            # What is gone keeps its last words and takes the time of its withdrawal.
            result.append(replace(older[-1], status=WITHDRAWN, recorded=newest.recorded))
    return result


def _key(reading: Reading) -> tuple[str, str]:
    # Magnitude and mode of one order share an identity.
    return reading.identity, reading.observable


def _with_status(reading: Reading, earlier: Sequence[Reading]) -> Reading:
    if reading.status not in ("final", "corrected"):
        return reading
    changed = any(e.content != reading.content or not e.counts for e in earlier)
    return replace(reading, status="corrected") if changed else reading
