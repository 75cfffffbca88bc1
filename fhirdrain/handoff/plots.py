"""What a sheet draws: where each bar, mark and stretch of a drain stands, in a drawing's own units.

All drawings of a sheet share one axis of time, and all bars of a patient one scale. Nothing is told
by colour: what is not known is hatched, and each state has its word and its own hatching.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from math import ceil

from fhirdrain.bedside.leaks import looks_for_leak
from fhirdrain.bedside.totals import Total, uncovered
from fhirdrain.bedside.windows import Window, hours_between
from fhirdrain.handoff.bed import Bed, Watched
from fhirdrain.handoff.drained import amount_of, doubtful_in
from fhirdrain.handoff.language import Language

__all__ = ["Drawing", "drawing_of", "most_of"]

WIDTH, LEFT = 380, 6
_BARS, _LEVELS, _ROW = 90, 80, 22
# Three days of shifts of twelve hours.
_SHIFTS = 6
# The width of a letter of the drawing's small print, to know whether a word fits.
_LETTER = 5.6


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle, with its text and the kind that says how it is filled."""

    x: float
    y: float
    width: float
    height: float
    kind: str
    text: str = ""


@dataclass(frozen=True, slots=True)
class Tick:
    """A time on the axis."""

    x: float
    text: str


@dataclass(frozen=True, slots=True)
class Strip:
    """One row of states: its name, its stretches, and the same as rows of a table."""

    name: str
    boxes: tuple[Box, ...]
    rows: tuple[tuple[str, str], ...]


@dataclass(slots=True)
class Drawing:
    """The drawings of one drain, with the tables and sentences that say the same."""

    number: int
    ticks: list[Tick] = field(default_factory=list)
    bars: list[Box] = field(default_factory=list)
    bars_say: str = ""
    bar_rows: list[tuple[str, ...]] = field(default_factory=list)
    lines: list[str] = field(default_factory=list)
    marks: list[tuple[float, float]] = field(default_factory=list)
    level_labels: list[tuple[float, float, str]] = field(default_factory=list)
    levels_say: str = ""
    level_rows: list[tuple[str, ...]] = field(default_factory=list)
    strips: list[Strip] = field(default_factory=list)
    strips_say: str = ""

    @property
    def bars_height(self) -> int:
        """Return how high the drawing of the bars is, with room for the axis."""
        return _BARS + 34

    @property
    def levels_height(self) -> int:
        """Return how high the drawing of the level is, with room for the axis."""
        return _LEVELS + 34

    @property
    def strips_height(self) -> int:
        """Return how high the drawing of the states is, with room for the axis."""
        return (_ROW + 16) * len(self.strips) + 20


def most_of(drains: Iterable[Watched]) -> Decimal:
    """Return the largest amount that the bars of a patient's drains reach, in mL."""
    tops = [_top(total) for drain in drains for total in drain.shifts[-_SHIFTS:]]
    return max(tops, default=Decimal(0))


def _top(total: Total) -> Decimal:
    return total.value or total.at_most or total.at_least or Decimal(0)


def drawing_of(drain: Watched, bed: Bed, language: Language, most: Decimal, number: int) -> Drawing:
    """Return the drawings of a drain; `most` is the top of the bars' scale, in mL."""
    drawing = Drawing(number)
    shifts = drain.shifts[-_SHIFTS:]
    if not shifts:
        return drawing
    start = shifts[0].window.start
    axis = _Axis(start, max(shifts[-1].window.end, bed.shift.window.end))
    bounds = sorted({w for total in shifts for w in (total.window.start, total.window.end)})
    drawing.ticks = _ticks(bounds, axis, language)
    _draw_bars(drawing, drain, shifts, axis, language, most)
    _draw_levels(drawing, drain, axis, language)
    _draw_strips(drawing, drain, axis, language)
    return drawing


def _ticks(bounds: Sequence[datetime], axis: _Axis, language: Language) -> list[Tick]:
    """Return the times on the axis, the last one and as many before it as have room."""
    ticks = [Tick(axis.x(moment), language.time(moment)) for moment in bounds]
    room = (WIDTH - 2 * LEFT) / max(1, len(ticks) - 1)
    step = ceil((max(len(tick.text) for tick in ticks) + 1) * _LETTER / room)
    return ticks[::-1][::step][::-1]


class _Axis:
    """Where a time stands; hours are true hours, so that a night of 13 h is longer."""

    def __init__(self, start: datetime, end: datetime) -> None:
        self.start, self.end = start, end
        self._hours = float(hours_between(start, end))

    def x(self, moment: datetime) -> float:
        moment = min(max(moment, self.start), self.end)
        share = float(hours_between(self.start, moment)) / self._hours
        return round(LEFT + share * (WIDTH - 2 * LEFT), 1)


def _draw_bars(
    drawing: Drawing,
    drain: Watched,
    shifts: Sequence[Total],
    axis: _Axis,
    language: Language,
    most: Decimal,
) -> None:
    said = []
    for total in shifts:
        left, right = axis.x(total.window.start) + 2, axis.x(total.window.end) - 2
        amount = language.say(amount_of(total, doubtful_in(drain, total)))
        known = total.value if total.value is not None else total.at_least
        for gap in uncovered(total):
            x = axis.x(gap.start)
            drawing.bars.append(Box(x, 14, round(axis.x(gap.end) - x, 1), _BARS, "unknown"))
        if total.at_most is not None and total.at_most != known:
            drawing.bars.append(_bar(left, right, total.at_most, most, "most"))
        if known is not None:
            drawing.bars.append(_bar(left, right, known, most, "known"))
        text = amount if total.place is not None else language.text("out")
        label = _bar(left, right, total.at_most or known or Decimal(0), most, "label")
        short = _short(total, language) if total.place is not None else language.text("out")
        drawing.bars.append(Box(label.x, label.y - 3, label.width, 0, "label", short))
        when = _window(total.window, language)
        share = f"{float(total.covered):.0%}" if total.place is not None else "-"
        drawing.bar_rows.append((when, language.show(total.window.hours), text, share))
        said.append(f"{when} {text}")
    key = "plot-window-says" if most else "plot-window-says-without-scale"
    drawing.bars_say = language.text(key).format(most=language.number(most), bars="; ".join(said))


def _short(total: Total, language: Language) -> str:
    if total.value is not None:
        return language.number(total.value)
    if total.at_least is None:
        return "?"
    if total.at_most is not None and total.at_most != total.at_least:
        return f"{language.number(total.at_least)}/{language.number(total.at_most)}"
    return f"≥{language.number(total.at_least)}"


def _bar(left: float, right: float, value: Decimal, most: Decimal, kind: str) -> Box:
    height = round(float(value / (most or 1)) * _BARS, 1)
    return Box(left, round(14 + _BARS - height, 1), round(right - left, 1), height, kind)


def _window(window: Window, language: Language) -> str:
    return f"{language.time(window.start)} {language.text('to')} {language.time(window.end)}"


def _draw_levels(drawing: Drawing, drain: Watched, axis: _Axis, language: Language) -> None:
    """Draw the levels as lines, broken where the unit was changed or nothing was charted."""
    suspects = {reading.identity for reading in drain.ledger.suspects}
    runs = [run for run in _runs(drain, suspects) if any(t >= axis.start for t, _, _ in run)]
    if not runs:
        return
    capacity = drain.settings.drain(drain.name).capacity or Decimal(0)
    top = max(max(level for run in runs for _, level, _ in run), capacity) or Decimal(1)
    for run in runs:
        shown = [point for point in run if point[0] >= axis.start]
        points = [(axis.x(t), round(14 + _LEVELS * (1 - float(v / top)), 1)) for t, v, _ in shown]
        drawing.marks += points
        drawing.lines.append(" ".join(f"{x},{y}" for x, y in points))
        for (x, y), (_, level, _) in (
            *zip(points[:1], shown, strict=False),
            (points[-1], shown[-1]),
        ):
            label = (x, round(y - 5, 1), language.number(level))
            if label not in drawing.level_labels:
                drawing.level_labels.append(label)
        for moment, level, number in shown:
            unit = "" if number is None else str(number)
            drawing.level_rows.append((language.time(moment), unit, language.number(level)))
    drawing.levels_say = language.text("plot-level-says").format(
        points="; ".join(f"{row[0]} {row[2]} mL" for row in drawing.level_rows)
    )


def _runs(drain: Watched, suspects: set[str]) -> Iterator[list[tuple[datetime, Decimal, object]]]:
    """Yield the levels of each unit, parted where more than the longest interval is not charted."""
    longest = drain.settings.longest_interval
    run: list[tuple[datetime, Decimal, object]] = []
    for reading in drain.readings:
        if not reading.said or reading.identity in suspects:
            continue
        number = reading.parts.get("unit-number")
        if reading.observable == "unit-change":
            closing, opening = (reading.parts.get(f"{n}-level") for n in ("closing", "opening"))
            if isinstance(closing, Decimal):
                run.append((reading.time, closing, None))
            if run:
                yield run
            run = [(reading.time, opening, number)] if isinstance(opening, Decimal) else []
        elif reading.observable == "level" and isinstance(reading.value, Decimal):
            if run and longest is not None and reading.time - run[-1][0] > longest:
                yield run
                run = []
            if run and reading.value < run[-1][1]:
                yield run
                run = []
            run.append((reading.time, reading.value, number))
    if run:
        yield run


def _draw_strips(drawing: Drawing, drain: Watched, axis: _Axis, language: Language) -> None:
    until = drain.removed or drain.at
    modes = [(r.time, str(r.value), language.reading(r)) for r in drain.all("mode")]
    leaks = []
    for look in looks_for_leak(drain.readings, drain.at):
        state = {True: "present", False: "none", None: "unsure"}[look.leak]
        leaks.append((look.time, state, language.text(f"leak-{state}")))
    colours = [(r.time, str(r.value), language.reading(r)) for r in drain.all("appearance")]
    for name, seen in (("mode", modes), ("leak", leaks), ("colour", colours)):
        title = language.text(f"strip-{name}")
        stretches = list(_stretches(seen, axis, until))
        if not stretches:
            boxes: tuple[Box, ...] = (
                Box(LEFT, 0, WIDTH - 2 * LEFT, _ROW, "unknown", language.text("nothing")),
            )
        else:
            boxes = tuple(_strip_boxes(stretches, axis))
        rows = tuple((language.time(start), text) for start, _, _, text in stretches)
        drawing.strips.append(Strip(title, boxes, rows or (("-", language.text("nothing")),)))
    drawing.strips_say = language.text("plot-strips-says").format(
        strips="; ".join(
            f"{strip.name}: {', '.join(' '.join(row) for row in strip.rows)}"
            for strip in drawing.strips
        )
    )


def _stretches(
    seen: Sequence[tuple[datetime, str, str]], axis: _Axis, until: datetime
) -> Iterator[tuple[datetime, datetime, str, str]]:
    """Yield from when until when each state was charted, one after the other."""
    starts: list[tuple[datetime, str, str]] = []
    for moment, state, text in seen:
        if not starts or starts[-1][2] != text:
            starts.append((moment, state, text))
    ends = [*(moment for moment, _, _ in starts[1:]), until]
    for (start, state, text), end in zip(starts, ends, strict=False):
        if end > axis.start and start < end:
            yield max(start, axis.start), end, state, text


def _strip_boxes(
    stretches: Sequence[tuple[datetime, datetime, str, str]], axis: _Axis
) -> Iterator[Box]:
    first = axis.x(stretches[0][0])
    if first > LEFT:
        yield Box(LEFT, 0, round(first - LEFT, 1), _ROW, "unknown")
    for start, end, state, text in stretches:
        x = axis.x(start)
        width = round(axis.x(end) - x, 1)
        room = int((width - 8) / _LETTER)
        short = text if len(text) <= room else f"{text[: room - 1]}…" if room > 4 else ""
        yield Box(x, 0, width, _ROW, state, short)
