"""Fourteen situations of the bedside that must come out right, each from its source to a server
and back: what is read there gives the same ledger as what was charted.

What is said of charting, units and drains is common practice; rows and numbers are invented.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal

import pytest

from fhirdrain.bedside.policy import Figure
from fhirdrain.conformance import check_bytes
from fhirdrain.exchange.auth import Bearer
from fhirdrain.exchange.client import Client
from fhirdrain.site import load_site
from fhirdrain.street.mapping import map_sources
from fhirdrain.street.patient import Wanted, drains_of, judged, summarise
from fhirdrain.street.posting import post, prepare
from fhirdrain.street.reading import Wanted as Asked
from fhirdrain.street.reading import read_drains
from tests.conftest import row, rows_of, site_text


@dataclass
class Journey:
    """What came of rows: the run's report, the server's readings, and the drains by each."""

    report: object
    bundle: bytes
    back: list
    drains: dict = field(default_factory=dict)
    summaries: dict = field(default_factory=dict)

    def shifts(self, drain="R1") -> list[str]:
        """Return the totals of a drain's shifts in words."""
        return [shown(total) for total in self.summaries[drain].windows]

    def outputs(self, drain="R1") -> list[str]:
        """Return what drained, step by step."""
        return [str(output.value) for output in self.summaries[drain].ledger.outputs]

    def kinds(self) -> list[str]:
        """Return the kinds of the findings."""
        return sorted(finding.kind for finding in self.report.findings)

    def refused(self) -> list[str]:
        """Return the rules by which rows were refused."""
        return [issue.rule for issue in self.report.issues]

    def said(self, observable, drain="R1") -> list[str]:
        """Return the values of an observable that stand, in order of time."""
        found = [r for r in self.drains[drain].readings if r.observable == observable and r.counts]
        return [str(r.value) for r in found]


def shown(total) -> str:
    if total.value is not None:
        return str(total.value)
    if total.at_most is not None:
        return f"{total.at_least} or {total.at_most}"
    return "unknown" if total.at_least is None else f"at least {total.at_least}"


@pytest.fixture
def travel(tmp_path, server):
    """Take rows from the source to the server and back."""
    client = Client(server, Bearer(None))

    def go(*lines: str, text: str | None = None, **sections: str) -> Journey:
        (tmp_path / "site.toml").write_text(text or site_text(**sections), encoding="utf-8")
        site = load_site(tmp_path / "site.toml")
        source, bundle, stream = tmp_path / "in.csv", tmp_path / "bundle.json", io.BytesIO()
        source.write_text(rows_of(*lines), encoding="utf-8")
        report = map_sources(
            [source], site, site.source(None), stream,
            rejects=tmp_path / "refused", keep_items=True, wanted=Wanted(totals=True),
        )  # fmt: skip
        assert report.balanced
        bundle.write_bytes(stream.getvalue())
        assert [issue for issue in check_bytes(stream.getvalue()) if issue.is_error] == []
        delivery = post(client, prepare(str(bundle)), create_patients=True)
        assert not delivery.different
        assert len(delivery.created) == sum(report.resources.values())
        _, back, faults = read_drains(client, Asked())
        assert faults == []
        by_patient: dict = {}
        for reading in back:
            by_patient.setdefault(reading.patient, []).append(reading)
        journey = Journey(report, stream.getvalue(), back)
        for patient, readings in by_patient.items():
            drains = drains_of(patient, readings, site.settings)
            journey.drains |= {drain.name: drain for drain in drains}
            journey.summaries |= {s.drain: s for s in summarise(drains, site.settings)[0]}
        for before in report.drains:
            after = journey.summaries[before.drain]
            if len(by_patient) == 1:
                assert [*map(shown, before.windows)] == [*map(shown, after.windows)]
        return journey

    yield go
    client.close()


def level(number, clock, value, **more):
    return row(id=str(number), item="lvl", value=str(value), seen=f"2025-01-{clock}", **more)


def amount(number, clock, value, **more):
    more.setdefault("unit", "mL")
    return row(id=str(number), item="out", value=str(value), seen=f"2025-01-{clock}", **more)


# -- one to fourteen ------------------------------------------------------------------------


def test_1_levels_are_not_summed_and_amounts_not_differenced(travel):
    journey = travel(
        level(1, "10 08:00", 100), level(2, "10 12:00", 130), level(3, "10 19:00", 150),
        amount(4, "10 08:00", 40, drain="left 1"), amount(5, "10 12:00", 30, drain="left 1"),
        amount(6, "10 19:00", 20, drain="left 1"),
    )  # fmt: skip
    assert journey.outputs("R1") == ["30", "20"]
    assert journey.outputs("L1") == ["40", "30", "20"]
    assert journey.shifts("R1") == ["50"]
    # Which it is the site file has to say: an item that it does not name is refused.
    assert travel(row(id="9", item="volume", value="50")).refused() == ["unknown-item"]


def test_2_a_level_that_falls_is_asked_about_and_nothing_flows_back(travel):
    journey = travel(
        level(1, "10 08:00", 400), level(2, "10 10:00", 40), level(3, "10 12:00", 60),
        level(4, "10 19:00", 80),
    )  # fmt: skip
    assert journey.outputs() == []
    assert journey.shifts() == ["unknown"]
    assert journey.kinds() == ["suspect-level"]


def test_2_a_slip_is_set_aside_when_later_marks_are_above_it(travel):
    journey = travel(level(1, "10 08:00", 400), level(2, "10 10:00", 40), level(3, "10 19:00", 450))
    assert journey.outputs() == ["50"]
    assert journey.shifts() == ["50"]


def test_3_one_drain_under_two_items_and_a_pair_minutes_apart(travel):
    journey = travel(
        amount(1, "10 07:00", 5, drain="left 1"),
        amount(2, "10 18:00", 90, drain="left 1"),
        row(id="3", item="out2", value="90", seen="2025-01-10 18:05", drain=""),  # L1's own item
        amount(4, "10 19:00", 10, drain="left 1"),
    )
    assert set(journey.drains) == {"L1"}
    assert journey.kinds() == ["double"]
    assert journey.shifts("L1")[-1] == "100 or 190"


def test_3_two_tubes_in_one_chamber(travel):
    text = site_text().replace("[sources.rounds.items.txt]", JOINS + "[sources.rounds.items.txt]")
    text = text.replace('opening-level = "opening"', 'opening-level = "opening"\ntube = "since"')
    journey = travel(
        level(1, "10 08:00", 100),
        row(id="2", item="joi", value="x", seen="2025-01-10 08:30", since="L1"),
        level(3, "10 19:00", 160),
        text=text.replace('start = "since"\n', ""),
    )
    assert journey.shifts() == ["60"]
    device = next(d for d in journey.drains["R1"].readings if d.observable == "joined")
    assert device.parts["tube"] == "L1"


JOINS = """[sources.rounds.items.joi]
observable = "joined"
words = { "x" = {} }
"""


def test_4_zero_missing_and_closing_rows_are_three_things(travel):
    journey = travel(
        amount(1, "10 07:00", 5), amount(2, "10 12:00", 0), amount(3, "10 15:00", ""),
        amount(4, "10 19:00", 20), row(id="5", item="out", value="", note="closed"),
    )  # fmt: skip
    assert journey.said("output") == ["5", "0", "20"]
    assert journey.report.set_aside.total() == 2
    assert journey.shifts()[-1] == "20"


def test_5_times_are_those_of_the_site_and_the_hour_that_comes_twice_is_not_guessed(travel):
    def at(number, wall, value):
        return row(id=str(number), item="lvl", value=str(value), seen=f"2025-10-26 {wall}")

    journey = travel(at(1, "01:30", 100), at(2, "02:30", 110), at(3, "04:30", 120))
    assert [issue.rule for issue in journey.report.issues] == ["ambiguous-time"]
    assert "comes twice" in journey.report.issues[0].message
    (output,) = journey.summaries["R1"].ledger.outputs
    assert (output.end - output.start).total_seconds() == 4 * 3600  # 01:30 to 04:30, by the clock 3


def test_5_what_was_charted_ahead_is_taken_and_counted(mapped):
    ahead = level(7, "10 12:00", 130, stored="2025-01-10 11:00")
    run = mapped(ahead)
    assert (run.report.mapped, run.report.ahead) == (1, 1)


def test_6_boundaries_first_readings_and_days_of_25_hours(travel):
    def at(number, when, value):
        return row(id=str(number), item="lvl", value=str(value), seen=f"2025-10-{when}")

    journey = travel(
        at(1, "25 07:00", 500), at(2, "25 19:00", 560), at(3, "26 07:00", 690),
    )  # fmt: skip
    # 07:00 ends the night before; that first mark is a baseline and has no rate.
    assert journey.shifts() == ["unknown", "60", "130"]
    night, day = journey.summaries["R1"].windows[-1], journey.summaries["R1"].days[-1]
    assert (night.window.hours, day.window.hours, day.value) == (13, 25, 190)
    assert journey.summaries["R1"].ledger.baseline.value == 500


def test_7_suction_as_it_is_written(travel):
    journey = travel(
        row(id="1", item="suc", value="20 cm", seen="2025-01-10 08:00"),
        row(id="2", item="suc", value="on seal", seen="2025-01-10 09:00"),
        row(id="3", item="suc", value="Wasserschloss", seen="2025-01-10 10:00"),
        row(id="4", item="mod", value="clamped for the walk", seen="2025-01-10 11:00"),
        row(id="5", item="wall", value="80", seen="2025-01-10 12:00"),
        row(id="6", item="ord", value="suction 10", seen="2025-01-10 07:30"),
    )
    assert journey.said("mode") == ["suction", "water-seal", "water-seal", "clamped"]
    assert journey.said("suction-set") == ["20"]  # what was set is not what was ordered
    assert journey.said("suction-ordered") == ["10"]
    (why,) = journey.report.set_aside  # a wall gauge says nothing of the suction at the patient
    assert "wall gauge" in why


@pytest.mark.parametrize(
    ("unit", "amount_in_ml"),
    [("mL", "50"), ("ml", "50"), ("mls", "50"), ("cc", "50"), ("L", None), ("ML", None),
     ("mL/24h", None), ("mmHg", None), ("cmH2O", None)],
)  # fmt: skip
def test_8_units_are_read_only_as_what_they_mean(travel, unit, amount_in_ml):
    journey = travel(amount(1, "10 08:00", 50, unit=unit))
    if amount_in_ml is not None:
        assert journey.said("output") == [amount_in_ml]
    elif unit == "L":
        assert journey.refused() == ["impossible"]  # 50 L never drained: mL was meant
    else:
        assert len(journey.refused()) == 1


def test_9_corrections_and_resends(travel):
    def stored(clock):
        return f"2025-01-{clock}"

    journey = travel(
        level(1, "10 08:00", 100, stored=stored("10 08:04")),
        level(2, "10 12:00", 130, stored=stored("10 12:04")),
        level(2, "10 12:00", 130, stored=stored("10 12:04")),  # the same again
        level(3, "10 19:00", 150, stored=stored("10 19:04")),
        level(3, "10 19:00", 170, stored=stored("11 09:00")),  # put right
        level(4, "10 15:00", 135, stored=stored("10 15:04")),
        level(4, "10 15:00", 135, stored=stored("11 09:00"), state="struck"),  # withdrawn
        level(5, "10 08:00", 900, pat="p-2", stored=stored("10 08:04")),
        level(5, "10 08:00", 900, pat="p-2", stored=stored("10 08:10"), state="struck"),
        level(6, "10 16:00", 1, state="perhaps"),  # a status that nobody explained
    )
    assert journey.outputs() == ["30", "40"]
    assert journey.shifts() == ["70"]
    statuses = {r.row: r.status for r in journey.report.readings}
    assert statuses == {
        "1": "final", "2": "final", "3": "corrected", "4": "entered-in-error",
        "5": "entered-in-error",
    }  # fmt: skip
    assert len(journey.refused()) == 1


def test_9_no_identity_depends_on_a_value(mapped):
    first, second = mapped(level(3, "10 19:00", 150)), mapped(level(3, "10 19:00", 170))
    assert [r.identity for r in first.report.readings] == [
        r.identity for r in second.report.readings
    ]


def test_10_the_site_file_says_what_local_codes_mean(travel):
    text = site_text().replace("[sources.rounds.items.air]", PLUS + "[sources.rounds.items.air]")
    journey = travel(
        row(id="1", item="bub", value="-", seen="2025-01-10 08:00"),
        row(id="2", item="swn", value="-", seen="2025-01-10 08:00"),
        row(id="3", item="SWN", value="-", seen="2025-01-10 08:00"),  # another item altogether
        text=text,
    )
    assert journey.said("air-leak") == ["present"]
    assert journey.said("swing") == ["absent"]
    assert journey.refused() == ["unknown-item"]


# In one item minus is there, in its neighbour it is not.
PLUS = """[sources.rounds.items.bub]
observable = "air-leak"
words = { "-" = { value = "present", at-rest = "present" } }
[sources.rounds.items.swn]
observable = "swing"
words = { "-" = "absent" }
"""


def test_11_what_drained_before_an_unmarked_change_is_unknown(travel):
    journey = travel(
        level(1, "10 08:00", 1800),
        row(id="2", item="chg", value="full", seen="2025-01-10 10:00", opening="0"),
        level(3, "10 12:00", 40), level(4, "10 19:00", 90),
    )  # fmt: skip
    assert journey.shifts() == ["at least 90"]


def test_11_a_closing_level_says_what_drained_before_the_change(travel):
    journey = travel(
        level(1, "10 08:00", 1800),
        row(id="2", item="chg", value="full", seen="2025-01-10 10:00", closing="1840", opening="0"),
        level(3, "10 12:00", 40),
        level(4, "10 19:00", 90),
    )
    assert journey.shifts() == ["130"]


def test_12_sides_are_the_patients_and_a_zero_after_a_long_gap_proves_nothing(travel):
    site = 'longest_interval = "6h"'
    journey = travel(
        amount(2, "12 04:00", 0), amount(1, "10 19:00", 50), amount(3, "12 07:00", 5),
        row(id="4", item="lie", value="left front", seen="2025-01-10 07:30"),
        site=site,
    )  # fmt: skip
    assert journey.outputs() == ["50", "0", "5"]  # in order of time, however they came
    by_end = {t.window.end: shown(t) for t in journey.summaries["R1"].windows}
    last = max(by_end)
    assert by_end[last] == "at least 5"
    middle = sorted(by_end)[1:-1]
    assert [by_end[end] for end in middle] == ["unknown"] * len(middle)
    (place,) = [r for r in journey.back if r.observable == "drain-site"]
    assert place.parts["side"] == "left"


def test_13_what_was_there_on_arrival_and_a_drain_that_is_out(travel):
    journey = travel(
        level(1, "10 10:00", 1150, note="in the unit on arrival"), level(2, "10 12:00", 1160),
        row(id="3", item="rem", value="planned", seen="2025-01-10 12:00"),
        level(4, "12 12:00", 20, drain="left 1"),
        row(id="5", item="air", value="cough only", seen="2025-01-10 10:00"),
        row(id="6", item="air", value="none at rest", seen="2025-01-10 11:00"),
    )  # fmt: skip
    assert journey.outputs() == ["10"]
    assert journey.shifts() == ["10"]  # and no window after the removal
    ended = Figure("ended", "air-leak-ended", "x", "invented", rounds=1)
    late = Figure("late", "not-charted", "x", "invented", after=datetime.resolution)
    drains = [journey.drains["R1"]]
    settings = journey.summaries["R1"].settings
    now = datetime.fromisoformat("2025-01-20T00:00:00+00:00")
    answers = [j.answer for j in judged(drains, [ended, late], settings, now=now)]
    assert answers == ["not met", "not met"]


def test_14_a_figure_has_a_scope_and_three_answers(travel):
    journey = travel(
        level(1, "10 08:00", 100), level(2, "10 09:00", 160),
        amount(3, "10 08:00", 5, drain="left 1"), amount(4, "10 09:00", 50, drain="left 1"),
    )  # fmt: skip
    hour = datetime.fromisoformat("2025-01-10T09:00") - datetime.fromisoformat("2025-01-10T08:00")

    def figure(above, **more):
        return Figure("f", "volume", "x", "invented", above=Decimal(above), within=hour, **more)

    drains = [journey.drains["L1"], journey.drains["R1"]]
    settings = journey.summaries["R1"].settings

    def answers(*figures):
        return [(j.drains, j.answer) for j in judged(drains, figures, settings)]

    assert answers(figure(100)) == [(("L1",), "not met"), (("R1",), "not met")]
    assert answers(figure(100, scope="patient")) == [(("L1", "R1"), "met")]
    assert answers(figure(55, drains=("R1",))) == [(("R1",), "met")]
    clots = figure(55, drains=("R1",), appearance=("bloody",))
    assert answers(clots) == [(("R1",), "cannot be judged")]
