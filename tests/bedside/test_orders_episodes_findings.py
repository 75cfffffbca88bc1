from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from fhirdrain.bedside.episodes import assign_episodes
from fhirdrain.bedside.findings import doubles_in, suspected_doubles
from fhirdrain.bedside.orders import in_force, link_orders, orders_of
from tests.conftest import amount, at, reading


def order(hours, value, **more):
    return reading("suction-ordered", hours, value, **more)


def test_a_new_order_replaces_the_one_in_force():
    first, second = order(0, 20), order(4, 10)
    found = orders_of([second, first])
    assert [o.identity for o in found] == [first.identity, second.identity]
    assert found[1].replaces == (first.identity,)
    assert [o.replaced for o in found] == [True, False]


def test_the_order_in_force_is_the_last_one_begun():
    orders = orders_of([order(0, 20), order(4, 10)])
    assert in_force(orders, at(-1)) == ()
    assert in_force(orders, at(4))[0].readings[0].value == 10
    assert in_force(orders, at(3.9))[0].readings[0].value == 20


def test_an_order_that_has_ended_is_in_force_no_more():
    orders = orders_of([order(0, 20, end=at(2))])
    assert in_force(orders, at(2))
    assert in_force(orders, at(3)) == ()


def test_a_withdrawn_order_replaces_nothing():
    gone = order(4, 10, status="entered-in-error")
    orders = orders_of([order(0, 20), gone])
    assert in_force(orders, at(5))[0].readings[0].value == 20
    assert not any(o.replaced for o in orders)


def test_a_version_without_magnitude_leaves_the_mode_alone_standing():
    dropped = order(0, 20, identity="o", status="entered-in-error")
    mode = reading("mode-ordered", 0, "water-seal", identity="o")
    (found,) = orders_of([dropped, mode])
    assert found.readings == (mode,)


def test_only_setting_and_mode_are_held_against_an_order():
    readings = [
        order(0, 20),
        reading("suction-set", 1, 20),
        reading("mode", 1, "suction"),
        reading("swing", 1, "absent"),
    ]
    linked = {r.observable: r.order for r in link_orders(readings)}
    assert linked["suction-set"] == linked["mode"] == readings[0].identity
    assert linked["swing"] is None


def test_a_label_used_again_is_another_tube():
    readings = [
        reading("placed", 0),
        reading("swing", 1, "present"),
        reading("removed", 2, "planned"),
        reading("placed", 3),
        reading("swing", 4, "present"),
    ]
    assert [r.episode for r in assign_episodes(reversed(readings))] == [1, 1, 1, 2, 2]


def test_a_withdrawn_removal_begins_no_new_tube():
    readings = [reading("removed", 2, "planned", status="entered-in-error"), reading("placed", 3)]
    assert {r.episode for r in assign_episodes(readings)} == {1}


WITHIN = timedelta(minutes=10)


def test_the_same_amount_under_two_items_of_one_drain_is_suspected():
    one, two = amount(0, 45, item="a"), amount(5 / 60, 45, item="b")
    assert suspected_doubles([two, one], WITHIN) == [(one, two)]
    assert doubles_in([(one, two)]) == [(one, two)]


def test_the_same_amount_on_two_drains_is_suspected_only_at_different_times():
    one = amount(0, 90, item="a")
    assert suspected_doubles([one, amount(0, 90, item="b", drain="L1")], WITHIN) == []
    other = amount(5 / 60, 90, item="b", drain="L1")
    assert suspected_doubles([one, other], WITHIN) == [(one, other)]
    assert doubles_in([(one, other)]) == [(one, other)]


def test_what_is_not_suspected():
    one = amount(0, 45, item="a")
    for other in (
        amount(5 / 60, 45, item="a"),  # the same item: charted twice on purpose
        amount(5 / 60, 44, item="b"),
        amount(11 / 60, 45, item="b"),
        amount(5 / 60, 45, item="b", status="entered-in-error"),
    ):
        assert suspected_doubles([one, other], WITHIN) == []
    zeros = [replace(amount(0, 0), item="a"), replace(amount(5 / 60, 0), item="b")]
    assert suspected_doubles(zeros, WITHIN) == []


def test_one_tube_out_and_the_next_in_within_a_minute():
    readings = [
        reading("swing", 0, "present"),
        reading("placed", 2),
        reading("swing", 2, "absent"),
        reading("removed", 2, "planned"),
        reading("swing", 3, "present"),
    ]
    found = [(r.observable, r.episode) for r in assign_episodes(readings)]
    assert found == [("swing", 1), ("swing", 1), ("removed", 1), ("placed", 2), ("swing", 2)]


def test_what_was_not_done_begins_and_ends_no_tube():
    readings = [
        reading("removed", 1, None, absent="not_done"),
        reading("placed", 2),
        reading("removed", 3, "planned"),
        reading("placed", 4, absent="not_done"),
    ]
    assert {r.episode for r in assign_episodes(readings)} == {1}


def test_what_is_charted_in_the_minute_of_a_placing_is_of_the_new_tube():
    readings = [
        reading("swing", 0, "present"),
        reading("removed", 1, "planned"),
        reading("placed", 5),
        reading("swing", 5, "absent"),
    ]
    assert [r.episode for r in assign_episodes(readings)] == [1, 1, 2, 2]
