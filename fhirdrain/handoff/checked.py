"""What was looked at this shift, and what was not: the list to go through together."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from fhirdrain.bedside.reading import Reading
from fhirdrain.bedside.saying import Word, say
from fhirdrain.handoff.bed import Shift, Watched
from fhirdrain.handoff.lines import Line, capped, noted, plain, reading_at
from fhirdrain.vocabulary.observables import OBSERVABLES

CHECKS = (
    "site",
    "dressing",
    "dressing-done",
    "crepitus",
    "swing",
    "tubing",
    "connections",
    "securement",
    "unit-position",
    "bedside-supplies",
)
# What is done, not looked at, is missing from no shift.
_DONE = ("dressing-done",)


@dataclass(frozen=True, slots=True)
class Checked:
    """What was charted this shift, and what was not, each with the last that was, if any was.

    `not_done` are other things of which the shift says why they were not looked at. `remarks` are
    readings of the shift to which somebody wrote something that stands nowhere else.
    """

    charted: tuple[Reading, ...]
    missing: tuple[tuple[str, Reading | None], ...]
    not_done: tuple[Reading, ...]
    remarks: tuple[Reading, ...]


# To these the remark stands with what they say, elsewhere on the sheet.
_SHOWN = ("level", "output", "unit-change", "appearance", "placed", "removed", *CHECKS)


def find_checked(drain: Watched, shift: Shift, shown: Collection[str] = ()) -> Checked:
    """Return what was looked at in a shift or since.

    `shown` are the identities of readings whose remarks stand elsewhere on the sheet.
    """
    charted: list[Reading] = []
    missing: list[tuple[str, Reading | None]] = []
    for name in CHECKS:
        last, undone = drain.last(name), drain.undone(name)
        if last is not None and last.time > shift.window.start:
            charted.append(last)
        elif name not in _DONE or undone is not None:
            missing.append((name, undone or last))
    orders = {r.identity for o in drain.orders for r in o.readings}
    not_done = tuple(
        reading
        for name in OBSERVABLES
        if name not in CHECKS
        and (reading := drain.undone(name)) is not None
        and reading.time > shift.window.start
    )
    remarks = tuple(
        r
        for r in drain.readings
        if r.said
        and r.note is not None
        and shift.window.start < r.time <= drain.at
        and r.observable not in _SHOWN
        and r.identity not in orders
        and r.identity not in shown
    )
    return Checked(tuple(charted), tuple(missing), not_done, _each_note_once(remarks))


def _each_note_once(readings: tuple[Reading, ...]) -> tuple[Reading, ...]:
    """Return readings without those that repeat the remark of another of the same minute."""
    said: set[tuple[object, ...]] = set()
    result = []
    for reading in readings:
        if (reading.time, reading.note) not in said:
            result.append(reading)
        said.add((reading.time, reading.note))
    return tuple(result)


def remark_lines(checked: Checked) -> list[Line]:
    """Return what was written by hand this shift."""
    undone = [
        noted(plain("charted", observable=Word("", r.observable), reading=reading_at(r)), r)
        for r in checked.not_done
    ]
    return undone + capped(
        [
            plain("remark", observable=Word("", r.observable), reading=reading_at(r), note=r.note)
            for r in checked.remarks
        ]
    )


def charted_lines(checked: Checked) -> list[Line]:
    """Return what was looked at this shift."""
    return [
        noted(plain("charted", observable=Word("", r.observable), reading=reading_at(r)), r)
        for r in checked.charted
    ]


def missing_lines(checked: Checked) -> list[Line]:
    """Return what was not looked at this shift."""
    lines = []
    for name, last in checked.missing:
        said = say("last-was", reading=last, time=last.time) if last is not None else say("never")
        lines.append(plain("missing", observable=Word("", name), last=said))
    return lines
