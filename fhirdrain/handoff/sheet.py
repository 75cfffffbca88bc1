"""What to say: the parts of a sheet in the order in which the next nurse needs them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from fhirdrain.bedside.saying import Saying, say
from fhirdrain.handoff.asked import (
    Asked,
    change_lines,
    figure_lines,
    find_asked,
    order_lines,
    question_lines,
)
from fhirdrain.handoff.bed import Bed, Watched
from fhirdrain.handoff.checked import (
    Checked,
    charted_lines,
    find_checked,
    missing_lines,
    remark_lines,
)
from fhirdrain.handoff.colour import Colour, colour_lines, find_colour
from fhirdrain.handoff.drained import Drained, find_drained, lately_lines, shift_lines
from fhirdrain.handoff.leak import Leak, find_leak, leak_lines
from fhirdrain.handoff.lines import Line, Part
from fhirdrain.handoff.run import Run, find_run, run_lines
from fhirdrain.handoff.unit import Unit, find_unit, unit_lines
from fhirdrain.handoff.which import Which, find_which, title_of, which_lines

__all__ = ["Block", "Sheet", "make_sheet"]


@dataclass(frozen=True)
class Block:
    """What is known of one drain, and what is said of it."""

    drain: Watched
    which: Which
    run: Run
    leak: Leak
    drained: Drained
    unit: Unit
    colour: Colour
    checked: Checked
    asked: Asked
    title: Saying
    parts: tuple[Part, ...]


@dataclass(frozen=True)
class Sheet:
    """One patient's sheet: the bed it is of, a block a drain, and what is said of it as a whole."""

    bed: Bed
    blocks: tuple[Block, ...]
    notes: tuple[Saying, ...]


def make_sheet(bed: Bed) -> Sheet:
    """Return a patient's sheet: drains in place first, by their names, then those that are out."""
    drains = sorted(bed.drains, key=lambda d: (d.removed is not None, d.name, d.episode))
    notes = list(bed.notes)
    notes += (say("gone", name=name, time=time) for name, time in bed.gone)
    if not drains:
        notes.append(say("no-drain-in-place"))
    return Sheet(bed, tuple(_block(drain, bed) for drain in drains), tuple(notes))


def _block(drain: Watched, bed: Bed) -> Block:
    shift = bed.shift
    which, run, leak = find_which(drain), find_run(drain), find_leak(drain)
    drained, unit, colour = find_drained(drain, shift), find_unit(drain), find_colour(drain)
    asked = find_asked(drain, bed, drained.doubtful)
    checked = find_checked(drain, shift, _with_remarks(run, leak))
    out = drain.removed is not None
    led = drain.led_into is not None
    found: list[tuple[str, Sequence[Line]]] = [("which", which_lines(which))]
    if not out:
        found.append(("run", run_lines(run, shift)))
        found.append(("leak", leak_lines(leak, shift)))
    found.append(("shift", shift_lines(drained, shift)))
    if not out and not led:
        found.append(("lately", lately_lines(drained, shift)))
    if not out:
        found.append(("colour", colour_lines(colour, shift)))
        if not led:
            found.append(("unit", unit_lines(unit, shift)))
    found.append(("changes", change_lines(asked)))
    found.append(("figures", figure_lines(asked, has_policy=bed.has_policy)))
    found.append(("questions", question_lines(asked)))
    found.append(("orders", order_lines(asked) if not out else ()))
    found.append(("remarks", remark_lines(checked)))
    found.append(("charted", charted_lines(checked)))
    found.append(("missing", missing_lines(checked) if not out else ()))
    parts = tuple(Part(name, tuple(lines)) for name, lines in found if lines)
    return Block(
        drain, which, run, leak, drained, unit, colour, checked, asked, title_of(drain), parts
    )


def _with_remarks(run: Run, leak: Leak) -> set[str]:
    """Return the readings beside which these parts show what was written to them."""
    shown = {leak.last.reading.identity} if leak.last is not None else set()
    if run.mode is not None and run.mode.value in ("clamped", "capped"):
        shown.add(run.mode.identity)
    return shown
