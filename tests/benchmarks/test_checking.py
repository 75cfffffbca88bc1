"""How the checker's time compares: ratios within one run, as machines differ and are noisy.

    python -m pytest tests/benchmarks --benchmark-enable -s

Without --benchmark-enable each is only run once, to see that it still runs.
"""

from __future__ import annotations

import json
import statistics
from decimal import Decimal
from time import process_time

import pytest

from fhirdrain.conformance import Checker, Options, check_resource
from tests.conftest import ROOT

LINES = (ROOT / "sample_bundles/valid/rounds.ndjson").read_text().splitlines()


def observation():
    """Return the sample Observation whose text is nearest to 1.1 kB, and profiled as ours."""
    texts = [line for line in LINES if '"resourceType":"Observation"' in line]
    return json.loads(min(texts, key=lambda t: abs(len(t) - 1100)), parse_float=Decimal)


# R4, our profiles with their bindings, units and invariants; the drain's own arithmetic is more.
PROFILED = Checker(options=Options(drain_rules=False))


@pytest.fixture(scope="module")
def model():
    return pytest.importorskip("fhir.resources.R4B.observation").Observation


def seconds(function, times):
    start = process_time()
    for _ in range(times):
        function()
    return (process_time() - start) / times


def test_one_observation(benchmark):
    resource = observation()
    assert benchmark(check_resource, resource, checker=PROFILED) == []


def test_one_observation_with_the_rules_of_a_drain(benchmark):
    assert benchmark(check_resource, observation()) == []


def test_the_typed_model_of_one_observation(benchmark, model):
    assert benchmark(model.model_validate, observation()).status


def test_checking_against_the_typed_model(request, model):
    """Hold one of our Observations against its profile in a quarter of the time, or less."""
    resource = observation()
    assert check_resource(resource, checker=PROFILED) == []
    rounds = 15 if request.config.getoption("--benchmark-enable") else 1
    ratios, alone = [], []
    for _ in range(rounds):
        ours = seconds(lambda: check_resource(resource, checker=PROFILED), 300)
        theirs = seconds(lambda: model.model_validate(resource), 300)
        ratios.append(ours / theirs)
        alone.append(seconds(lambda: check_resource(resource), 300) / theirs)
    print(f"\nagainst its profile: {statistics.median(ratios):.3f} of model_validate")
    print(f"and the rules of a drain: {statistics.median(alone):.3f} of model_validate")
    if rounds > 1:
        assert statistics.median(ratios) <= 0.25


def test_a_bundle_of_10000_against_ten_of_1000(request):
    resources = [json.loads(line, parse_float=Decimal) for line in LINES if "Observation" in line]

    def bundle(count):
        return {
            "resourceType": "Bundle",
            "type": "collection",
            "entry": [
                {
                    "fullUrl": f"urn:uuid:{number:08x}-0000-4000-8000-000000000000",
                    "resource": resources[number % len(resources)],
                }
                for number in range(count)
            ],
        }

    many, few = bundle(10_000), bundle(1_000)
    if not request.config.getoption("--benchmark-enable"):
        # The same amounts over and over overlap, which is a warning each.
        assert not any(issue.is_error for issue in check_resource(few))
        return
    check_resource(few)
    ratios = [
        seconds(lambda: check_resource(many), 1) / (10 * seconds(lambda: check_resource(few), 1))
        for _ in range(3)
    ]
    print(f"\n10,000 entries against ten times 1,000: {min(ratios):.2f}")
    assert min(ratios) <= 1.2
