from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from itertools import permutations

from fhirdrain.bedside.versions import Version, fold
from tests.conftest import at, level, reading

BASE = level(5, 150, recorded=at(5.1), identity="one")


def version(arrival, *readings, **more):
    return Version(
        arrival, readings[0].recorded if readings else more.pop("recorded"), readings, **more
    )


def test_one_version_stands_as_it_is():
    assert fold([version(1, BASE)]) == [BASE]


def test_a_value_put_right_is_corrected_in_whatever_order_it_comes():
    right = replace(BASE, value=Decimal(15), recorded=at(6))
    for order in permutations([BASE, right]):
        (found,) = fold([version(n, r) for n, r in enumerate(order)])
        assert (found.value, found.status) == (15, "corrected")


def test_the_same_again_is_no_correction():
    again = replace(BASE, recorded=at(7))
    (found,) = fold([version(1, BASE), version(2, again)])
    assert found.status == "final"


def test_a_withdrawal_wins_when_it_was_recorded_last():
    gone = replace(BASE, status="entered-in-error", recorded=at(9))
    for order in permutations([BASE, gone]):
        (found,) = fold([version(n, r) for n, r in enumerate(order)])
        assert found.status == "entered-in-error"


def test_a_bare_withdrawal_takes_everything_the_item_said():
    mode = reading("mode", 5, "suction", identity="m", recorded=at(5.1))
    both = Version(1, at(5.1), (BASE, mode))
    found = fold([Version(2, at(9), (), withdraws=True), both])
    assert {(r.identity, r.status, r.recorded) for r in found} == {
        ("one", "entered-in-error", at(9)),
        ("m", "entered-in-error", at(9)),
    }


def test_what_the_newest_version_no_longer_says_was_entered_in_error():
    suction = reading("suction-set", 5, 20, identity="s", recorded=at(5))
    mode = reading("mode", 5, "suction", identity="m", recorded=at(5))
    seal = replace(mode, value="water-seal", recorded=at(6))
    found = {
        r.observable: r
        for r in fold([Version(1, at(5), (mode, suction)), Version(2, at(6), (seal,))])
    }
    assert (found["mode"].value, found["mode"].status) == ("water-seal", "corrected")
    assert found["suction-set"].status == "entered-in-error"


def test_without_recorded_times_the_order_of_the_file_decides():
    first, second = replace(BASE, recorded=None), replace(BASE, recorded=None, value=Decimal(9))
    (found,) = fold([version(2, second), version(1, first)])
    assert (found.value, found.status) == (9, "corrected")


def test_19_and_19_0_are_two_statements():
    longer = replace(BASE, value=Decimal("150.0"), recorded=at(6))
    (found,) = fold([version(1, BASE), version(2, longer)])
    assert (str(found.value), found.status) == ("150.0", "corrected")


def test_magnitude_and_mode_of_one_order_share_an_identity_and_both_stand():
    mode = reading("mode-ordered", 5, "suction", identity="o")
    suction = reading("suction-ordered", 5, 20, identity="o")
    assert {r.observable for r in fold([Version(1, None, (mode, suction))])} == {
        "mode-ordered",
        "suction-ordered",
    }


def test_a_withdrawal_without_a_recorded_time_comes_after_what_it_withdraws():
    (found,) = fold([version(1, BASE), Version(2, None, (), withdraws=True)])
    assert found.status == "entered-in-error"
    assert found.recorded == BASE.recorded


def test_a_value_that_was_blanked_later_no_longer_stands():
    (found,) = fold([version(1, BASE), Version(2, at(9), ())])
    assert found.status == "entered-in-error"
    (found,) = fold([Version(1, at(1), ()), version(2, BASE)])
    assert found.status == "final"


def test_preliminary_and_then_final_is_no_correction():
    early = replace(BASE, status="preliminary", value=Decimal(140), recorded=at(5))
    (found,) = fold([version(1, early), version(2, BASE)])
    assert found.status == "final"


def test_what_was_withdrawn_and_stands_again_is_corrected():
    again = replace(BASE, recorded=at(9))
    bare = Version(2, at(7), (), withdraws=True)
    (found,) = fold([version(1, BASE), bare, version(3, again)])
    assert found.status == "corrected"


def test_versions_of_one_recorded_time_go_by_arrival():
    first, second = replace(BASE, value=Decimal(1)), replace(BASE, value=Decimal(2))
    for order in ([(1, first), (2, second)], [(2, second), (1, first)]):
        (found,) = fold([version(n, r) for n, r in order])
        assert found.value == 2


def test_both_parts_of_a_corrected_order_are_corrected():
    seal = reading("mode-ordered", 5, "water-seal", identity="o", recorded=at(5))
    mode = replace(seal, value="suction", recorded=at(6))
    suction = reading("suction-ordered", 5, 20, identity="o", recorded=at(6))
    found = fold([Version(1, at(5), (seal,)), Version(2, at(6), (mode, suction))])
    assert [r.status for r in found] == ["corrected", "corrected"]
