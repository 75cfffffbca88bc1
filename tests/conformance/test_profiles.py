"""The profiles: true to the table of observables, right R4, and named as what is sent names them."""

from __future__ import annotations

import json
import re
import subprocess
import sys

import pytest

from fhirdrain.conformance import check_file
from fhirdrain.conformance.definitions import Definitions, our_profiles
from fhirdrain.vocabulary.codes import LOCAL
from fhirdrain.vocabulary.jsontext import decode
from fhirdrain.vocabulary.localcodes import LOCAL_CODES
from fhirdrain.vocabulary.maps import MAPS
from fhirdrain.vocabulary.observables import OBSERVABLES, WORD_CODINGS, profile_url
from tests.cli.test_commands import run
from tests.conformance.differentials import (
    PROFILES,
    by_reference,
    faults,
    in_bundle,
    package,
    stated,
)
from tests.conftest import ROOT
from tests.resources.test_form import lines

SHARED = profile_url("drain-observation")
EXAMPLES = sorted((PROFILES / "examples").glob("*.json"))


def test_the_files_are_what_the_table_makes():
    result = subprocess.run(
        [sys.executable, PROFILES / "build.py", "--check"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (result.stdout, result.returncode) == ("", 0)


def test_every_file_is_right_r4():
    files = [path for path in PROFILES.glob("*.json") if path.name[0].isupper()]
    assert len(files) > 40
    assert [issue for path in files for issue in check_file(path)] == []


def test_the_index_lists_every_file():
    index = json.loads((PROFILES / ".index.json").read_text())
    assert {f["filename"] for f in index["files"]} == {
        path.name for path in PROFILES.glob("*.json") if path.name[0].isupper()
    }
    for entry in index["files"]:
        resource = package()[entry["url"]]
        assert entry == {"filename": entry["filename"]} | {
            fact: resource[fact]
            for fact in ("resourceType", "id", "url", "version", "kind", "type")
            if fact in resource
        }


def test_every_profile_a_resource_names_exists_for_its_type(mapped):
    run = mapped(*lines())
    named = {(r["meta"]["profile"][0], r["resourceType"]) for r in run.resources}
    assert len(named) >= 10
    for url, kind in named:
        assert our_profiles()[url] == kind


def test_every_extension_a_resource_uses_is_defined(mapped):
    def extensions(value):
        if isinstance(value, dict):
            for item in value.get("extension", ()):
                yield item["url"]
            for item in value.values():
                yield from extensions(item)
        elif isinstance(value, list):
            for item in value:
                yield from extensions(item)

    used = set(extensions(mapped(*lines()).bundle))
    assert used
    for url in used:
        assert our_profiles()[url] == "Extension"


def test_value_sets_hold_the_words_of_the_table():
    for observable in OBSERVABLES.values():
        if observable.words:
            value_set = json.loads((PROFILES / f"ValueSet-{observable.name}.json").read_text())
            (include,) = value_set["compose"]["include"]
            assert tuple(c["code"] for c in include["concept"]) == observable.words


def test_the_code_system_holds_every_code():
    system = json.loads((PROFILES / "CodeSystem-drain.json").read_text())
    assert {c["code"] for c in system["concept"]} == set(LOCAL_CODES)
    assert system["url"] == "https://fhirdrain.example/fhir/CodeSystem/drain"
    # A site moves value sets, and the code system is the same everywhere: it names none.
    assert "valueSet" not in system


# -- the profiles ------------------------------------------------------------------------------


def structures():
    return [r for r in package().values() if r["resourceType"] == "StructureDefinition"]


def test_observables_add_to_what_all_share():
    observed = {o.name for o in OBSERVABLES.values() if o.form == "Observation"}
    derived = {r["id"] for r in structures() if r["baseDefinition"] == SHARED}
    assert derived == observed
    assert [r["url"] for r in structures() if r["abstract"]] == [SHARED]
    said = {json.dumps(e, sort_keys=True) for e in differential(package()[SHARED])[1:]}
    for name in observed:
        elements = differential(package()[profile_url(name)])[1:]
        assert said.isdisjoint(json.dumps(e, sort_keys=True) for e in elements)


def differential(definition):
    return definition["differential"]["element"]


@pytest.mark.parametrize("definition", structures(), ids=lambda d: d["id"])
def test_elements_exist_and_stand_in_the_order_of_r4(definition):
    """R4, ElementDefinition: paths of a differential are of the base, in its order."""
    kind = definition["type"]
    order = [e["path"] for e in Definitions().type(kind)["snapshot"]["element"]]
    paths = [".".join(e["path"].split(".")[:2]) for e in differential(definition)]
    assert set(paths) <= set(order)
    assert [order.index(path) for path in paths] == sorted(order.index(path) for path in paths)
    ids = [e["id"] for e in differential(definition)]
    assert len(set(ids)) == len(ids)


def test_numbers_are_bounded_as_in_the_table():
    for observable in OBSERVABLES.values():
        if (
            observable.form != "Observation"
            or observable.kind != "quantity"
            or observable.name == "output-rate"
        ):
            continue
        elements = {e["id"]: e for e in differential(package()[profile_url(observable.name)])}
        for of, name in (
            (observable, ""),
            *((c, f".component:{c.name}") for c in observable.components),
        ):
            if of.units:
                value = elements[f"Observation{name}.value[x]"]
                ends = [value[key]["value"] for key in ("minValueQuantity", "maxValueQuantity")]
                assert ends == [of.low, of.high]
                assert value["patternQuantity"]["code"] == of.units[0]


# -- what we write conforms ---------------------------------------------------------------------


@pytest.mark.parametrize("chart", ["rounds", "surgery"])
def test_the_samples_have_the_profiles_they_state(chart):
    valid = ROOT / "sample_bundles" / "valid"
    resources = [decode(line) for line in (valid / f"{chart}.ndjson").read_bytes().splitlines()]
    assert len(resources) > 100
    assert stated(resources, by_reference(resources)) == []
    bundle = decode((valid / f"{chart}.transaction.json").read_bytes())
    resolve = in_bundle(bundle)
    assert stated([entry["resource"] for entry in bundle["entry"]], resolve) == []
    assert faults(bundle, profile_url("drain-bundle"), resolve) == []


# -- the examples -------------------------------------------------------------------------------


def examples():
    return {path.stem: decode(path.read_bytes()) for path in EXAMPLES}


def test_every_profile_and_extension_has_an_example():
    shown = {url for example in examples().values() for url in example["meta"]["profile"]}
    used = {
        url for path in EXAMPLES for url in our_profiles() if f'"url": "{url}"' in path.read_text()
    }
    assert shown | used | {SHARED} == set(our_profiles())
    bases = {package()[url]["baseDefinition"] for url in shown}
    assert SHARED in bases


def test_the_examples_pass_the_check():
    assert len(EXAMPLES) > 40
    code, out, _ = run("check", "--fail-on", "warning", *EXAMPLES)
    assert (code, out.strip()) == (0, "no issues")


def test_the_examples_have_the_profiles_they_state_and_refer_to_each_other():
    resources = list(examples().values())
    resolve = by_reference(resources)
    assert stated(resources, resolve) == []
    references = set(
        re.findall(r'"reference": "([^"]*)"', "".join(p.read_text() for p in EXAMPLES))
    )
    relative = {reference for reference in references if not reference.startswith("urn:")}
    assert len(relative) > 5
    assert [r for r in relative if resolve({"reference": r}) is None] == []


def test_the_guide_names_everything():
    guide = package()["https://fhirdrain.example/fhir/ImplementationGuide/fhirdrain"]
    listed = {r["reference"]["reference"]: r for r in guide["definition"]["resource"]}
    assert len(listed) == len(guide["definition"]["resource"])
    defined = {f"{r['resourceType']}/{r['id']}" for r in package().values() if r != guide}
    shown = {f"{r['resourceType']}/{r['id']}": r["meta"]["profile"][0] for r in examples().values()}
    assert listed.keys() == defined | shown.keys()
    assert {k: r["exampleCanonical"] for k, r in listed.items() if "exampleCanonical" in r} == shown


def without(*path):
    """Return a change that takes away what a path leads to."""

    def change(resource):
        *before, last = path
        for step in before:
            resource = resource[step]
        del resource[last]

    return change


def with_(value, *path):
    """Return a change that puts a value where a path leads to."""

    def change(resource):
        *before, last = path
        for step in before:
            resource = resource[step]
        resource[last] = value

    return change


EXAM = {"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "exam"}
OTHER = {"coding": [{"system": "http://loinc.org", "code": "9187-6"}]}


@pytest.mark.parametrize(
    ("name", "change", "fault"),
    [
        ("Observation-level", without("identifier"), "Observation.identifier: 0 of 1"),
        ("Observation-level", without("category", 0), "Observation.category:exam: 0 of 1"),
        ("Observation-level", without("category", 1), "Observation.category:chest-drain: 0 of 1"),
        ("Observation-level", with_({"coding": [EXAM]}, "category", 1), "category:exam: 2 of 1..1"),
        ("Observation-level", without("subject", "identifier"), "Observation.subject.identifier: 0"),
        ("Observation-level", without("device", "identifier", "value"), "device.identifier.value: 0"),
        ("Observation-level", without("device"), "Observation.device: 0 of 1"),
        ("Observation-level", with_({"type": "Group", "identifier": {"value": "g"}}, "subject"), "refers to a Group"),
        ("Observation-level", with_([{"display": "x"}], "focus"), "Observation.focus: 1 of 0..0"),
        ("Observation-level", with_(OTHER, "code"), "Observation.code: "),
        ("Observation-level", without("valueQuantity"), None),
        ("Observation-swing", without("valueCodeableConcept"), "breaks drain-1"),
        ("Observation-level", with_("L", "valueQuantity", "code"), "lacks what its pattern has"),
        ("Observation-level", with_(10001, "valueQuantity", "value"), "beyond maxValueQuantity"),
        ("Observation-level", with_(-1, "valueQuantity", "value"), "beyond minValueQuantity"),
        ("Observation-level", with_("<", "valueQuantity", "comparator"), "comparator: 1 of 0..0"),
        ("Observation-level", without("valueQuantity", "value"), "value[x].value: 0 of 1"),
        ("Observation-level", with_(0, "component", 0, "valueInteger"), "beyond minValueInteger"),
        ("Observation-swing", with_("no", "valueCodeableConcept", "coding", 0, "code"), "no code of"),
        ("Observation-swing", with_("yes", "valueString"), "is a String"),
        ("Observation-crepitus-2", with_(OTHER, "dataAbsentReason"), "no code of"),
        ("Observation-air-leak", without("component", 0, "valueCodeableConcept"), "value[x]: 0 of 1"),
        ("Observation-output", without("derivedFrom"), "breaks drain-2"),
        ("Observation-output", without("method"), "breaks drain-2"),
        ("Observation-output", without("effectivePeriod", "end"), "effective[x].end: 0 of 1"),
        ("Observation-output-4", with_("2025-03-03", "effectiveDateTime"), "is a DateTime"),
        ("Observation-output-rate", without("derivedFrom"), "Observation.derivedFrom: 0 of 1"),
        ("Observation-output-rate", with_("mL/d", "valueQuantity", "code"), "no code of"),
        ("Observation-output-rate", with_("Observation/swing", "derivedFrom", 0, "reference"), "refers to none"),
        ("Observation-output-total", without("method"), "Observation.method: 0 of 1"),
        ("Observation-round", without("hasMember"), "Observation.hasMember: 0 of 1"),
        ("Observation-suction-set", with_("Device/chest-drain", "basedOn", 0, "reference"), "refers to none"),
        ("Device-chest-drain", with_("model-name", "deviceName", 0, "type"), "deviceName:label: 0 of 1"),
        ("Device-chest-drain", with_("mm", "property", 0, "valueQuantity", 0, "code"), "lacks what its pattern"),
        ("Device-chest-drain", without("patient"), "Device.patient: 0 of 1"),
        ("DeviceUseStatement-drain-site", without("timingPeriod"), "timing[x]: 0 of 1"),
        ("DeviceUseStatement-drain-site", with_(OTHER, "bodySite"), "no code of"),
        ("ServiceRequest-suction-order", without("extension", 0), "extension:ordered-drain: 0 of 1"),
        ("ServiceRequest-suction-order", with_("plan", "intent"), "is not order"),
        ("ServiceRequest-suction-order", with_(True, "doNotPerform"), "doNotPerform: 1 of 0..0"),
        ("ServiceRequest-suction-order", without("occurrencePeriod", "start"), "occurrence[x].start: 0"),
        ("Procedure-placed", with_("kg", "extension", 2, "valueQuantity", "code"), "of none of its profiles"),
        ("Procedure-removed", without("category"), "Procedure.category: 0 of 1"),
        ("Procedure-joined", without("focalDevice", 1), "Procedure.focalDevice: 1 of 2"),
        ("Bundle-drain-bundle", with_("searchset", "type"), "Bundle.type: no code of"),
        ("Bundle-drain-bundle", without("entry", 0, "fullUrl"), "Bundle.entry.fullUrl: 0 of 1"),
        ("Bundle-drain-bundle", without("entry", 0, "resource", "type"), "entry:Device.resource: of none"),
    ],
)  # fmt: skip
def test_what_is_against_a_profile_is_found(name, change, fault):
    resources = examples()
    resource = resources[name]
    change(resource)
    found = stated([resource], by_reference(resources.values()))
    if fault is None:  # its parts still say something
        assert found == []
    else:
        assert any(fault in text for _, text in found), found


def test_an_order_orders_something():
    order = examples()["ServiceRequest-suction-order"]
    del order["orderDetail"]
    assert stated([order], lambda reference: None) == []
    del order["quantityQuantity"]
    assert [text for _, text in stated([order], lambda reference: None)] == [
        "ServiceRequest: breaks drain-3"
    ]


# -- the concept maps ---------------------------------------------------------------------------


def test_maps_are_of_the_codes_of_their_value_sets():
    maps = [r for r in package().values() if r["resourceType"] == "ConceptMap"]
    assert {m["id"] for m in maps} == {m.name for m in MAPS}
    for concept_map in maps:
        source = package()[concept_map["sourceCanonical"]]
        (include,) = source["compose"]["include"]
        codes = {c["code"] for c in include.get("concept", ())} or set(LOCAL_CODES)
        (group,) = concept_map["group"]
        assert group["source"] == LOCAL == include["system"]
        named = [element["code"] for element in group["element"]]
        assert len(set(named)) == len(named)
        assert set(named) <= codes


def test_maps_say_how_near_a_code_is():
    """R4, ConceptMap: cmd-1; a target without a code is unmatched, and has no match beside it."""
    for table in MAPS:
        for near in table.near:
            assert (near.theirs is None) == (near.equivalence == "unmatched")
            assert near.theirs is None or near.theirs.system == table.system
            assert near.comment.endswith(".") or near.equivalence == "equivalent"
        unmatched = {near.ours for near in table.near if near.theirs is None}
        assert unmatched.isdisjoint(near.ours for near in table.near if near.theirs)
        assert len({(n.ours, n.theirs) for n in table.near}) == len(table.near)


def test_what_is_sent_beside_a_word_is_in_a_map():
    mapped_to = {(t.value_set, n.ours): n.theirs for t in MAPS for n in t.near}
    for word, coding in WORD_CODINGS.items():
        assert mapped_to[word] == coding
