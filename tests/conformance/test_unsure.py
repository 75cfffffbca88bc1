"""What cannot be told is said to be so, and is neither an error nor passed over.

FHIR R4 5.1.0.14 (profiling.html, discriminators), 2.4 (narrative.html), json.html; invented data.
"""

from __future__ import annotations

import time
from collections import Counter
from typing import Any

import pytest

from fhirdrain.conformance import check_bytes, check_resource
from fhirdrain.conformance.narrative import fault_of_div
from tests.conformance.test_bad_definitions import BASE, R4, found, profile, stating
from tests.conformance.test_profile_rules import el
from tests.conformance.test_profile_rules import profile as of_type

WARD = "https://north-pier.example/wards"


def sliced_by_target(**slice_: Any) -> dict[str, Any]:
    """Return a profile that slices generalPractitioner by the type of what it refers to."""
    path = "Patient.generalPractitioner"
    by_type = {"discriminator": [{"type": "type", "path": "resolve()"}], "rules": "open"}
    target = {"code": "Reference", "targetProfile": [f"{R4}/Organization"]}
    named = {"id": f"{path}:house", "path": path, "sliceName": "house", "type": [target]}
    return profile("one", {"path": path, "slicing": by_type}, named | slice_)


def test_what_may_be_in_a_required_slice_is_not_said_to_be_missing():
    out_of_sight = stating("one", generalPractitioner=[{"display": "the ward"}])
    said = found(out_of_sight, sliced_by_target(min=1))
    assert [(severity, rule) for severity, rule, _ in said] == [("warning", "not-supported")]


def test_a_slice_is_missing_where_nothing_may_be_in_it():
    said = found(stating("one"), sliced_by_target(min=1))
    assert [(severity, rule) for severity, rule, _ in said] == [("error", "slice-cardinality")]


def test_a_slice_of_at_most_one_says_what_it_cannot_tell():
    several = stating("one", generalPractitioner=[{"display": "a"}, {"display": "b"}])
    said = found(several, sliced_by_target(max="1"))
    assert [rule for _, rule, _ in said] == ["not-supported", "not-supported"]


@pytest.mark.parametrize(
    "broken",
    [
        {"differential": None},
        {"differential": []},
        {"differential": {"element": [{"min": 1}]}},
        {"differential": {"element": [{"path": "Patient"}, {"path": "Patient.name", "min": "1"}]}},
        {"differential": {"element": [{"path": "Patient"}, {"path": "Patient.name", "max": "many"}]}},
        {"differential": {"element": [{"path": "Patient"}, {"path": "Patient.name", "type": "x"}]}},
        {"differential": {"element": [{"path": "Patient", "constraint": ["x"]}]}},
        {"differential": {"element": [{"path": "Patient", "constraint": [{"severity": "error"}]}]}},
        {"differential": {"element": [{"path": "Patient.gender", "binding": "x"}]}},
        {"baseDefinition": None},
        {"snapshot": {}, "derivation": "specialization"},
    ],
    ids=str,
)  # fmt: skip
def test_a_definition_of_another_shape_is_one_that_cannot_be_used(broken):
    ((severity, rule, message),) = found(stating("one"), profile("one", **broken))
    assert (severity, rule) == ("warning", "definition")
    assert "cannot be used" in message


def test_a_profile_without_a_base_is_said_to_have_none():
    definition = profile("one")
    del definition["baseDefinition"]
    ((_, rule, message),) = found(stating("one"), definition)
    assert rule == "definition"
    assert "no base" in message


def test_the_value_that_tells_a_slice_apart_is_bounded_all_the_same():
    path = "Patient.identifier"
    by_system = {"discriminator": [{"type": "value", "path": "system"}], "rules": "open"}
    definition = profile(
        "one",
        {"id": path, "path": path, "slicing": by_system},
        {"id": f"{path}:ward", "path": path, "sliceName": "ward"},
        {
            "id": f"{path}:ward.system",
            "path": f"{path}.system",
            "fixedUri": WARD,
            "maxLength": len(WARD) - 1,
        },
    )
    said = found(stating("one", identifier=[{"system": WARD, "value": "1"}]), definition)
    assert [rule for _, rule, _ in said] == ["max-length"]


def test_several_entries_of_one_type_allow_what_any_of_them_does():
    def to(kind: str) -> dict[str, Any]:
        return {"code": "Reference", "targetProfile": [f"{R4}/{kind}"]}

    definition = of_type(
        "one", "Observation", el("Observation.subject", type=[to("Patient"), to("Device")])
    )
    said = {}
    for kind in ("Patient", "Device", "Group"):
        observation = {
            "resourceType": "Observation",
            "meta": {"profile": [f"{BASE}/one"]},
            "status": "final",
            "code": {"text": "x"},
            "subject": {"reference": f"{kind}/1"},
        }
        said[kind] = [rule for _, rule, _ in found(observation, definition)]
    assert said == {"Patient": [], "Device": [], "Group": ["reference-target"]}


def test_a_constraint_of_a_profile_is_asked_whatever_its_key():
    rule = {"key": "ele-1", "severity": "error", "human": "x", "expression": "active"}
    definition = profile(
        "one", differential={"element": [{"path": "Patient", "constraint": [rule]}]}
    )
    assert [said[:2] for said in found(stating("one", active=False), definition)] == [
        ("error", "invariant")
    ]


def test_an_invariant_that_does_not_end_is_set_aside():
    endless = "(1 | 2).repeat($this + 1).exists()"
    rule = {"key": "x-1", "severity": "error", "human": "x", "expression": endless}
    definition = profile("one", {"path": "Patient.name", "constraint": [rule]})
    names = [{"text": str(number)} for number in range(10)]
    said = [message for _, _, message in found(stating("one", name=names), definition)]
    assert len(said) == len(names)
    assert sum("set aside" in message for message in said) == len(names) - 3


def test_an_id_beside_a_primitive_that_has_a_value():
    """R4 ele-1: it has a value, or children other than its id."""
    right = {"resourceType": "Patient", "birthDate": "1970-01-01", "_birthDate": {"id": "b"}}
    assert check_resource(right) == []
    alone = {"resourceType": "Patient", "_birthDate": {"id": "b"}}
    assert [issue.rule for issue in check_resource(alone)] == ["ele-1"]
    names = {"given": ["a", None], "_given": [{"id": "a"}, {"id": "b"}]}
    issues = check_resource({"resourceType": "Patient", "name": [names]})
    assert [(i.rule, i.location) for i in issues][:1] == [("ele-1", "Patient.name[0].given[1]")]


def test_entities_of_html_and_those_that_are_none():
    div = '<div xmlns="http://www.w3.org/1999/xhtml">{}</div>'
    assert fault_of_div(div.format("a&nbsp;b &mdash; c")) == ""
    assert fault_of_div(div.format("a &foo; b")) == "it is not well-formed"
    assert fault_of_div(div.format("&nbsp;")) == "it is empty"


@pytest.mark.parametrize(
    "text",
    [
        '{"resourceType": "Smith"}',
        '{"resourceType": "Patient", "link": [{"type": "seealso", "other": {"reference": "Smith/1"}}]}',
        '{"resourceType": "Patient", "managingOrganization":'
        ' {"reference": "Organization/1", "type": "Smith"}}',
        '{"resourceType": "Bundle", "type": "transaction", "entry": [{"resource":'
        ' {"resourceType": "Smith"}, "request": {"method": "POST", "url": "Patient"}}]}',
    ],
)  # fmt: skip
def test_what_stands_for_a_type_may_be_a_name_and_is_not_shown(text):
    issues = check_bytes(text.encode())
    assert any(issue.is_error for issue in issues)
    for issue in issues:
        assert "Smith" not in f"{issue.message} {issue.hint} {issue.location}"


def test_a_code_that_is_an_object_is_said_to_be_no_text():
    text = b"""{"resourceType": "ValueSet", "status": "active", "extension": [
        {"url": "http://hl7.org/fhir/StructureDefinition/valueset-workflowStatus",
         "valueCode": {"a": 1}}]}"""
    assert any(issue.rule == "primitive" for issue in check_bytes(text))


def test_blank_lines_before_resources_count_as_lines():
    patient = b'{"resourceType": "Patient", "birthDate": "x"}'
    (one,) = check_bytes(b"\n \n\n" + patient)
    assert one.line == 4
    lines = [issue.line for issue in check_bytes(b"\n\n" + patient + b"\n\n" + patient)]
    assert lines == [3, 5]


def test_a_hundred_thousand_unknown_keys_are_all_said_in_seconds():
    keys = {f"key{number}": 1 for number in range(100_000)}
    began = time.perf_counter()
    issues = check_resource({"resourceType": "Patient", "birthDate": "x", **keys})
    assert time.perf_counter() - began < 20
    assert Counter(issue.rule for issue in issues) == {"unknown-element": 100_000, "primitive": 1}
