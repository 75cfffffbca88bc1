"""The scenario as it was known at each of its six hand-offs: totals, and the policy's answers.

The tables are those of the scenario's own description, copied as figures.
"""

from __future__ import annotations

import csv
import io
from datetime import datetime, timedelta

import pytest

from fhirdrain.site import load_site
from fhirdrain.site.policy import load_policy
from fhirdrain.street.mapping import map_sources
from fhirdrain.street.patient import drains_of, judged, summarise
from tests.conftest import ROOT

SCENARIO = ROOT / "sample_bundles" / "scenario"
SITE = load_site(SCENARIO / "site.toml")
SOURCES = (
    ("rounds", "rounds.csv", ",", "stored", "iso"),
    ("surgery", "surgery.tsv", "\t", "gespeichert", "%d.%m.%Y %H:%M %z"),
)


def moment(text: str) -> datetime:
    """Return a time of the scenario: `25 19:05` is Saturday; the clocks go back on the 26th."""
    day, _, clock = text.partition(" ")
    offset = "+02:00" if int(day) < 26 or (day == "26" and clock < "03:00") else "+01:00"
    return datetime.fromisoformat(f"2025-10-{day}T{clock}:00{offset}")


def drains_known(at: datetime, tmp_path):
    """Return each drain with its summaries, from the rows that were stored by a time."""
    readings = []
    for name, file, delimiter, stored, form in SOURCES:
        text = (SCENARIO / file).read_text("utf-8")
        rows = list(csv.reader(io.StringIO(text), delimiter=delimiter))
        column = rows[0].index(stored)
        kept = [
            row
            for row in rows[1:]
            if not row[column]
            or (
                datetime.fromisoformat(row[column])
                if form == "iso"
                else datetime.strptime(row[column], form)
            )
            <= at
        ]
        path = tmp_path / file
        with path.open("w", encoding="utf-8", newline="") as stream:
            csv.writer(stream, delimiter=delimiter).writerows([rows[0], *kept])
        report = map_sources(
            [path], SITE, SITE.source(name), io.BytesIO(), rejects=tmp_path / "r", keep_items=True
        )
        readings += report.readings
    by_patient = {}
    for reading in readings:
        by_patient.setdefault(reading.patient, []).append(reading)
    drains, summaries, answers = {}, {}, {}
    figures = load_policy(SITE.policy).read()
    for patient, own in by_patient.items():
        made = drains_of(patient, own, SITE.settings)
        drains |= {drain.name: drain for drain in made}
        summaries |= {s.drain: s for s in summarise(made, SITE.settings, at)[0]}
        for judgement in judged(made, figures, SITE.settings, now=at):
            answers[judgement.figure.name, judgement.drains] = judgement
    return drains, summaries, answers


def shown(total) -> str:
    if total.value is not None:
        return str(total.value)
    if total.at_most is not None:
        return f"{total.at_least} or {total.at_most}"
    return "unknown" if total.at_least is None else f"at least {total.at_least}"


# The window that ended before each sheet, as told then; None where the drain was out.
TOLD = {
    "24 19:05": {"M1": "360", "L1": "85", "R1": "310"},
    "25 07:05": {"M1": "310", "L1": "105", "R1": "180"},
    "25 19:05": {"M1": "280", "L1": "120 or 165", "R1": "145"},
    "26 07:05": {"M1": "125", "L1": "240", "R1": "130"},
    "26 19:05": {"M1": "35", "L1": "at least 20", "R1": "105"},
    "27 07:05": {"M1": None, "L1": "80", "R1": "60"},
}
# The last day's total, from the first sheet that could tell it.
DAYS = {
    "25 07:05": {"M1": "670", "L1": "190", "R1": "490"},
    "26 07:05": {"M1": "405", "L1": "360", "R1": "275"},
    "27 07:05": {"L1": "100", "R1": "165"},
}


@pytest.mark.parametrize("sheet", TOLD)
def test_the_totals_as_they_were_known(sheet, tmp_path):
    at = moment(sheet)
    ends = at - timedelta(minutes=5)
    _, summaries, _ = drains_known(at, tmp_path)
    for name, expected in TOLD[sheet].items():
        found = [t for t in summaries[name].windows if t.window.end == ends]
        assert [shown(total) for total in found] == ([] if expected is None else [expected]), name
    for name, expected in DAYS.get(sheet, {}).items():
        (day,) = [t for t in summaries[name].days if t.window.end == ends]
        assert shown(day) == expected, name


def test_what_was_told_is_put_right_when_more_is_known(tmp_path):
    """E6 and E7: the pair is settled at 19:25, the 150 mL are withdrawn on Sunday at 09:20."""
    _, summaries, _ = drains_known(moment("27 07:05"), tmp_path)
    shifts = {t.window.end: shown(t) for t in summaries["L1"].windows}
    assert shifts[moment("25 19:00")] == "120"
    assert shifts[moment("26 07:00")] == "90"
    night = next(t for t in summaries["L1"].windows if t.window.end == moment("26 07:00"))
    assert night.window.hours == 13


BLOOD, SURGERY = "blood in 1 to 2 h", "after heart surgery"
FULL, LATE, ENDED = "unit nearly full", "not charted", "air leak ended"


@pytest.mark.parametrize(
    ("at", "figure", "drains", "answer", "since"),
    [
        ("24 19:05", BLOOD, ("R1",), "met", "24 11:00"),
        ("24 19:05", SURGERY, ("L1", "M1"), "not met", None),
        ("25 07:05", SURGERY, ("L1", "M1"), "not met", None),
        ("25 22:05", FULL, ("R1",), "met", "25 22:00"),
        ("26 07:05", FULL, ("R1",), "not met", None),  # the unit was changed at 02:15
        ("24 19:05", LATE, ("L1",), "not met", None),
        ("26 07:05", LATE, ("L1",), "not met", None),  # 5 h, though the clock shows 4
        ("26 19:05", LATE, ("L1",), "met", "26 17:00"),
        ("26 19:05", LATE, ("R1",), "not met", None),
        ("26 19:05", LATE, ("M1",), "not met", None),  # it is out
        ("25 19:05", ENDED, ("R1",), "not met", None),
        ("26 07:05", ENDED, ("R1",), "not met", None),
        ("26 19:05", ENDED, ("R1",), "met", "26 11:00"),
    ],
)
def test_the_policy_as_it_was_known(at, figure, drains, answer, since, tmp_path):
    _, _, answers = drains_known(moment(at), tmp_path)
    found = {name: one for (name, of), one in answers.items() if set(of) == set(drains)}
    judgement = found[figure]
    assert (judgement.answer, judgement.time) == (answer, since and moment(since)), judgement.why


def test_blood_is_asked_for_where_it_is_charted(tmp_path):
    """E5: what drains from the left is not blood; 95 mL from the mediastinum is no figure's."""
    _, _, answers = drains_known(moment("25 19:05"), tmp_path)
    assert answers[BLOOD, ("L1",)].answer == "not met"
    assert (BLOOD, ("M1",)) not in answers
