"""Value sets of the official R4 package, and UCUM's own examples, against what is made of them.

Set FHIR_R4_CORE to hl7.fhir.r4.core.tgz, as for `test_r4_definitions.py`.
"""

from __future__ import annotations

import csv
import json
import os
import tarfile
from collections import defaultdict
from importlib.resources import files

import pytest

from fhirdrain.conformance.definitions import Definitions, split_canonical
from fhirdrain.conformance.terminology import Terminology
from fhirdrain.conformance.ucum import is_ucum
from tests.conftest import SHARED

CORE = os.environ.get("FHIR_R4_CORE", "")
UNITS = SHARED / "facts" / "units.csv"
official = pytest.mark.skipif(not CORE, reason="FHIR_R4_CORE does not name the official package")

H, T = "http://hl7.org/fhir/ValueSet/", "http://terminology.hl7.org/"
# What cannot be listed, a code that is looked up in it, the answer, and why.
CANNOT_BE_LISTED = {
    # ISO's list of currencies is not in the package; the form of a code is known.
    H + "currencies": ("EUR", None, "ISO 4217 is not at hand"),
    # Grammars: there is no end of codes, and each can be decided.
    H + "mimetypes": ("text/plain", True, ""),
    H + "ucum-units": ("mL", True, ""),
    # Bound to, and not in the package.
    "http://loinc.org/vs/LL379-9": ("LA9633-4", None, "is not at hand"),
    "http://dicom.nema.org/medical/dicom/current/output/chtml/part04/sect_B.5.html#table_B.5-1": (
        "x",
        None,
        "is not at hand",
    ),
    "http://dicom.nema.org/medical/dicom/current/output/chtml/part16/sect_CID_29.html": (
        "CT",
        None,
        "is not at hand",
    ),
    "http://www.rsna.org/RadLex_Playbook.aspx": ("RPID16", None, "is not at hand"),
    # Imports a value set of another body.
    H + "consent-content-class": ("x", None, "IHE.FormatCode.codesystem is not at hand"),
    # ISO 3166-2 and the regions of M49 are not in the package; two-letter countries are.
    H + "jurisdiction": ("AT", True, ""),
}


def resources(kind):
    with tarfile.open(CORE) as package:
        for member in package:
            if f"/{kind}-" in member.name:
                stream = package.extractfile(member)
                assert stream is not None
                yield json.load(stream)


@official
def test_the_value_sets_that_types_are_bound_to_can_be_listed_but_for_nine():
    """Required and extensible bindings of all types of hl7.fhir.r4.core 4.0.1."""
    bound = defaultdict(set)
    for definition in resources("StructureDefinition"):
        if definition.get("derivation") != "constraint" and definition["kind"] != "logical":
            for element in definition["snapshot"]["element"]:
                binding = element.get("binding", {})
                if "valueSet" in binding:
                    bound[binding["strength"]].add(binding["valueSet"])
    found = Terminology(Definitions())
    unlisted, listed = set(), {}
    for strength in ("required", "extensible"):
        missing = {u for u in bound[strength] if found.codes(u) is None}
        listed[strength] = (len(bound[strength] - missing), len(bound[strength]))
        unlisted |= {split_canonical(u)[0] for u in missing}
    assert listed == {"required": (220, 224), "extensible": (78, 84)}
    assert unlisted == set(CANNOT_BE_LISTED)


@pytest.mark.parametrize("url", CANNOT_BE_LISTED)
def test_what_cannot_be_listed_is_decided_or_says_why_not(url):
    code, inside, reason = CANNOT_BE_LISTED[url]
    answer = Terminology(Definitions()).membership(url, code, None)
    assert answer.inside is inside
    assert reason in answer.reason


def contained(entries):
    for entry in entries:
        yield entry
        yield from contained(entry.get("contains", ()))


MOOD = T + "CodeSystem/v3-ActMood"
# How many codes both have, and those that only one has. The expansion of 2017 does not list what
# the package's own v3-ActMood has below CRT, and thus below _ActMoodPredicate.
EXPANSIONS = {
    "example-expansion": (8, set()),
    "yesnodontknow": (3, set()),
    "inactive": (5, {(MOOD, f"{m}.CRT") for m in ("EVN", "GOL", "INT", "PRMS", "RQO", "RSK")}),
}


@official
def test_the_expansions_that_the_package_has_are_ours():
    """Four of its value sets carry one, made by servers of their time.

    That of example-hierarchical is of another system than its definition names (`#hacked`).
    """
    found, compared = Terminology(Definitions()), {}
    for value_set in resources("ValueSet"):
        if "expansion" in value_set and not value_set["url"].endswith("/example-hierarchical"):
            theirs = {
                (e.get("system"), e["code"])
                for e in contained(value_set["expansion"]["contains"])
                if "code" in e and not e.get("abstract")
            }
            ours = found.codes(value_set["url"])
            assert ours is not None
            mine = {(system, code) for system, codes in ours.items() for code in codes}
            compared[value_set["url"].removeprefix(H)] = (len(theirs & mine), theirs ^ mine)
    assert compared == EXPANSIONS


@official
def test_every_value_set_of_the_package_answers_and_none_without_a_reason():
    found = Terminology(Definitions())
    looked_at = listed = 0
    for value_set in resources("ValueSet"):
        url = value_set["url"]
        looked_at += 1
        codes = found.codes(url)
        answer = found.membership(url, "no such code", None)
        if codes is None:
            assert answer.inside is False or (answer.inside is None and answer.reason), url
            continue
        listed += 1
        assert answer.inside is False, url
        for system, some in codes.items():
            for code in sorted(some)[:20]:
                assert found.membership(url, code, system).inside
                assert found.membership(url, code, None).inside
    assert (listed, looked_at) == (1211, 1316)


def test_the_units_ucum_publishes_as_examples_are_ucum():
    """The table of example UCUM codes (ucum.org), as it comes inside the installed library."""
    table = files("ucumvert").joinpath("vendor/ucum_examples.tsv").read_text("utf-8")
    codes = [line.split("\t")[1] for line in table.splitlines()[1:] if line.strip()]
    assert len(codes) > 800
    # It lists Torr, which UCUM's own definition (ucum-essence.xml 2.2) does not have.
    assert [code for code in codes if not is_ucum(code)] == ["Torr"]


@pytest.mark.skipif(not UNITS.is_file(), reason="the table of units is not beside the project")
def test_the_units_of_drains_are_ucum_or_not_as_the_table_says():
    with UNITS.open(encoding="utf-8") as stream:
        rows = [(row["ucum_code"], row["valid"] != "NO") for row in csv.DictReader(stream)]
    assert len(rows) > 30
    assert [code for code, valid in rows if is_ucum(code) is not valid] == []
