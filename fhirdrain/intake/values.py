"""Texts of a source to numbers and times, refusing whatever could mean two things."""

from __future__ import annotations

import re
from datetime import datetime, timezone
from decimal import Decimal

from fhirdrain.bedside.windows import WallTimeError, fixed, instant
from fhirdrain.site import Source


class ValueRefused(ValueError):
    """A text cannot be read; `rule` names why, `hint` says what would help."""

    def __init__(self, rule: str, message: str, hint: str = "") -> None:
        super().__init__(message)
        self.rule = rule
        self.hint = hint


_NUMBER_THEN_UNIT = re.compile(r"([-+\u2212]?\s*[\d.,'\u2019\u00a0\u202f]*\d)\s*(\D.*)?")


def split_number(text: str) -> tuple[str, str] | None:
    """Return a text's number and what stands behind it, None when it does not begin with one."""
    match = _NUMBER_THEN_UNIT.fullmatch(text.strip())
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
        and re.fullmatch(r"\d+[.,]\d{3}", digits)
        and not re.match(r"0[.,]", digits)
    ):
        raise ValueRefused(
            "unsure-mark",
            "one mark and three digits behind it: thousands or a decimal fraction?",
            "name both marks in the site file: decimal and thousands",
        )
    decimal = re.escape(source.decimal)
    plain = rf"\d+(?:{decimal}\d+)?"
    if source.thousands is not None:
        thousands = re.escape(source.thousands)
        plain = rf"(?:\d{{1,3}}(?:{thousands}\d{{3}})+|\d+)(?:{decimal}\d+)?"
    if not digits.isascii() or not re.fullmatch(plain, digits):
        raise ValueRefused(
            "number",
            "not a number by this source's marks",
            f'decimal = "{source.decimal}"'
            + (f', thousands = "{source.thousands}"' if source.thousands else ""),
        )
    if source.thousands is not None:
        digits = digits.replace(source.thousands, "")
    return Decimal(sign.replace("+", "") + digits.replace(source.decimal, "."))


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
            moment = datetime.strptime(text, source.time_format)
    except ValueError:
        raise ValueRefused(
            "time", "not a time in this source's format", f'time_format = "{source.time_format}"'
        ) from None
    if moment.utcoffset() is not None:
        return fixed(moment)
    zone = source.zone
    if zone is None:
        raise ValueRefused("time-zone", "the time has no offset, and the source says it gives one")
    if isinstance(zone, timezone):
        return moment.replace(tzinfo=zone)
    try:
        return instant(moment, zone)
    except WallTimeError as error:
        raise ValueRefused(
            "ambiguous-time" if "twice" in str(error) else "time",
            "falls into the hour that comes twice at a clock change"
            if "twice" in str(error)
            else "falls into the hour that a clock change leaves out",
            "give the time with its offset, as +02:00",
        ) from None
