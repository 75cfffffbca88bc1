"""Rates that can be known: over intervals, over a rolling hour, by the kilogram.

Arithmetic by hand. The figure by weight is published: 2 mL/kg/h, doi:10.1053/j.jvca.2011.09.021.
"""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal

import pytest

from fhirdrain.bedside.ledger import keep_ledger
from fhirdrain.bedside.policy import Drained, Figure, judge
from fhirdrain.bedside.rates import Asked, rates, weight_at, weights_in
from fhirdrain.errors import ConfigurationError
from fhirdrain.site.policy import load_policy
from fhirdrain.store import Store
from fhirdrain.street.patient import Wanted
from tests.conftest import amount, at, change, level, map_files, reading, row, rows_of, site_text

HOUR = timedelta(hours=1)
HALF = timedelta(minutes=30)


def made(settings, *readings, rolling=True, shortest=HALF, weights=(), **more):
    """Return (start, end, amount, rolling) of the rates of one drain."""
    ledger = keep_ledger(readings, settings)
    found = rates(ledger, Asked(shortest, rolling), weights=weights, **more)
    return [(r.start, r.end, int(r.amount), r.rolling) for r in found]


def weight(hours, kilograms):
    return reading("patient-weight", hours, Decimal(kilograms), unit="kg", drain="")


def test_a_rolling_hour_is_the_hour_before_a_reading_where_readings_tile_it(settings):
    levels = [level(0, 100), level(0.5, 120), level(1, 150), level(1.5, 155)]
    assert made(settings, *levels) == [
        (at(0), at(0.5), 20, False),
        (at(0.5), at(1), 30, False),
        (at(0), at(1), 50, True),
        (at(1), at(1.5), 5, False),
        (at(0.5), at(1.5), 35, True),
    ]
    assert [r for r in made(settings, *levels, rolling=False) if r[3]] == []


@pytest.mark.parametrize(
    "levels",
    [
        [level(0, 100), level(1, 150)],  # the interval is that hour already
        [level(0, 100), level(2, 150)],  # what of it was in the last hour is not known
        [level(0, 100), level(0.75, 150), level(1.5, 160)],  # no reading began the hour
        [level(0, 100), level(0.5, 90), level(1, 95)],  # a level fell: not known
    ],
)
def test_no_rolling_hour_where_the_hour_is_not_known(settings, levels):
    assert [r for r in made(settings, *levels) if r[3]] == []


def test_no_rate_rests_on_what_may_be_a_double_nor_on_what_was_led_away(settings):
    amounts = [amount(0, 0), amount(0.5, 20), amount(1, 30)]
    assert made(settings, *amounts)[-1] == (at(0), at(1), 50, True)
    # Nor of an interval that begins at one.
    assert made(settings, *amounts, unsure=[amounts[1]]) == []
    assert made(settings, *amounts, away=lambda start, end: start < at(0.5)) == [
        (at(0.5), at(1), 30, False)
    ]
    assert made(settings, *amounts, shortest=HOUR) == [(at(0), at(1), 50, True)]


def test_two_amounts_of_one_time_are_no_rolling_hour(settings):
    amounts = [amount(0, 0), amount(0.5, 20), amount(1, 30), amount(1, 40)]
    assert [r for r in made(settings, *amounts) if r[3]] == []


def test_no_rate_of_a_part_of_what_drained_nor_twice_over_one_hour(settings):
    together = [amount(0, 0), amount(2, 100), amount(2, 30, item="b")]
    assert made(settings, *together) == []
    minute = [level(0, 0), level(1, 30), level(1, 30)]
    assert made(settings, *minute) == [(at(0), at(1), 30, False)]


def test_what_rose_within_the_minute_an_interval_ends_in_is_of_its_rate(settings):
    """100 to 130 mL, and closed at 160 in that minute: 60 mL in the hour."""
    closed = [level(0, 100), level(1, 130), change(1, 160, 0)]
    assert made(settings, *closed) == [(at(0), at(1), 60, False)]
    # Of two levels nobody knows which is right.
    two = [level(0, 100), level(1, 130), level(1, 160), level(2, 170), level(3, 190)]
    assert made(settings, *two) == [(at(2), at(3), 20, False)]


def test_the_weight_of_a_rate_is_the_last_one_charted_by_then(settings):
    weighed = weights_in([weight(3, "4.2"), weight(1, "4"), reading("level", 0, 5)])
    assert [str(w.value) for w in weighed] == ["4", "4.2"]
    assert weight_at(weighed, at(0.9)) is None
    levels = [level(0, 10), level(0.9, 12), level(1.9, 20), level(3.9, 36)]
    found = list(rates(keep_ledger(levels, settings), Asked(HALF), weights=weighed))
    # 2 mL in 0.9 h with no weight; 8 mL/h of 4 kg; 16 mL in 2 h of 4.2 kg = 8/4.2
    assert [r.by_weight(6) for r in found] == [None, Decimal(2), Decimal("1.90476")]


# -- a policy's figure by weight ------------------------------------------------------------------

TWO = Figure("f", "volume", "s", "src", above=Decimal(2), within=HOUR, by_weight=True)


def judged(settings, *readings, weights=(), figure=TWO):
    drained = Drained("R1", readings, keep_ledger(readings, settings), [], weights)
    (answer,) = judge([figure], [drained], settings, now=readings[-1].time)
    return answer


def test_a_figure_by_weight_is_met_by_more_than_it_comes_to(settings):
    levels = [level(0, 10), level(1, 18), level(2, 27)]
    met = judged(settings, *levels, weights=[weight(0, "4")])
    assert (met.answer, met.time) == ("met", at(2))  # 8 mL of 4 kg is not more than 2 mL/kg, 9 is
    assert [r.observable for r in met.readings] == ["level", "patient-weight"]
    assert judged(settings, *levels, weights=[weight(0, "4.5")]).answer == "not met"


def test_a_figure_by_weight_is_not_judged_without_a_weight(settings):
    levels = [level(0, 10), level(1, 18), level(2, 1000)]
    answer = judged(settings, *levels)
    assert (answer.answer, "no-weight-by" in [why.key for why in answer.why]) == (
        "cannot be judged",
        True,
    )
    # Weighed after the first hour: that hour stays open, the next one is judged.
    assert judged(settings, *levels, weights=[weight(1.5, "4")]).answer == "met"
    low = [level(0, 10), level(1, 18), level(2, 19)]
    assert judged(settings, *low, weights=[weight(1.5, "4")]).answer == "cannot be judged"


def test_a_sudden_stop_may_be_by_weight_too(settings):
    figure = Figure("f", "stopped", "s", "src", above=Decimal(2), within=HOUR, after=HOUR,
                    by_weight=True)  # fmt: skip
    levels = [level(0, 10), level(1, 19), level(2, 19)]
    assert judged(settings, *levels, weights=[weight(0, "4")], figure=figure).answer == "met"
    assert judged(settings, *levels, weights=[weight(0, "5")], figure=figure).answer == "not met"
    assert judged(settings, *levels, figure=figure).answer == "cannot be judged"


POLICY = """name = "p"
shortest_interval = "{shortest}"
rolling_hour = true
[[figures]]
name = "n"
says = "s"
source = "doi:10.1053/j.jvca.2011.09.021 (abstract only)"
scope = "drain"
kind = "{kind}"
above = "{above}"
{more}
"""


def policy(tmp_path, kind="volume", above="2 mL/kg", more='within = "1h"', shortest="30min"):
    path = tmp_path / "policy.toml"
    path.write_text(POLICY.format(kind=kind, above=above, more=more, shortest=shortest))
    return load_policy(path)


def test_the_policy_file_says_figures_by_weight_and_asks_for_the_rolling_hour(tmp_path):
    read = policy(tmp_path)
    (figure,) = read.read()
    assert (figure.above, figure.by_weight, read.rolling_hour) == (Decimal(2), True, True)
    (plain,) = policy(tmp_path, above="0.2 L").read()
    assert (plain.above, plain.by_weight) == (Decimal(200), False)


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"kind": "level", "more": ""}, "not by weight"),
        ({"above": "2 mL/kg/h"}, "not a volume"),
        ({"shortest": "2h"}, "rolling hour"),
        ({"shortest": "0h"}, "no time"),
        ({"more": 'within = "999999d"'}, "longer than"),
        ({"above": "nan mL"}, "not a volume"),
        ({"above": "-5 mL"}, "not a volume"),
        ({"above": "Infinity mL"}, "not a volume"),
        ({"more": 'within = "0min"'}, "no time"),
        ({"kind": "air-leak-ended", "above": "", "more": "rounds = true"}, "valid integer"),
    ],
)
def test_what_a_policy_cannot_ask_is_refused(tmp_path, changed, says):
    with pytest.raises(ConfigurationError, match=says):
        policy(tmp_path, **changed)


# -- from source to server ------------------------------------------------------------------------

ITEMS = """
[sources.rounds.items.wgt]
observable = "patient-weight"
unit = "kg"
"""


def mapped(tmp_path, *lines):
    wanted = Wanted(rates=Asked(HALF, rolling_hour=True))
    file = ("rounds.csv", rows_of(*lines))
    return map_files(tmp_path, site_text() + ITEMS, file, wanted=wanted)


def lvl(time, value):
    return row(id=time, item="lvl", value=value, seen=f"2025-01-10 {time}")


def test_rates_by_the_kilogram_go_out_and_the_weight_does_not(tmp_path):
    kilos = row(id="w", drain="", item="wgt", value="4000", unit="g", seen="2025-01-10 08:00")
    done = mapped(tmp_path, kilos, lvl("10:00", "10"), lvl("10:30", "13"), lvl("11:00", "19"))
    weighed = "a weight, for what is said by the kilogram, not sent"
    assert done.report.set_aside[weighed] == 1
    assert "patient-weight" not in done.data.decode()
    found = [
        (
            r["valueQuantity"]["value"],
            r["valueQuantity"]["code"],
            len(r["derivedFrom"]),
            {c["code"]["coding"][0]["code"]: c["valueQuantity"]["value"] for c in r["component"]},
        )
        for r in done.derived
        if any(c["code"] in ("output-rate", "9130-6") for c in r["code"]["coding"])
    ]
    numbers = [(str(v), u, n, {k: str(x) for k, x in c.items()}) for v, u, n, c in found]
    assert numbers == [
        ("6", "mL/h", 1, {"by-weight": "1.5", "weight": "4"}),
        ("12", "mL/h", 1, {"by-weight": "3", "weight": "4"}),
        ("9", "mL/h", 2, {"by-weight": "2.25", "weight": "4"}),  # 9130-6, the rolling hour
    ]


def test_a_weight_alone_makes_no_drain(tmp_path):
    done = mapped(tmp_path, row(id="w", drain="", item="wgt", value="70", seen="2025-01-10 08:00"))
    assert (done.resources, done.report.set_aside.total()) == ([], 1)


def test_a_weight_is_the_patients_own(tmp_path):
    other = row(id="w", pat="p-2", item="wgt", value="70", seen="2025-01-10 08:00")
    done = mapped(tmp_path, other, lvl("10:00", "10"), lvl("10:30", "13"))
    assert [r for r in done.derived if "component" in r] == []


def test_a_weight_that_comes_later_is_taken_into_the_rates_that_went_out(tmp_path):
    """Whether it comes at once or later, the same rates stand in the end."""
    kilos = row(id="w", drain="", item="wgt", value="4", seen="2025-01-10 08:00")
    levels = [lvl("10:00", "10"), lvl("10:30", "13")]
    at_once = mapped(tmp_path, kilos, *levels)
    with Store(tmp_path / "s.sqlite", "test") as store:
        for lines in (levels, [kilos]):
            bit = map_files(
                tmp_path, site_text() + ITEMS, ("rounds.csv", rows_of(*lines)), store=store,
                wanted=Wanted(rates=Asked(HALF, rolling_hour=True)),
            )  # fmt: skip
        assert bit.report.outgoing == {"waiting": len(at_once.resources)}
    assert bit.resources == at_once.resources


@pytest.mark.parametrize("value", ["0", "900", "-3"])
def test_a_weight_beyond_the_possible_is_refused(tmp_path, value):
    done = mapped(tmp_path, row(id="w", item="wgt", value=value, seen="2025-01-10 08:00"))
    assert [i.rule for i in done.report.issues] == ["impossible"]
