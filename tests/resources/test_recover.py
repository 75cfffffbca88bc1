"""Our FHIR back to the readings it was made from."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

from fhirdrain.bedside.findings import suspected_doubles
from fhirdrain.resources.recover import recover
from fhirdrain.street.tour import SAME
from tests.conftest import row
from tests.resources.test_form import lines


def compared(readings):
    return {
        (r.identity, r.observable): {
            name: str(getattr(r, name)) if name == "value" else getattr(r, name) for name in SAME
        }
        for r in readings
    }


def test_every_reading_comes_back_in_every_form(mapped):
    more = [
        row(
            id="20",
            item="lie",
            value="left front",
            by="n-2",
            stored="2025-01-10 10:01",
            note="by the armpit",
        ),
        row(id="21", item="suc", value="2 kPa", seen="2025-01-10 15:00"),
        row(id="22", item="col", value="blutig", seen="2025-01-10 15:00"),
        row(id="23", item="swg", value="would not", seen="2025-01-10 15:00"),
        row(
            id="24",
            item="ord",
            value="suction 10",
            seen="2025-01-10 16:00",
            until="2025-01-10 18:00",
            state="put right",
        ),
        row(
            id="25",
            item="rem",
            value="planned",
            seen="2025-01-10 19:00",
            state="struck",
            stored="2025-01-10 19:30",
        ),
        row(
            id="26",
            item="mod",
            value="clamped for the walk",
            seen="2025-01-10 15:30",
            drain="left 1",
        ),
    ]
    for form in ("transaction", "collection"):
        run = mapped(*lines(), *more, form=form)
        found, issues = recover(run.resources)
        assert issues == []
        assert compared(found) == compared(run.report.readings)


def test_digits_come_back(mapped):
    run = mapped(
        *(
            row(id=str(n), item="lvl", value=v, seen=f"2025-01-10 {10 + n}:00")
            for n, v in enumerate(["19", "19.0", "19.00"])
        )
    )
    found, _ = recover(run.resources)
    assert [str(r.value) for r in found] == ["19", "19.0", "19.00"]


def test_derived_numbers_are_never_read_back(mapped):
    run = mapped(*lines())
    found, _ = recover(run.derived)
    assert found == []


def test_what_cannot_be_read_back_is_said():
    broken = {
        "resourceType": "Observation",
        "id": "x",
        "category": [
            {
                "coding": [
                    {
                        "system": "https://fhirdrain.example/fhir/CodeSystem/drain",
                        "code": "chest-drain",
                    }
                ]
            }
        ],
        "code": {"coding": [{"system": "http://loinc.org", "code": "9187-6"}]},
    }
    found, (issue,) = recover([broken])
    assert found == []
    assert "Observation/x cannot be read back" in issue.message


def test_what_is_not_ours_is_passed_over():
    foreign = {
        "resourceType": "Observation",
        "code": {"coding": [{"system": "http://loinc.org", "code": "9129-8"}]},
        "valueQuantity": {"value": Decimal(5)},
    }
    assert recover([foreign, {"resourceType": "Patient"}]) == ([], [])


def test_a_suspected_double_is_one_after_the_way_back(mapped):
    run = mapped(
        row(id="1", item="out", value="1", unit="mL", drain="left 1", seen="2025-01-10 08:00"),
        row(id="2", item="out", value="50", unit="mL", drain="left 1", seen="2025-01-10 12:00"),
        row(id="3", item="out2", value="50", drain="left 1", seen="2025-01-10 12:05"),
    )
    found, _ = recover(run.resources)
    assert {r.item for r in found} == {"out", "out2"}
    assert len(suspected_doubles(found, timedelta(minutes=10))) == 1
