"""A checker that several threads meet first at the same time says to all of them the same."""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier

from fhirdrain.conformance import Checker, check_resource
from tests.conftest import ROOT

BUNDLE = json.loads((ROOT / "sample_bundles/valid/rounds.transaction.json").read_text())


def test_first_met_by_many():
    alone = check_resource(BUNDLE, checker=Checker())
    assert [issue.rule for issue in alone] == ["suction-differs"] * 2
    for _ in range(5):
        checker, start = Checker(), Barrier(6)

        def found(number, checker=checker, start=start):
            start.wait()
            return check_resource(BUNDLE, checker=checker)

        with ThreadPoolExecutor(6) as pool:
            results = list(pool.map(found, range(6)))
        assert results == [alone] * 6
