"""How the checker's time compares: ratios within one run, as machines differ and are noisy.

    python -m pytest tests/benchmarks --benchmark-enable -s

Without --benchmark-enable each is only run once, to see that it still runs.
"""

from __future__ import annotations

import json
import statistics
from decimal import Decimal
from importlib import import_module
from time import process_time

import pytest

from fhirdrain.conformance import Checker, Options, check_resource
from tests.benchmarks.chart import write_chart
from tests.benchmarks.test_mapping import mapped
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


def against_the_model(folder, rounds):
    """Return how many times as fast an Observation is held against its profile as it is typed.

    Each of a chart's is another one, as a chart has them: what the checker remembers of values that
    come again counts no more than it does there. With and without the rules of a drain.
    """
    model = import_module("fhir.resources.R4B.observation").Observation
    chart, out = write_chart(folder / "few.csv", 1_500), folder / "few.ndjson"
    mapped(chart, out)
    resources = [
        json.loads(line, parse_float=Decimal)
        for line in out.read_text("utf-8").splitlines()
        if '"resourceType":"Observation"' in line
    ]

    def each(function):
        def all_of_them():
            for resource in resources:
                function(resource)

        return seconds(all_of_them, 1)

    assert not any(check_resource(resource) for resource in resources)
    assert not any(check_resource(resource, checker=PROFILED) for resource in resources)
    found = []
    for _ in range(rounds):
        theirs = each(model.model_validate)
        found.append(
            (
                theirs / each(lambda resource: check_resource(resource, checker=PROFILED)),
                theirs / each(check_resource),
            )
        )
    return [statistics.median(ratios) for ratios in zip(*found, strict=True)]


def test_checking_against_the_typed_model(request, model, tmp_path):
    rounds = 7 if request.config.getoption("--benchmark-enable") else 1
    profiled, whole = against_the_model(tmp_path, rounds)
    print(f"\nagainst its profile: {profiled:.1f} times as fast as model_validate")
    print(f"and the rules of a drain: {whole:.1f} times as fast as model_validate")
    if rounds > 1:
        assert profiled >= 6


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
