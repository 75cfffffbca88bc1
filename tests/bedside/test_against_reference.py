"""The ledger against a slow and obvious one, on random drains of up to 500 events."""

from __future__ import annotations

import itertools
from datetime import datetime, time, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

from hypothesis import given, settings
from hypothesis import strategies as st

from fhirdrain.bedside.ledger import keep_ledger
from fhirdrain.bedside.reading import Reading
from fhirdrain.bedside.settings import Settings
from fhirdrain.bedside.totals import totals
from fhirdrain.bedside.windows import Windows
from tests.bedside import reference
from tests.bedside.reference import Event

ZONE = ZoneInfo("UTC")
START = datetime(2025, 1, 10, 7, tzinfo=ZONE)
LONGEST = 360
SITE = Settings(
    zone=ZONE,
    windows=(time(7), time(19)),
    day_starts=time(7),
    longest_interval=timedelta(minutes=LONGEST),
)

waits = st.integers(1, 900)
volume = st.integers(0, 2000)
maybe = st.none() | volume
levels = st.one_of(
    st.tuples(waits, st.just("level"), volume, st.none(), st.none()),
    st.tuples(waits, st.just("level"), st.integers(0, 40), st.none(), st.none()),
    st.tuples(waits, st.just("change"), st.just(0), maybe, maybe),
)
amounts = st.tuples(waits, st.just("amount"), st.integers(0, 300), st.none(), st.none())
drains = st.one_of(
    st.lists(levels, min_size=1, max_size=60),
    st.lists(amounts, min_size=1, max_size=60),
    # Most levels rise, so that long runs of good ones come up too.
    st.lists(st.tuples(st.integers(1, 120), st.integers(0, 50)), min_size=400, max_size=500).map(
        lambda walk: [
            (wait, "level", sum(rise for _, rise in walk[: n + 1]), None, None)
            for n, (wait, _) in enumerate(walk)
        ]
    ),
)


def events_of(walk) -> list[Event]:
    minute, found = 0, []
    for wait, kind, value, closing, opening in walk:
        minute += wait
        found.append(Event(minute, kind, value, closing, opening))
    return found


def at(minute: int) -> datetime:
    return START + timedelta(minutes=minute)


def readings_of(events) -> list[Reading]:
    found = []
    for number, event in enumerate(events):
        value: Decimal | str = Decimal(event.value)
        parts = {}
        if event.kind == "change":
            value = "full"
            stated = {"closing-level": event.closing, "opening-level": event.opening}
            parts = {name: Decimal(part) for name, part in stated.items() if part is not None}
        name = {"level": "level", "change": "unit-change", "amount": "output"}[event.kind]
        found.append(
            Reading("test", "p", "R1", name, at(event.minute), value, "mL", parts,
                    identity=f"{number:04}")
        )  # fmt: skip
    return found


def minutes(moment: datetime | None) -> int | None:
    return None if moment is None else (moment - START) // timedelta(minutes=1)


@settings(max_examples=150, deadline=None)
@given(drains, st.randoms(use_true_random=False), st.booleans())
def test_outputs_and_totals_are_those_of_the_plain_one(walk, random, is_out):
    events = events_of(walk)
    readings = readings_of(events)
    last = events[-1].minute
    removed = last + 1 if is_out else None
    if removed is not None:
        readings.append(Reading("test", "p", "R1", "removed", at(removed), "planned", identity="x"))
    random.shuffle(readings)  # in whatever order they come
    ledger = keep_ledger(readings, SITE)
    found = [(minutes(o.start), minutes(o.end), int(o.value)) for o in ledger.outputs]
    assert found == reference.outputs(events, LONGEST)
    assert all(value >= 0 for _, _, value in found)

    now = removed or last
    sums = totals(ledger, Windows(ZONE, SITE.windows), SITE, now=at(now))
    # Windows follow each other without a gap, and hold every output once.
    assert all(a.window.end == b.window.start for a, b in itertools.pairwise(sums))
    assert sum(len(total.outputs) for total in sums) == len(found)
    for total in sums:
        start, end = minutes(total.window.start), minutes(total.window.end)
        plain = reference.window(events, start, end, now, removed, LONGEST)
        assert total.charted == plain.charted
        assert total.covered == plain.covered
        assert (total.value is not None) == plain.known
        if plain.known:
            assert total.value == plain.charted
        elif plain.charted is None:
            assert total.at_least is None  # what is unknown is no number
