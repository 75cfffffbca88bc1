"""The mark on the chamber: which unit, how high it stands, when it was changed, room left."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from fhirdrain.bedside.reading import Reading
from fhirdrain.bedside.saying import say
from fhirdrain.handoff.bed import Shift, Watched
from fhirdrain.handoff.lines import Line, look, noted, plain, quiet, stale


@dataclass(frozen=True, slots=True)
class Unit:
    """The unit now on a drain: its last good mark, a lower one behind it, all changes of units.

    `level`, `room`, `capacity` and `on_arrival` (what was in it before anything drained here) are
    in mL, `number` is as charted; None where not known.
    """

    number: int | None
    level: Decimal | None
    marked: Reading | None
    low: Reading | None
    changes: tuple[Reading, ...]
    capacity: Decimal | None
    on_arrival: Decimal | None
    by_amounts: bool

    @property
    def room(self) -> Decimal | None:
        """Return the room left up to the capacity the site states."""
        if self.capacity is None or self.level is None or self.low is not None:
            return None
        return self.capacity - self.level


def find_unit(drain: Watched) -> Unit:
    """Return the unit now on a drain."""
    ledger = drain.ledger
    level, marked = ledger.marks[-1] if ledger.marks else (None, None)
    changes = drain.all("unit-change")
    numbered = [
        r
        for r in drain.readings
        if r.said
        and r.observable in ("level", "unit-change", "output")
        and "unit-number" in r.parts
    ]
    last = numbered[-1] if numbered else None
    # A number from before the change is the old unit's.
    known = last is not None and (not changes or last.time >= changes[-1].time)
    number = last.parts["unit-number"] if last is not None and known else None
    baseline = ledger.baseline
    here = baseline is not None and any(reading == baseline for _, reading in ledger.marks)
    return Unit(
        number if isinstance(number, int) else None,
        level,
        marked,
        ledger.low,
        tuple(changes),
        drain.settings.drain(drain.name).capacity,
        baseline.amount if here and baseline is not None else None,
        not ledger.marks and any(o.basis == "amount" for o in ledger.outputs),
    )


def unit_lines(unit: Unit, shift: Shift) -> list[Line]:
    """Return what is said of the unit now on a drain."""
    name = say("unit-numbered", number=unit.number) if unit.number is not None else say("the-unit")
    lines: list[Line] = []
    recent = [change for change in unit.changes if change.time > shift.window.start]
    for change in recent or unit.changes[-1:]:
        lines.append(noted(plain("unit-changed", change=change, time=change.time), change))
        if "closing-level" not in change.parts:
            lines.append(look("closing-level-not-charted"))
    if unit.low is not None:
        lines.append(
            look("unit-low", unit=name, level=unit.low, time=unit.low.time, before=unit.level)
        )
    elif unit.level is None or unit.marked is None:
        lines.append(plain("unit-by-amounts", unit=name) if unit.by_amounts else look("no-level"))
    else:
        stated = unit.marked.observable == "level" or "opening-level" in unit.marked.parts
        stated = stated or ("closing-level" in unit.marked.parts and not unit.changes)
        key = "unit-level" if stated else "unit-level-assumed"
        lines.append(plain(key, unit=name, level=unit.level, time=unit.marked.time))
        if unit.on_arrival:
            lines.append(quiet("on-arrival-in-it", level=unit.on_arrival))
        if unit.room is not None and unit.room >= 0:
            lines.append(plain("room-left", room=unit.room, capacity=unit.capacity))
        elif unit.room is not None:
            lines.append(look("above-capacity", capacity=unit.capacity))
        else:
            lines.append(quiet("capacity-not-known"))
        if stale(unit.marked, shift.window.start):
            lines.append(look("not-marked-this-shift"))
    return lines
