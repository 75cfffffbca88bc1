from __future__ import annotations

import os
import stat
from dataclasses import replace
from decimal import Decimal

import pytest

from fhirdrain.errors import ConfigurationError
from fhirdrain.store import Store, from_json, to_json
from tests.conftest import at, level, reading


@pytest.fixture
def path(tmp_path):
    return tmp_path / "store.sqlite"


BASE = level(5, 150, identity="one", recorded=at(5.1))
RESOURCE = {
    "resourceType": "Observation",
    "identifier": [{"system": "s", "value": "one"}],
    "v": Decimal("1.0"),
}


def test_readings_come_back_whole():
    full = replace(
        BASE, value=Decimal("19.00"), parts={"unit-number": 2, "closing-level": Decimal("5.0"), "hue": "dark-red"},
        start=at(1), end=at(9), note="n", original=(Decimal("2.0"), "kPa"), text="t", absent=None,
    )  # fmt: skip
    assert from_json(to_json(full)) == full
    word = reading("swing", 1, "present")
    assert from_json(to_json(word)) == word


def test_every_version_is_kept_once_in_whatever_order_it_comes(path):
    later = replace(BASE, value=Decimal(15), recorded=at(6))
    with Store(path, "s") as store:
        with store.commit():
            assert store.put_versions([later]) == 1
        with store.commit():
            assert store.put_versions([BASE, later]) == 1
        assert [r.value for r in store.versions("one")] == [150, 15]


def test_a_commit_that_fails_keeps_nothing(path):
    with Store(path, "s") as store:

        def fall_over() -> None:
            with store.commit():
                store.put_versions([BASE])
                store.put_outgoing([RESOURCE], "lane")
                raise RuntimeError

        with pytest.raises(RuntimeError):
            fall_over()
        assert store.versions("one") == []
        assert store.outgoing_by_state() == {}


def test_an_item_is_said_only_when_the_server_confirmed_it(path):
    with Store(path, "s") as store:
        with store.commit():
            store.put_outgoing([RESOURCE], "lane")
            store.put_outgoing([RESOURCE], "lane")
        assert store.outgoing_by_state() == {"waiting": 1}
        with store.commit():
            store.fail(RESOURCE, "parked", "unknown patient")
        assert store.outgoing_by_state() == {"parked": 1}
        with store.commit():
            store.confirm("http://server", RESOURCE, "Observation/1")
        assert store.outgoing_by_state() == {"sent": 1}


def test_only_its_owner_can_read_it(path):
    with Store(path, "s"):
        assert stat.S_IMODE(os.stat(path).st_mode) == 0o600


def test_another_sites_store_and_other_files_are_refused(path, tmp_path):
    with Store(path, "s"):
        pass
    with pytest.raises(ConfigurationError, match='belongs to site "s"'):
        Store(path, "other")
    other = tmp_path / "notes.txt"
    other.write_text("hello, this is not a database at all, however long it may become ...")
    with pytest.raises(ConfigurationError, match="not a store"):
        Store(other)
    with pytest.raises(ConfigurationError, match="cannot be made"):
        Store(tmp_path / "nowhere" / "x")
