"""What a person should look at: the policy's figures, open questions, orders, and what was changed.

A figure is a prompt to look, in the site's own words and with its source. What was told at the
hand-off before and has become another is struck, not vanished.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from decimal import Decimal

from fhirdrain.bedside.findings import Finding
from fhirdrain.bedside.orders import Order, in_force
from fhirdrain.bedside.policy import Judgement
from fhirdrain.bedside.reading import Reading
from fhirdrain.bedside.saying import Saying, Verbatim, Word, say
from fhirdrain.bedside.totals import Total
from fhirdrain.handoff.bed import Bed, Watched
from fhirdrain.handoff.drained import amount_of, doubtful_in
from fhirdrain.handoff.lines import Line, capped, look, plain, quiet, reading_of

# Questions about what is further back are counted, and stand in the record.
_ASKED_FOR = timedelta(hours=24)
# Of the readings behind an answer so many are named, the last ones.
_NAMED = 4

# Figures that something happened, and not how something is.
_EVENTS = ("volume", "air-leak-new", "air-leak-ended", "appearance")

_VOLUMES = ("level", "output", "unit-change")


@dataclass(frozen=True, slots=True)
class Retold:
    """A total that was told at the hand-off before and is another now."""

    told: Total
    now: Total
    doubtful_then: tuple[tuple[Reading, ...], ...]
    doubtful_now: tuple[tuple[Reading, ...], ...]


@dataclass(frozen=True, slots=True)
class Change:
    """A reading put right, withdrawn, moved to another drain, gone, or come in late since then.

    `told` is what it said then, None where that is not known, or nothing was said.
    """

    kind: str
    reading: Reading
    told: Reading | None


@dataclass(frozen=True, slots=True)
class Asked:
    """The answers to the figures, the open questions, the orders' own words, and the changes.

    `older` counts questions about what is further back. `retold` is empty, and `knows` false, where
    it is not known what was told.
    """

    judgements: tuple[Judgement, ...]
    questions: tuple[Finding, ...]
    older: int
    orders: tuple[Reading, ...]
    orders_before: tuple[Reading, ...]
    drain: str
    changes: tuple[Change, ...]
    retold: tuple[Retold, ...]
    last: datetime
    knows: bool


def find_asked(drain: Watched, bed: Bed, shown: Sequence[Sequence[Reading]] = ()) -> Asked:
    """Return what a person should look at of one drain of a bed.

    `shown` are amounts of which another part of the sheet asks whether they are one.
    """
    said = {reading.identity for group in shown for reading in group}
    findings = [
        finding
        for finding in drain.findings
        if finding.kind != "double" or not said.issuperset(r.identity for r in finding.readings)
    ]
    recent = [f for f in findings if f.time > drain.at - _ASKED_FOR]
    open_low = [f for f in findings if f not in recent and drain.ledger.low in f.readings]
    questions = (*open_low, *recent)
    orders = [r for o in in_force(drain.orders, drain.at) for r in o.readings if r.note is not None]
    words = {(r.identity, r.note): r for r in orders}
    told = bed.told.get(drain.key) if bed.told is not None else None
    changes = _changes(drain, bed)
    return Asked(
        tuple(drain.judgements),
        tuple(questions),
        len(findings) - len(questions),
        tuple(words.values()),
        _before(drain, in_force(drain.orders, drain.at), bed.last),
        drain.name,
        tuple(changes),
        tuple(_retold(drain, told, bed.last, changes)) if told is not None else (),
        bed.last,
        bed.told is not None,
    )


def _before(drain: Watched, now: Sequence[Order], last: datetime) -> tuple[Reading, ...]:
    """Return what with words was in force at the hand-off before, and is not any more."""
    gone = [order for order in in_force(drain.orders, last) if order not in now]
    return tuple(r for order in gone for r in order.readings[:1] if r.note is not None)


def _changes(drain: Watched, bed: Bed) -> list[Change]:
    """Return what of a drain's readings is not as it was told, in order of time."""
    told = list(bed.told.values()) if bed.told is not None else []
    before = {(r.identity, r.observable): r for one in told for r in one.readings}
    found = []
    for reading in drain.readings:
        was = before.get((reading.identity, reading.observable))
        stored = reading.recorded
        # Without a time of storing only another content tells that something was changed.
        if was is None if stored is None else not bed.last < stored <= drain.at:
            continue
        change = _change(reading, was, bed)
        if change is not None:
            found.append(change)
    return sorted(found + _moved_away(drain, bed), key=lambda change: change.reading.time)


def _change(reading: Reading, was: Reading | None, bed: Bed) -> Change | None:
    """Return how a reading stored since the hand-off before is not as it was told."""
    knows = bed.told is not None
    stood = was is not None and was.real
    if not reading.real:
        gone = stood or (not reading.counts and (was is None or not knows) and not reading.test)
        return Change("withdrawn", reading, was) if gone else None
    if was is not None:
        differs = not stood or _content(was) != _content(reading)
        return Change("corrected", reading, was if stood else None) if differs else None
    if not knows and reading.status == "corrected":
        return Change("corrected", reading, None)
    late = reading.time <= bed.last and reading.observable in _VOLUMES
    return Change("late", reading, None) if late else None


def _content(reading: Reading) -> tuple[object, ...]:
    """Return what a reading says; 90 and 90.0 say the same."""
    value = reading.value
    if isinstance(value, Decimal):
        reading = replace(reading, value=value.normalize())
    return reading.content


def _moved_away(drain: Watched, bed: Bed) -> list[Change]:
    """Return what was told of a drain and is a reading of another one now, or of none."""
    told = bed.told.get(drain.key) if bed.told is not None else None
    if told is None:
        return []
    here = {(r.identity, r.observable) for r in drain.readings}
    there = {
        (r.identity, r.observable): r
        for other in bed.drains
        if other is not drain
        for r in other.readings
    }
    return [
        Change("moved", there[name], reading) if name in there else Change("gone", reading, reading)
        for reading in told.readings
        if (name := (reading.identity, reading.observable)) not in here and reading.real
    ]


def _retold(
    drain: Watched, told: Watched, last: datetime, changes: Sequence[Change]
) -> list[Retold]:
    """Return the totals that are others now; of a shift that ran then, only if a reading is."""
    times = [r.time for c in changes for r in (c.reading, c.told) if r is not None]
    return [
        Retold(total, now, doubtful_in(told, total), doubtful_in(drain, now))
        for total in told.shifts
        if total.window.end <= last or any(t in total.window and t <= last for t in times)
        if _figures(total) != _figures(now := drain.total(total.window))
    ]


def _figures(total: Total) -> tuple[Decimal | None, ...]:
    return total.value, total.at_least, total.at_most


# -- in words -------------------------------------------------------------------------------


def change_lines(asked: Asked) -> list[Line]:
    """Return what is said of what was changed since the hand-off before."""
    lines: list[Line] = []
    for one in asked.retold:
        window = one.now.window
        lines.append(
            Line(
                say("now-amount", amount=amount_of(one.now, one.doubtful_now)),
                "look",
                say(
                    "told-amount",
                    start=window.start,
                    end=window.end,
                    last=asked.last,
                    amount=amount_of(one.told, one.doubtful_then),
                ),
            )
        )
    # What was told and is another now is never cut short; a chart that came in late may be long.
    late = [change for change in asked.changes if change.kind == "late"]
    lines += (_change_line(one, asked.drain) for one in asked.changes if one.kind != "late")
    lines += capped([_change_line(change, asked.drain) for change in late])
    if lines and not asked.knows:
        lines.append(quiet("told-not-known"))
    return lines


def _change_line(change: Change, drain: str) -> Line:
    reading = change.reading
    values = {
        "observable": Word("", reading.observable),
        "time": reading.time,
        "stored": reading.recorded or say("time-not-known"),
    }
    before = change.told or (reading if change.kind == "withdrawn" else None)
    struck = None
    if before is not None:
        struck = _in_full(before, drain, reading)
    if change.kind == "withdrawn":
        says = say("withdrawn", **values)
    elif change.kind == "corrected":
        says = say("put-right", reading=_in_full(reading, drain, before), **values)
    elif change.kind == "moved":
        says = say("moved", reading=_in_full(reading, drain, before), **values)
    elif change.kind == "gone":
        says = say("gone-from-here", **values)
    else:
        says = say("came-late", reading=reading, **values)
    if reading.note is not None and reading.note.strip():
        says = say("with-note", says=says, note=reading.note)
    return Line(says, "look", struck)


def _in_full(reading: Reading, drain: str, other: Reading | None) -> Saying:
    """Return what a reading says, with what of it is not as in another version of it."""
    parts = reading.parts
    items: list[Saying] = [reading_of(reading, drain)]
    for name, key in (("closing-level", "closed-at"), ("opening-level", "opened-at")):
        if isinstance(parts.get(name), Decimal):
            items.append(say(key, level=parts[name]))
    if other is not None:
        if "unit-number" in parts and parts["unit-number"] != other.parts.get("unit-number"):
            items.append(say("unit-numbered", number=parts["unit-number"]))
        if reading.start is not None and reading.start != other.start:
            items.append(say("stated-since", time=reading.start))
        if reading.end is not None and reading.end != other.end:
            items.append(say("holds-until", time=reading.end))
    return say("together", items=tuple(items))


def figure_lines(asked: Asked, *, has_policy: bool) -> list[Line]:
    """Return what is said of the policy's figures, those that are met first."""
    if not has_policy:
        return [quiet("no-policy")]
    lines = []
    for answer in ("met", "cannot be judged", "not met"):
        for one in asked.judgements:
            out = any(why.key == "drain-is-out" for why in one.why)
            if one.answer == answer and not out:
                lines.append(_figure_line(one, asked.last, asked.drain))
    return lines or [quiet("no-figure-for-it")]


def _figure_line(one: Judgement, last: datetime, drain: str) -> Line:
    figure = one.figure
    values = {
        "says": figure.says,
        "source": figure.source,
        "drains": one.drains,
        "why": say("after-each-other", items=one.why),
    }
    behind = tuple(reading_of(r, drain) for r in one.readings)
    more: dict[str, object] = {}
    if behind:
        key = "behind-it" if len(behind) <= _NAMED else "behind-it-and-more"
        more["behind"] = say(key, readings=behind[-_NAMED:], more=len(behind) - _NAMED)
    if one.answer == "met":
        key = "figure-met-since" if one.time is not None else "figure-met"
        # What was met, and told, before this shift is not news.
        when = one.last or one.time
        news = figure.kind not in _EVENTS or when is None or when > last
        # What came in late was not told.
        news = news or any(r.recorded is not None and r.recorded > last for r in one.readings)
        line = look(key, time=one.time, **values) if news else plain(key, time=one.time, **values)
    elif one.answer == "cannot be judged":
        line = plain("figure-not-judged", **values)
    else:
        return quiet("figure-not-met", **values)
    if behind:
        return Line(say("together", items=(line.says, more["behind"])), line.weight)
    return line


def question_lines(asked: Asked) -> list[Line]:
    """Return the open questions, in words of this language."""
    lines: list[Line] = []
    for finding in asked.questions:
        readings = tuple(reading_of(r, asked.drain) for r in finding.readings[:_NAMED])
        lines.append(
            look(f"question-{finding.kind}", readings=readings)
            if readings
            else look(f"question-{finding.kind}", readings=(say("time-of", time=finding.time),))
        )
    lines = capped(lines)
    if asked.older:
        lines.append(quiet("older-questions", count=asked.older))
    return lines


def order_lines(asked: Asked) -> list[Line]:
    """Return what the orders in force say in their own words."""
    return [
        plain(
            "order-in-its-words" if r.performer else "order-in-its-words-of-nobody",
            note=Verbatim(r.note),
            time=r.time,
            performer=r.performer or "",
        )
        for r in asked.orders
    ] + [
        quiet("order-not-in-force", note=Verbatim(r.note), time=r.time) for r in asked.orders_before
    ]
