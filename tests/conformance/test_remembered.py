"""What was found right once is not looked at again: with that and without it, the same is said."""

from __future__ import annotations

import json
import random
from copy import deepcopy
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


class Quiet:
    """A run in which nothing was found."""

    found: tuple = ()
    references: tuple = ()


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
    copy = deepcopy(resource)
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
         deepcopy(other)]
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


@pytest.mark.parametrize(
    ("expression", "alone"),
    [
        ("%resource.status = 'final'", False),
        ("coding.resolve().exists()", False),
        ("conformsTo('http://a.example/StructureDefinition/b')", False),
        ("coding.memberOf('http://a.example/ValueSet/b')", False),
        ("lastUpdated > now() - 3 seconds", False),
        ("text.`re\\u0073olve`().exists()", False),
        ("iif(today() > @2020-01-01, true, false)", False),
        ("coding.where(system = 'http://loinc.org').count() = 1 and text.matches('a.*')", True),
        ("coding.exists() implies ( text.exists() )", True),
        ("hasValue() or (children().count() > id.count())", True),  # ele-1
        ("coding.resolve ().exists()", False),
        ("", True),
    ],
)
def test_what_looks_at_more_than_the_value_is_looked_at_each_time(expression, alone):
    """Where it is not sure, nothing is remembered."""
    facts = {"constraint": [{"key": "x-1", "expression": expression}]}
    assert structure.is_alone(facts) is alone
    assert structure.is_alone({})


def test_who_assigned_a_number_is_looked_up_wherever_it_is_said():
    """Alone there is nowhere to look; in a bundle it must lead somewhere."""
    (observation,) = [r for r in LINES if r["resourceType"] == "Observation"][:1]
    observation = deepcopy(observation)
    organization = "2b3f2d4c-0000-4000-8000-000000000001"
    observation["subject"] = {
        "reference": "Patient/p",
        "identifier": {
            "system": "https://a.example/patient", "value": "1",
            "assigner": {"reference": f"Organization/{organization}"},
        },
    }  # fmt: skip
    bundle = {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [
            {
                "fullUrl": f"urn:uuid:{one}",
                "resource": resource,
                "request": {"method": "POST", "url": resource["resourceType"]},
            }
            for one, resource in (
                (organization, {"resourceType": "Organization", "name": "North Pier"}),
                ("2b3f2d4c-0000-4000-8000-000000000002", observation),
            )
        ],
    }
    fresh = check_resource(bundle, checker=Checker())
    assert any("assigner" in issue.location for issue in fresh)
    checker = Checker()
    for _ in range(3):
        check_resource(observation, checker=checker)
    assert check_resource(bundle, checker=checker) == fresh


def test_what_is_long_is_not_remembered():
    seen = []
    check = structure.remembered(lambda value, at, run: seen.append(value))

    for _ in range(2):
        check({"text": "x" * 2_000}, None, Quiet())
    assert len(seen) == 2


def test_memory_has_an_end(monkeypatch):
    monkeypatch.setattr(structure, "_MOST_REMEMBERED", 3)
    seen = []
    check = structure.remembered(lambda value, at, run: seen.append(value))

    for number in (1, 1, 2, 3, 4, 1):
        check({"text": str(number)}, None, Quiet())
    assert [one["text"] for one in seen] == ["1", "2", "3", "4", "1"]


@pytest.mark.parametrize("value", [{"id": "a"}, {"extension": []}, {"x": {"reference": "A/1"}}])
def test_what_speaks_of_more_than_itself_is_not_remembered(value):
    seen = []
    check = structure.remembered(lambda value, at, run: seen.append(value))

    for _ in range(2):
        check(value, None, Quiet())
    assert len(seen) == 2
