"""Real rows of four intensive-care patients against sums made by somebody else's program.

Source: MIMIC-III Clinical Database Demo v1.4 (PhysioNet, doi:10.1038/sdata.2016.35), Open Database
License. The rows are never part of the project; the test runs where they lie beside it.
"""

from __future__ import annotations

import csv
import io
from datetime import UTC, datetime
from decimal import Decimal

import pytest

from fhirdrain.conformance import check_bytes
from fhirdrain.site import load_site
from fhirdrain.street.mapping import map_sources
from tests.conftest import ROOT, SHARED

REAL = SHARED / "real"
pytestmark = pytest.mark.skipif(
    not (REAL / "totals.csv").is_file(), reason="the open data is not beside the project"
)
DRAINS = {"40049": "RP1", "226593": "RP1", "40076": "C1", "226588": "C1", "41707": "C2"}


def run(tmp_path, name):
    site = load_site(ROOT / "tests" / "real" / "site.toml")
    stream = io.BytesIO()
    report = map_sources(
        [REAL / f"{name}.csv"], site, site.source(name), stream,
        rejects=tmp_path / "r.csv", keep_items=True,
    )  # fmt: skip
    assert report.balanced
    return report, stream.getvalue()


def wall(text):
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def test_the_sums_are_those_of_the_oracle_row_by_row(tmp_path):
    report, _ = run(tmp_path, "outputs")
    assert (report.items, report.mapped, report.rejected) == (136, 133, 0)
    found = {}
    for summary in report.drains:
        for kind, totals in (("shift12", summary.windows), ("day24", summary.days)):
            for total in totals:
                key = (summary.patient, summary.drain, kind, total.window.start, total.window.end)
                found[key] = total.charted
    compared = unknown = 0
    with (REAL / "totals.csv").open(newline="") as stream:
        for row in csv.DictReader(stream):
            kind, _, rule = row["window"].partition(" ")
            if not (rule.startswith("(") and rule.endswith("]")):
                continue
            drain = DRAINS[row["itemid"]]
            key = (row["subject_id"], drain, kind, wall(row["start"]), wall(row["end"]))
            charted = found.get(key)
            if charted is None:
                # Only an empty value or a closing row lies in the window: unknown is not 0.
                assert Decimal(row["sum_ml"]) == 0
                unknown += 1
            else:
                assert charted == Decimal(row["sum_ml"]), row
            compared += 1
    assert (compared, unknown) == (61, 6)


def test_one_pair_and_no_other_is_suspected(tmp_path):
    report, _ = run(tmp_path, "outputs")
    (finding,) = [f for f in report.findings if f.kind == "double"]
    assert {r.patient for r in finding.readings} == {"43798"}
    assert [(r.value, f"{r.time:%H:%M}") for r in finding.readings] == [
        (90, "22:00"),
        (90, "22:05"),
    ]
    assert report.findings == [finding]


def test_sums_with_a_suspected_double_are_ranges_or_lower_bounds(tmp_path):
    report, _ = run(tmp_path, "outputs")
    night = [
        total
        for summary in report.drains
        if summary.patient == "43798"
        for total in summary.windows
        if total.window.start == wall("2198-06-29 19:00:00")
    ]
    assert [(t.at_least, t.charted) for t in night] == [(0, 90), (60, 150)]
    assert all(t.value is None for t in night)


def test_charted_items_are_mapped_as_the_site_file_says(tmp_path):
    report, data = run(tmp_path, "charted")
    assert (report.items, report.mapped, report.rejected) == (711, 655, 3)
    assert {issue.rule for issue in report.issues} == {"unknown-word"}
    assert check_bytes(data) == []
    said = {(r.observable, r.value) for r in report.readings}
    assert ("mode", "water-seal") in said
    assert ("air-leak", "none") not in said  # nobody charted whether the patient coughed
    assert {r.value for r in report.readings if r.observable == "suction-set"} == {Decimal(20)}


def test_side_belongs_to_the_patients_tube(tmp_path):
    report, _ = run(tmp_path, "charted")
    sides = {
        (r.patient, r.parts.get("side"))
        for r in report.readings
        if r.observable == "drain-site" and r.item == "223993"
    }
    assert {side for _, side in sides} == {"left", "right"}
    assert len({patient for patient, _ in sides}) == 2
