"""How a drain is run: clamped, disconnected, and what is set beside what is ordered."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from fhirdrain.bedside.orders import Held, Order, against_order, in_force
from fhirdrain.bedside.reading import Reading, charted_since
from fhirdrain.bedside.saying import Saying, say
from fhirdrain.handoff.bed import Shift, Watched
from fhirdrain.handoff.lines import Line, capped, look, noted, plain, reading_at, stale

_OFF = ("clamped", "capped")
_DISCONNECTED = ("disconnected-open", "disconnected-closed", "connected-off")


@dataclass(frozen=True, slots=True)
class Run:
    """The last mode, source and setting, the orders in force and those to come, and the verdict.

    `off_since` is from when on it has been off suction by the chart, None for a drain on suction.
    `modes` are all that were charted, `ended` is the last order if its end has passed.
    """

    mode: Reading | None
    source: Reading | None
    number: Reading | None
    connections: Reading | None
    bubbling: Reading | None
    pressure: Reading | None
    ordered: tuple[Reading, ...]
    coming: tuple[Reading, ...]
    held: Held
    off_since: datetime | None
    modes: tuple[Reading, ...]
    ended: Reading | None


def find_run(drain: Watched) -> Run:
    """Return how a drain is run."""
    orders, mode = drain.orders, drain.last("mode")
    off = mode is not None and mode.value != "suction"
    return Run(
        mode,
        drain.last("suction-source"),
        drain.last("suction-set"),
        drain.last("connections"),
        drain.last("suction-bubbling"),
        drain.last("pleural-pressure"),
        _said(in_force(orders, drain.at)),
        _said(order for order in orders if order.stands and order.start > drain.at),
        against_order(drain.readings, orders, drain.settings.suction_tolerance, drain.at),
        charted_since(drain.readings, mode) if mode is not None and off else None,
        tuple(drain.all("mode")),
        _ended(orders, drain.at),
    )


def _ended(orders: Sequence[Order], at: datetime) -> Reading | None:
    """Return the last order before a time if its end has passed."""
    begun = [order for order in orders if order.stands and order.start <= at]
    last = begun[-1] if begun else None
    return last.readings[-1] if last is not None and last.end is not None else None


def _order(reading: Reading) -> Saying | Reading:
    """Return an order as it is said: a number is one of suction."""
    if reading.observable == "suction-ordered":
        return say("suction-of", number=reading)
    return reading


def _said(orders: Iterable[Order]) -> tuple[Reading, ...]:
    return tuple(r for order in orders for r in order.readings if r.said)


def run_lines(run: Run, shift: Shift) -> list[Line]:
    """Return what is said of how a drain is run."""
    lines: list[Line] = []
    mode, source, number = run.mode, run.source, run.number
    if mode is not None and mode.value in _OFF:
        lines.append(noted(look("is-clamped", mode=mode, time=mode.time), mode))
    if run.connections is not None and run.connections.value in ("disconnected", "loose"):
        at = run.connections
        lines.append(noted(look("connections-are", state=at, time=at.time), at))
    if run.held.verdict == "differs":
        lines.append(look("differs", ordered=_ordered(run), run=_as_run(run), why=run.held.why))
    else:
        lines += _order_lines(run)
        if run.held.verdict == "agrees":
            assert mode is not None
            lines.append(plain("agrees", run=_as_run(run)))
        else:
            lines.append(plain("run-now", run=_as_run(run)))
            if run.held.verdict == "not compared" and run.ordered:
                lines.append(look("not-compared", why=run.held.why))
    on_suction = mode is not None and mode.value == "suction"
    if number is not None and run.off_since is not None and number.time >= run.off_since:
        lines.append(plain("shows-and-is-no-suction", number=number, time=number.time))
    if on_suction and source is not None and source.value in _DISCONNECTED:
        lines.append(look("suction-without-source", source=source, time=source.time))
    charted = [r for r in (mode, source, number) if r is not None]
    if charted and all(stale(r, shift.window.start) for r in charted):
        lines.append(look("not-charted-this-shift"))
    lines += _closed_for_a_time(run, shift)
    for one in run.coming:
        lines.append(plain("comes-into-force", order=_order(one), time=one.time))
    if run.bubbling is not None:
        lines.append(plain("suction-side", bubbling=run.bubbling, time=run.bubbling.time))
    if run.pressure is not None:
        lines.append(plain("pleural-pressure", pressure=run.pressure, time=run.pressure.time))
    return lines


def _closed_for_a_time(run: Run, shift: Shift) -> list[Line]:
    """Return when in this shift it was clamped or capped and opened again."""
    lines = []
    closed: Reading | None = None
    for mode in run.modes:
        if mode.value in _OFF:
            closed = closed or mode
        elif closed is not None:
            if mode.time > shift.window.start:
                values = {"mode": closed, "start": closed.time, "end": mode.time}
                lines.append(noted(plain("was-closed", **values), closed))
            closed = None
    return capped(lines)


def _order_lines(run: Run) -> list[Line]:
    if not run.ordered and run.ended is not None:
        return [look("order-ended", order=_order(run.ended), time=run.ended.end)]
    if not run.ordered:
        return [look("no-order")]
    return [plain("ordered", order=_ordered(run))]


def _ordered(run: Run) -> Saying:
    """Return the orders in force, each with its time and who gave it."""
    numbers = [one for one in run.ordered if one.observable == "suction-ordered"]
    # An order of suction says its mode along with it.
    with_numbers = {one.identity for one in numbers}
    modes = [
        one
        for one in run.ordered
        if one.observable == "mode-ordered"
        and not (one.value == "suction" and one.identity in with_numbers)
    ]
    said = []
    for one in (*modes, *numbers):
        key = "order-by" if one.performer else "order-by-nobody"
        said.append(say(key, order=_order(one), time=one.time, performer=one.performer or ""))
    return say("together", items=tuple(said))


def _as_run(run: Run) -> Saying:
    """Return mode, setting and source, each with its time, as far as they are charted."""
    if run.mode is None:
        return say("mode-not-charted")
    said = [reading_at(run.mode)]
    if run.mode.value == "suction":
        if run.number is not None:
            said.append(say("set-at", number=run.number, time=run.number.time))
        else:
            said.append(say("set-not-charted"))
    if run.source is not None:
        said.append(say("source-at", source=run.source, time=run.source.time))
    elif run.mode.value == "suction":
        said.append(say("source-not-charted"))
    return say("together", items=tuple(said))
