"""What a sheet says of bedsides that the scenario does not have."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta, timezone
from decimal import Decimal

import pytest

from fhirdrain.bedside.settings import DrainSettings
from fhirdrain.site.policy import Policy
from tests.conftest import amount, at, change, level, reading
from tests.handoff.making import part, said, sheets


def of(settings, readings, now, name, **more):
    (sheet,) = sheets(settings, readings, now, **more)
    return part(sheet, "R1", name)


ORDER = reading("suction-ordered", 0, Decimal(20), unit="cm[H2O]", identity="o", performer="dr")
ORDER_MODE = reading("mode-ordered", 0, "suction", identity="o", performer="dr")
ON = reading("suction-source", 1, "connected-on")
SET = reading("suction-set", 1, Decimal(20), unit="cm[H2O]")
SUCTION = reading("mode", 1, "suction")


@pytest.mark.parametrize(
    ("readings", "says", "not_said"),
    [
        ([ORDER, ORDER_MODE, SUCTION, SET, ON], "agrees", "LOOK"),
        ([SUCTION, SET, ON], "no order found", "agrees"),
        ([ORDER, ORDER_MODE, SUCTION, SET], "whether the source is on is not charted", "agrees"),
        ([ORDER, ORDER_MODE, SET, ON], "how it is run is not charted", "agrees"),
        (
            [ORDER, ORDER_MODE, SUCTION, SET, replace(ON, value="connected-off")],
            "on suction by the chart, and the source is CONNECTED, OFF",
            "agrees",
        ),
        (
            [ORDER, ORDER_MODE, SUCTION, ON],
            "suction was not read since the order",
            "agrees",
        ),
        (
            [
                ORDER,
                ORDER_MODE,
                SUCTION,
                SET,
                ON,
                reading("mode", 2, "water-seal"),
                reading("mode", 3, "suction"),
            ],
            "suction was not read since it went on suction",
            "agrees",
        ),
        # A regulator shows its number on water seal, too.
        ([ORDER, ORDER_MODE, reading("mode", 1, "water-seal"), SET, ON], "DIFFERS", "agrees"),
        (
            [reading("mode-ordered", 0, "water-seal"), reading("mode", 1, "water-seal"), SET],
            "the regulator shows 20 cmH2O",
            "agrees",
        ),
        (
            [ORDER, ORDER_MODE, reading("mode", 1, "clamped", parts={"reason": "transport"})],
            "CLAMPED OR CLOSED: clamped, for transport",
            "agrees",
        ),
        ([reading("connections", 1, "disconnected")], "CONNECTIONS DISCONNECTED", "agrees"),
        ([replace(ORDER, performer=None), SUCTION], "by whom is not charted", "agrees"),
        (
            [ORDER, SUCTION, SET, ON, replace(ORDER, time=at(9), value=Decimal(10), identity="p")],
            "ordered suction 10 cmH2O",
            "DIFFERS",
        ),
    ],
)
def test_how_it_is_run(settings, readings, says, not_said):
    found = of(settings, [level(0, 10), *readings], 5, "run")
    assert says in found
    assert not_said not in found


def test_which_drain(settings):
    placed = reading(
        "placed", 0, parts={"size": Decimal(28), "indication": "pneumothorax"}, note="at night"
    )
    mark = reading("skin-mark", 1, Decimal(12), unit="cm")
    place = reading("drain-site", 0, parts={"side": "right", "space": "pleural", "position": "5th"})
    text = said(settings, placed, mark, place, level(1, 10), now=2)
    for words in ("RIGHT, pleural: drain R1", "placed Fri 07:00: “at night”", "for: pneumothorax",
                  "size 28 Ch", "mark at the skin 12 cm (Fri 08:00)", "position: 5th"):  # fmt: skip
        assert words in text


def test_sides_that_differ_are_said(settings):
    site = replace(settings, drains={"R1": DrainSettings("right", "pleural")})
    left = reading("drain-site", 1, parts={"side": "left"})
    assert "charted as LEFT at Fri 08:00: the sides differ" in of(
        site, [level(0, 10), left], 3, "which"
    )
    assert "the side is not charted" in of(settings, [level(0, 10)], 3, "which")


def test_a_tube_led_into_the_unit_of_another(settings):
    joined = reading("joined", 1, parts={"tube": "R2"})
    tube = replace(reading("swing", 0, "present"), drain="R2")
    (sheet,) = sheets(settings, [level(0, 10), level(4, 60), joined, tube], 5)
    assert "joined with R2 since Fri 08:00" in part(sheet, "R1", "which")
    assert "EMPTIES INTO THE UNIT OF R1 since Fri 08:00" in part(sheet, "R2", "which")
    assert part(sheet, "R2", "unit") == part(sheet, "R2", "lately") == ""


def test_a_leak_that_is_said_in_other_ways(settings):
    assert of(settings, [level(0, 10)], 3, "leak") == "not charted"
    plain = reading("air-leak", 1, "present")
    assert "whether at rest or on cough is not charted" in of(settings, [plain], 3, "leak")
    rest = reading(
        "air-leak", 1, "undetermined", parts={"at-rest": "none", "on-cough": "not-tested"}
    )
    found = of(settings, [rest], 3, "leak")
    assert "at rest none, on cough not tested" in found
    old = of(settings, [rest], 30, "leak")
    assert "not looked for this shift" in old
    flow = reading("air-leak-flow", 2, Decimal("20.00"), unit="mL/min")
    assert "measured 20 mL/min" in of(settings, [rest, flow], 3, "leak")


def test_looks_at_rest_and_on_cough_of_one_minute_are_one_look(settings):
    """A site may chart the two under two items."""
    rest = reading("air-leak", 1, None, parts={"at-rest": "none"})
    cough = reading("air-leak", 1, None, parts={"on-cough": "none"})
    assert of(settings, [rest, cough], 3, "leak").startswith("at rest none, on cough none")


def test_nothing_charted_is_not_zero(settings):
    found = of(settings, [level(0, 10), reading("swing", 20, "present")], 24.1, "shift")
    assert found.startswith("NOT CHARTED: nothing is known of what drained")
    assert "0 mL" not in found


def test_a_drain_that_drained_nothing_drained_zero(settings):
    found = of(settings, [level(0, 10), level(12, 10)], 12.1, "shift")
    assert found.startswith("0 mL: Fri 07:00")


def test_what_was_put_in_stands_beside(settings):
    put = reading("instilled", 2, Decimal(20), unit="mL")
    found = of(settings, [level(0, 10), put, level(12, 60)], 12.1, "shift")
    assert "50 mL" in found
    assert "put in through the drain: 20 mL (Fri 09:00); not subtracted" in found


def test_a_level_that_fell(settings):
    found = of(settings, [level(0, 400), level(4, 900), level(8, 30)], 9, "unit")
    assert "30 mL (Fri 15:00) is BELOW the last good mark of 900 mL: was the unit changed?" in found
    questions = of(settings, [level(0, 400), level(4, 900), level(8, 30)], 9, "questions")
    assert "a level below the mark before: was the unit changed?" in questions


def test_a_change_without_a_closing_level(settings):
    site = replace(settings, new_unit_level=Decimal(0))
    readings = [level(0, 400), level(4, 900), change(5), level(11, 30), level(12, 40)]
    assert "at which level the old unit was closed is not charted" in of(
        site, readings, 12.1, "unit"
    )
    shift = of(site, readings, 12.1, "shift")
    assert "at least 540 mL" in shift
    assert "Fri 11:00 to 12:00 not charted (1 h)" in shift


def test_room_left(settings):
    site = replace(settings, drains={"R1": DrainSettings(capacity=Decimal(2000))})
    assert "room left 200 of 2000 mL" in of(site, [level(0, 400), level(4, 1800)], 9, "unit")
    above = of(site, [level(0, 400), level(4, 2050)], 9, "unit")
    assert "ABOVE the 2000 mL that the unit holds" in above
    assert "how much the unit holds is not known" in of(settings, [level(0, 400)], 9, "unit")


def test_levels_have_no_number_of_the_unit_before(settings):
    old = level(0, 900, parts={"unit-number": 1})
    site = replace(settings, new_unit_level=Decimal(0))
    found = of(site, [old, change(1, 950), level(2, 30)], 9, "unit")
    assert "the unit now at 30 mL" in found


POLICY = Policy.model_validate({"name": "p", "shortest_interval": "1h"})


def test_rates_are_the_policys(settings):
    readings = [level(0, 0), level(4, 40)]
    assert "mL/h" not in of(settings, readings, 5, "lately")
    assert "a mean of 10 mL/h" in of(settings, readings, 5, "lately", policy=POLICY)
    short = [level(0, 0), level(0.5, 40)]
    assert "mL/h" not in of(settings, short, 5, "lately", policy=POLICY)
    slow = [level(0, 0), level(4, 2)]
    assert "a mean below 1 mL/h" in of(settings, slow, 5, "lately", policy=POLICY)
    none = [level(0, 0), level(4, 0)]
    assert "a mean of 0 mL/h" in of(settings, none, 5, "lately", policy=POLICY)


def test_no_policy_is_said(settings):
    assert of(settings, [level(0, 0)], 5, "figures") == (
        "no policy file: no figures are judged here"
    )


def figure(**more):
    one = {"name": "n", "says": "it says", "source": "the house", "scope": "drain", **more}
    return Policy.model_validate({"name": "p", "figures": [one]})


def test_a_figure_that_was_met_again_says_so(settings):
    policy = figure(kind="volume", above="100 mL", within="2h")
    readings = [level(0, 0), level(1, 150), level(10, 160), level(20, 170), level(21, 400)]
    found = of(settings, readings, 24.1, "figures", policy=policy)
    assert (
        "MET since Fri 08:00 (R1): “it says” [the house]; 150 mL in the 2 h to Fri 08:00" in found
    )
    assert "last so Sat 04:00: 230 mL" in found


def test_what_was_met_before_is_said_without_a_call_to_look(settings):
    policy = figure(kind="volume", above="100 mL", within="2h")
    readings = [level(0, 0), level(1, 150), level(13, 160), level(30, 170)]
    (sheet,) = sheets(settings, readings, 36.1, policy=policy)
    (lines,) = [p.lines for p in sheet.blocks[0].parts if p.name == "figures"]
    assert [line.weight for line in lines] == ["plain"]
    (sheet,) = sheets(settings, readings[:2], 12.1, policy=policy)
    (lines,) = [p.lines for p in sheet.blocks[0].parts if p.name == "figures"]
    assert [line.weight for line in lines] == ["look"]


def test_orders_in_their_own_words(settings):
    order = replace(ORDER, note="Call if > 100 mL/h or air at rest")
    found = of(settings, [level(0, 0), order], 5, "orders")
    assert found == "“Call if > 100 mL/h or air at rest” (Fri 07:00, by dr)"


def test_what_was_put_right_is_struck(settings):
    told = [level(0, 0), level(4, 400, identity="x", recorded=at(4))]
    now = [told[0], replace(told[1], value=Decimal(40), status="corrected", recorded=at(13))]
    found = of(settings, now, 24.1, "changes", told=told)
    assert "[Fri 07:00 to 19:00, told at Fri 19:06: at least 400 mL] now at least 40 mL" in found
    assert (
        "[level 400 mL (Fri 11:00)] level of Fri 11:00 put right Fri 20:00: now level 40 mL"
        in found
    )


def test_what_came_late_is_said(settings):
    told = [level(0, 0), level(12, 100)]
    late = amount(6, 30, recorded=at(20), drain="L1")
    (sheet,) = sheets(settings, [*told, late, amount(0, 0, drain="L1")], 24.1, told=told)
    assert "came in late, Sat 03:00" in part(sheet, "L1", "changes")


def test_data_without_versions_says_that_it_has_none(settings):
    gone = level(4, 400, status="entered-in-error", recorded=at(20))
    text = said(settings, level(0, 0), gone, now=24.1)
    assert "this data keeps no earlier versions" in text
    assert "[was: level 400 mL (Fri 11:00)] level of Fri 11:00 withdrawn Sat 03:00" in text
    assert "what was told at the last hand-off is not known from this data" in text


def test_what_was_changed_after_the_time_of_a_sheet_is_counted(settings):
    later = level(4, 400, status="corrected", recorded=at(20))
    text = said(settings, level(0, 0), later, now=12.1)
    assert "1 readings were put right or withdrawn after this time" in text
    assert "400" not in text


def test_readings_of_later_times_are_not_on_it(settings):
    text = said(settings, level(0, 0), level(20, 777, recorded=at(1)), now=12.1)
    assert "1 readings are of times after this sheet" in text
    assert "777" not in text


def test_a_drain_that_is_out_for_a_day_is_named_and_no_more(settings):
    out = reading("removed", 1, "planned")
    other = replace(level(0, 5), drain="L1")
    text = said(settings, level(0, 0), out, other, now=30)
    assert "R1 is not on this sheet: out since Fri 08:00" in text
    assert "drain R1" not in text
    assert sheets(settings, [level(0, 0), out], 30) == []


def test_a_drain_of_which_everything_was_withdrawn(settings):
    gone = replace(level(0, 5, status="entered-in-error"), drain="L1")
    text = said(settings, level(0, 0), gone, now=5)
    assert "L1: every reading of it was withdrawn" in text


def test_made_up_values_of_a_device_are_counted_and_not_shown(settings):
    text = said(settings, level(0, 0), level(2, 888, test=True), now=5)
    assert "1 readings were made up by a device" in text
    assert "888" not in text


def test_a_shift_that_still_goes_on(settings):
    (sheet,) = sheets(settings, [level(0, 0), level(10, 100)], 11.5)
    assert sheet.bed.shift.runs
    assert "Fri 07:00 to now (11 h 30 min of 12 h)" in part(sheet, "R1", "shift")
    assert "Fri 17:00 to 18:30 not charted (1 h 30 min)" in part(sheet, "R1", "shift")


def test_what_drained_since_the_shift_ended(settings):
    found = of(settings, [level(0, 0), level(12, 100), level(15, 130)], 15, "shift")
    assert "100 mL: Fri 07:00 to 19:00 (12 h)" in found
    assert "since then 30 mL: Fri 19:00 to 22:00 (3 h)" in found
    nothing = of(settings, [level(0, 0), level(12, 100)], 15, "shift")
    assert "since then nothing is charted" in nothing


def test_the_hand_off_before(settings):
    (soon,) = sheets(settings, [level(0, 0)], 12.1)
    assert soon.bed.last == at(0.1)
    (early,) = sheets(settings, [level(0, 0)], 11.8)
    assert early.bed.last == at(-0.2)
    (amid,) = sheets(settings, [level(0, 0)], 16)
    assert amid.bed.last == at(12)


def test_without_a_site_file_the_offset_is_that_of_the_newest_reading(settings):
    from fhirdrain.handoff.plain import plain_text
    from fhirdrain.street.handing_over import Known, Rules, sheets_of

    there = timezone(timedelta(hours=5, minutes=30))
    readings = [replace(r, time=r.time.astimezone(there)) for r in (level(0, 0), level(4, 40))]
    (sheet,) = sheets_of(Known({"p-1": readings}), Rules(None), at(12.1))
    text = " ".join(plain_text([sheet], "en").split())
    assert "no site file was given: shifts from 07:00 and 19:00 at +05:30" in text
    assert "Sat 00:36 +05:30" not in text
    assert "00:36 +05:30" in text


def test_long_lists_are_cut_short_and_counted(settings):
    notes = [level(hour / 4, hour, note=f"note {hour}") for hour in range(40)]
    found = of(settings, notes, 12.1, "shift")
    assert "and 33 more before" in found
    assert found.count("“") == 7  # six, and that of the first mark


def test_a_drain_that_came_at_the_end_of_a_shift_was_not_out(settings):
    found = of(settings, [level(12, 300)], 12.1, "shift")
    assert "not here in this shift" in found
    assert "already in the unit on arrival: 300 mL" in found
    assert "out" not in found.replace("output", "")


def test_what_was_not_done_is_said_with_its_reason_and_is_no_look(settings):
    readings = [
        level(0, 10),
        reading("dressing", 1, "dry-intact"),
        reading("dressing", 13, absent="refused"),
        reading("air-leak", 13, absent="unable", note="asleep"),
    ]
    assert "dressing: last refused by the patient (Fri 20:00)" in of(
        settings, readings, 24.1, "missing"
    )
    assert of(settings, readings, 24.1, "leak") == "not charted"
    assert "air leak: could not be done (Fri 20:00): “asleep”" in of(
        settings, readings, 24.1, "remarks"
    )


def test_what_agreed_in_an_earlier_shift_is_said_to_be_of_then(settings):
    readings = [level(0, 10), ORDER, ORDER_MODE, SUCTION, SET, ON]
    assert "not charted this shift" not in of(settings, readings, 12.1, "run")
    assert "not charted this shift" in of(settings, readings, 24.1, "run")


def test_an_amount_of_which_nobody_knows_the_beginning_is_in_the_shift_that_it_ends(settings):
    found = of(settings, [amount(12, 30)], 12.1, "shift")
    assert "at least 30 mL" in found
    assert "since when is not known" in found
    assert "not here" not in found


def test_a_drain_that_was_clamped_and_opened_again_says_so(settings):
    readings = [
        level(0, 10),
        reading("mode", 1, "clamped", parts={"reason": "walking"}),
        reading("mode", 2, "suction"),
    ]
    assert "was clamped, for walking: Fri 08:00 to 09:00" in of(settings, readings, 12.1, "run")
    assert "was clamped" not in of(settings, readings, 24.1, "run")


def test_each_change_of_the_unit_in_a_shift_is_said(settings):
    readings = [level(0, 10), change(3, 50, 0), change(6, 80, 0), level(9, 5)]
    found = of(settings, readings, 12.1, "unit")
    assert "unit changed (full) Fri 10:00" in found
    assert "unit changed (full) Fri 13:00" in found
    assert "Fri 10:00" not in of(settings, readings, 24.1, "unit")


def test_there_is_no_trend_where_there_was_no_shift_before(settings):
    first = of(settings, [level(0.5, 10), level(12, 30)], 12.1, "lately")
    assert "shift before" not in first


def test_what_was_charted_of_the_wrong_drain_is_told_on_both(settings):
    wrong = amount(4, 40, identity="x", recorded=at(4), drain="L1")
    told = [amount(0, 0), amount(0, 0, drain="L1"), wrong]
    right = replace(wrong, drain="R1", status="corrected", recorded=at(13))
    (sheet,) = sheets(settings, [*told[:2], right], 24.1, told=told)
    said_of_r1, said_of_l1 = (part(sheet, name, "changes") for name in ("R1", "L1"))
    assert "[amount 40 mL (Fri 11:00), L1] amount of Fri 11:00 put right Fri 20:00" in said_of_r1
    assert "[amount 40 mL (Fri 11:00)] amount of another drain now" in said_of_l1
    assert "amount 40 mL (Fri 11:00), R1" in said_of_l1
    assert "told at Fri 19:06: at least 40 mL] now not known" in said_of_l1


def test_two_doubles_in_a_day_are_not_called_one_or_the_other(settings):
    twice = [amount(2, 30, item="a"), amount(2.1, 30, item="b")]
    again = [amount(14, 20, item="a"), amount(14.1, 20, item="b")]
    readings = [amount(0, 0), *twice, amount(12, 5), *again, amount(24, 5)]
    found = of(settings, readings, 24.2, "lately")
    assert "last day 60 to 110 mL" in found
    assert "25 or 45 mL" in of(settings, readings, 24.2, "shift")


def test_two_marks_of_one_minute_are_no_interval(settings):
    readings = [level(0, 0), level(4, 40), level(4, 45)]
    assert "last interval 45 mL, Fri 07:00 to 11:00 (4 h)" in of(settings, readings, 12.1, "lately")


def test_there_is_no_trend_over_a_step_across_the_change_of_shift(settings):
    aligned = [level(0, 0), level(12, 60), level(24, 100)]
    assert "by the hour less" in of(settings, aligned, 24.1, "lately")
    across = [level(0, 0), level(10, 60), level(24, 100)]
    assert "by the hour" not in of(settings, across, 24.1, "lately")


def test_each_tube_under_a_label_has_its_own_answers(settings):
    policy = figure(kind="volume", above="40 mL", within="3h")
    readings = [
        level(0, 0), level(2, 300), reading("removed", 4, "planned"),
        reading("placed", 6, parts={"opening-level": Decimal(0)}), level(8, 5),
    ]  # fmt: skip
    (sheet,) = sheets(settings, readings, 12.1, policy=policy)
    answers = {b.drain.episode: [j.answer for j in b.drain.judgements] for b in sheet.blocks}
    assert answers == {1: ["met"], 2: ["not met"]}


def test_what_is_split_at_the_change_of_shift_carries_nothing_over_it(settings):
    site = replace(settings, spanning="split")
    found = of(site, [level(10, 0), level(14, 100), level(24, 200)], 24.1, "shift")
    assert found.startswith("150 mL")
    assert "of it" not in found


@pytest.mark.parametrize(
    ("before", "after", "says"),
    [
        (change(3, 240, 0), {"parts": {"closing-level": Decimal(340)}}, "closed at 340 mL"),
        (amount(5, 100, start=at(1)), {"start": at(4)}, "since Fri 11:00"),
        (level(5, 100, parts={"unit-number": 1}), {"parts": {"unit-number": 2}}, "unit 2"),
    ],
)
def test_a_correction_never_looks_like_no_change(before, after, says, settings):
    told = [level(0, 0), replace(before, identity="x")]
    now = [told[0], replace(told[1], status="corrected", recorded=at(13), **after)]
    assert says in of(settings, now, 24.1, "changes", told=told)


def test_what_was_told_and_is_a_test_now_is_struck(settings):
    told = [amount(0, 0), amount(4, 240, identity="x")]
    now = [told[0], replace(told[1], test=True, recorded=at(13))]
    assert "[amount 240 mL (Fri 11:00)]" in of(settings, now, 24.1, "changes", told=told)


def test_what_was_withdrawn_and_stands_again_is_said(settings):
    told = [level(0, 0), reading("mode", 5, "clamped", identity="x", status="entered-in-error")]
    now = [told[0], replace(told[1], status="corrected", recorded=at(14))]
    found = of(settings, now, 24.1, "changes", told=told)
    assert "how it is run of Fri 12:00 put right Fri 21:00: now how it is run clamped" in found


def test_what_the_patient_no_longer_has_is_struck(settings):
    told = [level(0, 0), reading("swing", 5, "present")]
    found = of(settings, told[:1], 24.1, "changes", told=told)
    assert "[swing present (Fri 12:00)] swing of Fri 12:00 is no longer among the readings" in found


def test_a_drain_that_is_withdrawn_whole_says_what_was_told_of_it(settings):
    other = [amount(0, 0, drain="L1"), amount(4, 240, drain="L1")]
    gone = [replace(r, status="entered-in-error", recorded=at(14)) for r in other]
    text = said(settings, level(0, 0), *gone, now=24.1, told=[level(0, 0), *other])
    assert "L1: every reading of it was withdrawn" in text
    assert "told at Fri 19:06: at least 240 mL, Fri 07:00 to 19:00" in text
    tried = level(1, 5, drain="L1", test=True)
    assert "every reading of it" not in said(settings, level(0, 0), tried, now=5)


def test_by_the_hour_nothing_is_said_of_minutes(settings):
    found = of(settings, [level(11.8, 0), level(12, 10), level(24, 110)], 24.1, "lately")
    assert "by the hour" not in found


def test_the_last_interval_and_its_rate_are_of_one_amount(settings):
    readings = [level(0, 200), level(3, 250), change(6, 300, 0), level(6, 20)]
    found = of(settings, readings, 7, "lately", policy=POLICY)
    assert "last interval 70 mL, Fri 10:00 to 13:00 (3 h), a mean of 23 mL/h" in found


def test_numbers_that_differ_are_shown_different(settings):
    number = reading("suction-set", 1, Decimal("20.39"), unit="cm[H2O]")
    found = of(settings, [level(0, 0), ORDER, ORDER_MODE, SUCTION, number, ON], 5, "run")
    assert "ordered suction 20 cmH2O" in found
    assert "set 20.4 cmH2O" in found
    mark = reading("skin-mark", 1, Decimal("12.5"), unit="cm")
    assert "12.5 cm" in of(settings, [level(0, 0), mark], 5, "which")


@pytest.mark.parametrize(
    "later",
    [reading("suction-source", 2, absent="not_done"), reading("connections", 2, "disconnected")],
)
def test_what_takes_back_that_the_source_is_on_takes_back_that_it_agrees(later, settings):
    found = of(settings, [level(0, 0), ORDER, ORDER_MODE, SUCTION, SET, ON, later], 5, "run")
    assert "agrees" not in found
    assert "not compared" in found


def test_a_sheet_just_before_the_change_of_shift_tells_what_was_put_right(settings):
    told = [level(0, 0), amount(0, 0, drain="L1"), amount(4, 240, drain="L1", identity="x")]
    now = [*told[:2], replace(told[2], value=Decimal(90), status="corrected", recorded=at(14))]
    (sheet,) = sheets(settings, now, 23.9, told=told)
    assert "at least 240 mL] now at least 90 mL" in part(sheet, "L1", "changes")


def test_a_told_total_whose_readings_are_gone_is_struck(settings):
    told = [amount(5, 240, identity="x"), reading("swing", 13, "present")]
    now = [replace(told[0], status="entered-in-error", recorded=at(14)), told[1]]
    found = of(settings, now, 24.1, "changes", told=told)
    assert "[Fri 07:00 to 19:00, told at Fri 19:06: at least 240 mL] now not known" in found


def test_a_figure_met_by_what_came_late_calls_to_look(settings):
    policy = figure(kind="volume", above="100 mL", within="2h")
    readings = [amount(10, 0), amount(11, 500, recorded=at(20)), amount(24, 1)]
    (sheet,) = sheets(settings, readings, 24.1, policy=policy, told=readings[:1])
    (lines,) = [p.lines for p in sheet.blocks[0].parts if p.name == "figures"]
    assert lines[0].weight == "look"


def test_the_whole_time_it_was_closed_is_said(settings):
    modes = [("clamped", 1), ("clamped", 2), ("capped", 3), ("water-seal", 4)]
    readings = [level(0, 0), *(reading("mode", hour, mode) for mode, hour in modes)]
    assert "was clamped: Fri 08:00 to 11:00" in of(settings, readings, 12.1, "run")


def test_a_weight_is_no_reading_of_a_drain(settings):
    weight = reading("patient-weight", 70, Decimal(70), unit="kg")
    (sheet,) = sheets(settings, [level(0, 0), weight], 72)
    assert sheet.bed.newest == at(0)
    assert "old" in [note.key for note in sheet.notes]


def test_orders_are_said_word_for_word_and_those_that_ended_are_said_to_have(settings):
    long = "x " * 400 + "CALL IF 200 mL"
    found = of(settings, [level(0, 0), replace(ORDER, note=long)], 5, "orders")
    assert "CALL IF 200 mL" in found
    ended = of(settings, [level(0, 0), replace(ORDER, end=at(3))], 5, "run")
    assert "no order in force: suction 20 cmH2O ended Fri 10:00" in ended
    other = reading("mode-ordered", 13, "water-seal")
    gone = of(settings, [level(0, 0), replace(ORDER, note="call me"), other], 24.1, "orders")
    assert gone == "no longer in force: “call me” (Fri 07:00)"


def test_only_what_is_here_is_here(settings):
    coming = of(settings, [reading("mode-ordered", 9, "water-seal")], 5, "which")
    assert "here since" not in coming
    empty = reading("placed", 0, parts={"indication": " "})
    assert "for:" not in of(settings, [empty, level(1, 0)], 5, "which")


def test_a_level_that_the_site_file_takes_for_granted_is_not_called_charted(settings):
    site = replace(settings, new_unit_level=Decimal(0))
    found = of(site, [level(0, 100), change(3, 150)], 12.1, "unit")
    assert "taken to be at 0 mL by the site file; no level is charted since" in found


def test_more_digits_of_one_number_are_no_correction(settings):
    told = [level(0, 0), level(4, 90, identity="x")]
    now = [told[0], replace(told[1], value=Decimal("90.0"), status="corrected", recorded=at(13))]
    assert of(settings, now, 24.1, "changes", told=told) == ""


def test_a_chart_that_comes_in_late_is_cut_short_and_what_is_put_right_is_not(settings):
    told = [level(0, 0), *(level(1 + n / 10, 10 * n, identity=f"x{n}") for n in range(20))]
    right = [replace(r, value=r.value + 1, status="corrected", recorded=at(13)) for r in told[1:]]
    late = [level(5 + n / 10, 500 + n, recorded=at(14)) for n in range(20)]
    found = of(settings, [told[0], *right, *late], 24.1, "changes", told=told)
    assert found.count("put right") == 20
    assert found.count("came in late") == 6
    assert "and 14 more before" in found
