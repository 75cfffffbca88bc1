"""Faults on purpose: shares, schedules that come again, and what has been done when they strike."""

from __future__ import annotations

import time
from collections import Counter
from itertools import pairwise

import pytest
import requests

from fhirdrain.errors import ConfigurationError
from fhirdrain.sandbox.faults import Faults, share_of
from fhirdrain.sandbox.server import running
from tests.sandbox.talk import PATIENT, get, outcome, post, put

MINE = {**PATIENT, "id": "mine"}


def test_the_shares_come_out_as_asked():
    """With 20,000 draws a share of 0.1 strays by more than 0.01 once in 400,000 schedules."""
    faults = Faults([("503", 0.1), ("reset", 0.05)], seed=4)
    drawn = Counter(faults.draw() for _ in range(20_000))
    assert drawn["503"] / 20_000 == pytest.approx(0.1, abs=0.01)
    assert drawn["reset"] / 20_000 == pytest.approx(0.05, abs=0.01)
    assert set(drawn) == {"503", "reset", ""}


def test_a_seed_gives_the_same_schedule():
    schedules = [
        [faults.draw() for _ in range(200)]
        for seed in (1, 1, 2)
        if (faults := Faults([("503", 0.3)], seed))
    ]
    assert schedules[0] == schedules[1] != schedules[2]


def test_the_schedule_of_a_server_is_that_of_its_seed():
    expected = Faults([("503", 0.5)], 7)
    with running("test", faults=Faults([("503", 0.5)], 7)) as base:
        statuses = [get(base, "/Patient").status_code for _ in range(30)]
    assert statuses == [503 if expected.draw() else 200 for _ in range(30)]


@pytest.mark.parametrize("text", ["503:0.1", "429:1", "reset:.05", "late-reset:0.5", "slow:0.25"])
def test_faults_as_they_are_written(text):
    kind, share = share_of(text)
    assert (kind, share) == (text.partition(":")[0], float(text.partition(":")[2]))


@pytest.mark.parametrize(
    "text", ["503", "503:0", "503:2", "200:0.1", "crash:0.1", "503:x", "503:nan", ":0.1", ""]
)
def test_what_is_no_fault_is_refused(text):
    with pytest.raises(ConfigurationError):
        share_of(text)


def test_shares_of_more_than_all_are_refused():
    with pytest.raises(ConfigurationError):
        Faults([("503", 0.6), ("reset", 0.6)])


@pytest.mark.parametrize(("status", "waits"), [(503, "1"), (429, "1"), (500, None), (418, None)])
def test_a_status_is_an_outcome_and_nothing_is_done(tmp_path, status, waits):
    """RFC 9110 and RFC 6585: 503 and 429 may say when to come back with Retry-After."""
    file = str(tmp_path / "data")
    with running("test", file, faults=Faults([(str(status), 1)])) as base:
        response = put(base, "/Patient/mine", MINE)
        assert response.status_code == status
        assert response.headers.get("Retry-After") == waits
        assert "on purpose" in outcome(response)
        assert requests.head(f"{base}/Patient", timeout=10).status_code == status
    with running("test", file) as base:
        assert get(base, "/Patient/mine").status_code == 404


@pytest.mark.parametrize(("kind", "after"), [("reset", 404), ("late-reset", 200)])
def test_a_connection_closed_before_or_after_it_is_done(tmp_path, kind, after):
    file = str(tmp_path / "data")
    with running("test", file, faults=Faults([(kind, 1)])) as base:
        for _ in range(2):
            with pytest.raises(requests.exceptions.ConnectionError):
                put(base, "/Patient/mine", MINE)
    with running("test", file) as base:
        assert get(base, "/Patient/mine").status_code == after


def test_a_connection_is_closed_within_a_session():
    """A kept connection that was closed is one a client must open again."""
    faults = Faults([("reset", 0.4)], 3)
    with running("test", faults=faults) as base, requests.Session() as session:
        answers = []
        for _ in range(20):
            try:
                answers.append(session.get(f"{base}/Patient", timeout=10).status_code)
            except requests.exceptions.ConnectionError:
                answers.append(0)
    assert set(answers) == {0, 200}
    assert any(one == 0 and two == 200 for one, two in pairwise(answers))


def test_slow_answers_come_and_hold_nobody_up():
    with running("test", faults=Faults([("slow", 0.5)], 7)) as base:
        times = []
        for _ in range(4):
            start = time.monotonic()
            assert post(base, "/Patient", PATIENT).status_code == 201
            times.append(time.monotonic() - start)
    expected = Faults([("slow", 0.5)], 7)
    for taken in times:
        slow = expected.draw() == "slow"
        assert (taken > expected.delay() - 0.01) if slow else taken < 1
    assert max(times) > 1 > min(times)
