"""A survey as one page of HTML that needs nothing else, with a plot of each code's numbers.

Jinja2 escapes whatever a source sent.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from itertools import groupby

from jinja2 import Environment, PackageLoader, StrictUndefined

from fhirdrain.survey.judging import FAULTS, VERDICTS, Row
from fhirdrain.survey.survey import Survey, Values
from fhirdrain.survey.writing import named

WIDTH, HEIGHT = 480, 90
# A page from which nothing can be loaded, and that can send nothing.
_NOTHING = "default-src 'none'; base-uri 'none'; form-action 'none'"


@dataclass(frozen=True, slots=True)
class Bar:
    """One bar of a plot, in pixels, with what it counts."""

    x: float
    width: float
    height: float
    says: str


@dataclass(frozen=True, slots=True)
class Plot:
    """How often numbers of each size occur, in one unit."""

    unit: str
    bars: Sequence[Bar]
    ticks: Sequence[tuple[float, str]]
    says: str


def page(survey: Survey, rows: Sequence[Row]) -> str:
    """Return a survey as an HTML page."""
    style = (files("fhirdrain.survey") / "templates" / "survey.css").read_text("utf-8")
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    environment = Environment(
        loader=PackageLoader("fhirdrain.survey", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    codes = []
    for (system, code), group in groupby(rows, key=lambda row: (row.system, row.code)):
        tally = survey.tallies[system, code]
        plots = [
            plot_of(" / ".join(dict.fromkeys(part for part in unit[1:] if part)), values)
            for unit, values in sorted(tally.values.items())
        ]
        codes.append((named(system), code, list(group), plots))
    counts: Mapping[str, int] = {
        verdict: sum(row.verdict == verdict for row in rows) for verdict in VERDICTS
    }
    return environment.get_template("survey.html").render(
        policy=f"{_NOTHING}; style-src 'sha256-{digest}'",
        style=style,
        survey=survey,
        codes=codes,
        faults=FAULTS,
        verdicts=[(v, text, counts[v]) for v, text in VERDICTS.items() if counts[v]],
        width=WIDTH,
        height=HEIGHT,
    )


def plot_of(unit: str, values: Values) -> Plot:
    """Return the plot of a code's numbers in one unit, a bar a size, by powers of ten."""
    unit = unit or "no unit"
    bins = sorted(values.bins)
    says = f"{values.count} numbers in {unit}, from {values.low} to {values.high}"
    says += f"; {values.zero} are 0" if values.zero else ""
    says += f"; {values.below} are negative" if values.below else ""
    if not bins:
        return Plot(unit, (), (), says)
    first, last = bins[0], bins[-1]
    step = min(WIDTH / (last - first + 1), 40)
    most = max(values.bins.values())
    bars = [
        Bar(
            round((bin_ - first) * step, 1),
            round(step * 0.9, 1),
            round(max(HEIGHT * values.bins[bin_] / most, 1), 1),
            f"{values.bins[bin_]} from {_size(bin_)} up to {_size(bin_ + 1)} {unit}",
        )
        for bin_ in bins
    ]
    powers = range(-(-first // 10) * 10, last + 2, 10)
    ticks = [(round((power - first) * step, 1), _size(power)) for power in powers]
    ticks = ticks or [(0.0, _size(first))]
    return Plot(unit, bars, ticks, says)


def _size(bin_: int) -> str:
    size = float(10 ** (bin_ / 10))
    return f"{size:.0f}" if 100 <= size < 1e7 else f"{size:.3g}"
