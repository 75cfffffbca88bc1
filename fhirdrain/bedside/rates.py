"""Mean rates of one drain: over its last intervals, over a rolling hour, by the kilogram.

A rate needs a known start, an interval as long as the site's policy asks, and nothing in it that
may have been charted twice. Over a few minutes, or of a suspected double, it says nothing.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise

from fhirdrain.bedside.ledger import Ledger, Output
from fhirdrain.bedside.reading import Reading
from fhirdrain.bedside.windows import Window
from fhirdrain.vocabulary.observables import PATIENT_WEIGHT
from fhirdrain.vocabulary.units import rounded

__all__ = ["Asked", "Rate", "rates", "weight_at", "weights_in"]

_HOUR = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class Asked:
    """What a site's policy asks of rates: the shortest interval, and a rolling hour beside."""

    shortest: timedelta
    rolling_hour: bool = False


@dataclass(frozen=True, slots=True)
class Rate:
    """What drained in (start, end], in mL, to be spread over its hours.

    `outputs` make it up, the last one ends it; `rolling` tells the hour before a reading from the
    interval that the reading ended. `weight` is the last one charted by then, None for none.
    """

    amount: Decimal
    start: datetime
    end: datetime
    outputs: tuple[Output, ...]
    rolling: bool = False
    weight: Reading | None = None

    @property
    def closing(self) -> Reading:
        """Return the reading that ends it."""
        return self.outputs[-1].closing

    @property
    def hours(self) -> Fraction:
        """Return its true length in hours."""
        return Window(self.start, self.end).hours

    def by_weight(self, digits: int) -> Decimal | None:
        """Return it in mL/kg/h, with so many significant digits; None where no weight is known."""
        if self.weight is None or not self.weight.amount:
            return None
        return rounded(Fraction(self.amount) / self.hours / Fraction(self.weight.amount), digits)


def weights_in(readings: Sequence[Reading]) -> list[Reading]:
    """Return the weights of the patient that stand among readings, in order of time."""
    found = [r for r in readings if r.observable == PATIENT_WEIGHT.name and r.amount is not None]
    return sorted(found, key=lambda r: r.sort_key)


def weight_at(weights: Sequence[Reading], at: datetime) -> Reading | None:
    """Return the last weight charted for a time or before; `weights` are in order of time."""
    known = bisect_right(weights, at, key=lambda r: r.time)
    return weights[known - 1] if known else None


def rates(
    ledger: Ledger,
    asked: Asked,
    *,
    unsure: Iterable[Reading] = (),
    weights: Sequence[Reading] = (),
    away: Callable[[datetime, datetime], bool] = lambda start, end: False,
) -> Iterator[Rate]:
    """Yield the rates of one drain that can be known.

    `unsure` are readings whose amount another one may hold as well; `away` tells whether the drain
    was led into another's unit in (start, end], where nothing is known of it.
    """
    unsure = list(unsure)
    doubted, times = {r.identity for r in unsure}, {r.time for r in unsure}
    # Of two levels of one minute nobody knows which is where an interval ends, or begins.
    disputed = {o.end for o in ledger.outputs if _is_of_two_levels(o)}
    for place in range(len(ledger.outputs)):
        made = [_of_interval(ledger.outputs, place, asked)]
        if asked.rolling_hour:
            made.append(_of_rolling_hour(ledger.outputs, place))
        for rate in made:
            if rate is None or away(rate.start, rate.end) or rate.start in times:
                continue
            if rate.start in disputed or rate.end in disputed:
                continue
            if any(reading.identity in doubted for o in rate.outputs for reading in o.sources):
                continue
            if _has_others(ledger.outputs, rate):
                continue
            weight = weight_at(weights, rate.end)
            yield Rate(rate.amount, rate.start, rate.end, rate.outputs, rate.rolling, weight)


def _has_others(outputs: Sequence[Output], rate: Rate) -> bool:
    """Tell whether something else drained in a rate's time, of which it would be only a part."""
    first = bisect_right(outputs, rate.start, key=lambda o: o.end)
    for other in outputs[first:]:
        if other.start is not None and other.start >= rate.end and other.end > rate.end:
            break
        if all(other is not one for one in rate.outputs):
            return True
    return False


def _is_of_two_levels(output: Output) -> bool:
    levels = all(source.observable == "level" for source in output.sources)
    return output.start == output.end and levels and output.value > 0


def _of_interval(outputs: Sequence[Output], place: int, asked: Asked) -> Rate | None:
    """Return the rate of an output's interval, with what rose within the minute of its end."""
    output = outputs[place]
    start, end = output.start, output.end
    if start is None or start >= end or end - start < asked.shortest:
        return None
    together = [output]
    for other in outputs[place + 1 :]:
        if other.start != other.end or other.end != end:
            break
        together.append(other)
    amount = sum((one.value for one in together), Decimal(0))
    return Rate(amount, start, end, tuple(together))


def _of_rolling_hour(outputs: Sequence[Output], place: int) -> Rate | None:
    """Return the rate over the hour to the end of an output; None where the hour is not known.

    It is known where outputs follow one another through just that hour. One output that is the
    hour by itself is the rate of its interval already.
    """
    end = outputs[place].end
    start = end - _HOUR
    first = bisect_right(outputs, start, key=lambda o: o.end)
    last = bisect_right(outputs, end, key=lambda o: o.end)
    if place != last - 1 or last - first < 2:
        return None
    hour = outputs[first:last]
    starts = [o.start for o in hour]
    tiled = starts[0] == start and all(b.start == a.end for a, b in pairwise(hour))
    if not tiled or sum(o.start != o.end for o in hour) < 2:
        return None
    return Rate(sum((o.value for o in hour), Decimal(0)), start, end, tuple(hour), rolling=True)
