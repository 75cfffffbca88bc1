"""What a site's policy says of its drains: each figure met, not met, or not to be judged.

A figure is a prompt to look, in the site's own words and with its source; it is never advice. What
cannot be known is never taken for less than the figure, nor for more.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from decimal import Decimal
from itertools import pairwise
from typing import Literal

from fhirdrain.bedside.joins import Join
from fhirdrain.bedside.ledger import Ledger
from fhirdrain.bedside.orders import Order, in_force
from fhirdrain.bedside.rates import weight_at
from fhirdrain.bedside.reading import Reading
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


@dataclass(frozen=True, slots=True)
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


@dataclass(frozen=True, slots=True)
class Judgement:
    """The answer to one figure for some drains: why, since when, and by which readings."""

    figure: Figure
    drains: tuple[str, ...]
    answer: Answer
    why: str
    time: datetime | None = None
    readings: tuple[Reading, ...] = ()


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
    return replace(judgement, why=f"{judgement.why}; nothing is charted of {', '.join(absent)}")


def _answer(
    figure: Figure,
    drains: Sequence[Drained],
    answer: Answer,
    why: str,
    time: datetime | None = None,
    readings: Iterable[Reading] = (),
) -> Judgement:
    return Judgement(figure, tuple(d.name for d in drains), answer, why, time, tuple(readings))


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
        for output in drain.ledger.outputs:
            instant = output.start == output.end  # two marks of one minute
            behind = output.start is not None and output.start >= end
            if output.end <= start or (output.end > end if instant else behind):
                continue
            most += output.value
            if output.start is not None and start <= output.start and output.end <= end:
                least += output.value
                readings.append(output.closing)
        unknown = unknown or _is_open(drain, start, end, [d.name for d in drains])
    doubtful = {r.identity for d in drains for r in (*d.doubles, *d.ledger.doubtful)}
    unsure = any(reading.identity in doubtful for reading in readings)
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
    known = [(o.start, o.end) for o in ledger.outputs if o.start is not None]
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
    unsure = ""
    for end in _ends(drains, figure.after):
        kept = [d for d in drains if _is_of(figure, d, end) is not False]
        span = _span(kept, end - figure.within, end)
        told = all(_is_of(figure, d, end) for d in kept)
        limit = _limit(figure, drains, end)
        if limit is None:
            unsure = unsure or f"no weight is charted up to {end:%d %b %H:%M}"
        elif told and span.least > limit.amount:
            why = f"{span.least} mL in the {_text(figure.within)} to {end:%d %b %H:%M}{limit.why}"
            if span.unsure:
                why += ", with amounts that may be charted twice"
            return _answer(figure, drains, "met", why, end, [*span.readings, *limit.weights])
        elif span.most is None:
            unsure = unsure or f"not all is known of what drained up to {end:%d %b %H:%M}"
        elif span.most > limit.amount:
            unsure = unsure or f"up to {end:%d %b %H:%M} it may have been {span.most} mL"
            if not told:
                unsure = "no appearance is charted"
    if not any(drain.ledger.outputs for drain in drains):
        return _answer(figure, drains, "cannot be judged", "no amount is known")
    if unsure:
        return _answer(figure, drains, "cannot be judged", unsure)
    unit = "mL/kg" if figure.by_weight else "mL"
    return _answer(figure, drains, "not met", f"never more than {figure.above} {unit}")


@dataclass(frozen=True, slots=True)
class _Limit:
    """What a figure comes to in mL, and the weight that it comes to that by, with a word on it."""

    amount: Decimal
    weights: tuple[Reading, ...] = ()
    why: str = ""


def _limit(figure: Figure, drains: Sequence[Drained], at: datetime) -> _Limit | None:
    """Return what a figure comes to in mL at a time; None where no weight is charted by then."""
    assert figure.above is not None
    if not figure.by_weight:
        return _Limit(figure.above)
    weight = weight_at(drains[0].weights, at)
    if weight is None or not weight.amount:
        return None
    why = f", at {weight.amount} kg of {weight.time:%d %b %H:%M}"
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
    last = _last(drain, "appearance", at)
    return None if last is None else last.value in figure.appearance


def _stopped(
    figure: Figure, drains: Sequence[Drained], settings: Settings, now: datetime
) -> Judgement:
    assert figure.above is not None
    assert figure.within is not None
    assert figure.after is not None
    if all(d.ledger.removed is not None for d in drains):
        return _answer(figure, drains, "not met", "the drain is out")
    ends = _ends(drains)
    drained = [o.end for d in drains for o in d.ledger.outputs if o.value > 0]
    if not ends or not any(d.ledger.outputs for d in drains):
        return _answer(figure, drains, "cannot be judged", "no amount is known")
    last, stop = ends[-1], max(drained, default=None)
    if stop is None:
        unknown = _span(drains, ends[0], last).most is None
        answer: Answer = "cannot be judged" if unknown else "not met"
        return _answer(figure, drains, answer, "nothing is known to have drained")
    since, when = _span(drains, stop, last), f"{stop:%d %b %H:%M}"
    if since.most is None:
        return _answer(figure, drains, "cannot be judged", f"not all is known since {when}")
    if last - stop < figure.after:
        if now - stop >= figure.after:
            why = f"it drained up to {when}, and was not read for so long since"
            return _answer(figure, drains, "cannot be judged", why)
        return _answer(figure, drains, "not met", f"it drained up to {when}")
    before, limit = _span(drains, stop - figure.within, stop), _limit(figure, drains, stop)
    if limit is None:
        return _answer(figure, drains, "cannot be judged", "no weight is charted by then")
    if before.least > limit.amount:
        why = f"nothing since {when}, {before.least} mL before{limit.why}"
        found = [*before.readings, *since.readings, *limit.weights]
        return _answer(figure, drains, "met", why, stop + figure.after, found)
    if before.most is None or before.most > limit.amount:
        return _answer(figure, drains, "cannot be judged", "how much drained before is not known")
    return _answer(figure, drains, "not met", "no more than that had drained before")


def _level(
    figure: Figure, drains: Sequence[Drained], settings: Settings, now: datetime
) -> Judgement:
    assert figure.above is not None
    (drain,) = drains
    if drain.ledger.removed is not None:
        return _answer(figure, drains, "not met", "the drain is out")
    low, run = drain.ledger.low, drain.ledger.marks
    if low is not None:
        why = f"the level fell at {low.time:%d %b %H:%M}, and why is not known"
        return _answer(figure, drains, "cannot be judged", why, None, [low])
    if not run:
        return _answer(figure, drains, "cannot be judged", "no level of this unit is charted")
    height, last = run[-1]
    why = f"{height} mL at {last.time:%d %b %H:%M}"
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
        return _answer(figure, drains, "not met", "the drain is out")
    if any(join.end is None for join in drain.away):
        return _answer(figure, drains, "not met", "it is led into another drain's unit")
    read = [r for r in drain.readings if r.said and _tells_volume(r)]
    since = read[-1].time if read else drain.ledger.since
    if since is None:
        return _answer(figure, drains, "cannot be judged", "nothing is charted of it")
    why = f"{'last' if read else 'here, and none'} charted {since:%d %b %H:%M}"
    if now - since > figure.after:
        return _answer(figure, drains, "met", why, since + figure.after, read[-1:])
    return _answer(figure, drains, "not met", why, None, read[-1:])


# -- how it is run --------------------------------------------------------------------------


def _order(
    figure: Figure, drains: Sequence[Drained], settings: Settings, now: datetime
) -> Judgement:
    """Hold the last setting against the order then in force, and the last mode against it."""
    (drain,) = drains
    if drain.ledger.removed is not None:
        return _answer(figure, drains, "not met", "the drain is out")
    mode = _last(drain, "mode", now)
    if mode is None:
        return _answer(figure, drains, "cannot be judged", "how it is run is not charted")
    if any(_contradict(drain, name, now) for name in ("mode-ordered", "suction-ordered")):
        return _answer(figure, drains, "cannot be judged", "orders of one time contradict")
    ordered = _ordered(drain, "mode-ordered", now)
    if ordered is not None and ordered.value != mode.value and mode.time < ordered.time:
        why = "how it is run was not charted since the order"
        return _answer(figure, drains, "cannot be judged", why, None, [ordered, mode])
    if ordered is not None and ordered.value != mode.value:
        why = f"ordered {ordered.value}, run on {mode.value}"
        return _answer(figure, drains, "met", why, max(ordered.time, mode.time), [ordered, mode])
    if mode.value != "suction":
        if ordered is None:
            return _answer(figure, drains, "cannot be judged", "no order of how it is run")
        return _answer(figure, drains, "not met", f"{mode.value}, as ordered", None, [mode])
    source, number = _last(drain, "suction-source", now), _last(drain, "suction-set", now)
    wanted = _ordered(drain, "suction-ordered", now)
    if wanted is None or wanted.amount is None:
        return _answer(figure, drains, "cannot be judged", "no order of suction is in force")
    if number is None or number.amount is None or number.time < wanted.time:
        return _answer(
            figure,
            drains,
            "cannot be judged",
            "suction was not read since the order",
            None,
            [wanted],
        )
    if source is None or source.value != "connected-on":
        return _answer(
            figure, drains, "cannot be judged", "whether the source is on is not charted"
            if source is None else f"the source is {source.value}", None, [wanted, number],
        )  # fmt: skip
    why = f"ordered {wanted.amount}, set {number.amount} cm[H2O]"
    if abs(wanted.amount - number.amount) > settings.suction_tolerance:
        first = max(wanted.time, _since(drain, number))
        return _answer(figure, drains, "met", why, first, [wanted, number])
    return _answer(figure, drains, "not met", why, None, [wanted, number])


def _since(drain: Drained, reading: Reading) -> datetime:
    """Return from when on an observable has been charted as in a reading, without a break."""
    since = reading.time
    for earlier in reversed(drain.readings):
        if earlier.observable == reading.observable and earlier.said and earlier.time <= since:
            if earlier.value != reading.value:
                break
            since = earlier.time
    return since


def _all_ordered(drain: Drained, observable: str, at: datetime) -> list[Reading]:
    return [
        reading
        for order in in_force(drain.orders, at)
        for reading in order.readings
        if reading.observable == observable and reading.said
    ]


def _ordered(drain: Drained, observable: str, at: datetime) -> Reading | None:
    return next(iter(_all_ordered(drain, observable, at)), None)


def _contradict(drain: Drained, observable: str, at: datetime) -> bool:
    return len({reading.value for reading in _all_ordered(drain, observable, at)}) > 1


def _clamped(
    figure: Figure, drains: Sequence[Drained], settings: Settings, now: datetime
) -> Judgement:
    assert figure.after is not None
    (drain,) = drains
    mode = _last(drain, "mode", now)
    if drain.ledger.removed is not None:
        return _answer(figure, drains, "not met", "the drain is out")
    if mode is None:
        return _answer(figure, drains, "cannot be judged", "how it is run is not charted")
    if mode.value != "clamped":
        return _answer(figure, drains, "not met", f"{mode.value} at {mode.time:%d %b %H:%M}")
    since = _since(drain, mode)
    why = f"clamped since {since:%d %b %H:%M}, by what is charted"
    if now - since > figure.after:
        return _answer(figure, drains, "met", why, since + figure.after, [mode])
    return _answer(figure, drains, "not met", why, None, [mode])


# -- what is seen ---------------------------------------------------------------------------


def _looks(drain: Drained, observable: str, until: datetime) -> list[Reading]:
    return [r for r in drain.readings if r.observable == observable and r.said and r.time <= until]


def _last(drain: Drained, observable: str, until: datetime) -> Reading | None:
    return next(reversed(_looks(drain, observable, until)), None)


def _has_leak(reading: Reading) -> bool | None:
    """Tell whether a leak was seen; None where one look that there is was not taken."""
    if "present" in (reading.value, reading.parts.get("at-rest"), reading.parts.get("on-cough")):
        return True
    looks = [reading.parts.get(name) for name in ("at-rest", "on-cough")]
    return False if looks == ["none", "none"] else None


def _rounds(looks: Sequence[Reading]) -> list[tuple[Reading, bool | None]]:
    """Return the looks for a leak with what each saw; what was charted together is one look."""
    seen: list[tuple[Reading, bool | None]] = []
    for reading in looks:
        leak = _has_leak(reading)
        if seen and _together(seen[-1][0], reading):
            _, before = seen.pop()
            leak = True if True in (before, leak) else None if None in (before, leak) else False
        seen.append((reading, leak))
    return seen


def _together(one: Reading, other: Reading) -> bool:
    return one.time == other.time or (one.round is not None and one.round == other.round)


def _leak(
    figure: Figure, drains: Sequence[Drained], settings: Settings, now: datetime
) -> Judgement:
    (drain,) = drains
    if drain.ledger.removed is not None:
        return _answer(figure, drains, "not met", "the drain is out")
    looks = _looks(drain, "air-leak", now)
    if not looks:
        return _answer(figure, drains, "cannot be judged", "no look for a leak is charted")
    seen = _rounds(looks)
    leaks = [reading for reading, leak in seen if leak]
    if not leaks:
        # That there was none before says nothing of a look that was not whole.
        looks_that_tell = seen[-1:] if figure.kind == "air-leak-new" else seen
        sure = any(leak is False for _, leak in looks_that_tell)
        why = "no leak is charted"
        return _answer(figure, drains, "not met" if sure else "cannot be judged", why)
    last = leaks[-1]
    rests = [reading for reading, _ in seen if reading.time > last.time]
    behind = [leak for reading, leak in seen if reading.time > last.time]
    nones = _in_a_row(behind)
    # The leak as it now is, or last was: from the first one behind the last plain none before it.
    spell = _spell(seen)
    if figure.kind == "air-leak-new":
        before = [r for r, leak in seen if leak is False and r.time < spell[0].time]
        if not before:
            return _answer(
                figure,
                drains,
                "cannot be judged",
                "there since it was first looked for",
                None,
                spell[:1],
            )
        why = f"none at {before[-1].time:%d %b %H:%M}, there at {spell[0].time:%d %b %H:%M}"
        again = [r for r, leak in zip(rests, behind, strict=True) if leak is False]
        if again:
            why += f", none again at {again[0].time:%d %b %H:%M}"
        if figure.rounds is not None and (ending := _ending(rests, behind, figure.rounds)):
            return _answer(figure, drains, "not met", why, None, [before[-1], spell[0], *ending])
        return _answer(figure, drains, "met", why, spell[0].time, [before[-1], spell[0]])
    if figure.kind == "air-leak-lasting":
        assert figure.after is not None
        lasted = last.time - spell[0].time
        why = f"charted from {spell[0].time:%d %b %H:%M} to {last.time:%d %b %H:%M}"
        if lasted > figure.after:
            return _answer(
                figure, drains, "met", why, spell[0].time + figure.after, [spell[0], last]
            )
        ended = next(
            (reading for reading, leak in seen if reading.time > last.time and leak is False), None
        )
        short = ended is not None and ended.time - spell[0].time <= figure.after
        if short or now - spell[0].time <= figure.after:
            return _answer(figure, drains, "not met", why, None, [spell[0], last])
        return _answer(
            figure, drains, "cannot be judged", f"{why}; when it ended is not known", None, [last]
        )
    wanted = figure.rounds or 1
    if ending := _ending(rests, behind, wanted):
        why = f"last charted {last.time:%d %b %H:%M}; none with cough {wanted} times in a row"
        return _answer(figure, drains, "met", why, ending[-1].time, [last, *ending])
    why = f"last charted {last.time:%d %b %H:%M}; none with cough {nones} times since, not {wanted}"
    return _answer(figure, drains, "not met", why, None, [last, *rests])


def _ending(
    looks: Sequence[Reading], leaks: Sequence[bool | None], wanted: int
) -> Sequence[Reading]:
    """Return the first so many looks in a row that plainly found none, if there are so many."""
    for index in range(len(looks) - wanted + 1):
        if all(leak is False for leak in leaks[index : index + wanted]):
            return looks[index : index + wanted]
    return ()


def _in_a_row(looks: Sequence[bool | None]) -> int:
    """Return how many looks at the end plainly found none."""
    count = 0
    for leak in reversed(looks):
        if leak is not False:
            break
        count += 1
    return count


def _spell(seen: Sequence[tuple[Reading, bool | None]]) -> list[Reading]:
    """Return the readings of the newest leak, which a plain none ends."""
    spell: list[Reading] = []
    ended = False
    for reading, leak in seen:
        if leak:
            spell = [reading] if ended else [*spell, reading]
            ended = False
        elif leak is False:
            ended = bool(spell)
    return spell


def _swing_lost(
    figure: Figure, drains: Sequence[Drained], settings: Settings, now: datetime
) -> Judgement:
    (drain,) = drains
    if drain.ledger.removed is not None:
        return _answer(figure, drains, "not met", "the drain is out")
    looks = [r for r in _looks(drain, "swing", now) if r.value in _SWINGS]
    if not looks:
        return _answer(figure, drains, "cannot be judged", "no swing is charted")
    last = looks[-1]
    before = next((r for r in reversed(looks[:-1]) if r.value != "absent"), None)
    if last.value != "absent" or before is None:
        why = f"{last.value} at {last.time:%d %b %H:%M}"
        return _answer(figure, drains, "not met", why, None, [last])
    mode = _last(drain, "mode", last.time)
    if mode is None:
        why = "absent, and how it was run is not charted"
        return _answer(figure, drains, "cannot be judged", why, None, [last])
    on = str(mode.value)
    found = [before, last, mode]
    if mode.value in ("clamped", "capped"):
        return _answer(figure, drains, "not met", f"absent while {mode.value}", None, found[1:])
    if mode.value == "suction":
        source = _last(drain, "suction-source", last.time)
        if source is None or source.value == "not-checked":
            why = "absent on suction, and whether the source was on is not charted"
            return _answer(figure, drains, "cannot be judged", why, None, found[1:])
        found.append(source)
        if source.value == "connected-on":
            return _answer(figure, drains, "not met", "absent on suction", None, found[1:])
        on = f"suction, its source {source.value}"
    why = f"{before.value} at {before.time:%d %b %H:%M}, absent at {last.time:%d %b %H:%M}"
    return _answer(figure, drains, "met", f"{why} on {on}", last.time, found)


_SWINGS = ("present", "reduced", "absent")


def _appearance(
    figure: Figure, drains: Sequence[Drained], settings: Settings, now: datetime
) -> Judgement:
    (drain,) = drains
    if drain.ledger.removed is not None:
        return _answer(figure, drains, "not met", "the drain is out")
    looks = _looks(drain, "appearance", now)
    if len(looks) < 2:
        return _answer(figure, drains, "cannot be judged", "not charted twice")
    last = looks[-1]
    if figure.within is not None and now - last.time > figure.within:
        why = f"{_look_of(last)} at {last.time:%d %b %H:%M}, and not charted since"
        return _answer(figure, drains, "cannot be judged", why, None, [last])
    for before, after in reversed([*pairwise(looks)]):
        if figure.within is not None and now - after.time > figure.within:
            break
        wanted = not figure.appearance or after.value in figure.appearance
        if _look_of(before) != _look_of(after) and wanted:
            why = (
                f"{_look_of(before)} at {before.time:%d %b %H:%M},"
                f" {_look_of(after)} at {after.time:%d %b %H:%M}"
            )
            return _answer(figure, drains, "met", why, after.time, [before, after])
    return _answer(figure, drains, "not met", f"{_look_of(last)}, as before", None, [last])


def _look_of(reading: Reading) -> str:
    """Return an appearance in words: what it is, as charted where it is another, how red."""
    word = str(reading.value)
    if reading.value == "other" and reading.text:
        word = f"other ({reading.text.strip().casefold()})"
    hue = reading.parts.get("hue")
    return f"{word}, {hue}" if hue else word


def _text(length: timedelta) -> str:
    hours = length / timedelta(hours=1)
    return f"{hours:g} h" if hours >= 1 else f"{length // timedelta(minutes=1)} min"


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
