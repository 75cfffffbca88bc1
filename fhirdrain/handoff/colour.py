"""What drains: its colour now and before, clots, and when that changed."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from fhirdrain.bedside.ledger import Output
from fhirdrain.bedside.reading import Reading
from fhirdrain.bedside.saying import Saying, Word, say
from fhirdrain.bedside.windows import Window
from fhirdrain.handoff.bed import Shift, Watched
from fhirdrain.handoff.lines import Line, look, noted, plain, stale

# Of the changes of a shift so many are named, the last ones.
_NAMED = 3


@dataclass(frozen=True, slots=True)
class Change:
    """One appearance after another: the last reading of the one, the first of the other.

    `drained` are the outputs that ended when it was first seen so.
    """

    before: Reading
    after: Reading
    drained: tuple[Output, ...]


@dataclass(frozen=True, slots=True)
class Colour:
    """The last appearance, all its changes in order of time, and how the fluid comes.

    `clots` is the last appearance that says something of clots.
    """

    now: Reading | None
    changes: tuple[Change, ...]
    clots: Reading | None
    flow: Reading | None


def find_colour(drain: Watched) -> Colour:
    """Return what drains from a drain."""
    seen = drain.all("appearance")
    clots = [reading for reading in seen if "clots" in reading.parts]
    return Colour(
        seen[-1] if seen else None,
        tuple(_changes(seen, drain.ledger.outputs)),
        clots[-1] if clots else None,
        drain.last("flow"),
    )


def _changes(seen: Sequence[Reading], outputs: Sequence[Output]) -> Iterator[Change]:
    known: dict[str, object] = {}
    for before, after in pairwise(seen):
        known |= before.parts
        if _word(before) == _word(after) and all(
            known[part] == word for part, word in after.parts.items() if part in known
        ):
            continue  # what is not charted again is not changed
        known = {}
        first = bisect_left(outputs, after.time, key=lambda o: o.end)
        last = bisect_right(outputs, after.time, key=lambda o: o.end)
        drained = tuple(o for o in outputs[first:last] if o.start is not None)
        yield Change(before, after, drained)


def _word(reading: Reading) -> tuple[object, ...]:
    other = reading.text.strip().casefold() if reading.value == "other" and reading.text else None
    return reading.value, other


def colour_lines(colour: Colour, shift: Shift) -> list[Line]:
    """Return what is said of what drains."""
    if colour.now is None:
        lines = [look("colour-not-charted")]
    else:
        now = colour.now
        lines = [noted(plain("colour-now", colour=now, time=now.time), now)]
        if colour.clots is None:
            lines.append(plain("clots-not-charted"))
        elif colour.clots is not now:
            clots = Word("appearance", str(colour.clots.parts["clots"]), "clots")
            lines.append(plain("clots-last", clots=clots, time=colour.clots.time))
        recent = [c for c in colour.changes if c.after.time > shift.window.start]
        if len(recent) > _NAMED:
            lines.append(look("colour-changes-before", count=len(recent) - _NAMED))
        for change in recent[-_NAMED:]:
            lines += _change_lines(change, now)
        for change in colour.changes[-1:] if not recent else ():
            lines.append(Line(_changed(change)))
        if stale(now, shift.window.start):
            lines.append(look("not-charted-this-shift"))
    if colour.flow is not None:
        lines.append(plain("flow", flow=colour.flow, time=colour.flow.time))
    return lines


def _changed(change: Change) -> Saying:
    before, after = change.before, change.after
    return say("colour-changed", before=before, last=before.time, colour=after, first=after.time)


def _change_lines(change: Change, now: Reading) -> Iterator[Line]:
    line = Line(_changed(change), "look")
    yield line if change.after is now else noted(line, change.after)
    for output in change.drained:
        assert output.start is not None
        hours = Window(output.start, output.end).hours
        yield plain(
            "drained-with-the-change",
            amount=output.value,
            start=output.start,
            end=output.end,
            hours=hours,
        )
