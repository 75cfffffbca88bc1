"""How the ledger's time and memory grow with the events: ratios within one run.

    python -m pytest tests/benchmarks/test_keeping.py --benchmark-enable -s

A thousand drains of a thousand events each, one drain after the other, as the spill file gives
them back. Without --benchmark-enable a hundredth of it is run, to see that it still runs.
"""

from __future__ import annotations

import statistics
import tracemalloc
from collections.abc import Iterator
from datetime import datetime, time, timedelta
from decimal import Decimal
from time import process_time
from zoneinfo import ZoneInfo

from fhirdrain.bedside.ledger import keep_ledger
from fhirdrain.bedside.reading import Reading
from fhirdrain.bedside.settings import Settings
from fhirdrain.bedside.totals import totals
from fhirdrain.bedside.windows import Windows

ZONE = ZoneInfo("Europe/Vienna")
SITE = Settings(
    zone=ZONE, windows=(time(7), time(19)), day_starts=time(7), new_unit_level=Decimal(0)
)
START = datetime.fromisoformat("2025-01-10T07:00:00+01:00")
EVENTS = 1000


def drain(number: int, events: int) -> Iterator[Reading]:
    """Yield the events of a drain: hourly levels, and a new unit after every hundredth."""
    level = 0
    for event in range(events):
        when = START + timedelta(hours=event)
        key = f"{number}-{event}"
        if event % 100 == 99:
            parts = {"closing-level": Decimal(level + 5)}
            yield Reading("s", f"p{number}", "R1", "unit-change", when, "full", parts=parts,
                          identity=key)  # fmt: skip
            level = 0
        else:
            level += (number + event) % 7
            yield Reading("s", f"p{number}", "R1", "level", when, Decimal(level), "mL",
                          identity=key)  # fmt: skip


def kept(drains: int, events: int = EVENTS) -> Decimal:
    """Keep the ledgers of so many drains, one at a time, and return what drained in all."""
    drained = Decimal(0)
    for number in range(drains):
        ledger = keep_ledger(drain(number, events), SITE)
        now = START + timedelta(hours=events)
        sums = totals(ledger, Windows(ZONE, SITE.windows), SITE, now=now)
        drained += sum((total.value or Decimal(0) for total in sums), Decimal(0))
    return drained


def peak(drains: int) -> int:
    tracemalloc.start()
    kept(drains)
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return most


def seconds(drains: int, events: int = EVENTS) -> float:
    begun = process_time()
    kept(drains, events)
    return process_time() - begun


def test_time_and_memory(request):
    blocks, drains = (10, 100) if request.config.getoption("--benchmark-enable") else (2, 2)
    assert kept(2) > 0
    memory = [peak(2), peak(drains)]
    times = []
    for _ in range(blocks):
        times.append(seconds(drains))
    half = blocks // 2
    growth = statistics.median(times[half:]) / statistics.median(times[:half])
    print(
        f"\n{blocks * drains * EVENTS:,} events of {blocks * drains:,} drains: {sum(times):.1f} s"
    )
    print(f"time of the second half against the first: {growth:.2f}")
    print(
        f"memory of {drains} drains against 2: {memory[1] / memory[0]:.2f} ({memory[1] >> 10} KiB)"
    )
    long, short = seconds(5, 4 * EVENTS), seconds(20, EVENTS)
    print(f"time of 5 drains of 4,000 events against 20 of 1,000: {long / short:.2f}")
    # What is kept of one drain is given up for the next, as soon as Python looks for it.
    assert memory[1] <= 1.5 * memory[0]
    if blocks == 10:
        assert growth <= 1.3
        assert long <= 1.3 * short
