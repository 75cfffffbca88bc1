"""The versions of a charted item, folded into what stands and what was withdrawn."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from fhirdrain.bedside.reading import WITHDRAWN, Reading

_SETTLED = ("final", "corrected", "amended")
_EARLIEST = datetime.min.replace(tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Version:
    """One state of a charted item: its readings (one an observable), or its bare withdrawal.

    A version that says nothing any more withdraws what was said before. `arrival` is its place
    in the source, which decides where a recorded time is not given; `stage` (of `stage_of`) decides
    between those of one recorded time.
    """

    arrival: int
    recorded: datetime | None
    readings: tuple[Reading, ...]
    withdraws: bool = False
    stage: int = 0


def fold(versions: Iterable[Version]) -> list[Reading]:
    """Return one reading an observable, with the status that all the versions together give it.

    The version with the newest recorded time wins; of one time, that of a later stage. A value put
    right is `corrected`; what the newest version no longer says was entered in error. The order of
    arrival makes no difference where recorded times are given.
    """
    ordered = in_order(versions)
    newest = ordered[-1]
    standing = {_key(reading): reading for reading in newest.readings}
    earlier: dict[tuple[str, str], list[Reading]] = {}
    for version in ordered[:-1]:
        for reading in version.readings:
            earlier.setdefault(_key(reading), []).append(reading)
    withdrawn_before = any(version.withdraws for version in ordered[:-1])
    result = [
        _with_status(reading, earlier.get(key, ()), withdrawn_before)
        for key, reading in standing.items()
    ]
    # What shares an identity is one statement: if a part of it was put right, it was.
    corrected = {r.identity for r in result if r.status == "corrected"}
    result = [
        replace(r, status="corrected") if r.identity in corrected and r.status == "final" else r
        for r in result
    ]
    for key, older in earlier.items():
        if key not in standing:
            # What is gone keeps its last words and takes the time of its withdrawal.
            recorded = newest.recorded or older[-1].recorded
            result.append(replace(older[-1], status=WITHDRAWN, recorded=recorded))
    return result


def in_order(versions: Iterable[Version]) -> list[Version]:
    """Return versions oldest first: by recorded time, by arrival where one of them has none."""
    versions = list(versions)
    if all(version.recorded is not None for version in versions):
        return sorted(versions, key=lambda v: (v.recorded or _EARLIEST, v.stage, v.arrival))
    return sorted(versions, key=lambda v: v.arrival)


def stage_of(readings: Sequence[Reading], *, withdraws: bool = False) -> int:
    """Return how far in a result's life a version of it is: what is final may be put right.

    One that says nothing ends it.
    """
    if withdraws or not readings:
        return _LAST_STAGE
    return max(_STAGES.get(reading.status, _LAST_STAGE) for reading in readings)


_STAGES = {"registered": 0, "preliminary": 1, "final": 2, "amended": 3, "corrected": 3}
_LAST_STAGE = 4


def _key(reading: Reading) -> tuple[str, str]:
    # Magnitude and mode of one order share an identity.
    return reading.identity, reading.observable


def _with_status(reading: Reading, earlier: Sequence[Reading], withdrawn_before: bool) -> Reading:
    """Return a standing reading, `corrected` if what was final before said something else."""
    same = [e for e in earlier if e.counts and e.time == reading.time]
    stored = [t for e in same if (t := e.first_recorded or e.recorded) is not None]
    if stored and reading.recorded is not None:
        reading = replace(reading, first_recorded=min(*stored, reading.recorded))
    if reading.status not in ("final", "corrected"):
        return reading
    changed = any(
        not e.counts
        or e.status == "corrected"
        or (e.status in _SETTLED and e.content != reading.content)
        for e in earlier
    )
    return replace(reading, status="corrected") if changed or withdrawn_before else reading
