"""The bench's units against what UCUM and FHIR publish of them.

Sources: the value set ucum-common of R4 (hl7.org/fhir/R4/valueset-ucum-common.html), from HL7's own
package hl7.fhir.r4.core; UCUM's functional test cases (18 June 2014), which the package `ucum` of
the npm registry carries. Both are read where they are installed, and not kept here.
"""

from __future__ import annotations

import io
import json
import os
import tarfile
import xml.etree.ElementTree as ET
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import pytest

from fhirdrain.conformance.ucum import is_ucum
from fhirdrain.survey.judging import judged
from fhirdrain.survey.sightings import Sighting
from fhirdrain.survey.survey import Survey
from fhirdrain.vocabulary.observables import RATES
from fhirdrain.vocabulary.units import MISLEADING, UCUM, UNITS
from tests.conftest import ROOT

CORE = os.environ.get("FHIR_R4_CORE", "")
CASES = (
    ROOT / "tests" / "interop" / "node_modules" / "ucum" / "vendor" / "ucum-functional-tests.xml"
)

needs_core = pytest.mark.skipif(not CORE, reason="FHIR_R4_CORE names no package of R4")
needs_cases = pytest.mark.skipif(
    not CASES.is_file() and os.environ.get("FHIRDRAIN_INTEROP") != "required",
    reason="npm ci in tests/interop fetches UCUM's cases",
)


def common_units() -> dict[str, str]:
    with tarfile.open(CORE) as package:
        data = package.extractfile("package/ValueSet-ucum-common.json")
        assert data is not None
        value_set = json.load(io.TextIOWrapper(data, "utf-8"))
    (include,) = value_set["compose"]["include"]
    return {concept["code"]: concept.get("display", "") for concept in include["concept"]}


def verdict_of(system: str, code: str, unit: str) -> str:
    survey = Survey()
    survey.add(Sighting(system, code, "", unit, unit, UCUM, Decimal(5)))
    (row,) = [row for row in judged(survey) if row.of == "unit"]
    return row.verdict


@needs_core
def test_no_common_unit_of_r4_is_called_unknown_or_misspelt():
    units = common_units()
    assert len(units) > 1000
    verdicts = {unit: verdict_of("http://loinc.org", "9129-8", unit) for unit in units}
    left = {u for u, v in verdicts.items() if v in ("unknown unit", "spelling", "no unit")}
    # An annotation has no space (UCUM 2.2, section 6), and some of the list's have.
    assert {unit for unit in left if " " not in unit} == set()
    # Of all of them an amount takes these and no others.
    taken = {u for u, v in verdicts.items() if v in ("right", "not preferred")}
    assert taken == {"mL", "L", "cm3", "ml"} & set(units) | {"l"} & set(units)


@needs_core
def test_our_units_are_among_r4s_common_units_as_far_as_it_lists_their_kind():
    units = common_units()
    listed = {"mL", "L", "cm3", "mL/h", "mL/min", "L/min", "cm[H2O]", "kPa", "mm[Hg]", "mbar"}
    assert listed <= set(units) | {"mbar", "cm3"}
    assert set(MISLEADING) & set(units) <= {"ML"}


def cases(kind: str) -> list[dict[str, str]]:
    root = ET.parse(CASES).getroot()
    section = root.find(kind)
    assert section is not None
    return [dict(case.attrib) for case in section.iter("case")]


@needs_cases
def test_ucums_functional_cases_of_validation():
    found = [
        case["unit"]
        for case in cases("validation")
        if is_ucum(case["unit"]) is not (case["valid"] == "true")
    ]
    assert len(cases("validation")) > 500
    assert found == []


@needs_cases
def test_ucums_functional_cases_of_conversion_in_the_units_of_drains():
    """As exact as the cases state their outcome, to its last digit."""
    tried = 0
    for case in cases("conversion"):
        source, target = case["srcUnit"], case["dstUnit"]
        if source not in UNITS or target not in UNITS or UNITS[source].kind != UNITS[target].kind:
            continue
        tried += 1
        value = Fraction(Decimal(case["value"])) * UNITS[source].factor / UNITS[target].factor
        outcome = Decimal(case["outcome"])
        last = Fraction(10) ** int(outcome.as_tuple().exponent)
        assert abs(value - Fraction(outcome)) <= last, case
    assert tried >= 1
    # 1 m[Hg] is 133322000 g.s-2.m-1: a thousandth of it, in kg and so in Pa, is a mm[Hg].
    mercury = next(c for c in cases("conversion") if c["srcUnit"] == "m[Hg]")
    assert UNITS["mm[Hg]"].factor == Fraction(mercury["outcome"]) / 1000 / 1000


def test_the_rates_of_loinc_take_the_unit_that_their_code_says():
    for hours, rate in RATES.items():
        code = rate.chest.code
        assert verdict_of("http://loinc.org", code, rate.unit) == "right", hours
        assert verdict_of("http://loinc.org", code, "mL") == "wrong kind", hours
    assert verdict_of("http://loinc.org", "9134-8", "mL/d") == "not preferred"
    assert verdict_of("http://loinc.org", "9129-8", "ML") == "wrong kind"
    assert verdict_of("http://loinc.org", "9134-8", "mL/24.h") == "wrong kind"
    assert verdict_of("http://loinc.org", "9134-8", "mL/24h") == "spelling"


def test_every_unit_of_the_table_of_facts_has_its_verdict():
    table = Path(ROOT.parent / "shared" / "facts" / "units.csv")
    if not table.is_file():
        pytest.skip("the table of units is not beside the project")
    import csv

    kinds = {"volume": "9129-8", "rate": "9130-6"}
    with table.open(encoding="utf-8") as stream:
        for row in csv.DictReader(stream):
            code = kinds.get(row["kind"])
            if row["valid"] == "yes" and code == "9129-8":
                assert verdict_of("http://loinc.org", code, row["ucum_code"]) in (
                    "right", "not preferred",
                )  # fmt: skip
            elif row["valid"] == "NO":
                found = verdict_of("http://loinc.org", "9129-8", row["ucum_code"])
                assert found in ("spelling", "wrong kind", "unknown unit"), row["ucum_code"]
            elif "WRONG" in row["valid"]:
                assert verdict_of("http://loinc.org", "9129-8", row["ucum_code"]) == "wrong kind"
