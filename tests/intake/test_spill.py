from __future__ import annotations

from fhirdrain.intake.item import SourceItem
from fhirdrain.intake.spill import Spill
from tests.conftest import level


def item(arrival, patient, hours, drain="R1"):
    reading = level(hours, 1, drain=drain, patient=patient)
    return SourceItem("f", arrival, arrival, "", (reading,), patient=patient)


def test_items_come_back_by_patient_drain_and_time():
    with Spill() as spill:
        for arrival, (patient, hours, drain) in enumerate(
            [("b", 1, "R1"), ("a", 9, "R1"), ("a", 3, "R1"), ("a", 5, "L1"), ("b", 0, "R1")]
        ):
            spill.add(item(arrival, patient, hours, drain))
        found = [(p, [i.arrival for i in items]) for p, items in spill.patients()]
    assert found == [("a", [3, 2, 1]), ("b", [4, 0])]


def test_more_items_than_memory_holds_at_once_and_nothing_left_behind():
    with Spill() as spill:
        for arrival in range(5000):
            spill.add(item(arrival, f"p{arrival % 7}", arrival / 100))
        assert len(spill._waiting) < 5000
        assert sum(len(items) for _, items in spill.patients()) == 5000
        folder = spill._folder.name
    from pathlib import Path

    assert not Path(folder).exists()
