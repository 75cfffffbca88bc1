"""Sums that a site charts beside their parts: they check, and are never counted.

Expected by hand; a night in which clocks go back has 13 h (scenario E8).
"""

from __future__ import annotations

import pytest

from fhirdrain.bedside.ledger import keep_ledger
from fhirdrain.bedside.sums import check_sums
from fhirdrain.errors import ConfigurationError
from fhirdrain.site import load_site
from tests.conftest import amount, at, level, map_files, reading, row, rows_of, site_text


def verdict(settings, charted, *readings, start=0, end=12, doubles=()):
    one = reading("charted-total", end, charted, start=None if start is None else at(start))
    ledger = keep_ledger(readings, settings)
    (check,) = check_sums([one], ledger, settings, now=readings[-1].time, doubles=doubles)
    return check.verdict


LEVELS = [level(0, 100), level(6, 150), level(12, 220)]


@pytest.mark.parametrize(("charted", "found"), [(120, "agrees with"), (220, "differs from")])
def test_a_sum_is_held_against_its_parts(settings, charted, found):
    assert verdict(settings, charted, *LEVELS) == found


def test_a_sum_over_time_not_known_differs_only_where_it_must(settings):
    amounts = [amount(0, 5), amount(4, 60), amount(12, 40, start=at(8))]
    assert verdict(settings, 99, *amounts) == "differs from"  # at least 100 is known
    assert verdict(settings, 100, *amounts) == "cannot be compared with"
    assert verdict(settings, 130, *amounts) == "cannot be compared with"


def test_a_sum_beside_a_suspected_double_may_be_either(settings):
    amounts = [amount(0, 5), amount(6, 45), amount(12, 45)]
    doubles = [amounts[-2:]]
    assert verdict(settings, 45, *amounts, doubles=doubles) == "cannot be compared with"
    assert verdict(settings, 90, *amounts, doubles=doubles) == "cannot be compared with"
    assert verdict(settings, 91, *amounts, doubles=doubles) == "differs from"
    assert verdict(settings, 44, *amounts, doubles=doubles) == "differs from"


def test_a_sum_is_not_compared_without_its_time_or_behind_the_last_reading(settings):
    assert verdict(settings, 120, *LEVELS, start=None) == "cannot be compared with"
    assert verdict(settings, 120, *LEVELS, end=13) == "cannot be compared with"


def test_a_sum_of_nothing_charted_is_not_compared(settings):
    one = reading("charted-total", 12, 0, start=at(0))
    (check,) = check_sums([one], None, settings, now=at(12))
    assert check.verdict == "cannot be compared with"
    finding = check.finding()
    assert (finding.kind, finding.readings) == ("sum-not-compared", (one,))


# -- from source to server ------------------------------------------------------------------------

ITEMS = """
[sources.rounds.items.sum]
observable = "charted-total"
unit = "mL"
over = "{over}"
"""


def mapped(tmp_path, *lines, over="shift", **more):
    file = ("rounds.csv", rows_of(*lines))
    return map_files(tmp_path, site_text(**more) + ITEMS.format(over=over), file)


def lvl(time, value):
    return row(id=time, item="lvl", value=value, seen=time)


def total(time, value, **more):
    return row(id=f"s{time}", item="sum", value=value, seen=time, **more)


SHIFT = [lvl("2025-01-10 07:00", "100"), lvl("2025-01-10 19:00", "220")]


@pytest.mark.parametrize(
    ("value", "since", "why", "finding"),
    [
        ("120", "", "agrees with", []),
        ("130", "", "differs from", ["sum-differs"]),
        ("0.12 L", "", "agrees with", []),
        ("120", "2025-01-10 07:00", "agrees with", []),
        # What drained from 07:00 to 08:00 is in the one step that is charted: by the site's rule
        # it counts where it ends, and a sum of less may be right as well.
        ("120", "2025-01-10 08:00", "agrees with", []),
        ("90", "2025-01-10 08:00", "cannot be compared with", ["sum-not-compared"]),
    ],
)
def test_a_charted_sum_is_set_aside_with_what_it_says_of_its_parts(
    tmp_path, value, since, why, finding
):
    without = map_files(tmp_path, site_text(), ("rounds.csv", rows_of(*SHIFT)))
    done = mapped(tmp_path, *SHIFT, total("2025-01-10 19:00", value, since=since))
    assert done.report.set_aside == {f"a charted sum that {why} its parts, not sent": 1}
    assert [f.kind for f in done.report.findings] == finding
    assert done.resources == without.resources  # it changes nothing that is sent


def test_a_sum_is_of_the_shift_or_the_day_that_ends_with_it(tmp_path):
    # The night of the change has 13 h, the day 25: 07:00 ends both.
    rows = [
        lvl("2025-10-25 07:00", "0"),
        lvl("2025-10-25 19:00", "100"),
        lvl("2025-10-26 07:00", "230"),
    ]
    night = mapped(tmp_path, *rows, total("2025-10-26 07:00", "130"))
    assert [f.kind for f in night.report.findings] == []
    day = mapped(tmp_path, *rows, total("2025-10-26 07:00", "230"), over="day")
    assert [f.kind for f in day.report.findings] == []
    early = mapped(tmp_path, *rows, total("2025-10-26 06:55", "130"))
    assert [f.kind for f in early.report.findings] == ["sum-not-compared"]


def test_a_withdrawn_sum_checks_nothing_and_a_corrected_one_anew(tmp_path):
    wrong = total("2025-01-10 19:00", "210", stored="2025-01-10 19:01")
    right = total("2025-01-10 19:00", "120", stored="2025-01-10 19:30", state="put right")
    gone = total("2025-01-10 19:00", "210", stored="2025-01-10 19:30", state="struck")
    assert [f.kind for f in mapped(tmp_path, *SHIFT, wrong).report.findings] == ["sum-differs"]
    assert mapped(tmp_path, *SHIFT, wrong, right).report.findings == []
    assert mapped(tmp_path, *SHIFT, wrong, gone).report.findings == []


def test_a_drain_of_which_only_a_sum_is_charted_is_not_sent(tmp_path):
    done = mapped(tmp_path, total("2025-01-10 19:00", "120"))
    assert done.resources == []
    assert [f.kind for f in done.report.findings] == ["sum-not-compared"]


def test_what_the_site_file_may_not_say_of_sums_is_refused(tmp_path):
    for more, says in (
        ('[sources.rounds.items.x]\nobservable = "level"\nunit = "mL"\nover = "day"', "only a"),
        ('[sources.rounds.items.x]\nobservable = "output-total"', "charted-total"),
        ('[sources.rounds.items.x]\nobservable = "patient-weight"\ndrain = "R1"', "no drain"),
        ('[sources.rounds.items.x]\nobservable = "charted-total"\nnot_done = ["n"]', "not done"),
        (
            '[sources.rounds.items.x]\nwords = { "a" = { level = "3 mL", charted-total = "3 mL" } }',
            "two things",
        ),
    ):
        (tmp_path / "site.toml").write_text(site_text() + more)
        with pytest.raises(ConfigurationError, match=says):
            load_site(tmp_path / "site.toml")
