"""The air leak: at rest and on cough, when first and last charted, and what was not tested."""

from __future__ import annotations

from dataclasses import dataclass

from fhirdrain.bedside.leaks import Look, Spell, looks_for_leak, newest_spell
from fhirdrain.bedside.reading import Reading
from fhirdrain.bedside.saying import Word, say
from fhirdrain.handoff.bed import Shift, Watched
from fhirdrain.handoff.lines import Line, look, noted, plain, quiet, stale

# The looks that found nothing are named up to so many, the last ones.
_NAMED = 6


@dataclass(frozen=True, slots=True)
class Leak:
    """The last look for a leak, the newest leak, and its last measured flow."""

    last: Look | None
    spell: Spell | None
    flow: Reading | None


def find_leak(drain: Watched) -> Leak:
    """Return what is known of a drain's air leak."""
    looks = looks_for_leak(drain.readings, drain.at)
    return Leak(looks[-1] if looks else None, newest_spell(looks), drain.last("air-leak-flow"))


def leak_lines(leak: Leak, shift: Shift) -> list[Line]:
    """Return what is said of an air leak."""
    if leak.last is None:
        return [look("leak-not-charted")]
    last = leak.last
    seen = []
    for name, word in (("at-rest", last.at_rest), ("on-cough", last.on_cough)):
        state = Word("air-leak", str(word or "not-charted"), name)
        seen.append(say("leak-when", when=Word("air-leak", name, "when"), state=state))
    parts = last.reading.parts
    more = [Word("air-leak", str(parts[n]), n) for n in ("phase", "origin") if n in parts]
    says = say("leak-seen", seen=tuple(seen), time=last.time)
    if more:
        says = say("together", items=(says, *more))
    none = last.leak is False
    lines = [noted(Line(says, "plain" if none else "look"), last.reading)]
    if last.reading.value == "present" and last.at_rest is None and last.on_cough is None:
        lines = [noted(look("leak-seen-somehow", time=last.time), last.reading)]
    if leak.spell is not None:
        lines += _spell_lines(leak.spell)
    elif last.leak is not False:
        lines.append(plain("no-leak-charted"))
    if leak.flow is not None:
        lines.append(plain("leak-flow", flow=leak.flow, time=leak.flow.time))
    if stale(last.reading, shift.window.start):
        lines.append(look("not-looked-this-shift"))
    return lines


def _spell_lines(spell: Spell) -> list[Line]:
    first, last = spell.looks[0], spell.looks[-1]
    if spell.before is not None:
        lines = [plain("leak-first", first=first.time, before=spell.before.time)]
    else:
        lines = [plain("leak-first-since-first-look", first=first.time)]
    lines.append(plain("leak-last", last=last.time))
    nones = tuple(none.time for none in spell.nones)
    if nones:
        lines.append(plain("leak-nones", times=nones[:2] if len(nones) > _NAMED else nones))
        if len(nones) > _NAMED:
            lines.append(plain("leak-nones-more", times=len(nones) - 2, last=nones[-1]))
    untested = [one for one in spell.behind if one.leak is None and one.not_tested]
    for one in untested[-2:]:
        what = tuple(Word("air-leak", name, "when") for name in one.not_tested)
        lines.append(plain("leak-untested", what=what, time=one.time))
    if spell.at_most is not None:
        lines.append(plain("leak-lasted", seen=spell.seen_over, most=spell.at_most))
    elif spell.seen_over:
        lines.append(quiet("leak-seen-over", seen=spell.seen_over))
    return lines
