"""A charted amount is `amended` where its start moved after it was stored, and only there.

The rule is the design's; what was charted as final comes back as final.
"""

from __future__ import annotations

import pytest

from fhirdrain.resources.recover import recover
from tests.conftest import row

DAY = "2025-01-10"


def out(time: str, stored: str, value: str = "20", **more: str) -> str:
    cells = {"id": time, "item": "out", "unit": "mL", "drain": "left 1", **more}
    return row(**{**cells, "value": value, "seen": f"{DAY} {time}", "stored": f"{DAY} {stored}"})


FIRST, LAST = out("10:00", "10:01"), out("12:00", "12:01")
BETWEEN = out("11:00", "13:00")
EARLY = out("11:00", "11:01")


@pytest.mark.parametrize(
    ("lines", "status", "start"),
    [
        ([FIRST, LAST], "final", "10:00"),
        ([FIRST, LAST, BETWEEN], "amended", "11:00"),
        ([LAST, BETWEEN, FIRST], "amended", "11:00"),  # whatever comes first
        ([FIRST, LAST, out("11:00", "11:30")], "final", "11:00"),
        ([FIRST, EARLY, LAST, out("11:00", "13:00", "25")], "final", "11:00"),  # only its amount
        ([FIRST, EARLY, LAST, out("11:00", "13:00", "", state="struck")], "amended", "10:00"),
        ([FIRST, EARLY, LAST, out("11:00", "11:30", "", state="struck")], "final", "10:00"),
        ([FIRST, BETWEEN, out("12:00", "12:01", since=f"{DAY} 11:30")], "final", "11:30"),
        ([FIRST, BETWEEN, LAST, out("12:00", "14:00", "30")], "corrected", "11:00"),
        ([LAST, out("10:00", "13:00")], "amended", "10:00"),  # it had no start
    ],
)
def test_an_amount_whose_start_moved_is_amended(mapped, lines, status, start):
    done = mapped(*lines)
    (last,) = [
        r for r in done.observation("9129-8") if r["effectivePeriod"]["end"].startswith(f"{DAY}T12")
    ]
    assert (last["status"], last["effectivePeriod"]["start"][11:16]) == (status, start)
    assert ("extension" in last) is (status == "amended")
    (back,), _ = recover([last])
    assert back.status == ("final" if status == "amended" else status)
