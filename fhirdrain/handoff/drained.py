"""What drained: in the shift, in the last interval, in the last day, and how that goes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from decimal import Decimal
from fractions import Fraction
from typing import Literal

from fhirdrain.bedside.ledger import Output
from fhirdrain.bedside.rates import Rate
from fhirdrain.bedside.reading import Reading
from fhirdrain.bedside.saying import Saying, say
from fhirdrain.bedside.totals import Total, uncovered
from fhirdrain.bedside.windows import Window
from fhirdrain.handoff.bed import Shift, Watched, day_to
from fhirdrain.handoff.lines import Line, capped, look, plain, quiet, reading_of


@dataclass(frozen=True, slots=True)
class Trend:
    """How the last shift goes by the hour against the one before, and the totals of both."""

    goes: Literal["less", "more", "the same"]
    now: Total
    before: Total


@dataclass(frozen=True, slots=True)
class Drained:
    """The totals of the shift, of what runs since, and of the day; the last interval; the trend.

    `baseline` and `instilled` are of the shift. `outputs` are those of the shift with a note.
    `doubtful` are the amounts of the shift that may be counted twice. `rate` is that of the last
    interval, where the site's policy lets it be worked out.
    """

    shift: Total
    since: Total | None
    day: Total
    last: Output | None
    rate: Rate | None
    trend: Trend | None
    baseline: Reading | None
    instilled: tuple[Reading, ...]
    outputs: tuple[Output, ...]
    doubtful: tuple[tuple[Reading, ...], ...]
    led: tuple[str, ...]
    drain: Watched
    was_here_before: bool

    def out_by(self, moment: datetime) -> bool:
        """Tell whether the drain was out by a time; before it was here it was not."""
        removed = self.drain.removed
        return removed is not None and removed <= moment


def find_drained(drain: Watched, shift: Shift) -> Drained:
    """Return what drained, of one drain."""
    window = shift.window
    total = drain.total(window)
    before = _shift_before(drain, total)
    since = None if shift.runs or drain.at <= window.end else _since(drain, window)
    end = drain.at if shift.runs else window.end
    baseline = drain.ledger.baseline
    last = _last_interval(drain.ledger.outputs)
    rate = next((r for r in drain.rates if last is not None and _is_over(r, last)), None)
    return Drained(
        total,
        since,
        drain.total(day_to(drain.settings, end)),
        last,
        rate,
        _trend(total, before) if before is not None else None,
        baseline if baseline is not None and baseline.time >= window.start else None,
        tuple(r for r in drain.all("instilled") if r.time > window.start),
        tuple(
            o
            for o in drain.ledger.outputs
            if o.end > window.start and o.closing.note and o.closing.observable != "unit-change"
        ),
        doubtful_in(drain, total),
        tuple(name for join, name in drain.led if join.overlaps(window.start, end)),
        drain,
        not total.open and total.place is not None and before is not None,
    )


def _last_interval(outputs: Sequence[Output]) -> Output | None:
    """Return the last output that took some time, with what rose within the minute of its end."""
    last = next((o for o in reversed(outputs) if o.start != o.end), None)
    if last is None:
        return None
    together = [o.value for o in outputs if o.start == o.end == last.end]
    return replace(last, value=sum(together, last.value))


def _is_over(rate: Rate, output: Output) -> bool:
    return not rate.rolling and (rate.start, rate.end) == (output.start, output.end)


def _since(drain: Watched, shift: Window) -> Total | None:
    """Return what drained since the shift ended, None where the drain was out by then."""
    if drain.removed is not None and drain.removed <= shift.end:
        return None
    return drain.total(Window(shift.end, drain.at))


def _shift_before(drain: Watched, total: Total) -> Total | None:
    """Return the total of the shift before, None where the drain was not here in it."""
    earlier = (t for t in drain.shifts if t.window.end == total.window.start and t.place)
    return next(earlier, None)


def _trend(total: Total, last: Total) -> Trend | None:
    if total.open or total.value is None or last.value is None:
        return None
    if total.carried or last.carried:
        return None  # some of it drained in the shift before, nobody knows how much
    if any(t.place and 2 * t.place.hours < t.window.hours for t in (total, last)):
        return None  # of a few hours nothing is said by the hour
    now, then = (Fraction(one.value or 0) / one.place.hours for one in (total, last) if one.place)
    goes: Literal["less", "more", "the same"] = "the same"
    if now != then:
        goes = "less" if now < then else "more"
    return Trend(goes, total, last)


def doubtful_in(drain: Watched, total: Total) -> tuple[tuple[Reading, ...], ...]:
    """Return the groups of amounts counted in a total of which only one is surely real."""
    counted = {o.closing.identity for o in total.outputs}
    groups = [tuple(g) for g in drain.doubles if counted & {r.identity for r in g}]
    groups += [(r,) for r in drain.ledger.doubtful if r.identity in counted]
    return tuple(groups)


def amount_of(total: Total, doubtful: Sequence[Sequence[Reading]]) -> Saying:
    """Return a total in words, as far as it is known; of each group `doubtful` one may be real."""
    pair = len(doubtful) == 1 and len(doubtful[0]) == 2
    if total.value is not None:
        return say("amount", amount=total.value)
    if total.at_least is None:
        return say("amount-not-known")
    if total.at_most is None or total.at_most == total.at_least:
        return say("amount-at-least", least=total.at_least)
    return say("amount-or" if pair else "amount-between", least=total.at_least, most=total.at_most)


# -- in words -------------------------------------------------------------------------------


def shift_lines(drained: Drained, shift: Shift) -> list[Line]:
    """Return what is said of the shift."""
    lines = _total_lines(drained.shift, "shift", drained)
    if drained.baseline is not None:
        baseline = drained.baseline
        lines.append(plain("baseline", level=baseline.amount, time=baseline.time))
        if baseline.note and baseline.note.strip():
            lines.append(plain("baseline-noted", note=baseline.note))
    lines += capped([plain("instilled", amount=r, time=r.time) for r in drained.instilled])
    lines += capped(
        [plain("output-noted", output=_output(o), note=o.closing.note) for o in drained.outputs]
    )
    since = drained.since
    if since is not None and (since.outputs or since.window.hours > 1):
        lines += _total_lines(since, "since", drained)
    return lines


def _total_lines(total: Total, which: str, drained: Drained) -> list[Line]:
    """Return what is said of a total; `which` is shift, since or day."""
    if total.place is None and total.outputs:
        # What began nobody knows when drained in it, or before it.
        window = total.window
        when = say("from-to", start=window.start, end=window.end)
        amount = amount_of(total, doubtful_in(drained.drain, total))
        found = look(f"{which}-total", amount=amount, when=when, hours=window.hours)
        return [found, *_why_not_known(total, drained)]
    if total.place is None:
        key = "drain-out" if drained.out_by(total.window.start) else "not-here"
        return [plain(f"{which}-{key}", start=total.window.start, end=total.window.end)]
    amount = amount_of(total, doubtful_in(drained.drain, total))
    when = say(_place_key(total), start=total.place.start, end=total.place.end)
    key = f"{which}-total" if total.at_least is not None else f"{which}-unknown"
    values = {"amount": amount, "when": when, "hours": total.place.hours}
    whole = total.place == total.window
    weight: Literal["plain", "look"] = "look"
    if total.value is not None or which == "day":
        weight = "plain"
    says = (
        say(key, **values) if whole else say(f"{key}-in-part", window=total.window.hours, **values)
    )
    lines = [Line(says, weight)]
    if which != "day" and total.at_least is not None:
        lines += _why_not_known(total, drained)
    for output in total.carried:
        assert output.start is not None
        lines.append(
            plain(
                "carried",
                amount=output.value,
                start=output.start,
                hours=Window(output.start, total.window.start).hours,
            )
        )
    return lines


def _place_key(total: Total) -> str:
    assert total.place is not None
    if total.place.start > total.window.start:
        return "from-coming-to"
    if total.place.end < total.window.end and not total.open:
        return "from-to-removal"
    return "from-to-now" if total.open else "from-to"


def _why_not_known(total: Total, drained: Drained) -> list[Line]:
    lines: list[Line] = []
    if total.covered < 1 and not drained.led:
        for gap in uncovered(total):
            lines.append(look("stretch-not-charted", start=gap.start, end=gap.end, hours=gap.hours))
    lines += [
        look("start-not-known", amount=o.value, time=o.end)
        for o in total.outputs
        if o.start is None and o.value and total.covered < 1
    ]
    doubles = []
    for group in doubtful_in(drained.drain, total):
        readings = tuple(reading_of(r, drained.drain.name) for r in group)
        doubles.append(look("double" if len(group) > 1 else "doubtful", readings=readings))
    lines += capped(doubles)
    if drained.led:
        lines.append(look("led-in-this-time", drains=drained.led))
    return lines


def _output(output: Output) -> Saying:
    if output.start is None and not output.value:
        return say("zero-read", end=output.end)
    if output.start is None:
        return say("output-since-unknown", amount=output.value, end=output.end)
    hours = Window(output.start, output.end).hours
    return say("output", amount=output.value, start=output.start, end=output.end, hours=hours)


def lately_lines(drained: Drained, shift: Shift) -> list[Line]:
    """Return what is said of the last interval, the last day, and the trend."""
    lines: list[Line] = []
    if drained.last is None:
        lines.append(look("no-interval"))
    elif drained.rate is not None:
        rate = Fraction(drained.rate.amount) / drained.rate.hours
        key = "last-interval-with-rate" if rate >= 1 or rate == 0 else "last-interval-slow"
        lines.append(plain(key, output=_output(drained.last), rate=_whole(rate)))
    else:
        lines.append(plain("last-interval", output=_output(drained.last)))
    if drained.day.place != drained.shift.place:
        lines += _total_lines(drained.day, "day", drained)
    trend = drained.trend
    if trend is not None:
        assert trend.before.place is not None
        lines.append(
            plain(
                {"less": "trend-less", "more": "trend-more"}.get(trend.goes, "trend-same"),
                amount=trend.before.value,
                hours=trend.before.place.hours,
            )
        )
    elif drained.was_here_before:
        lines.append(quiet("no-trend"))
    return lines


def _whole(number: Fraction) -> Decimal:
    return Decimal(round(number))
