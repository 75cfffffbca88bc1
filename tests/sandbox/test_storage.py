"""The file: what it keeps, what it takes over from the first form, and what it refuses."""

from __future__ import annotations

import sqlite3
import threading
import time
from pathlib import Path

import pytest
import requests

from fhirdrain.errors import ConfigurationError
from fhirdrain.sandbox.server import running
from fhirdrain.sandbox.storage import Storage
from fhirdrain.store import Store
from tests.sandbox.talk import PATIENT, get, observation, post, put

# The tables as the first form of the file had them.
FIRST_FORM = """
CREATE TABLE resource (
    seq INTEGER PRIMARY KEY AUTOINCREMENT, type TEXT NOT NULL, id TEXT NOT NULL,
    version INTEGER NOT NULL, body BLOB NOT NULL, UNIQUE (type, id));
CREATE TABLE found_by (
    seq INTEGER NOT NULL, type TEXT NOT NULL, parameter TEXT NOT NULL, kind TEXT NOT NULL,
    first, second);
CREATE INDEX by_value ON found_by (type, parameter, kind, second, first);
CREATE INDEX by_resource ON found_by (seq);
"""
BODY = (
    b'{"resourceType":"Observation","id":"o","meta":{"versionId":"3","lastUpdated":'
    b'"2025-01-10T07:00:00.125+00:00"},"status":"final","code":{"text":"x"},'
    b'"identifier":[{"value":"o"}],"effectiveDateTime":"2025-01-10","valueQuantity":{"value":19.00}}'
)


@pytest.fixture
def first_form(tmp_path: Path) -> Path:
    file = tmp_path / "first.sqlite"
    base = sqlite3.connect(file)
    base.executescript(FIRST_FORM)
    base.execute("INSERT INTO resource VALUES (7, 'Observation', 'o', 3, ?)", (BODY,))
    base.execute(
        "INSERT INTO found_by VALUES (7, 'Observation', 'identifier', 'token', '', 'stale')"
    )
    base.commit()
    base.close()
    return file


def test_a_file_of_the_first_form_is_brought_up_to_date(first_form):
    for _ in range(2):
        with running("test", str(first_form)) as base:
            read = get(base, "/Observation/o")
            assert read.content == BODY
            assert read.headers["Last-Modified"] == "Fri, 10 Jan 2025 07:00:00 GMT"
            found = "identifier=o&date=2025-01-10&_lastUpdated=2025-01-10T07:00:00.125Z"
            assert get(base, f"/Observation?{found}").json()["total"] == 1
            assert get(base, "/Observation?identifier=stale").json()["total"] == 0
            assert get(base, "/Observation/o/_history/2").status_code == 404
            assert get(base, "/Observation/o/_history").json()["total"] == 1
    with running("test", str(first_form)) as base:
        changed = put(base, "/Observation/o", observation(1, id="o"))
        assert changed.headers["ETag"] == 'W/"4"'
        assert get(base, "/Observation/o/_history").json()["total"] == 2


def test_taking_over_is_all_or_nothing(first_form):
    broken = sqlite3.connect(first_form)
    broken.execute("INSERT INTO resource VALUES (8, 'Observation', 'p', 1, '{\"broken')")
    broken.commit()
    with pytest.raises(ConfigurationError, match="not a file of the sandbox"):
        Storage(str(first_form))
    assert broken.execute("SELECT count(*) FROM resource").fetchone() == (2,)
    assert broken.execute("SELECT count(*) FROM found_by").fetchone() == (1,)
    broken.close()


def test_files_of_others_are_refused_and_left_alone(tmp_path):
    text = tmp_path / "text"
    text.write_text("no database at all, but some text " * 40)
    other = tmp_path / "other"
    base = sqlite3.connect(other)
    base.execute("CREATE TABLE something (x)")
    base.commit()
    base.close()
    later = tmp_path / "later"
    Storage(str(later)).close()
    base = sqlite3.connect(later)
    base.execute("PRAGMA user_version = 99")
    base.commit()
    base.close()
    for file, why in (
        (text, "not a"),
        (other, "not a"),
        (later, "later version"),
        (tmp_path, "opened"),
    ):
        before = file.read_bytes() if file.is_file() else b""
        with pytest.raises(ConfigurationError, match=why) as refused:
            Storage(str(file))
        assert refused.value.hint or file.is_dir()
        assert not before or file.read_bytes() == before


def test_the_store_of_the_command_map_is_refused(tmp_path):
    file = tmp_path / "store.sqlite"
    with Store(file):
        pass
    with pytest.raises(ConfigurationError, match="not a file of the sandbox"):
        Storage(str(file))


def test_what_fails_in_the_middle_leaves_nothing():
    storage = Storage()

    def half() -> None:
        with storage.atomic():
            storage.write({**PATIENT})
            raise RuntimeError

    with pytest.raises(RuntimeError):
        half()
    assert storage.newest() == 0
    assert storage.search("Patient", [("identifier", "1")]) == []
    with storage.atomic():
        storage.write({**PATIENT})
    assert len(storage.search("Patient", [("identifier", "1")])) == 1
    storage.close()


def test_readers_never_see_half_of_a_transaction(server):
    """R4 http.html#trules: a transaction is one, also for who reads meanwhile."""
    entries = [
        {"resource": {**PATIENT}, "request": {"method": "POST", "url": "Patient"}}
        for _ in range(100)
    ]
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": entries}
    seen: set[int] = set()
    over = threading.Event()

    def look() -> None:
        with requests.Session() as session:
            while not over.is_set():
                answer = session.get(f"{server}/Patient?_summary=count", timeout=10)
                seen.add(answer.json()["total"])

    threads = [threading.Thread(target=look) for _ in range(3)]
    for thread in threads:
        thread.start()
    try:
        while not seen:
            time.sleep(0.01)
        for _ in range(5):
            assert post(server, "", bundle).status_code == 200
    finally:
        over.set()
        for thread in threads:
            thread.join()
    assert 0 in seen
    assert len(seen) > 1
    assert all(count % 100 == 0 for count in seen)
