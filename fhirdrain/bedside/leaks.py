"""Air leaks over time: each look for one, and the spell between two plain nones.

What was not tested is no "none": a leak has ended only where a look at rest and on cough found
nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from fhirdrain.bedside.reading import Part, Reading

__all__ = ["Look", "Spell", "looks_for_leak", "newest_spell"]

_NOT_TESTED = "not-tested"


@dataclass(frozen=True, slots=True)
class Look:
    """One look for a leak: its last reading, and what was seen at rest and on cough (None: not
    said). `leak` is None where one look that there is was not taken.
    """

    reading: Reading
    at_rest: Part | None
    on_cough: Part | None
    leak: bool | None

    @property
    def time(self) -> datetime:
        """Return when it was taken."""
        return self.reading.time

    @property
    def not_tested(self) -> tuple[str, ...]:
        """Return which of the two looks are charted as not taken."""
        seen = (("at-rest", self.at_rest), ("on-cough", self.on_cough))
        return tuple(name for name, word in seen if word == _NOT_TESTED)


@dataclass(frozen=True, slots=True)
class Spell:
    """The newest leak: the looks that saw it, the last plain none before, and the looks behind.

    `before` is None where it was there when it was first looked for.
    """

    looks: tuple[Look, ...]
    before: Look | None
    behind: tuple[Look, ...]

    @property
    def nones(self) -> tuple[Look, ...]:
        """Return the looks behind it that plainly found none."""
        return tuple(look for look in self.behind if look.leak is False)

    @property
    def seen_over(self) -> timedelta:
        """Return how long it was surely there."""
        return self.looks[-1].time - self.looks[0].time

    @property
    def at_most(self) -> timedelta | None:
        """Return how long it can have been there, None where that has no end or no beginning."""
        if self.before is None or not self.nones:
            return None
        return self.nones[0].time - self.before.time


def looks_for_leak(readings: Iterable[Reading], until: datetime) -> list[Look]:
    """Return the looks for a leak in order of time; what was charted together is one look."""
    looks: list[Look] = []
    for reading in readings:
        if reading.observable != "air-leak" or not reading.said or reading.time > until:
            continue
        look = _look(reading)
        if looks and _together(looks[-1].reading, reading):
            look = _both(looks.pop(), look)
        looks.append(look)
    return looks


def newest_spell(looks: Sequence[Look]) -> Spell | None:
    """Return the newest leak, which a plain none ends; None where none was ever seen."""
    spell: list[Look] = []
    before: Look | None = None
    none: Look | None = None  # the last plain none, if no leak was seen since
    for look in looks:
        if look.leak:
            if none is not None or not spell:
                spell, before = [], none
            spell.append(look)
            none = None
        elif look.leak is False:
            none = look
    if not spell:
        return None
    behind = tuple(look for look in looks if look.time > spell[-1].time)
    return Spell(tuple(spell), before, behind)


def _look(reading: Reading) -> Look:
    parts = reading.parts
    at_rest, on_cough = parts.get("at-rest"), parts.get("on-cough")
    if "present" in (reading.value, at_rest, on_cough):
        leak: bool | None = True
    else:
        leak = False if [at_rest, on_cough] == ["none", "none"] else None
    return Look(reading, at_rest, on_cough, leak)


def _together(one: Reading, other: Reading) -> bool:
    return one.time == other.time or (one.round is not None and one.round == other.round)


def _both(one: Look, other: Look) -> Look:
    """Return two looks charted together as one; what either saw was seen."""
    leaks = (one.leak, other.leak)
    at_rest = _worse(one.at_rest, other.at_rest)
    on_cough = _worse(one.on_cough, other.on_cough)
    leak = True if True in leaks else False if [at_rest, on_cough] == ["none", "none"] else None
    return replace(other, at_rest=at_rest, on_cough=on_cough, leak=leak)


def _worse(one: Part | None, other: Part | None) -> Part | None:
    for word in ("present", _NOT_TESTED, "none"):
        if word in (one, other):
            return word
    return None
