"""Do two places hold the same drains: readings, outputs and totals side by side."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from decimal import Decimal
from typing import Any, Literal

from fhirdrain.bedside.ledger import Output
from fhirdrain.bedside.reading import Reading
from fhirdrain.bedside.totals import Total

__all__ = ["Comparison", "Difference", "Side", "compare"]

# What a reading says; its name and the place it came from are each site's own.
_SAID = (
    "value",
    "unit",
    "parts",
    "absent",
    "start",
    "end",
    "status",
    "performer",
    "note",
    "recorded",
)
DrainKey = tuple[str, str, int]
Kind = Literal["drain", "reading", "output", "total"]


@dataclass(frozen=True, slots=True)
class Side:
    """One drain as one place holds it: its readings, and what the ledger makes of them."""

    readings: Sequence[Reading]
    outputs: Sequence[Output] = ()
    totals: Sequence[Total] = ()


@dataclass(frozen=True, slots=True)
class Difference:
    """One thing that the two do not say alike.

    `what` is the observable, or the window of a total; `about` the names of what differs, empty
    where only one of them has it at all. `first` and `second` are what each says: they are
    patients' values. None is nothing.
    """

    kind: Kind
    patient: str
    drain: str
    episode: int
    time: datetime | None
    what: str
    about: tuple[str, ...]
    first: Mapping[str, Any] | None
    second: Mapping[str, Any] | None


@dataclass(slots=True)
class Comparison:
    """What came of it: how many of each kind are the same, and every difference."""

    same: Counter[str] = field(default_factory=Counter)
    differences: list[Difference] = field(default_factory=list)


def compare(first: Mapping[DrainKey, Side], second: Mapping[DrainKey, Side]) -> Comparison:
    """Return how two places' drains compare; keys are patient, drain and episode."""
    result = Comparison()
    for key in sorted({*first, *second}):
        one, other = first.get(key), second.get(key)
        if one is None or other is None:
            there = {"readings": len((one or other or Side(())).readings)}
            found = Difference(
                "drain", *key, None, "", (), there if one else None, there if other else None
            )
            result.differences.append(found)
            continue
        found_here = [
            *_pairs("reading", key, _readings(one), _readings(other), result),
            *_pairs("output", key, _outputs(one), _outputs(other), result),
            *_pairs("total", key, _totals(one), _totals(other), result),
        ]
        result.differences += found_here
        if not found_here:
            result.same["drain"] += 1
    return result


Said = dict[str, Any]
Named = dict[tuple[datetime, str], list[Said]]


def _pairs(
    kind: Kind, key: DrainKey, one: Named, other: Named, result: Comparison
) -> Iterator[Difference]:
    """Yield what differs among things that are named by their time and what they are of."""
    for time, what in sorted({*one, *other}):
        left, right = list(one.get((time, what), ())), list(other.get((time, what), ()))
        for said in list(left):
            if said in right:
                left.remove(said)
                right.remove(said)
                result.same[kind] += 1
        for index in range(max(len(left), len(right))):
            mine = left[index] if index < len(left) else None
            theirs = right[index] if index < len(right) else None
            about: tuple[str, ...] = ()
            if mine is not None and theirs is not None:
                about = tuple(name for name in mine if mine[name] != theirs[name])
            yield Difference(kind, *key, time, what, about, mine, theirs)


def _readings(side: Side) -> Named:
    named: Named = {}
    for reading in side.readings:
        said = {name: _plain(getattr(reading, name)) for name in _SAID}
        named.setdefault((_instant(reading.time), reading.observable), []).append(said)
    return named


def _outputs(side: Side) -> Named:
    return _named(
        (output.end, output.basis, {"value": output.value, "start": output.start})
        for output in side.outputs
    )


def _totals(side: Side) -> Named:
    return _named(
        (
            total.window.end,
            f"since {_instant(total.window.start):%Y-%m-%dT%H:%MZ}",
            {
                "value": total.value,
                "at-least": total.at_least,
                "at-most": total.at_most,
                "covered": str(total.covered),
            },
        )
        for total in side.totals
    )


def _named(found: Iterable[tuple[datetime, str, Said]]) -> Named:
    named: Named = {}
    for time, what, said in found:
        plain = {name: _plain(value) for name, value in said.items()}
        named.setdefault((_instant(time), what), []).append(plain)
    return named


def _plain(value: Any) -> Any:
    """Return a value as it is compared: numbers by their digits, times as instants."""
    if isinstance(value, datetime):
        return _instant(value).isoformat()
    if isinstance(value, Decimal):
        return format(value, "f")
    if isinstance(value, Mapping):
        return {name: _plain(part) for name, part in sorted(value.items())}
    return value


def _instant(time: datetime) -> datetime:
    return time.astimezone(UTC)
