"""Whatever order rows come in, however often, put right or withdrawn: the numbers are the same."""

from __future__ import annotations

import tempfile
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from tests.conftest import map_files, row, rows_of, site_text

# A row: minutes since the one before, what it is, what it says, and what it should have said.
rows = st.lists(
    st.tuples(
        st.integers(1, 400),
        st.sampled_from(["lvl", "lvl", "lvl", "chg"]),
        st.integers(0, 900),
        st.none() | st.integers(0, 900) | st.just("withdrawn"),
    ),
    min_size=1,
    max_size=12,
)


def seen(minute: int) -> str:
    return f"2025-01-{10 + minute // 1440:02}T{minute // 60 % 24:02}:{minute % 60:02}+01:00"


def stored(second: int) -> str:
    return f"2025-02-01T{second // 60:02}:{second % 60:02}+01:00"


def line(number: int, minute: int, item: str, value: int, at: int, **more: str) -> str:
    said = {"value": str(value)} if item == "lvl" else {"value": "full", "closing": str(value)}
    return row(id=str(number), item=item, seen=seen(minute), stored=stored(at), **said, **more)


def told(walk) -> list[str]:
    """Return the rows of a walk, each with what was put right or withdrawn of it behind it."""
    lines: list[str] = []
    minute = 0
    for number, (wait, item, value, should) in enumerate(walk):
        minute += wait
        lines.append(line(number, minute, item, value, number))
        if should == "withdrawn":
            lines.append(line(number, minute, item, value, 100 + number, state="struck"))
        elif should is not None:
            lines.append(line(number, minute, item, should, 100 + number))
    return lines


def outcome(lines: list[str]):
    """Return what is known of each drain: its outputs, totals, and what stands of each row."""
    source = 'time_format = "iso"'
    with tempfile.TemporaryDirectory() as folder:
        file = ("rounds.csv", rows_of(*lines))
        run = map_files(Path(folder), site_text(source=source), file)
    assert run.report.rejected == 0
    drains = {
        s.drain: (
            [(o.start, o.end, o.value, o.closing.row) for o in s.ledger.outputs],
            [(t.window, t.value, t.at_least, t.at_most, t.covered) for t in s.windows],
        )
        for s in run.report.drains
    }
    stands = sorted(
        (r.row or "", r.observable, r.time, str(r.value), r.identity)
        for r in run.report.readings
        if r.counts
    )
    withdrawn = sorted(r.identity for r in run.report.readings if not r.counts)
    return drains, stands, withdrawn


@settings(max_examples=60, deadline=None)
@given(rows, st.randoms(use_true_random=False))
def test_order_resending_and_correcting_change_no_number(walk, random):
    first, later, right = [], [], []
    minute = 0
    for number, (wait, item, value, should) in enumerate(walk):
        minute += wait
        first.append(line(number, minute, item, value, number))
        if should == "withdrawn":
            later.append(line(number, minute, item, value, 100 + number, state="struck"))
        elif should is not None:
            later.append(line(number, minute, item, should, 100 + number))
            right.append(line(number, minute, item, should, number))
        else:
            right.append(first[-1])
    told = outcome([*first, *later])
    # Late, early, twice: the set of versions decides.
    shuffled = [*first, *later, *random.sample(first, k=len(first) // 2), *later]
    random.shuffle(shuffled)
    assert outcome(shuffled) == told
    # Charted right at once it comes to the same; only that something was withdrawn stays known.
    if right:
        drains, stands, _ = outcome(right)
        assert (drains, stands) == told[:2]
