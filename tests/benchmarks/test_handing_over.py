"""How long a sheet of 10,000 readings takes: seconds, and against reading them from their bundle.

    python -m pytest tests/benchmarks/test_handing_over.py --benchmark-enable -s

One patient, one drain, 35 days of a reading every five minutes. Without --benchmark-enable a tenth
of it is made, to see that it still runs.
"""

from __future__ import annotations

import statistics
from datetime import datetime, timedelta
from time import perf_counter

from fhirdrain.site import load_site
from fhirdrain.site.policy import load_policy
from fhirdrain.street.handing_over import Rules, known_from_files, sheets_of, written
from fhirdrain.street.mapping import map_sources
from tests.handoff.making import SCENARIO

START = datetime.fromisoformat("2025-10-01T10:00+02:00")
HEADER = (
    "id,pat,stay,drain,unit_no,seen,since,stored,item,value,unit,closing,opening,state,by,remark"
)


def charted(readings: int) -> tuple[str, datetime]:
    """Return a chart of so many readings, and the time of the last."""
    lines, level, unit, when = [HEADER], 100, 1, START
    while len(lines) <= readings:
        seen = when.isoformat(timespec="minutes")
        number = len(lines)
        values = {"lvl": (level, "mL"), "air": ("only on cough", ""), "col": ("serous", "")}
        item = "air" if number % 3 == 0 else "col" if number % 7 == 0 else "lvl"
        if item == "col" and number % 2:
            values["col"] = ("serosanguineous", "")
        value, of = values[item]
        closing = opening = ""
        if level > 1900:
            item, value, of, closing, opening = "chg", "full", "", str(level), "0"
            level, unit = 0, unit + 1
        level += number % 3
        lines.append(
            f"{number},demo-P,stay,right pleural 1,{unit if item in ('lvl', 'chg') else ''},{seen},,"
            f"{seen},{item},{value},{of},{closing},{opening},,n1,"
        )
        when += timedelta(minutes=5)
    return "\n".join(lines) + "\n", when


def test_a_sheet_of_ten_thousand_readings(request, tmp_path):
    whole = request.config.getoption("--benchmark-enable")
    text, at = charted(10_000 if whole else 1_000)
    source, bundle = tmp_path / "in.csv", tmp_path / "bundle.json"
    source.write_text(text, encoding="utf-8")
    site = load_site(SCENARIO / "site.toml")
    with bundle.open("wb") as stream:
        report = map_sources(
            [source], site, site.source("rounds"), stream, rejects=tmp_path / "r"
        )  # fmt: skip
    assert report.rejected == 0
    rules = Rules(site.settings, load_policy(site.policy) if site.policy else None)

    def made() -> tuple[float, float]:
        begun = perf_counter()
        known = known_from_files([str(bundle)], None)
        read = perf_counter()
        sheets = sheets_of(known, rules, at)
        page = written(sheets, "html", "en")
        done = perf_counter()
        assert len(sheets) == 1
        assert b"RIGHT, pleural: drain R1" in page
        return read - begun, done - read

    times = [made() for _ in range(5 if whole else 1)]
    reading, making = (statistics.median(column) for column in zip(*times, strict=True))
    print(f"\nread from its bundle {reading:.2f} s, the page made of it {making:.2f} s,"
          f" {making / reading:.2f} of reading")  # fmt: skip
    if whole:
        assert sum(map(len, known_from_files([str(bundle)], None).readings.values())) == 10_000
        assert making < 2
