"""The outbox: what is left to go out is listed without values, shown, exported, and tried again."""

from __future__ import annotations

import json

import pytest

from fhirdrain.store import Store
from tests.cli.test_commands import bundle, map_, run, work  # noqa: F401


@pytest.fixture
def store(work):  # noqa: F811
    """A store in which five resources wait and one was refused, and that one's number."""
    bundle(work)
    assert map_(work, work / "in.csv", "--store", "s", "--out", "o2.json")[0] == 0
    with Store(work / "s") as opened, opened.commit():
        one = next(o for o in opened.outgoing("waiting") if "valueQuantity" in o.resource)
        opened.fail(one.resource, "refused", "HTTP 422; the value 5 of p-1 is not wanted here")
    return work / "s", one.number


def outbox(store, *args):
    return run("outbox", "--store", store[0], *args)


def test_it_lists_what_is_left_without_values(store):
    code, out, _ = outbox(store)
    assert code == 0
    *lines, counts = out.splitlines()
    assert counts == "5 waiting, 0 parked, 1 refused, 0 sent"
    assert len(lines) == 6
    (refused,) = [line for line in lines if "refused" in line]
    assert refused.startswith(f"{store[1]}  refused  Observation of R1.1.")
    assert refused.endswith(": HTTP 422")
    assert "p-1" not in out
    assert "the value 5 of p-1" in outbox(store, "--show-values")[1]


def test_one_is_shown_whole(store):
    code, out, _ = outbox(store, "--show", store[1])
    assert (code, json.loads(out)["resourceType"]) == (0, "Observation")
    assert outbox(store, "--show", 999)[0] == 2


def test_what_was_refused_is_exported_with_its_reason(store):
    code, out, err = outbox(store, "--export", "-")
    (line,) = map(json.loads, out.splitlines())
    assert (code, "1 were refused" in err) == (0, True)
    assert (line["number"], line["reason"].startswith("HTTP 422")) == (store[1], True)
    assert line["resource"]["valueQuantity"]["value"] == 5


def test_what_was_refused_waits_again_when_it_is_asked_for(store):
    waiting = next(int(line.split()[0]) for line in outbox(store)[1].splitlines())
    code, _, err = outbox(store, "--retry", waiting)
    assert (code, "is not the number of something refused" in err) == (2, True)
    assert outbox(store, "--retry", "x")[0] == 2
    assert "1 wait again" in outbox(store, "--retry", store[1])[2]
    assert outbox(store)[1].splitlines()[-1] == "6 waiting, 0 parked, 0 refused, 0 sent"
    assert "0 wait again" in outbox(store, "--retry", "all")[2]


def test_what_is_no_store_is_said(work):  # noqa: F811
    """And it is left as it is: an empty file does not become a store by being looked at."""
    for content in ("nothing of the kind", ""):
        (work / "no").write_text(content)
        assert run("outbox", "--store", work / "no")[0] == 2
        assert (work / "no").read_text() == content
    code, _, err = run("outbox", "--store", work)
    assert (code, "it is no file" in err) == (2, True)
    assert run("outbox", "--store", work / "none")[0] == 2
    assert run("outbox")[0] == 2
