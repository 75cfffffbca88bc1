"""Several tubes on one unit: who is led into whom, from when to when, and where what comes out was.

R4: Device.parent is "the device that this device is attached to or is part of"; an Observation has
one bodySite, so what comes from two places has none.
"""

from __future__ import annotations

from datetime import timedelta
from fractions import Fraction

import pytest

from fhirdrain.bedside.joins import joins_of
from fhirdrain.conformance import check_resource
from fhirdrain.resources.recover import recover
from tests.conftest import Run, map_files, reading, row, rows_of, site_text

JOIN = """
[sources.rounds.items.join]
observable = "joined"
words = { "left tube led in" = { tube = "left 1" }, "some tube" = {} }
[sources.rounds.items.part]
observable = "parted"
words = { "left tube off" = { tube = "L1" } }
[sources.rounds.items.put]
observable = "placed"
words = { "in" = {} }
[units]
"mls" = "mL"
"""


def with_joins() -> str:
    text = site_text().replace('[units]\n"mls" = "mL"\n', "")
    text = text.replace('unit-number = "no"\n', 'size = "no"\n')
    return text + JOIN


@pytest.fixture
def tubes(tmp_path):
    """Map rows of a site that charts joined tubes; everything made of them is right."""

    def run(*lines: str, text: str = "") -> Run:
        done = map_files(tmp_path, text or with_joins(), ("in.csv", rows_of(*lines)))
        assert [i for i in check_resource(done.bundle) if i.is_error] == []
        return done

    return run


def device(done, name):
    return next(d for d in done.of("Device") if d["deviceName"][0]["name"] == name)


def test_joins_last_until_the_tube_is_parted_or_the_drain_removed():
    joined = reading("joined", 1, parts={"tube": "L1"})
    again = reading("joined", 2, parts={"tube": "L1"})
    parted = reading("parted", 3, parts={"tube": "L1"})
    other = reading("joined", 4, parts={"tube": "M1"})
    removed = reading("removed", 5, "planned")
    withdrawn = reading("joined", 0, parts={"tube": "P1"}, status="entered-in-error")
    found = joins_of([removed, other, parted, again, joined, withdrawn])
    assert [(j.tube, j.start, j.end) for j in found] == [
        ("L1", joined.time, parted.time),
        ("M1", other.time, removed.time),
    ]
    assert found[0].holds(joined.time)
    assert not found[0].holds(parted.time)
    assert not found[0].holds(joined.time - timedelta(seconds=1))


def test_a_joined_tube_has_the_drain_as_parent_until_it_is_parted(tubes):
    lines = [
        row(id="1", item="lvl", value="100", seen="2025-01-10 08:00"),
        row(id="2", item="join", value="left tube led in", seen="2025-01-10 09:00"),
        row(id="3", item="lvl", value="150", seen="2025-01-10 10:00"),
    ]
    done = tubes(*lines)
    assert device(done, "L1")["parent"]["display"] == "R1"
    assert "parent" not in device(done, "R1")
    kinds = [r["resourceType"] for r in done.resources]
    assert kinds[:2] == ["Device", "Device"]
    assert [d["deviceName"][0]["name"] for d in done.of("Device")] == ["R1", "L1"]
    off = row(id="4", item="part", value="left tube off", seen="2025-01-10 11:00")
    parted = tubes(*lines, off)
    assert "parent" not in device(parted, "L1")


def test_what_comes_from_two_places_has_no_body_site(tubes):
    done = tubes(
        row(id="1", item="lvl", value="100", seen="2025-01-10 08:00"),
        row(id="2", item="join", value="left tube led in", seen="2025-01-10 09:00"),
        row(id="3", item="lvl", value="150", seen="2025-01-10 10:00"),
        row(id="4", item="part", value="left tube off", seen="2025-01-10 11:00"),
        row(id="5", item="lvl", value="180", seen="2025-01-10 12:00"),
        row(id="6", item="lvl", value="190", seen="2025-01-10 13:00"),
    )
    sites = {r["effectiveDateTime"][11:13]: "bodySite" in r for r in done.observation("level")}
    assert sites == {"08": True, "10": False, "12": True, "13": True}
    # What drained until 12:00 came through both tubes until 11:00.
    outputs = {r["effectivePeriod"]["end"][11:13]: "bodySite" in r for r in done.derived}
    assert outputs == {"10": False, "12": False, "13": True}


def test_the_removal_of_a_joined_tube_ends_its_joining(tubes):
    done = tubes(
        row(id="1", item="join", value="left tube led in", seen="2025-01-10 09:00"),
        row(id="2", item="rem", value="planned", seen="2025-01-10 10:00", drain="left 1"),
        row(id="3", item="lvl", value="150", seen="2025-01-10 11:00"),
        row(id="4", item="put", value="in", seen="2025-01-10 12:00", drain="left 1"),
        row(id="5", item="part", value="left tube off", seen="2025-01-10 13:00"),
    )
    (level,) = done.observation("level")
    assert "bodySite" in level
    parted = next(p for p in done.of("Procedure") if p["code"]["coding"][0]["code"] == "parted")
    of = [f["manipulated"]["identifier"]["value"].rsplit(".", 1)[0] for f in parted["focalDevice"]]
    assert of == ["R1.1", "L1.1"]


def test_a_joining_names_both_and_comes_back(tubes):
    done = tubes(row(id="2", item="join", value="left tube led in", by="n-1"))
    (procedure,) = done.of("Procedure")
    assert [f["manipulated"]["display"] for f in procedure["focalDevice"]] == ["R1", "L1"]
    assert procedure["code"]["coding"][0]["code"] == "joined"
    readings, issues = recover(done.resources)
    assert issues == []
    assert [(r.observable, r.drain, dict(r.parts)) for r in readings] == [
        ("joined", "R1", {"tube": "L1"})
    ]


def test_a_withdrawn_joining_still_says_of_which_tube_it_was(tubes):
    lines = [row(id="2", item="join", value="left tube led in", state=s) for s in ("", "struck")]
    done = tubes(*lines)
    assert [p["status"] for p in done.of("Procedure")] == ["entered-in-error"]
    assert "parent" not in device(done, "L1")
    readings, _ = recover(done.resources)
    assert [dict(r.parts) for r in readings] == [{"tube": "L1"}]


def test_a_joining_must_name_another_tube(tubes):
    done = tubes(
        row(id="1", item="join", value="some tube"),
        row(id="2", item="join", value="left tube led in", drain="left 1"),
    )  # fmt: skip
    assert [issue.rule for issue in done.report.issues] == ["no-tube", "no-tube"]


def test_tubes_led_into_each_other_in_a_ring_have_no_parent(tubes):
    text = 'words = { "left tube led in" = { tube = "left 1" }'
    more = ', "right tube led in" = { tube = "R1" }, "middle tube led in" = { tube = "M1" }'
    site = (
        with_joins()
        .replace(text, text + more)
        .replace("[sources.rounds]\n", '[drains.M1]\nspace = "mediastinal"\n[sources.rounds]\n')
    )
    two = [
        row(id="1", item="join", value="left tube led in"),
        row(id="2", item="join", value="right tube led in", drain="left 1"),
    ]
    assert ["parent" in d for d in tubes(*two, text=site).of("Device")] == [False, False]
    three = [
        row(id="1", item="join", value="left tube led in"),
        row(id="2", item="join", value="middle tube led in", drain="left 1"),
        row(id="3", item="join", value="right tube led in", drain="M1"),
    ]
    assert ["parent" in d for d in tubes(*three, text=site).of("Device")] == [False] * 3
    chain = {d["deviceName"][0]["name"]: d for d in tubes(*three[:2], text=site).of("Device")}
    assert {name: d.get("parent", {}).get("display") for name, d in chain.items()} == {
        "R1": None,
        "L1": "R1",
        "M1": "L1",
    }


def test_the_size_of_a_tube_is_a_property_of_its_device(tubes):
    done = tubes(row(id="1", item="put", value="in", no="28", unit="Fr"))
    (size,) = device(done, "R1")["property"]
    quantity = size["valueQuantity"][0]
    assert (str(quantity["value"]), quantity["code"]) == ("28", "[Ch]")
    readings, _ = recover(done.resources)
    assert [dict(r.parts) for r in readings] == [{"size": 28}]


def test_a_label_used_again_after_a_removal_is_another_device(tubes):
    done = tubes(
        row(id="1", item="rem", value="planned", seen="2025-01-10 08:00"),
        row(id="2", item="put", value="in", seen="2025-01-10 12:00"),
        row(id="3", item="join", value="left tube led in", seen="2025-01-10 13:00"),
    )  # fmt: skip
    devices = {d["identifier"][0]["value"].rsplit(".", 1)[0]: d for d in done.of("Device")}
    assert set(devices) == {"R1.1", "R1.2", "L1.1"}
    parent = devices["L1.1"]["parent"]["identifier"]["value"]
    assert parent.startswith("R1.2.")


def test_a_side_that_changes_within_an_interval_is_no_side_of_it(tubes):
    done = tubes(
        row(id="1", item="lvl", value="0", seen="2025-01-10 08:00"),
        row(id="2", item="lvl", value="50", seen="2025-01-10 12:00"),
        row(id="3", item="lie", value="left front", seen="2025-01-10 14:00"),
        row(id="4", item="lvl", value="60", seen="2025-01-10 15:00"),
        row(id="5", item="lvl", value="70", seen="2025-01-10 16:00"),
    )
    sites = [r.get("bodySite", {}).get("coding", [{}])[-1].get("code") for r in done.derived]
    assert sites == ["right-pleural", None, "left-pleural"]


def test_what_a_joined_tube_drained_meanwhile_is_not_known_of_it_alone(tubes):
    done = tubes(
        row(id="1", item="lvl", value="50", seen="2025-01-10 08:00", drain="left 1"),
        row(id="2", item="lvl", value="0", seen="2025-01-10 08:00"),
        row(id="3", item="join", value="left tube led in", seen="2025-01-10 08:30"),
        row(id="4", item="part", value="left tube off", seen="2025-01-10 18:30"),
        row(id="5", item="lvl", value="300", seen="2025-01-10 19:00"),
        row(id="6", item="lvl", value="50", seen="2025-01-10 19:00", drain="left 1"),
    )
    told = {s.drain: s.windows[-1] for s in done.report.drains}
    assert (told["R1"].value, told["R1"].covered) == (300, 1)
    # Ten of eleven hours it drained into the unit of R1.
    assert (told["L1"].value, told["L1"].at_most) == (None, None)
    assert told["L1"].covered == Fraction(1, 11)
