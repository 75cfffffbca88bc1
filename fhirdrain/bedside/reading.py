"""A reading: one thing observed about one drain at one time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from datetime import datetime
from decimal import Decimal
from operator import attrgetter

Value = Decimal | str | None
Part = Decimal | int | str

WITHDRAWN = "entered-in-error"

# At one instant a drain is placed before anything is read of it, an order is given before the
# setting that follows it, and a drain is read a last time before it is removed.
_RANK = {
    "placed": 0,
    "drain-site": 1,
    "mode-ordered": 2,
    "suction-ordered": 2,
    "removed": 9,
}


@dataclass(frozen=True, slots=True)
class Reading:
    """State one observation as it was charted, in the house's words and units.

    `value` is a Decimal in `unit` (UCUM), a word of the observable, or None where it has only
    parts or is `absent` (a reason of `ABSENT_REASONS`, as not_done). `time` is when
    it was seen (for an amount, when its interval ended), `start` where the source states since
    when, `end` until when an order holds; all are aware datetimes. `recorded` is when the source
    stored it. `text` is the word as charted, `original` the number and unit before conversion.
    One that is a `test` was made up by a device to be tried: it goes out marked, and counts for
    nothing. `codes` are further codes (system, code) that the source gave it, `elsewhere` the names
    (system, value) it has at another site, where it was said first.
    `first_recorded` is when the source first stored something of this time under this name, where
    that was earlier. `identity` and `order` (identity of the order in force) are given by
    `resources` and `orders`.
    """

    source: str
    patient: str
    drain: str
    observable: str
    time: datetime
    value: Value = None
    unit: str | None = None
    parts: Mapping[str, Part] = field(default_factory=dict)
    absent: str | None = None
    row: str | None = None
    item: str | None = None
    episode: int = 1
    start: datetime | None = None
    end: datetime | None = None
    recorded: datetime | None = None
    status: str = "final"
    encounter: str | None = None
    performer: str | None = None
    note: str | None = None
    round: str | None = None
    text: str | None = None
    original: tuple[Decimal, str] | None = None
    identity: str = ""
    order: str | None = None
    first_recorded: datetime | None = None
    test: bool = False
    codes: tuple[tuple[str, str], ...] = ()
    elsewhere: tuple[tuple[str, str], ...] = ()

    def named(self, identity: str) -> Reading:
        """Return it under an identity."""
        values = list(_VALUES(self))
        values[_IDENTITY] = identity
        return Reading(*values)

    def __reduce__(self) -> tuple[type[Reading], tuple[object, ...]]:
        # What dataclasses do by themselves takes three times as long, and millions are spilled.
        return Reading, _VALUES(self)

    @property
    def counts(self) -> bool:
        """Tell whether it stands: it was not withdrawn."""
        return self.status != WITHDRAWN

    @property
    def real(self) -> bool:
        """Tell whether it stands and was not made up by a device to be tried."""
        return self.counts and not self.test

    @property
    def said(self) -> bool:
        """Tell whether it stands and says something: what was not done has not happened."""
        return self.real and self.absent is None

    @property
    def amount(self) -> Decimal | None:
        """Return the number it carries, if it stands and carries one."""
        return self.value if self.real and isinstance(self.value, Decimal) else None

    @property
    def sort_key(self) -> tuple[datetime, int, str, Decimal, str]:
        """Order the readings of a drain: by time, then by what must have come first, then fixed."""
        rank = _RANK.get(self.observable, 5)
        return self.time, rank, self.observable, self.amount or Decimal(0), self.identity

    @property
    def content(self) -> tuple[object, ...]:
        """Return what was said, without who said it, when it was stored, and its status."""
        return (
            self.drain,
            self.time.timestamp(),
            self.value if not isinstance(self.value, Decimal) else str(self.value),
            self.unit,
            tuple(sorted((name, str(part)) for name, part in self.parts.items())),
            self.absent,
            self.start and self.start.timestamp(),
            self.end and self.end.timestamp(),
            self.text,
            self.test,
        )


_NAMES = tuple(field.name for field in fields(Reading))
_VALUES = attrgetter(*_NAMES)
_IDENTITY = _NAMES.index("identity")


def all_said(readings: Sequence[Reading], observable: str, until: datetime) -> list[Reading]:
    """Return what is said of an observable up to a time; `readings` are in order of time."""
    return [r for r in readings if r.observable == observable and r.said and r.time <= until]


def last_said(readings: Sequence[Reading], observable: str, until: datetime) -> Reading | None:
    """Return the last thing said of an observable up to a time, None where nothing is."""
    return next(
        (
            reading
            for reading in reversed(readings)
            if reading.observable == observable and reading.said and reading.time <= until
        ),
        None,
    )


def last_undone(readings: Sequence[Reading], observable: str, until: datetime) -> Reading | None:
    """Return what says that it was not done, refused or impossible; None if it was done since.

    That is no look: nothing was seen.
    """
    for reading in reversed(readings):
        if reading.observable == observable and reading.real and reading.time <= until:
            return reading if reading.absent is not None else None
    return None


def charted_since(readings: Sequence[Reading], reading: Reading) -> datetime:
    """Return from when on an observable has been charted as in a reading, without a break."""
    since = reading.time
    for earlier in reversed(readings):
        if earlier.observable == reading.observable and earlier.said and earlier.time <= since:
            if earlier.value != reading.value:
                break
            since = earlier.time
    return since
