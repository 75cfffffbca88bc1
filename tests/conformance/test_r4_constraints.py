"""Every constraint R4 states is read, and evaluated on data of a type it is stated for.

Both are asked of the engine, also where a twin is used in its place.
"""

from __future__ import annotations

import pytest

from fhirdrain.conformance.definitions import constraints, is_resource
from fhirdrain.conformance.fhirpath import CannotEvaluate, Surroundings, compiled
from tests.conformance.fitting import BASIC, PRIMITIVES, fitting, places

# Those stated by profiles, and the types these are of (R4, vitalsigns and the Quantity profiles).
IN_PROFILES = {
    "mqty-1": ["Quantity"],
    "sqty-1": ["Quantity"],
    "vs-1": ["dateTime", "Period"],
    "vs-2": ["Observation"],
    "vs-3": ["Observation.component"],
    "inv-1'''": ["Observation"],
}

# What cannot be evaluated, and why. Of several events tim-9 asks whether they all are in a list,
# as if they were one, which FHIRPath refuses; the samples have one.
UNDECIDED: dict[str, str] = {}


def surroundings(resource):
    return Surroundings(resource, resource, lambda _: BASIC, lambda *_: True, lambda *_: True)


def kinds_of(name):
    constraint = constraints()[name]
    return IN_PROFILES.get(name) or places()[constraint["key"], constraint["expression"]]


def samples(kind):
    """Return data of a type: full, with nothing in it, and with extensions in the place of values."""
    if kind in PRIMITIVES:
        return [PRIMITIVES[kind]]
    extended = {"extension": [{"url": "https://north-pier.example/x", "valueCode": "one"}]}
    return [
        fitting(kind),
        {"resourceType": kind} if is_resource(kind) else {},
        {
            f"_{k}": extended
            for k, v in fitting(kind, 1).items()
            if type(v) is str and k[:8] != "resource"
        },
    ]


def outcome(holds, *arguments):
    try:
        return holds(*arguments)
    except CannotEvaluate as error:
        return str(error)


@pytest.mark.parametrize("name", constraints())
def test_it_is_read(name):
    assert callable(compiled(constraints()[name]["expression"]))


def test_each_is_stated_somewhere():
    assert {name for name in constraints() if kinds_of(name)} == set(constraints())


@pytest.mark.parametrize("name", constraints())
def test_it_is_evaluated(name):
    holds = compiled(constraints()[name]["expression"])
    for kind in kinds_of(name)[:12]:
        owner = kind.partition(".")[0]
        resource = fitting(owner, 4) if is_resource(owner) else fitting("Observation")
        for value in samples(kind):
            assert outcome(holds, value, kind, surroundings(resource)) in (
                True,
                False,
                UNDECIDED.get(name, False),
            ), (kind, value)
