"""The survey: how often each code, unit, word and profile occurs, since when, and series of values.

It is counted as a stream: memory grows with what is different, never with how much there is.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from math import floor, log10

from fhirdrain.survey.sightings import Sighting

__all__ = ["MOST_SERIES", "MOST_WORDS", "Survey", "Tally", "Unit", "Values"]

# Of one code: beyond so many different words the rest is counted together.
MOST_WORDS = 500
# Beyond so many series further ones are not followed, and counted.
MOST_SERIES = 200_000
_MOST_POWERS = 30  # of ten, up or down

Unit = tuple[str, str, str]  # system, code, text


@dataclass(slots=True)
class Values:
    """What is known of numbers: how many, bounds, and how many in each step of their size.

    `bins` count by size: a number from 1 up to the first after 1.26 stands in the same bin, ten to
    a power of ten; `below` are negative, `zero` are 0.
    """

    count: int = 0
    low: Decimal | None = None
    high: Decimal | None = None
    below: int = 0
    zero: int = 0
    whole: int = 0
    bins: Counter[int] = field(default_factory=Counter)

    def add(self, number: Decimal) -> None:
        """Take a number."""
        self.count += 1
        self.low = number if self.low is None else min(self.low, number)
        self.high = number if self.high is None else max(self.high, number)
        self.whole += number == number.to_integral_value()
        if number < 0:
            self.below += 1
        elif number == 0:
            self.zero += 1
        else:
            power = number.adjusted()
            if abs(power) > _MOST_POWERS:  # beyond all measure, it has the last bin
                self.bins[10 * max(-_MOST_POWERS, min(_MOST_POWERS, power))] += 1
            else:
                self.bins[floor(10 * log10(number))] += 1

    @property
    def middle(self) -> float | None:
        """Return about the middle of the numbers above zero, to a tenth of a power of ten."""
        positive, seen = sum(self.bins.values()), 0
        for bin_, count in sorted(self.bins.items()):
            seen += count
            if 2 * seen >= positive:
                return float(10 ** ((bin_ + 0.5) / 10))
        return None


@dataclass(slots=True)
class Seen:
    """How often something was met, and when first and last, as its file writes times."""

    count: int = 0
    first: str = ""
    last: str = ""

    def add(self, time: str) -> None:
        """Take one more."""
        self.count += 1
        if time:
            self.first = min(self.first, time) if self.first else time
            self.last = max(self.last, time)


@dataclass(slots=True)
class _Series:
    """The last value of one series, and how often it rose and fell."""

    time: str
    value: Decimal
    rose: int = 0
    fell: int = 0


@dataclass(slots=True)
class Tally:
    """All that was met under one code."""

    seen: Seen = field(default_factory=Seen)
    names: Counter[str] = field(default_factory=Counter)
    units: dict[Unit, Seen] = field(default_factory=dict)
    values: dict[Unit, Values] = field(default_factory=dict)
    words: dict[tuple[str, str], Seen] = field(default_factory=dict)
    rarer: int = 0
    profiles: dict[str, Seen] = field(default_factory=dict)
    series: dict[int, _Series] = field(default_factory=dict)

    def add(self, sighting: Sighting, *, follow: bool) -> bool:
        """Take one sighting; returns whether a further series was begun."""
        time = sighting.time
        self.seen.add(time)
        if sighting.display:
            self.names[sighting.display] += 1
        if sighting.number is not None:
            unit = (sighting.unit_system, sighting.unit_code, sighting.unit)
            self.units.setdefault(unit, Seen()).add(time)
            self.values.setdefault(unit, Values()).add(sighting.number)
        if sighting.word is not None:
            if sighting.word in self.words or len(self.words) < MOST_WORDS:
                self.words.setdefault(sighting.word, Seen()).add(time)
            else:
                self.rarer += 1
        for profile in sighting.profiles:
            self.profiles.setdefault(profile, Seen()).add(time)
        return sighting.number is not None and self._follow(sighting, sighting.number, follow)

    def _follow(self, sighting: Sighting, number: Decimal, follow: bool) -> bool:
        series = self.series.get(sighting.series)
        if series is None:
            if follow:
                self.series[sighting.series] = _Series(sighting.time, number)
            return follow
        if sighting.time > series.time:  # what came late says nothing of rising and falling
            series.rose += number > series.value
            series.fell += number < series.value
            series.time, series.value = sighting.time, number
        return False


@dataclass(slots=True)
class Survey:
    """What was met in all files: tallies by code (system, code), records, what was not readable."""

    tallies: dict[tuple[str, str], Tally] = field(default_factory=dict)
    records: int = 0
    others: Counter[str] = field(default_factory=Counter)
    unreadable: Counter[str] = field(default_factory=Counter)
    not_followed: int = 0
    meanings: Mapping[str, str] = field(default_factory=dict)
    _series: int = 0

    def add(self, sighting: Sighting) -> None:
        """Take one sighting."""
        tally = self.tallies.setdefault((sighting.system, sighting.code), Tally())
        follow = self._series < MOST_SERIES
        begun = tally.add(sighting, follow=follow)
        self._series += begun
        if not follow and sighting.number is not None and sighting.series not in tally.series:
            self.not_followed += 1
