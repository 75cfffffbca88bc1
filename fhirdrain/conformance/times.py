"""Dates and times as FHIRPath has them: known as far as they are written.

Specification: FHIRPath N1 (hl7.org/fhirpath/N1), "Equals", "Comparison", "Date/Time Arithmetic".
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import ROUND_FLOOR, Decimal

_DATE = re.compile(
    r"(\d{4})(?:-(\d\d)(?:-(\d\d))?)?"
    r"(?:T(?:(\d\d)(?::(\d\d)(?::(\d\d(?:\.\d+)?))?)?(Z|[+-]\d\d:\d\d)?)?)?",
    re.ASCII,
)
_CLOCK = re.compile(r"T?(\d\d)(?::(\d\d)(?::(\d\d(?:\.\d+)?))?)?", re.ASCII)
_LEAST = (0, 1, 1, 0, 0, 0)
_BEYOND = (10000, 13, 32, 24, 60, 61)  # a leap second is the 61st

Part = int | Decimal | None

# What FHIRPath calls units of time, and the UCUM codes that are the same.
UNITS_OF_TIME = {
    **{f"{unit}s": unit for unit in ("year", "month", "week", "day", "hour", "minute", "second")},
    **{unit: unit for unit in ("year", "month", "week", "day", "hour", "minute", "second")},
    "millisecond": "millisecond",
    "milliseconds": "millisecond",
    "wk": "week",
    "d": "day",
    "h": "hour",
    "min": "minute",
    "s": "second",
    "ms": "millisecond",
}

SECONDS = {
    "week": Decimal(604800),
    "day": Decimal(86400),
    "hour": Decimal(3600),
    "minute": Decimal(60),
    "second": Decimal(1),
    "millisecond": Decimal("0.001"),
}
_MONTHS = {"year": 12, "month": 1}


@dataclass(frozen=True, slots=True)
class Time:
    """A date, a date with a time, or a time of day.

    `parts` are year, month, day, hour, minute and second as far as they are known, without the
    first three for a time of day; `offset` is in minutes, None where none is given.
    """

    text: str
    parts: tuple[Part, ...]
    offset: int | None = None

    @property
    def is_clock(self) -> bool:
        """Tell whether it is a time of day."""
        return self.parts[0] is None


def time_of(text: str) -> Time | None:
    """Return what a text says as a date or a time; None when it says none."""
    clock = None if (dated := _DATE.fullmatch(text)) else _CLOCK.fullmatch(text)
    found = dated or clock
    if found is None:
        return None
    groups = found.groups()
    shown = groups[:6] if dated else (None, None, None, *groups)
    parts = tuple(
        None if part is None else Decimal(part) if index == 5 else int(part)
        for index, part in enumerate(shown)
    )
    for part, least, beyond in zip(parts, _LEAST, _BEYOND, strict=True):
        if part is not None and not least <= part < beyond:
            return None
    return Time(text, parts, _offset(groups[6]) if dated else None)


def _offset(text: str | None) -> int | None:
    if text is None:
        return None
    if text == "Z":
        return 0
    minutes = int(text[1:3]) * 60 + int(text[4:6])
    return -minutes if text[0] == "-" else minutes


def order_of(one: Time, other: Time) -> int | None:
    """Return -1, 0 or 1 as one comes before, with or after another; None where that is open.

    Parts are compared from the year on, in one offset; where one ends first and all before was
    equal, and where only one of two has an offset, the order is not known.
    """
    mine: tuple[Part, ...] | None = one.parts
    its: tuple[Part, ...] | None = other.parts
    if one.offset != other.offset and one.parts[3] is not None and other.parts[3] is not None:
        mine, its = _at_zero(one), _at_zero(other)
    if mine is None or its is None:
        return None
    for left, right in zip(mine, its, strict=True):
        if left is None or right is None:
            if left is right:
                continue
            return None
        if left != right:
            return -1 if left < right else 1
    return 0


def _at_zero(time: Time) -> tuple[Part, ...] | None:
    """Return the parts of a time at the offset zero; seconds stay, so that a leap second may."""
    if time.offset is None:
        return None
    year, month, day, hour, minute = (int(part or 0) for part in time.parts[:5])
    second = time.parts[5]
    try:
        moved = datetime(year, month, day, hour, minute) - timedelta(minutes=time.offset)
    except (ValueError, OverflowError):
        return None
    known = None if time.parts[4] is None else moved.minute
    return moved.year, moved.month, moved.day, moved.hour, known, second


def times_in_order(one: str, other: str) -> int | None:
    """Return the order of two FHIR times as texts; None where it is open, or one is no time."""
    # Most periods: of one precision and one offset, the texts are in order.
    same_form = len(one) == len(other) > 19 and one[19:] == other[19:]
    if same_form and _DATE.fullmatch(one) and _DATE.fullmatch(other):
        return (one > other) - (one < other)
    mine, its = time_of(one), time_of(other)
    return None if mine is None or its is None else order_of(mine, its)


def added(time: Time, number: Decimal, unit: str) -> Time | None:
    """Return a time that is so many units later; None where there is no such time.

    What is finer than the time is known is turned into its own precision and cut, a month being 30
    and a year 365 days. Raises `KeyError` for what is no unit of time.
    """
    known = [index for index, part in enumerate(time.parts) if part is not None]
    finest = known[-1]
    if finest < 5 or unit not in ("second", "millisecond"):
        number = Decimal(int(number))
    year, month, day, hour, minute, second = (part or 0 for part in time.parts)
    try:
        if unit in _MONTHS:
            if time.is_clock:
                return None
            months = int(number) * _MONTHS[unit]
            if finest == 0:
                months = int(months / 12) * 12
            count = int(year) * 12 + int(month or 1) - 1 + months
            year, month = count // 12, count % 12 + 1
            moved = datetime(year, month, 1, int(hour), int(minute))
            last = (datetime(year + month // 12, month % 12 + 1, 1) - timedelta(days=1)).day
            moved = moved.replace(day=min(int(day or 1), last))
            seconds: Decimal = Decimal(second)
        else:
            step = number * SECONDS[unit]
            if finest == 0:
                return added(time, Decimal(int(step / 86400 / 365)), "year")
            if finest == 1:
                return added(time, Decimal(int(step / 86400 / 30)), "month")
            grain = (86400, 3600, 60, 0)[finest - 2]
            step = Decimal(int(step / grain) * grain) if grain else step
            total = Decimal(second) + step
            whole = int(total.to_integral_value(ROUND_FLOOR) // 60)
            seconds = total - whole * 60
            base = datetime(2000, 1, 1) if time.is_clock else datetime(int(year), int(month), 1)
            days = 0 if time.is_clock else int(day or 1) - 1
            moved = base + timedelta(days=days, hours=int(hour), minutes=int(minute) + whole)
    except (ValueError, OverflowError):
        return None
    date = f"{moved.year:04}-{moved.month:02}-{moved.day:02}"[: (4, 7, 10)[min(finest, 2)]]
    second_text = ("0" if seconds < 10 else "") + f"{seconds:f}"
    clock = [f"{moved.hour:02}", f"{moved.minute:02}", second_text][: max(finest - 2, 0)]
    text = ":".join(clock) if time.is_clock else "T".join(filter(None, [date, ":".join(clock)]))
    return time_of(text + _written(time))


def _written(time: Time) -> str:
    """Return the offset of a time as it was written."""
    if time.offset is None:
        return ""
    return "Z" if time.text.endswith("Z") else time.text[-6:]
