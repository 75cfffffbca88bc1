"""Rates, totals and rounds: what is worked out, and only when it is asked for.

Codes and units of rates: LOINC 9130-6 to 9134-8, property VRat, one unit a code; mL/(24.h) is the
UCUM code of a volume over 24 hours. 135 mL over 8 h is 16.875 mL/h (common practice, no source).
"""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

import pytest

from fhirdrain.bedside.rates import Asked
from fhirdrain.conformance import check_resource
from fhirdrain.errors import ConfigurationError
from fhirdrain.street.patient import Wanted, wanted_of
from tests.conftest import Run, make_site, map_files, row, rows_of, site_text

HOUR = timedelta(hours=1)


@pytest.fixture
def worked(tmp_path):
    """Map rows with what is wanted beside them."""

    def run(wanted: Wanted, *lines: str, **more: str) -> Run:
        file = ("in.csv", rows_of(*lines))
        done = map_files(tmp_path, site_text(**more), file, wanted=wanted)
        assert [i for i in check_resource(done.bundle) if i.is_error] == []
        return done

    return run


def level(time: str, value: int, id_: str = "") -> str:
    return row(id=id_ or time, item="lvl", value=str(value), seen=time)


def rates(done: Run) -> list[tuple[str, str, str]]:
    return [
        (
            r["code"]["coding"][0]["code"],
            str(r["valueQuantity"]["value"]),
            r["valueQuantity"]["code"],
        )
        for r in done.of("Observation")
        if r["meta"]["profile"][0].endswith("/output-rate")
    ]


def test_nothing_of_it_is_sent_unless_it_is_asked_for(worked):
    done = worked(Wanted(), level("2025-01-10 07:00", 375), level("2025-01-10 15:00", 510))
    assert rates(done) == []
    assert done.observation("output-total") == []


@pytest.mark.parametrize(
    ("until", "rise", "code", "value", "unit"),
    [
        ("2025-01-10 08:00", 40, "9130-6", "40", "mL/h"),
        ("2025-01-10 15:00", 135, "9131-4", "135", "mL/(8.h)"),
        ("2025-01-10 17:00", 100, "9132-2", "100", "mL/(10.h)"),
        ("2025-01-10 19:00", 120, "9133-0", "120", "mL/(12.h)"),
        ("2025-01-11 07:00", 240, "9134-8", "240", "mL/(24.h)"),
        ("2025-01-10 11:00", 50, "output-rate", "12.5", "mL/h"),
        ("2025-01-10 14:00", 50, "output-rate", "7.14286", "mL/h"),
    ],
)
def test_a_rate_has_the_code_and_unit_of_its_hours(worked, until, rise, code, value, unit):
    done = worked(
        Wanted(rates=Asked(HOUR)), level("2025-01-10 07:00", 375), level(until, 375 + rise)
    )
    assert rates(done) == [(code, value, unit)]


def test_a_day_of_25_hours_is_no_24_hour_rate(worked):
    done = worked(
        Wanted(rates=Asked(HOUR)),
        level("2025-10-25 07:00", 0),
        level("2025-10-26 07:00", 240),
    )
    assert rates(done) == [("output-rate", "9.6", "mL/h")]  # practice.md: 240 mL in 25 h


def test_a_pericardial_drain_has_codes_of_its_own_and_none_for_ten_hours(worked):
    site = {"drain": '[drains.P1]\nspace = "pericardial"\n'}
    for until, code, unit in (("19:00", "9172-8", "mL/(12.h)"), ("17:00", "output-rate", "mL/h")):
        done = worked(
            Wanted(rates=Asked(HOUR)),
            *(
                row(id=time, drain="P1", item="lvl", value=value, seen=f"2025-01-10 {time}")
                for time, value in (("07:00", "0"), (until, "60"))
            ),
            **site,
        )
        ((found, _, in_unit),) = rates(done)
        assert (found, in_unit) == (code, unit)


def test_no_rate_without_a_start_below_the_shortest_or_of_a_suspected_double(worked):
    def amount(time, value, item="out", drain="left 1"):
        return row(id=f"{time}{item}", drain=drain, item=item, value=value, unit="mL", seen=time)

    first = amount("2025-01-10 10:00", "30")  # since when is not known
    assert rates(worked(Wanted(rates=Asked(HOUR)), first)) == []
    soon = amount("2025-01-10 10:30", "20")
    assert rates(worked(Wanted(rates=Asked(HOUR)), first, soon)) == []
    assert rates(worked(Wanted(rates=Asked(HOUR / 2)), first, soon)) == [
        ("output-rate", "40", "mL/h")
    ]
    # scenario E6: 45 mL at 18:00 and 18:05 under two items would be 540 mL/h.
    twice = (amount("2025-01-10 18:00", "45"), amount("2025-01-10 18:05", "45", "out2"))
    done = worked(Wanted(rates=Asked(timedelta(minutes=1))), first, *twice)
    assert [r for r in rates(done) if Decimal(r[1]) > 100] == []


def test_rates_need_the_sites_own_shortest_interval(tmp_path):
    site = make_site(tmp_path)
    with pytest.raises(ConfigurationError, match="shortest interval"):
        wanted_of(["rates"], site)
    assert wanted_of(["totals"], site) == Wanted(totals=True)
    (tmp_path / "policy.toml").write_text('name = "p"\nshortest_interval = "30min"\n')
    with_policy = make_site(tmp_path, site='policy = "policy.toml"')
    assert wanted_of(["rates"], with_policy) == Wanted(rates=Asked(HOUR / 2))


def totals(done: Run) -> dict[tuple[str, str], dict]:
    return {
        (r["effectivePeriod"]["start"][:16], r["effectivePeriod"]["end"][:16]): r
        for r in done.observation("output-total")
    }


def parts(resource: dict) -> dict[str, str]:
    return {
        c["code"]["coding"][0]["code"]: str(c["valueQuantity"]["value"])
        for c in resource["component"]
    }


def test_totals_say_how_much_of_them_is_known(worked):
    done = worked(
        Wanted(totals=True),
        level("2025-01-10 07:00", 100),
        level("2025-01-10 19:00", 220),
        row(id="c", item="chg", value="full", seen="2025-01-11 02:00"),
        level("2025-01-11 07:00", 30),
        level("2025-01-11 19:00", 90),
    )
    found = totals(done)
    day, night = ("2025-01-10T07:00", "2025-01-10T19:00"), ("2025-01-10T19:00", "2025-01-11T07:00")
    assert str(found[day]["valueQuantity"]["value"]) == "120"
    assert parts(found[day]) == {"covered": "100"}
    assert found[day]["status"] == "final"
    assert len(found[day]["derivedFrom"]) == 1
    # No closing level: what drained until the change is not known, nor where the new unit began.
    assert "valueQuantity" not in found[night]
    assert found[night]["dataAbsentReason"]["coding"][0]["code"] == "unknown"
    assert parts(found[night]) == {"covered": "0"}
    whole = ("2025-01-10T07:00", "2025-01-11T07:00")
    assert parts(found[whole]) == {"covered": "50", "at-least": "120"}
    assert "dataAbsentReason" not in found[whole]


def test_a_shift_and_a_day_that_start_together_are_two_totals(worked):
    done = worked(Wanted(totals=True), level("2025-01-10 07:00", 0), level("2025-01-11 07:00", 240))
    identities = {r["identifier"][0]["value"] for r in done.observation("output-total")}
    assert len(identities) == len(done.observation("output-total")) == 5


def test_a_total_of_a_window_still_open_is_preliminary_and_one_put_right_is_amended(worked):
    lines = [level("2025-01-10 07:00", 0), level("2025-01-10 15:00", 80)]
    done = worked(Wanted(totals=True), *lines)
    statuses = {r["status"] for (start, _), r in totals(done).items() if "10T07" in start}
    assert statuses == {"preliminary"}
    mended = row(id="2025-01-10 15:00", item="lvl", value="90", seen="2025-01-10 15:00")
    later = level("2025-01-10 19:00", 100)
    done = worked(Wanted(totals=True), *lines, mended, later)
    assert totals(done)["2025-01-10T07:00", "2025-01-10T19:00"]["status"] == "amended"


def test_a_suspected_double_makes_a_range(worked):
    done = worked(
        Wanted(totals=True),
        *(
            row(id=f"{n}", drain="left 1", item=item, value=value, unit="mL",
                seen=f"2025-01-10 {time}", since="2025-01-10 07:00" if n == 1 else "")
            for n, (time, item, value) in enumerate(
                [("07:00", "out", "5"), ("18:00", "out", "45"), ("18:05", "out2", "45"), ("19:00", "out", "10")]
            )
        ),
    )  # fmt: skip
    total = totals(done)["2025-01-10T07:00", "2025-01-10T19:00"]
    assert parts(total) == {"covered": "100", "at-least": "55", "at-most": "100"}


def test_what_is_stated_since_a_time_was_there_from_then_on(worked):
    lines = [
        row(id="1", drain="left 1", item="out", value="100", unit="mL",
            seen="2025-01-10 19:00", since="2025-01-10 07:00"),
    ]  # fmt: skip
    found = totals(worked(Wanted(totals=True), *lines))
    assert ("2025-01-09T19:00", "2025-01-10T07:00") not in found
    shift = found["2025-01-10T07:00", "2025-01-10T19:00"]
    assert (str(shift["valueQuantity"]["value"]), parts(shift)) == ("100", {"covered": "100"})


def test_a_split_total_is_rounded_once(worked):
    # 10 mL from 18:00 to 21:00: a third of it before 19:00; with 100 mL before it 103.333...
    done = worked(
        Wanted(totals=True),
        level("2025-01-10 07:00", 0),
        level("2025-01-10 18:00", 100),
        level("2025-01-10 21:00", 110),
        site='spanning = "split"',
    )
    shift = totals(done)["2025-01-10T07:00", "2025-01-10T19:00"]
    assert str(shift["valueQuantity"]["value"]) == "103.333"


# -- rounds ---------------------------------------------------------------------------------


def charted(id_: str, item: str, value: str, round_: str, **more: str) -> str:
    # The test source has no column for rounds; its encounter column stands in for one.
    return row(id=id_, item=item, value=value, stay=round_, **more)


@pytest.fixture
def rounds(tmp_path):
    def run(*lines: str) -> Run:
        text = site_text().replace('encounter = "stay"', 'round = "stay"')
        return map_files(tmp_path, text, ("in.csv", rows_of(*lines)))

    return run


def test_a_round_has_its_members_before_it_and_one_time_or_a_period(rounds):
    done = rounds(
        charted("1", "lvl", "100", "a"),
        charted("2", "swg", "present", "a"),
        charted("3", "lvl", "110", "b", seen="2025-01-10 12:00"),
        charted("4", "swg", "absent", "b", seen="2025-01-10 12:05"),
        charted("5", "lvl", "120", "", seen="2025-01-10 14:00"),
    )
    a, b = done.observation("round")
    assert a["effectiveDateTime"] == "2025-01-10T10:00:00+01:00"
    assert b["effectivePeriod"] == {
        "start": "2025-01-10T12:00:00+01:00",
        "end": "2025-01-10T12:05:00+01:00",
    }
    places = {r["identifier"][0]["value"]: n for n, r in enumerate(done.resources)}
    for panel in (a, b):
        assert len(panel["hasMember"]) == 2
        for member in panel["hasMember"]:
            assert places[member["identifier"]["value"]] < places[panel["identifier"][0]["value"]]
    assert check_resource(done.bundle) == []


def test_a_round_has_a_share_on_each_drain_and_withdrawn_members_stay(rounds):
    done = rounds(
        charted("1", "lvl", "100", "a"),
        charted("2", "lvl", "50", "a", drain="left 1"),
        charted("2", "lvl", "50", "a", drain="left 1", state="struck"),
    )
    by_drain = {r["device"]["display"]: r for r in done.observation("round")}
    assert by_drain["R1"]["status"] == "final"
    assert by_drain["L1"]["status"] == "entered-in-error"
    assert len(by_drain["L1"]["hasMember"]) == 1
