"""What was found right once is not looked at again: with that and without it, the same is said."""

from __future__ import annotations

import json
import random
from datetime import date
from decimal import Decimal

import pytest

from fhirdrain.conformance import Checker, check_resource, plan
from fhirdrain.conformance.rules import drain, structure
from tests.conftest import ROOT

SAMPLES = ROOT / "sample_bundles"
LINES = [
    json.loads(line, parse_float=Decimal)
    for line in (SAMPLES / "valid" / "rounds.ndjson").read_text("utf-8").splitlines()
]


class _Forgetful(dict):
    """A memory in which nothing is kept."""

    def __setitem__(self, key, value):
        pass


@pytest.fixture
def without_memory(monkeypatch):
    """A checker that looks at everything, always."""
    monkeypatch.setattr(structure, "remembered", lambda check, *_, **__: check)
    monkeypatch.setattr(plan, "remembered", lambda check, *_, **__: check)
    checker = Checker()
    for resource in LINES:  # which makes all that it needs
        check_resource(resource, checker=checker)

    def check(resource):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(drain, "_right", _Forgetful())
            return check_resource(resource, checker=checker)

    return check


@pytest.fixture(scope="module")
def with_memory():
    """A checker that has seen much that is right."""
    checker = Checker()
    for _ in range(2):
        for resource in LINES:
            check_resource(resource, checker=checker)
    return lambda resource: check_resource(resource, checker=checker)


def spoilt(resource, rng):
    """Return a resource in which one value is another, of any type, or has gone, or is new."""
    copy = json.loads(json.dumps(resource, default=str))
    holders = []

    def walk(value):
        if isinstance(value, (dict, list)) and value:
            holders.append(value)
            for one in value.values() if isinstance(value, dict) else value:
                walk(one)

    walk(copy)
    holder = rng.choice(holders)
    key = rng.choice(list(holder) if isinstance(holder, dict) else range(len(holder)))
    other = rng.choice(holders)
    new = rng.choice(
        [None, "", "x", 1, True, 1.5, Decimal("1.0"), [], {}, date(2025, 1, 1), "mL", "ml",
         json.loads(json.dumps(other, default=str))]
    )  # fmt: skip
    how = rng.random()
    if how < 0.2:
        del holder[key]
    elif how < 0.4 and isinstance(holder, dict):
        holder[rng.choice(["id", "extension", "text", "code", "system", "display", "odd"])] = new
    else:
        holder[key] = new
    return copy


def test_the_same_is_said_of_anything(with_memory, without_memory):
    rng = random.Random(9)
    wrong = 0
    for _ in range(4_000):
        resource = spoilt(rng.choice(LINES), rng)
        found = with_memory(resource)
        assert found == without_memory(resource), resource
        assert with_memory(resource) == found  # and once more, now that it is known
        wrong += bool(found)
    assert wrong > 2_000


@pytest.mark.parametrize("odd", [1, True, Decimal(1), date(2025, 1, 1), None, ["x"], b"20"])
def test_nothing_passes_for_a_text_that_it_is_not(with_memory, odd):
    (resource,) = [r for r in LINES if r["resourceType"] == "Observation"][:1]
    good = json.loads(json.dumps(resource, default=str))
    assert with_memory(good) == []
    good["code"]["text"] = odd
    assert with_memory(good) != []


def test_what_a_profile_asks_of_the_rest_is_asked_each_time():
    """A constraint on a concept that looks at the resource around it is not remembered."""
    facts = {"constraint": [{"key": "x-1", "expression": "%resource.status = 'final'"}]}
    assert not structure.is_alone(facts)
    assert not structure.is_alone({"constraint": [{"expression": "coding.resolve().exists()"}]})
    assert structure.is_alone({"constraint": [{"expression": "coding.exists()"}, {}]})
    assert structure.is_alone({})


def test_memory_has_an_end(monkeypatch):
    monkeypatch.setattr(structure, "_MOST_REMEMBERED", 3)
    seen = []
    check = structure.remembered(lambda value, at, run: seen.append(value))

    class Run:
        found: tuple = ()
        references: tuple = ()

    for number in (1, 1, 2, 3, 4, 1):
        check({"text": str(number)}, None, Run())
    assert [one["text"] for one in seen] == ["1", "2", "3", "4", "1"]


@pytest.mark.parametrize("value", [{"id": "a"}, {"extension": []}, {"x": {"reference": "A/1"}}])
def test_what_speaks_of_more_than_itself_is_not_remembered(value):
    seen = []
    check = structure.remembered(lambda value, at, run: seen.append(value))

    class Run:
        found: tuple = ()
        references: tuple = ()

    for _ in range(2):
        check(value, None, Run())
    assert len(seen) == 2
