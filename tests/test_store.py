from __future__ import annotations

import os
import stat
import subprocess
import sys
import tempfile
from collections import Counter
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from fhirdrain import store as store_module
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


# -- what can happen to a file ---------------------------------------------------------------


def test_a_damaged_store_is_said_to_be_damaged_and_left_as_it_is(path):
    with Store(path, "s") as store, store.commit():
        for number in range(200):
            resource = {**RESOURCE, "identifier": [{"system": "s", "value": str(number)}]}
            store.put_outgoing([resource], "lane")
    with Store(path, "s") as store:
        store._base.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    data = bytearray(path.read_bytes())
    data[4096 : len(data) - 4096] = b"\xff" * (len(data) - 8192)
    path.write_bytes(data)

    def read() -> None:
        with Store(path, "s") as store:
            list(store.outgoing("waiting"))

    with pytest.raises(ConfigurationError, match=r"malformed|not a database|not a store"):
        read()
    assert path.read_bytes() == bytes(data)


def test_a_folder_that_cannot_be_written(tmp_path, monkeypatch):
    """As the system says it; who runs the tests may be allowed everything."""

    def refused(*_, **__):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, "open", refused)
    with pytest.raises(ConfigurationError, match="cannot be made: Permission denied"):
        Store(tmp_path / "x.sqlite")


def test_a_full_disk_keeps_nothing_and_says_so(path):
    with Store(path, "s") as store:
        with store.commit():
            store.put_messages([("first", b"x", "c")])
        store._base.execute("PRAGMA max_page_count = 1")
        with pytest.raises(ConfigurationError, match="full"), store.commit():
            store.put_messages([(str(n), b"x" * 5000, "c") for n in range(50)])
        assert [m.body for m in store.messages("new")] == [b"x"]


def test_a_clock_that_jumps_back_changes_no_order(path, monkeypatch):
    moments = iter([datetime(2025, 1, 2, tzinfo=UTC), *[datetime(2025, 1, 1, tzinfo=UTC)] * 20])

    class Clock(datetime):
        @classmethod
        def now(cls, zone=None):
            return next(moments)

    monkeypatch.setattr(store_module, "datetime", Clock)
    with Store(path, "s") as store:
        for value in ("1", "2"):
            with store.commit():
                store.put_outgoing([{**RESOURCE, "v": Decimal(value)}], "lane")
                store.put_messages([(value, value.encode(), "c")])
        assert [one.resource["v"] for one in store.outgoing("waiting")] == [2]
        assert [m.body for m in store.messages("new")] == [b"1", b"2"]


def test_another_process_is_kept_out_and_may_look(path):
    look = (
        "import sys; from pathlib import Path; from fhirdrain.store import Store\n"
        "try:\n    Store(Path(sys.argv[1]), shared=sys.argv[2] == 'shared').close()\n"
        "except Exception as error: print(error)"
    )

    def other(how: str) -> str:
        command = [sys.executable, "-c", look, str(path), how]
        return subprocess.run(command, capture_output=True, text=True, check=True).stdout

    with Store(path, "s"), Store(path, "s"):
        assert "in use by another process" in other("alone")
        assert other("shared") == ""
    assert other("alone") == ""


def test_what_is_forgotten_is_what_nobody_needs(path):
    with Store(path, "s") as store:
        for value in ("1", "2", "3"):
            with store.commit():
                store.put_outgoing([{**RESOURCE, "v": Decimal(value)}], "lane")
        with store.commit():
            store.put_messages([(key, b"x", "c") for key in "abc"])
            store.settle_messages([(1, "done", ""), (2, "held", "why")])
        later = datetime.now(UTC) + timedelta(days=1)
        with store.commit():
            assert store.forget(later) == (1, 0)  # what was never confirmed may be on the server
        with store.commit():
            store.confirm("http://server", {**RESOURCE, "v": Decimal(3)}, None)
        with store.commit():
            assert store.forget(later - timedelta(days=2)) == (0, 0)
            assert store.forget(later) == (0, 2)
        assert store.outgoing_by_state() == {"sent": 1}
        assert store.messages_by_state() == {"done": 1, "held": 1, "new": 1}
        with store.commit():
            assert store.put_messages([("a", b"x", "c")]) == 0  # it is known by its key


class Outbox(RuleBasedStateMachine):
    """The outbox against a plain account of what it must know.

    A server confirms contents late, twice, in another order, or after they were overtaken; a process
    is killed between any two steps.
    """

    names = st.integers(0, 2)
    values = st.integers(0, 3)

    def __init__(self) -> None:
        super().__init__()
        self.folder = tempfile.TemporaryDirectory()
        self.path = Path(self.folder.name) / "s.sqlite"
        self.store = Store(self.path, "s")
        self.last: dict[int, int] = {}  # the last content put out of each name
        self.state: dict[int, str] = {}
        self.ever: dict[int, list[int]] = {}
        self.said: set[int] = set()

    def resource(self, name: int, value: int) -> dict:
        identifier = [{"system": "s", "value": str(name)}]
        return {"resourceType": "Observation", "identifier": identifier, "v": value}

    @rule(name=names, value=values)
    def put(self, name: int, value: int) -> None:
        with self.store.commit():
            new = self.store.put_outgoing([self.resource(name, value)], "lane")
        assert new == (self.last.get(name) != value)
        if new:
            self.last[name], self.state[name] = value, "waiting"
            self.ever.setdefault(name, []).append(value)

    @rule(name=names, value=values)
    def confirm(self, name: int, value: int) -> None:
        if value not in self.ever.get(name, ()):
            return  # a server confirms what it was sent
        with self.store.commit():
            self.store.confirm("http://there", self.resource(name, value), f"Observation/{name}")
        self.said.add(name)
        if self.last[name] == value:
            self.state[name] = "sent"

    @rule(name=names, value=values, state=st.sampled_from(["refused", "parked"]))
    def fail(self, name: int, value: int, state: str) -> None:
        if value not in self.ever.get(name, ()):
            return
        with self.store.commit():
            self.store.fail(self.resource(name, value), state, "why")
        if self.last[name] == value and self.state[name] != "sent":
            self.state[name] = state

    @rule(name=names)
    def retry(self, name: int) -> None:
        left = {one.resource["identifier"][0]["value"]: one.number
                for one in self.store.outgoing("refused", "parked")}  # fmt: skip
        if str(name) not in left:
            return
        with self.store.commit():
            assert self.store.retry([left[str(name)]]) == 1
        self.state[name] = "waiting"

    @rule(name=names, value=values)
    def killed_in_a_commit(self, name: int, value: int) -> None:
        with suppress(KeyboardInterrupt), self.store.commit():
            self.store.put_outgoing([self.resource(name, value)], "lane")
            self.store.confirm("http://there", self.resource(name, value), None)
            raise KeyboardInterrupt
        self.again()

    @rule()
    def again(self) -> None:
        self.store.close()
        self.store = Store(self.path, "s")

    @rule()
    def forget(self) -> None:
        with self.store.commit():
            self.store.forget(datetime.now(UTC) + timedelta(days=1))

    @invariant()
    def knows_what_it_must(self) -> None:
        found = {
            int(one.resource["identifier"][0]["value"]): (one.resource["v"], one.state)
            for one in self.store.outgoing("waiting", "sent", "refused", "parked")
        }
        assert found == {name: (value, self.state[name]) for name, value in self.last.items()}
        counts = Counter(self.state.values())
        assert self.store.outgoing_by_state() == dict(counts)
        assert {int(name[2]) for name in self.store.said("http://there")} == self.said
        numbers = [one.number for one in self.store.outgoing("waiting", "sent")]
        assert numbers == sorted(numbers)

    def teardown(self) -> None:
        self.store.close()
        self.folder.cleanup()


TestOutbox = Outbox.TestCase
TestOutbox.settings = settings(max_examples=60, stateful_step_count=30, deadline=None)
