"""What a site's policy says of its drains: each figure met, not met, or not to be judged.

A figure is a prompt to look, in the site's own words and with its source; it is never advice. What
cannot be known is never taken for less than the figure, nor for more.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from decimal import Decimal
from functools import cached_property
from itertools import accumulate, pairwise
from typing import Literal

from fhirdrain.bedside.joins import Join
from fhirdrain.bedside.leaks import Look, looks_for_leak, newest_spell
from fhirdrain.bedside.ledger import Ledger, Output
from fhirdrain.bedside.orders import Order, against_order
from fhirdrain.bedside.rates import weight_at
from fhirdrain.bedside.reading import Reading, all_said, charted_since, last_said
from fhirdrain.bedside.saying import Saying, Word, say
from fhirdrain.bedside.settings import Settings

__all__ = ["Answer", "Drained", "Figure", "Judgement", "judge"]

Answer = Literal["met", "not met", "cannot be judged"]
Kind = Literal[
    "volume",
    "stopped",
    "level",
    "not-charted",
    "order",
    "air-leak-new",
    "air-leak-lasting",
    "air-leak-ended",
    "swing-lost",
    "appearance",
    "clamped",
]


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of a policy: what it says, where that is from, and which drains it is of.

    `scope` is drain (each of `drains` for itself), group (`drains` together) or patient (all of
    one patient's together); without `drains` it is of every drain. `above` is in mL, or `by_weight`
    in mL/kg; `within`, `after` and `rounds` mean what the kind of the figure makes of them (see
    `judge`).
    """

    name: str
    kind: Kind
    says: str
    source: str
    scope: Literal["drain", "group", "patient"] = "drain"
    drains: tuple[str, ...] = ()
    above: Decimal | None = None
    within: timedelta | None = None
    after: timedelta | None = None
    rounds: int | None = None
    appearance: tuple[str, ...] = ()
    by_weight: bool = False


class Outflow:
    """A drain's outputs, to be asked often what drained in some stretch of time."""

    def __init__(self, outputs: Sequence[Output]) -> None:
        self._timed = [(o.start, o) for o in outputs if o.start is not None]
        self._ends = [o.end for _, o in self._timed]
        # The earliest start of an output and those that end after it.
        self._earliest = [start for start, _ in self._timed]
        for index in range(len(self._earliest) - 2, -1, -1):
            self._earliest[index] = min(self._earliest[index], self._earliest[index + 1])
        self._untimed = [o for o in outputs if o.start is None]
        self._untimed_sums = [
            *accumulate((o.value for o in reversed(self._untimed)), initial=Decimal(0))
        ]

    def within(self, start: datetime, end: datetime) -> Iterator[tuple[datetime, Output]]:
        """Yield the outputs, each with its start, of which a part may have drained in (start, end].

        Two marks of one minute drained then.
        """
        for index in range(bisect_right(self._ends, start), len(self._timed)):
            if self._ends[index] > end and self._earliest[index] >= end:
                break
            began, output = self._timed[index]
            if output.end <= end if began == output.end else began < end:
                yield began, output

    def untimed_after(self, start: datetime) -> Decimal:
        """Return the sum of what ended after a time and began nobody knows when."""
        place = bisect_right(self._untimed, start, key=lambda o: o.end)
        return self._untimed_sums[len(self._untimed) - place]


@dataclass(frozen=True)
class Drained:
    """One drain as a policy looks at it: its readings in order of time, ledger and orders.

    `weights` are the patient's, in order of time; `away` is when it was led into another's unit and
    `into` whose that was; `doubles` are amounts that may be one with others.
    """

    name: str
    readings: Sequence[Reading]
    ledger: Ledger
    orders: Sequence[Order]
    weights: Sequence[Reading] = ()
    away: Sequence[Join] = ()
    into: Sequence[str] = ()
    doubles: Sequence[Reading] = ()
    episode: int = 1

    @cached_property
    def outflow(self) -> Outflow:
        """Return its outputs, to be asked often."""
        return Outflow(self.ledger.outputs)

    @cached_property
    def doubted(self) -> frozenset[str]:
        """Return the identities of amounts that another one may hold as well."""
        return frozenset(r.identity for r in (*self.doubles, *self.ledger.doubtful))

    @cached_property
    def _looks(self) -> list[Reading]:
        return [r for r in self.readings if r.observable == "appearance" and r.said]

    def appearance_at(self, at: datetime) -> Reading | None:
        """Return the last appearance charted for a time or before."""
        known = bisect_right(self._looks, at, key=lambda reading: reading.time)
        return self._looks[known - 1] if known else None


@dataclass(frozen=True, slots=True)
class Judgement:
    """The answer to one figure for some drains: why, since when, and by which readings.

    `why` is said one after the other. `tubes` are the drains with their episodes. `last` is when it
    was so again for the last time, None where it was so once or still is.
    """

    figure: Figure
    drains: tuple[str, ...]
    answer: Answer
    why: tuple[Saying, ...]
    time: datetime | None = None
    readings: tuple[Reading, ...] = ()
    last: datetime | None = None
    tubes: tuple[tuple[str, int], ...] = ()


def judge(
    figures: Iterable[Figure], drains: Sequence[Drained], settings: Settings, *, now: datetime
) -> list[Judgement]:
    """Return the answers to a policy's figures for one patient's drains, as known `now`.

    The kinds: `volume`, more than `above` in some time of length `within` that ends with a reading
    (in the first `after` the drain is here; only where the last appearance charted is one of
    `appearance`); `stopped`, more than `above` in `within` and nothing in the `after` behind it;
    `level`, the unit now on the drain holds more than `above`; `not-charted`, no level or amount
    for longer than `after`; `order`, what is set or how the drain is run is not as ordered;
    `air-leak-new`, a leak after none (and it has not ended, where `rounds` say when it has);
    `air-leak-lasting`, one charted for longer than `after`; `air-leak-ended`, none at rest and on
    cough in `rounds` rounds in a row; `swing-lost`, absent off suction after it was there;
    `appearance`, another one than the time before (one of `appearance`); `clamped`, for longer
    than `after`. A drain that is out is judged by volume only.
    """
    found = []
    for figure in figures:
        own = [d for d in drains if not figure.drains or d.name in figure.drains]
        groups = [[d] for d in own] if figure.scope == "drain" else [own]
        judge_one = _JUDGES[figure.kind]
        judgements = [judge_one(figure, group, settings, now) for group in groups if group]
        if figure.scope == "group":
            judgements = [_with_absent(judgement) for judgement in judgements]
        found += judgements
    return found


def _with_absent(judgement: Judgement) -> Judgement:
    """Return a group's judgement with the drains of the group of which nothing is charted named."""
    absent = [name for name in judgement.figure.drains if name not in judgement.drains]
    if not absent:
        return judgement
    why = (*judgement.why, say("nothing-charted-of", drains=tuple(absent)))
    return replace(judgement, why=why)


def _answer(
    figure: Figure,
    drains: Sequence[Drained],
    answer: Answer,
    why: Saying | tuple[Saying, ...],
    time: datetime | None = None,
    readings: Iterable[Reading] = (),
) -> Judgement:
    why = (why,) if isinstance(why, Saying) else why
    names, tubes = tuple(d.name for d in drains), tuple((d.name, d.episode) for d in drains)
    return Judgement(figure, names, answer, why, time, tuple(readings), tubes=tubes)


# -- what drained ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Span:
    """What drained in (start, end]: surely this much, at most that much; `most` None for more.

    Of what may be charted twice the higher is taken: `unsure` tells that some of it is in it.
    """

    end: datetime
    least: Decimal
    most: Decimal | None
    readings: tuple[Reading, ...]
    unsure: bool = False


def _span(drains: Sequence[Drained], start: datetime, end: datetime) -> _Span:
    """Return what is known to have drained in (start, end], of several drains together."""
    least, most = Decimal(0), Decimal(0)
    unknown = False
    readings: list[Reading] = []
    for drain in drains:
        most += drain.outflow.untimed_after(start)
        for began, output in drain.outflow.within(start, end):
            most += output.value
            if start <= began and output.end <= end:
                least += output.value
                readings.append(output.closing)
        unknown = unknown or _is_open(drain, start, end, [d.name for d in drains])
    unsure = any(r.identity in d.doubted for d in drains for r in readings)
    return _Span(end, least, None if unknown else most, tuple(readings), unsure)


def _is_open(drain: Drained, start: datetime, end: datetime, counted: Sequence[str]) -> bool:
    """Tell whether anything may have drained in (start, end] that no output accounts for.

    What was led into the unit of one of the drains that are `counted` is counted there.
    """
    ledger = drain.ledger
    first, last = ledger.since, ledger.removed or end
    reached = max(start, first) if first is not None else start
    end = min(end, last)
    led = [(j, into in counted) for j, into in zip(drain.away, drain.into, strict=True)]
    if reached < end and any(j.overlaps(reached, end) and not there for j, there in led):
        return True
    known = [(began, o.end) for began, o in drain.outflow.within(reached, end)]
    known += [(join.start, join.end or end) for join, there in led if there]
    for begun, ended in sorted(known):
        if begun <= reached < ended:
            reached = ended
    return reached < end


def _volume(
    figure: Figure, drains: Sequence[Drained], settings: Settings, now: datetime
) -> Judgement:
    assert figure.above is not None
    assert figure.within is not None
    unsure: Saying | None = None
    met: list[tuple[_Span, _Limit]] = []
    for end in _ends(drains, figure.after):
        kept = [d for d in drains if _is_of(figure, d, end) is not False]
        span = _span(kept, end - figure.within, end)
        told = all(_is_of(figure, d, end) for d in kept)
        limit = _limit(figure, drains, end)
        if limit is None:
            unsure = unsure or say("no-weight-by", time=end)
        elif told and span.least > limit.amount:
            met[1:] = [(span, limit)]
        elif span.most is None:
            unsure = unsure or say("not-all-known-by", time=end)
        elif span.most > limit.amount:
            unsure = unsure or say("may-have-been", time=end, amount=span.most)
            if not told:
                unsure = say("no-appearance-charted")
    if met:
        return _volume_met(figure, drains, met)
    if not any(drain.ledger.outputs for drain in drains):
        return _answer(figure, drains, "cannot be judged", say("no-amount-known"))
    if unsure is not None:
        return _answer(figure, drains, "cannot be judged", unsure)
    never = "never-more-by-weight" if figure.by_weight else "never-more"
    return _answer(figure, drains, "not met", say(never, amount=figure.above))


def _volume_met(
    figure: Figure, drains: Sequence[Drained], met: Sequence[tuple[_Span, _Limit]]
) -> Judgement:
    """Say that more drained than a figure, the first time and, where it did again, the last."""
    span, limit = met[0]
    why = [say("amount-within", amount=span.least, within=figure.within, time=span.end), *limit.why]
    if span.unsure:
        why.append(say("may-be-charted-twice"))
    behind = [*span.readings, *limit.weights]
    last = None
    for again, by in met[1:]:
        last = again.end
        why += (say("last-so", time=again.end, amount=again.least), *by.why)
        if again.unsure:
            why.append(say("may-be-charted-twice"))
        behind += (r for r in (*again.readings, *by.weights) if r not in behind)
    answered = _answer(figure, drains, "met", tuple(why), span.end, behind)
    return replace(answered, last=last)


@dataclass(frozen=True, slots=True)
class _Limit:
    """What a figure comes to in mL, and the weight that it comes to that by, with a word on it."""

    amount: Decimal
    weights: tuple[Reading, ...] = ()
    why: tuple[Saying, ...] = ()


def _limit(figure: Figure, drains: Sequence[Drained], at: datetime) -> _Limit | None:
    """Return what a figure comes to in mL at a time; None where no weight is charted by then."""
    assert figure.above is not None
    if not figure.by_weight:
        return _Limit(figure.above)
    weight = weight_at(drains[0].weights, at)
    if weight is None or not weight.amount:
        return None
    why = (say("at-weight", amount=weight.amount, time=weight.time),)
    return _Limit(figure.above * weight.amount, (weight,), why)


def _ends(drains: Sequence[Drained], within_first: timedelta | None = None) -> list[datetime]:
    """Return the times at which what drained before is looked at, in order.

    They are those of all that says how much drained, or that it is not known; with a bound, as
    long after the first reading as that, and the bound itself where something drained across it.
    """
    ends = {
        reading.time
        for drain in drains
        for reading in drain.readings
        if reading.said and reading.observable in _VOLUMES
    }
    firsts = [drain.ledger.since for drain in drains if drain.ledger.since is not None]
    if within_first is not None and firsts:
        bound = min(firsts) + within_first
        outputs = [output for drain in drains for output in drain.ledger.outputs]
        across = any(o.end > bound and (o.start is None or o.start < bound) for o in outputs)
        ends = {end for end in ends if end <= bound} | ({bound} if across else set())
    return sorted(ends)


_VOLUMES = ("level", "unit-change", "output")


def _tells_volume(reading: Reading) -> bool:
    """Tell whether a reading says a level or an amount; a change need not say any."""
    return reading.observable in _VOLUMES and (
        reading.observable != "unit-change" or "closing-level" in reading.parts
    )


def _is_of(figure: Figure, drain: Drained, at: datetime) -> bool | None:
    """Tell whether what drains looks as a figure is about; None where that is not charted."""
    if not figure.appearance:
        return True
    last = drain.appearance_at(at)
    return None if last is None else last.value in figure.appearance


def _stopped(
    figure: Figure, drains: Sequence[Drained], settings: Settings, now: datetime
) -> Judgement:
    assert figure.above is not None
    assert figure.within is not None
    assert figure.after is not None
    if all(d.ledger.removed is not None for d in drains):
        return _answer(figure, drains, "not met", say("drain-is-out"))
    ends = _ends(drains)
    drained = [o.end for d in drains for o in d.ledger.outputs if o.value > 0]
    if not ends or not any(d.ledger.outputs for d in drains):
        return _answer(figure, drains, "cannot be judged", say("no-amount-known"))
    last, stop = ends[-1], max(drained, default=None)
    if stop is None:
        unknown = _span(drains, ends[0], last).most is None
        answer: Answer = "cannot be judged" if unknown else "not met"
        return _answer(figure, drains, answer, say("nothing-known-to-have-drained"))
    since = _span(drains, stop, last)
    if since.most is None:
        return _answer(figure, drains, "cannot be judged", say("not-all-known-since", time=stop))
    if last - stop < figure.after:
        if now - stop >= figure.after:
            why = say("drained-up-to-and-not-read-since", time=stop)
            return _answer(figure, drains, "cannot be judged", why)
        return _answer(figure, drains, "not met", say("drained-up-to", time=stop))
    before, limit = _span(drains, stop - figure.within, stop), _limit(figure, drains, stop)
    if limit is None:
        return _answer(figure, drains, "cannot be judged", say("no-weight-by", time=stop))
    if before.least > limit.amount:
        nothing = (say("nothing-since", time=stop, amount=before.least), *limit.why)
        found = [*before.readings, *since.readings, *limit.weights]
        return _answer(figure, drains, "met", nothing, stop + figure.after, found)
    if before.most is None or before.most > limit.amount:
        return _answer(figure, drains, "cannot be judged", say("before-not-known"))
    return _answer(figure, drains, "not met", say("no-more-before"))


def _level(
    figure: Figure, drains: Sequence[Drained], settings: Settings, now: datetime
) -> Judgement:
    assert figure.above is not None
    (drain,) = drains
    if drain.ledger.removed is not None:
        return _answer(figure, drains, "not met", say("drain-is-out"))
    low, run = drain.ledger.low, drain.ledger.marks
    if low is not None:
        why = say("level-fell", time=low.time)
        return _answer(figure, drains, "cannot be judged", why, None, [low])
    if not run:
        return _answer(figure, drains, "cannot be judged", say("no-level-of-unit"))
    height, last = run[-1]
    why = say("level-at", amount=height, time=last.time)
    if height > figure.above:
        first = next(reading for amount, reading in run if amount > figure.above)
        return _answer(figure, drains, "met", why, first.time, [first, last])
    return _answer(figure, drains, "not met", why, None, [last])


def _not_charted(
    figure: Figure, drains: Sequence[Drained], settings: Settings, now: datetime
) -> Judgement:
    assert figure.after is not None
    (drain,) = drains
    if drain.ledger.removed is not None:
        return _answer(figure, drains, "not met", say("drain-is-out"))
    if any(join.end is None for join in drain.away):
        return _answer(figure, drains, "not met", say("led-into-another"))
    read = [r for r in drain.readings if r.said and _tells_volume(r)]
    since = read[-1].time if read else drain.ledger.since
    if since is None:
        return _answer(figure, drains, "cannot be judged", say("nothing-charted"))
    why = say("last-charted" if read else "here-and-none-charted", time=since)
    if now - since > figure.after:
        return _answer(figure, drains, "met", why, since + figure.after, read[-1:])
    return _answer(figure, drains, "not met", why, None, read[-1:])


# -- how it is run --------------------------------------------------------------------------


def _order(
    figure: Figure, drains: Sequence[Drained], settings: Settings, now: datetime
) -> Judgement:
    """Hold how the drain is run against the order in force."""
    (drain,) = drains
    if drain.ledger.removed is not None:
        return _answer(figure, drains, "not met", say("drain-is-out"))
    held = against_order(drain.readings, drain.orders, settings.suction_tolerance, now)
    answer: Answer = "met" if held.verdict == "differs" else "not met"
    if held.verdict == "not compared":
        answer = "cannot be judged"
    return _answer(figure, drains, answer, held.why, held.since, held.readings)


def _clamped(
    figure: Figure, drains: Sequence[Drained], settings: Settings, now: datetime
) -> Judgement:
    assert figure.after is not None
    (drain,) = drains
    mode = last_said(drain.readings, "mode", now)
    if drain.ledger.removed is not None:
        return _answer(figure, drains, "not met", say("drain-is-out"))
    if mode is None:
        return _answer(figure, drains, "cannot be judged", say("mode-not-charted"))
    if mode.value != "clamped":
        why = say("run-at", mode=Word("mode", str(mode.value)), time=mode.time)
        return _answer(figure, drains, "not met", why)
    since = charted_since(drain.readings, mode)
    why = say("clamped-since", time=since)
    if now - since > figure.after:
        return _answer(figure, drains, "met", why, since + figure.after, [mode])
    return _answer(figure, drains, "not met", why, None, [mode])


# -- what is seen ---------------------------------------------------------------------------


def _looks(drain: Drained, observable: str, until: datetime) -> list[Reading]:
    return [r for r in drain.readings if r.observable == observable and r.said and r.time <= until]


def _leak(
    figure: Figure, drains: Sequence[Drained], settings: Settings, now: datetime
) -> Judgement:
    (drain,) = drains
    if drain.ledger.removed is not None:
        return _answer(figure, drains, "not met", say("drain-is-out"))
    looks = looks_for_leak(drain.readings, now)
    if not looks:
        return _answer(figure, drains, "cannot be judged", say("no-look-for-leak"))
    spell = newest_spell(looks)
    if spell is None:
        # That there was none before says nothing of a look that was not whole.
        looks_that_tell = looks[-1:] if figure.kind == "air-leak-new" else looks
        sure = any(look.leak is False for look in looks_that_tell)
        return _answer(
            figure, drains, "not met" if sure else "cannot be judged", say("no-leak-charted")
        )
    first, last = spell.looks[0].reading, spell.looks[-1].reading
    if figure.kind == "air-leak-new":
        if spell.before is None:
            why = say("leak-since-first-look")
            return _answer(figure, drains, "cannot be judged", why, None, [first])
        before = spell.before.reading
        there: tuple[Saying, ...] = (say("leak-after-none", before=before.time, first=first.time),)
        if spell.nones:
            there = (*there, say("none-again", time=spell.nones[0].time))
        if figure.rounds is not None and (ending := _ending(spell.behind, figure.rounds)):
            return _answer(figure, drains, "not met", there, None, [before, first, *ending])
        return _answer(figure, drains, "met", there, first.time, [before, first])
    if figure.kind == "air-leak-lasting":
        assert figure.after is not None
        why = say("leak-from-to", first=first.time, last=last.time)
        if spell.seen_over > figure.after:
            return _answer(figure, drains, "met", why, first.time + figure.after, [first, last])
        ended = spell.nones[0].time if spell.nones else None
        short = ended is not None and ended - first.time <= figure.after
        if short or now - first.time <= figure.after:
            return _answer(figure, drains, "not met", why, None, [first, last])
        unknown = (why, say("leak-end-not-known"))
        return _answer(figure, drains, "cannot be judged", unknown, None, [last])
    wanted = figure.rounds or 1
    if ending := _ending(spell.behind, wanted):
        why = say("leak-ended", last=last.time, times=wanted)
        return _answer(figure, drains, "met", why, ending[-1].time, [last, *ending])
    nones = _in_a_row(spell.behind)
    why = say("leak-not-ended", last=last.time, times=nones, wanted=wanted)
    rests = [look.reading for look in spell.behind]
    return _answer(figure, drains, "not met", why, None, [last, *rests])


def _ending(looks: Sequence[Look], wanted: int) -> Sequence[Reading]:
    """Return the first so many looks in a row that plainly found none, if there are so many."""
    for index in range(len(looks) - wanted + 1):
        row = looks[index : index + wanted]
        if all(look.leak is False for look in row):
            return [look.reading for look in row]
    return ()


def _in_a_row(looks: Sequence[Look]) -> int:
    """Return how many looks at the end plainly found none."""
    count = 0
    for look in reversed(looks):
        if look.leak is not False:
            break
        count += 1
    return count


def _swing_lost(
    figure: Figure, drains: Sequence[Drained], settings: Settings, now: datetime
) -> Judgement:
    (drain,) = drains
    if drain.ledger.removed is not None:
        return _answer(figure, drains, "not met", say("drain-is-out"))
    looks = [r for r in all_said(drain.readings, "swing", now) if r.value in _SWINGS]
    if not looks:
        return _answer(figure, drains, "cannot be judged", say("no-swing-charted"))
    last = looks[-1]
    before = next((r for r in reversed(looks[:-1]) if r.value != "absent"), None)
    if last.value != "absent" or before is None:
        why = say("swing-at", swing=last, time=last.time)
        return _answer(figure, drains, "not met", why, None, [last])
    mode = last_said(drain.readings, "mode", last.time)
    if mode is None:
        why = say("swing-absent-mode-not-charted")
        return _answer(figure, drains, "cannot be judged", why, None, [last])
    on: object = mode
    found = [before, last, mode]
    if mode.value in ("clamped", "capped"):
        why = say("swing-absent-while", mode=mode)
        return _answer(figure, drains, "not met", why, None, found[1:])
    if mode.value == "suction":
        source = last_said(drain.readings, "suction-source", last.time)
        if source is None or source.value == "not-checked":
            why = say("swing-absent-source-not-charted")
            return _answer(figure, drains, "cannot be judged", why, None, found[1:])
        found.append(source)
        if source.value == "connected-on":
            return _answer(
                figure, drains, "not met", say("swing-absent-on-suction"), None, found[1:]
            )
        on = say("suction-with-source", source=source)
    why = say("swing-lost", swing=before, before=before.time, last=last.time, mode=on)
    return _answer(figure, drains, "met", why, last.time, found)


_SWINGS = ("present", "reduced", "absent")


def _appearance(
    figure: Figure, drains: Sequence[Drained], settings: Settings, now: datetime
) -> Judgement:
    (drain,) = drains
    if drain.ledger.removed is not None:
        return _answer(figure, drains, "not met", say("drain-is-out"))
    looks = all_said(drain.readings, "appearance", now)
    if len(looks) < 2:
        return _answer(figure, drains, "cannot be judged", say("not-charted-twice"))
    last = looks[-1]
    if figure.within is not None and now - last.time > figure.within:
        why = say("look-not-charted-since", look=last, time=last.time)
        return _answer(figure, drains, "cannot be judged", why, None, [last])
    for before, after in reversed([*pairwise(looks)]):
        if figure.within is not None and now - after.time > figure.within:
            break
        wanted = not figure.appearance or after.value in figure.appearance
        if _look_of(before) != _look_of(after) and wanted:
            why = say("look-changed", look=before, before=before.time, after=after, time=after.time)
            return _answer(figure, drains, "met", why, after.time, [before, after])
    return _answer(figure, drains, "not met", say("look-as-before", look=last), None, [last])


def _look_of(reading: Reading) -> tuple[object, ...]:
    """Return what is compared of an appearance: the word, what another one is, how red."""
    other = reading.text.strip().casefold() if reading.value == "other" and reading.text else None
    return reading.value, other, reading.parts.get("hue")


_JUDGES: dict[str, Callable[[Figure, Sequence[Drained], Settings, datetime], Judgement]] = {
    "volume": _volume,
    "stopped": _stopped,
    "level": _level,
    "not-charted": _not_charted,
    "order": _order,
    "air-leak-new": _leak,
    "air-leak-lasting": _leak,
    "air-leak-ended": _leak,
    "swing-lost": _swing_lost,
    "appearance": _appearance,
    "clamped": _clamped,
}
