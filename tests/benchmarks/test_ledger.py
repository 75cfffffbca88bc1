"""How the ledger's time and memory grow with the events: ratios within one run.

    python -m pytest tests/benchmarks/test_ledger.py --benchmark-enable -s

A thousand drains of a thousand events each, one drain after the other, as the spill file gives
them back. Without --benchmark-enable a hundredth of it is run, to see that it still runs.
"""

from __future__ import annotations

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


def test_time_and_memory(request):
    few, many = (100, 1000) if request.config.getoption("--benchmark-enable") else (2, 10)
    kept(2)
    assert kept(few) > 0
    memory = [peak(2), peak(few)]
    begun = process_time()
    kept(few)
    between = process_time()
    kept(many)
    ended = process_time()
    per_event = ((between - begun) / few, (ended - between) / many)
    print(f"\n{many * EVENTS:,} events of {many:,} drains: {ended - between:.1f} s")
    print(f"time an event, against a tenth of them: {per_event[1] / per_event[0]:.2f}")
    print(f"memory of {few} drains against 2: {memory[1] / memory[0]:.2f} ({memory[1] >> 10} KiB)")
    # What is kept of one drain is given up for the next, as soon as Python looks for it.
    assert memory[1] <= 1.5 * memory[0]
    if many == 1000:
        assert per_event[1] <= 1.3 * per_event[0]
