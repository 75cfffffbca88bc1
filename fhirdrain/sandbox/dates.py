"""Dates as spans of time: what a date, dateTime, instant, Period or Timing may mean.

Spans are the first and last microsecond since 1970 (UTC). A date without a zone is taken in UTC.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)
_FAR = 2**62

# R4, "Data types", date, dateTime and instant; by "Search", date, seconds and zone may be left out.
_FORM = re.compile(
    r"[0-9]{4}(-[0-9]{2}(-[0-9]{2}(T([01][0-9]|2[0-3]):[0-5][0-9](:([0-5][0-9]|60)(\.[0-9]+)?)?"
    r"(Z|[+-](0[0-9]|1[0-3]):[0-5][0-9]|[+-]14:00)?)?)?)?"
)


def now() -> int:
    """Return the present millisecond, in microseconds since 1970."""
    return (datetime.now(UTC) - _EPOCH) // timedelta(milliseconds=1) * 1000


def to_datetime(moment: int) -> datetime:
    """Return microseconds since 1970 as a datetime in UTC."""
    return _EPOCH + moment * _MICROSECOND


def to_instant(moment: int) -> str:
    """Return microseconds since 1970 as a FHIR instant, to the millisecond."""
    return to_datetime(moment).isoformat(timespec="milliseconds")


def span_of(value: Any) -> tuple[int, int]:
    """Return the first and last microsecond that a value may mean; raises ValueError.

    A Period without a start reaches back, one without an end reaches on, and it includes both
    ends. Of a Timing only its outer limits count (R4, "Search", date).
    """
    if isinstance(value, Mapping):
        return _period(value) if "start" in value or "end" in value else _outer_limits(value)
    try:
        start, length = _parse(str(value))
    except OverflowError:
        return _FAR, _FAR
    low = (start - _EPOCH) // _MICROSECOND
    return low, low + length // _MICROSECOND - 1


def _period(value: Mapping[str, Any]) -> tuple[int, int]:
    low = span_of(value["start"])[0] if "start" in value else -_FAR
    high = span_of(value["end"])[1] if "end" in value else _FAR
    return low, high


def _outer_limits(timing: Mapping[str, Any]) -> tuple[int, int]:
    spans = [span_of(event) for event in timing.get("event", ()) if event is not None]
    if bounds := timing.get("repeat", {}).get("boundsPeriod"):
        spans.append(_period(bounds))
    if not spans:
        raise ValueError("a Timing without times")
    return min(low for low, _ in spans), max(high for _, high in spans)


def _parse(text: str) -> tuple[datetime, timedelta]:
    """Return the start of what a date text means, and how long that is; raises ValueError."""
    # In a URL a plus sign is a space; offsets are often sent unescaped.
    text = text.replace(" ", "+")
    if _FORM.fullmatch(text) is None:
        raise ValueError("none of R4's forms of a date")
    if match := re.fullmatch(r"(\d{4})(?:-(\d\d))?", text):
        year, month = int(match[1]), int(match[2] or 1)
        start = datetime(year, month, 1, tzinfo=UTC)
        later = (year + 1, 1) if match[2] is None or month == 12 else (year, month + 1)
        if later[0] > 9999:
            return start, datetime.max.replace(tzinfo=UTC) - start
        return start, datetime(*later, 1, tzinfo=UTC) - start
    # Python has no leap seconds; a second is near enough for a search.
    moment = datetime.fromisoformat(re.sub(r"(T..:..):60", r"\1:59", text))
    moment = moment if moment.utcoffset() is not None else moment.replace(tzinfo=UTC)
    if "T" not in text:
        return moment, timedelta(days=1)
    if "." in text:
        return moment, _MICROSECOND
    seconds = bool(re.search(r"T\d\d:\d\d:\d\d", text))
    return moment, timedelta(seconds=1) if seconds else timedelta(minutes=1)
