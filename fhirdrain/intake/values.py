"""Texts of a source to numbers and times, refusing whatever could mean two things."""

from __future__ import annotations

import re
from datetime import datetime, timedelta, timezone
from decimal import Decimal

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


def read_time(text: str, source: Source) -> datetime:
    """Return the instant a text means, with a plain offset; raises `ValueRefused`.

    A time's own offset counts before the source's zone. A time without a time of day, in the hour
    that comes twice, or in the hour left out is refused: none of them is one instant.
    """
    text = text.strip()
    if source.time_format == "minutes":
        raise ValueRefused("time", "minutes after another time are not read by this version")
    try:
        if source.time_format == "iso":
            if not re.match(r"\d{4}-?\d\d-?\d\d[T ]\d\d:?\d\d", text):
                raise ValueError
            moment = datetime.fromisoformat(text)
        else:
            moment = _by_pattern(text, source.time_format)
    except ValueError:
        raise ValueRefused(
            "time", "not a time in this source's format", f'time_format = "{source.time_format}"'
        ) from None
    if moment.year not in _YEARS:
        raise ValueRefused("time", f"not in the years {_YEARS.start} to {_YEARS.stop - 1}")
    offset = moment.utcoffset()
    if offset is not None:
        if offset % timedelta(minutes=1):
            raise ValueRefused("time", "an offset of odd seconds is none that FHIR can state")
        return fixed(moment)
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
