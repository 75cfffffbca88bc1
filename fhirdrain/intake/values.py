"""Texts of a source to numbers and times, refusing whatever could mean two things."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time, timedelta, timezone
from decimal import Decimal
from zoneinfo import ZoneInfo

from fhirdrain.bedside.windows import WallTimeError, fixed, instant
from fhirdrain.site import Source


class ValueRefused(ValueError):
    """A text cannot be read; `rule` names why, `hint` says what would help."""

    def __init__(self, rule: str, message: str, hint: str = "") -> None:
        super().__init__(message)
        self.rule = rule
        self.hint = hint


# Years in which nothing is charted are the null dates of some program, or slips.
_YEARS = range(1900, 2300)


def split_number(text: str, source: Source) -> tuple[str, str] | None:
    """Return a text's number and what stands behind it, None when it does not begin with one."""
    marks = re.escape(".,'" + (source.thousands or ""))
    pattern = rf"([-+\u2212]?\s*[0-9](?:[0-9{marks}]*[0-9])?)\s*([^0-9].*)?"
    match = re.fullmatch(pattern, text.strip(), re.DOTALL)
    return (match[1], (match[2] or "").strip()) if match else None


def read_number(text: str, source: Source, *, volume: bool) -> Decimal:
    """Return the number a text says by the source's marks, with its digits.

    A volume with one mark and exactly three digits behind it could be thousands or thousandths:
    it is refused unless the source names both marks. (A leading zero cannot be thousands.)
    Raises `ValueRefused`.
    """
    text = text.strip().replace("\u2212", "-")
    sign, digits = (text[0], text[1:].strip()) if text.startswith(("+", "-")) else ("", text)
    if (
        volume
        and source.thousands is None
        and re.fullmatch(r"[0-9]+[.,][0-9]{3}", digits)
        and not re.match(r"0[.,]", digits)
    ):
        raise ValueRefused(
            "unsure-mark",
            "one mark and three digits behind it: thousands or a decimal fraction?",
            "name both marks in the site file: decimal and thousands",
        )
    decimal = re.escape(source.decimal)
    plain = rf"[0-9]+(?:{decimal}[0-9]+)?"
    if source.thousands is not None:
        thousands = re.escape(source.thousands)
        grouped = rf"[0-9]{{1,3}}(?:{thousands}[0-9]{{3}})+"
        plain = rf"(?:{grouped}|[0-9]+)(?:{decimal}[0-9]+)?"
    if not re.fullmatch(plain, digits):
        raise ValueRefused(
            "number",
            "not a number by this source's marks",
            f'decimal = "{source.decimal}"'
            + (f', thousands = "{source.thousands}"' if source.thousands else ""),
        )
    if source.thousands is not None:
        digits = digits.replace(source.thousands, "")
    number = Decimal(sign.replace("+", "") + digits.replace(source.decimal, "."))
    return number if number else abs(number)  # -0 is 0


def read_time(text: str, source: Source, pattern: str | None = None) -> datetime:
    """Return the instant a text means, with a plain offset; raises `ValueRefused`.

    A time's own offset counts before the source's zone. A time without a time of day, in the hour
    that comes twice, or in the hour left out is refused: none of them is one instant.
    """
    text = text.strip()
    pattern = pattern or source.time_format
    try:
        if pattern == "iso":
            if not re.match(r"\d{4}-?\d\d-?\d\d[T ]\d\d:?\d\d", text):
                raise ValueError
            moment = datetime.fromisoformat(text)
        else:
            moment = _by_pattern(text, pattern)
    except ValueError:
        if read_date(text, source, pattern) is not None:
            raise ValueRefused(
                "date-only",
                "a date without a time of day",
                'date_only in the site file: the time that is meant, or "day"',
            ) from None
        raise ValueRefused(
            "time", "not a time in this source's format", f'the format is "{pattern}"'
        ) from None
    if moment.year not in _YEARS:
        raise ValueRefused("time", f"not in the years {_YEARS.start} to {_YEARS.stop - 1}")
    offset = moment.utcoffset()
    if offset is not None:
        if offset % timedelta(minutes=1):
            raise ValueRefused("time", "an offset of odd seconds is none that FHIR can state")
        return fixed(moment)
    return _in_zone(moment, source)


def read_date(text: str, source: Source, pattern: str | None = None) -> date | None:
    """Return the date of a text that is a date and nothing more, None for any other."""
    pattern = pattern or source.time_format
    if pattern == "iso":
        pattern = "%Y-%m-%d"
    try:
        # What stands before the time of day, if the pattern begins with the date.
        found = datetime.strptime(text.strip(), re.split(r"%-?[HI]", pattern)[0].rstrip(" T,;"))
    except ValueError:
        return None
    return found.date() if found.year in _YEARS else None


def read_minutes(text: str, start: datetime, source: Source) -> datetime:
    """Return the instant so many minutes after another; negative ones were before it."""
    try:
        minutes = read_number(text, source, volume=False)
    except ValueRefused as refused:
        raise ValueRefused("time", "not a number of minutes", refused.hint) from None
    if minutes.adjusted() > 9 or minutes.as_tuple().exponent < -6:  # type: ignore[operator]
        raise ValueRefused("time", "minutes beyond all measure")
    try:
        moment = start.astimezone(UTC) + timedelta(microseconds=int(minutes * 60_000_000))
        if moment.year not in _YEARS:
            raise OverflowError
    except OverflowError:
        years = f"{_YEARS.start} to {_YEARS.stop - 1}"
        raise ValueRefused("time", f"not in the years {years}") from None
    zone = source.zone
    return fixed(moment, zone) if isinstance(zone, ZoneInfo) else moment.astimezone(start.tzinfo)


def at_wall_time(day: date, wall: time, source: Source) -> datetime:
    """Return the instant of a wall time on a date in the source's zone; raises `ValueRefused`."""
    return _in_zone(datetime.combine(day, wall), source)


def _in_zone(moment: datetime, source: Source) -> datetime:
    zone = source.zone
    if zone is None:
        raise ValueRefused("time-zone", "the time has no offset, and the source says it gives one")
    if isinstance(zone, timezone):
        return moment.replace(tzinfo=zone)
    try:
        found = instant(moment, zone)
        if (found.utcoffset() or timedelta(0)) % timedelta(minutes=1):
            raise ValueRefused("time", "before time zones: its offset is of odd seconds")
        return found
    except WallTimeError as error:
        raise ValueRefused(
            "ambiguous-time" if error.offsets else "time",
            "falls into the hour that comes twice at a clock change"
            if error.offsets
            else "falls into the hour that a clock change leaves out",
            f"write its offset behind it: {' or '.join(error.offsets)}" if error.offsets else "",
        ) from None


def _by_pattern(text: str, pattern: str) -> datetime:
    """Return the time a text says by a pattern, with an offset behind it where one is given."""
    try:
        return datetime.strptime(text, pattern)
    except ValueError:
        if "%z" in pattern:
            raise
        return datetime.strptime(text.replace(" +", "+").replace(" -", "-"), f"{pattern}%z")
