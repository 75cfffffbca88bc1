"""Any bundle that passes the check gives a sheet, and no number on it comes from nowhere.

Each number, time and length of time that stands on a sheet is looked for among the readings and in
the ledger, which this test asks by itself.
"""

from __future__ import annotations

import random
import re
import tempfile
from datetime import datetime, timedelta
from decimal import Decimal
from itertools import chain
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from fhirdrain.bedside.totals import total, uncovered
from fhirdrain.bedside.windows import Window, Windows
from fhirdrain.conformance import check_file
from fhirdrain.handoff.bed import day_to, last_handoff, shift_at
from fhirdrain.handoff.language import Language
from fhirdrain.handoff.page import page
from fhirdrain.handoff.plain import plain_text
from fhirdrain.site import load_site
from fhirdrain.site.policy import load_policy
from fhirdrain.street.handing_over import Rules, known_from_files, sheets_of
from fhirdrain.street.patient import drains_of, summarise
from tests.conftest import map_files, rows_of, site_text
from tests.handoff.test_page import read
from tests.scenarios.test_anything import ITEMS, chart
from tests.scenarios.test_incremental import ISO

POLICY = """
name = "p"
shortest_interval = "30min"
[[figures]]
name = "much"
kind = "volume"
says = "much"
source = "invented"
scope = "drain"
above = "40 mL"
within = "3h"
[[figures]]
name = "late"
kind = "not-charted"
says = "late"
source = "invented"
scope = "drain"
after = "5h"
[[figures]]
name = "ended"
kind = "air-leak-ended"
says = "ended"
source = "invented"
scope = "drain"
rounds = 2
"""
_MONTHS = "Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec"
_COUNTS = re.compile(
    r"and \d+ more before|and \d+ readings before|and \d+ times more|\d+ readings |record: \d+"
    r"|changed \d+ times|in a row since: \d+ of \d+|cough \d+ times|tube \d+ under|unit \d+ "
)


def known_times(site, readings, at) -> set[datetime]:
    """Return every time that readings and the site's shifts know of."""
    times = {at, last_handoff(site.settings, at)}
    for r in readings:
        times |= {t for t in (r.time, r.start, r.end, r.recorded, r.first_recorded) if t}
    windows = Windows(site.settings.zone, site.settings.windows)
    first = min(r.start or r.time for r in readings)
    for window in windows.between(min(first, at) - timedelta(days=2), at):
        times |= {window.start, window.end}
    end = shift_at(site.settings, at).window.end
    times |= {day_to(site.settings, end).start, day_to(site.settings, at).start}
    times |= {t + timedelta(hours=5) for t in times}  # a figure that is met so long behind
    return times


def known_numbers(site, readings, at) -> set[Decimal]:
    """Return every number that readings say, and that follows of them by the ledger."""
    numbers = {v for r in readings for v in (r.value, *r.parts.values()) if isinstance(v, Decimal)}
    numbers |= {Decimal(v) for r in readings for v in r.parts.values() if isinstance(v, int)}
    own = [r for r in readings if r.time <= at or r.observable.endswith("ordered")]
    drains = drains_of("p-1", own, site.settings)
    summaries, *_ = summarise(drains, site.settings, at)
    shift = shift_at(site.settings, at).window
    last = last_handoff(site.settings, at)
    for summary in summaries:
        ledger = summary.ledger
        numbers |= {o.value for o in ledger.outputs}
        windows = Windows(site.settings.zone, site.settings.windows)
        asked = {t.window for t in summary.windows} | {shift, Window(shift.end, at)}
        asked |= {windows.containing(at), windows.containing(last)}
        asked |= {day_to(site.settings, end) for end in (shift.end, at)}
        for window in asked:
            if window.start >= window.end:
                continue
            found = total(ledger, window, site.settings, now=at, doubles=summary.doubles)
            numbers |= {n for n in (found.value, found.at_least, found.at_most) if n is not None}
            numbers.add(Decimal(round(float(found.covered) * 100)))
            for o in found.outputs:
                if o.start is not None and o.start < o.end:
                    numbers.add(
                        Decimal(
                            round(
                                o.value
                                / Decimal(Window(o.start, o.end).hours.numerator)
                                * Window(o.start, o.end).hours.denominator
                            )
                        )
                    )
            assert all(gap.start < gap.end for gap in uncovered(found))
        # what a policy adds up: neighbouring outputs of three hours
        ends = sorted({o.end for o in ledger.outputs} | {r.time for r in own})
        for end in ends:
            start = end - timedelta(hours=3)
            inside = [
                o
                for o in ledger.outputs
                if o.start is not None and start <= o.start and o.end <= end
            ]
            touching = [
                o
                for o in ledger.outputs
                if o.end > start and (o.start is None or o.start < end or o.start == o.end <= end)
            ]
            numbers |= {sum((o.value for o in some), Decimal(0)) for some in (inside, touching)}
    return numbers | {Decimal(40)}


def numbers_from_nowhere(text: str, site, readings, at) -> list[str]:
    """Return what of a text's numbers no reading and no ledger knows."""
    text = " ".join(text.split())
    times = known_times(site, readings, at)
    language = Language("en", site.settings.zone, at)
    clocks = {f"{t.astimezone(site.settings.zone):%H:%M}" for t in times}
    dates = {f"{t.astimezone(site.settings.zone):%d %b}" for t in times}
    spans = {abs(b - a) for a in times for b in times} | {timedelta(hours=3)}
    lengths = {language.length(span) for span in spans}
    wrong = []
    for clock in re.findall(r"\b\d\d:\d\d\b", re.sub(r"[+-]\d\d:\d\d", " ", text)):
        wrong += [clock] if clock not in clocks else []
    text = re.sub(r"[+-]?\d\d:\d\d", " ", text)
    for date in re.findall(rf"\b(\d\d (?:{_MONTHS}))(?: \d{{4}})?", text):
        wrong += [date] if date not in dates else []
    text = re.sub(rf"\b\d\d (?:{_MONTHS})(?: \d{{4}})?", " ", text)
    length = r"\d+ d(?: \d+ h)?|\d+ h(?: \d+ min)?|\d+ min"
    for one in re.findall(rf"\b(?:{length})\b", text):
        wrong += [one] if one not in lengths else []
    text = re.sub(rf"\b(?:{length})\b", " ", text)
    text = _COUNTS.sub(" ", text)
    text = re.sub(r"\b(R1|L1|p-1|stay-\w+|[a-z]+-\d+|mL/h|cmH2O)\b", " ", text)
    shown = {language.number(n) for n in known_numbers(site, readings, at)}
    wrong += [n for n in re.findall(r"\d+(?:\.\d+)?", text) if n not in shown]
    return wrong


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**6), st.sampled_from([0, 30, 400, 700, 1500, 4000]))
def test_any_bundle_that_passes_gives_a_sheet_of_its_own_numbers(seed, later):
    lines = chart(random.Random(seed))
    text = site_text(source=ISO, site='longest_interval = "6h"\npolicy = "policy.toml"') + ITEMS
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "policy.toml").write_text(POLICY)
        run = map_files(folder, text, ("in.csv", rows_of(*lines)))
        path = folder / "bundle.json"
        path.write_bytes(run.data)
        if any(issue.is_error for issue in check_file(path)) or not run.report.readings:
            return
        site = load_site(folder / "site.toml")
        readings = [r for r in run.report.readings if r.observable != "patient-weight"]
        if not readings:
            return
        rules = Rules(site.settings, load_policy(folder / "policy.toml"))
        at = max(r.recorded or r.time for r in readings) + timedelta(minutes=later)
        known = known_from_files([str(path)], None)
        made = sheets_of(known, rules, at)
        for code in ("en", "de"):
            read(page(made, code)) if made else None
        if made:
            lost = numbers_from_nowhere(plain_text(made, "en"), site, readings, at)
            assert lost == [], plain_text(made, "en")
            tree = read(page(made, "en"))
            told = [a["aria-label"] for tag, a in tree.found if tag == "svg"]
            assert numbers_from_nowhere(" ".join(chain(tree.text, told)), site, readings, at) == []


def test_the_test_sees_a_number_that_comes_from_nowhere(tmp_path):
    run = map_files(tmp_path, site_text(source=ISO), ("in.csv", rows_of(*chart(random.Random(3)))))
    site = load_site(tmp_path / "site.toml")
    at = max(r.recorded or r.time for r in run.report.readings)
    for text, wrong in (
        ("at least 777 mL", ["777"]),
        ("Sat 03:33", ["03:33"]),
        ("last 31 Dec", ["31 Dec"]),
        ("(7777 h)", ["7777 h"]),
    ):
        assert numbers_from_nowhere(text, site, run.report.readings, at) == wrong
