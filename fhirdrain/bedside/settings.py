"""What a site decides about its drains: windows, limits, and what it knows of each drain."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import time, timedelta, tzinfo
from decimal import Decimal
from typing import Literal


@dataclass(frozen=True, slots=True)
class DrainSettings:
    """What the site file says of one drain; capacity in mL."""

    side: str = "unknown"
    space: str = "unknown"
    capacity: Decimal | None = None
    began_empty: bool = False


@dataclass(frozen=True, slots=True)
class Settings:
    """What the arithmetic needs to know of a site.

    `windows` and `day_starts` are wall times in `zone`, which is a plain offset where nothing more
    is known. `new_unit_level` is the level in mL of a unit just put on where its change does not
    say it, None where the site does not know. `longest_interval` is how far back an amount may
    reach, None for no limit.
    """

    zone: tzinfo
    windows: tuple[time, ...]
    day_starts: time
    longest_interval: timedelta | None = None
    new_unit_level: Decimal | None = None
    spanning: Literal["end", "split"] = "end"
    suction_tolerance: Decimal = Decimal(0)
    significant_digits: int = 6
    double_within: timedelta = timedelta(minutes=10)
    drains: Mapping[str, DrainSettings] = field(default_factory=dict)

    def drain(self, name: str) -> DrainSettings:
        """Return what is known of a drain; nothing is known of one the site file leaves out."""
        return self.drains.get(name) or DrainSettings()
