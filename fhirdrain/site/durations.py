"""How long something lasts, as site and policy files write it."""

from __future__ import annotations

import re
from datetime import timedelta


def duration(text: str) -> timedelta:
    """Return the time a text like 6h, 90min or 1d stands for; raises ValueError."""
    match = re.fullmatch(r"\s*(\d+)\s*(min|h|d)\s*", text)
    if match is None:
        raise ValueError(f'"{text}" is not a duration: write 10min, 6h or 1d')
    unit = {"min": "minutes", "h": "hours", "d": "days"}[match[2]]
    if len(match[1]) > 6:
        raise ValueError(f'"{text}" is longer than anything lasts here')
    return timedelta(**{unit: int(match[1])})
