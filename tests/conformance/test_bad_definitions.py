"""Definitions that are wrong, circular or without end: a clear issue, never a traceback or a hang."""

from __future__ import annotations

import time
from typing import Any

import pytest

from fhirdrain.conformance import Checker, Options, check_bytes, check_resource
from fhirdrain.conformance.definitions import Definitions, Supplied, standard

BASE = "https://north-pier.example/fhir/StructureDefinition"
R4 = "http://hl7.org/fhir/StructureDefinition"


def profile(name: str, *elements: dict[str, Any], kind: str = "Patient", **more: Any) -> Any:
    return {
        "resourceType": "StructureDefinition",
        "url": f"{BASE}/{name}",
        "type": kind,
        "kind": "resource",
        "baseDefinition": f"{R4}/{kind}",
        "derivation": "constraint",
        "differential": {"element": [{"path": kind}, *elements]},
    } | more


def found(resource: dict[str, Any], *definitions: Any) -> list[tuple[str, str, str]]:
    known = standard().extended(Supplied(d, "d.json") for d in definitions)[0]
    issues = check_resource(resource, checker=Checker(known))
    return [(issue.severity, issue.rule, issue.message) for issue in issues]


def stating(which: str, **more: Any) -> dict[str, Any]:
    return {"resourceType": "Patient", "meta": {"profile": [f"{BASE}/{which}"]}} | more


def test_a_circle_of_bases():
    one = profile("one", baseDefinition=f"{BASE}/two")
    two = profile("two", baseDefinition=f"{BASE}/one")
    ((severity, rule, message),) = found(stating("one"), one, two)
    assert (severity, rule) == ("warning", "definition")
    assert "one" in message


def test_a_base_nobody_knows():
    ((severity, rule, message),) = found(
        stating("one"), profile("one", baseDefinition=f"{BASE}/none")
    )
    assert (severity, rule) == ("warning", "definition")
    assert f"{BASE}/none" in message


def test_profiles_that_refer_to_each_other():
    link = {
        "path": "Patient.link.other",
        "type": [{"code": "Reference", "targetProfile": [f"{BASE}/two"]}],
    }
    back = {**link, "type": [{"code": "Reference", "targetProfile": [f"{BASE}/one"]}]}
    named = {"path": "Patient.name", "min": 1}
    one, two = profile("one", link), profile("two", named, back)

    def patient(id_: str, other: str, **more: Any) -> dict[str, Any]:
        link = [{"other": {"reference": f"Patient/{other}"}, "type": "seealso"}]
        return {"resourceType": "Patient", "id": id_, "link": link} | more

    a, b = patient("a", "b", meta={"profile": [f"{BASE}/one"]}), patient("b", "a")
    bundle = {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [
            {"fullUrl": f"https://x.example/Patient/{r['id']}", "resource": r} for r in (a, b)
        ],
    }
    ((severity, rule, _),) = found(bundle, one, two)
    assert (severity, rule) == ("error", "reference-target-profile")
    b["name"] = [{"text": "Invented"}]
    assert found(bundle, one, two) == []


@pytest.mark.parametrize(
    "expression",
    [
        "name.exists(", "1 = 1 and", "name.exists() name", "noSuchFunction()", "%nobody",
        "", None, "text.repeat($this & 'x').exists()",
        "(1|2|3|4|5|6|7|8|9|10|11|12|13|14|15|16|17|18|19|20|21|22|23|24|25).aggregate("
        "$total.combine($total), 1).count() > 0",
        "'aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa!'.replaceMatches('(a|a|aa)+$', 'b') = 'c'",
        "((((((((((" * 200 + "1" + "))))))))))" * 200,
    ],
)  # fmt: skip
def test_an_invariant_that_cannot_be_evaluated_says_so(expression):
    constraint = {"key": "x-1", "severity": "error", "human": "x"}
    if expression is not None:
        constraint["expression"] = expression
    definition = profile("one", {"path": "Patient.name", "constraint": [constraint]})
    started = time.monotonic()
    result = found(stating("one", name=[{"text": "a"}]), definition)
    assert time.monotonic() - started < 20
    ((severity, rule, message),) = result
    assert (severity, rule) == ("warning", "not-supported")
    assert "x-1" in message


def test_a_profile_of_a_type_r4_does_not_have():
    definition = profile("one", kind="Nobody", type="Nobody")
    checker = Checker(standard().extended([Supplied(definition, "d.json")])[0])
    (issue,) = check_resource(stating("one"), checker=checker)
    assert (issue.severity, issue.rule) == ("error", "profile")


def test_a_value_set_of_a_million_codes():
    url = "https://north-pier.example/fhir/ValueSet/many"
    many = {
        "resourceType": "ValueSet",
        "url": url,
        "compose": {
            "include": [
                {
                    "system": "https://north-pier.example/codes",
                    "concept": [{"code": f"c{number}"} for number in range(1_000_000)],
                }
            ]
        },
    }
    binding = {"strength": "required", "valueSet": url}
    definition = profile("one", {"path": "Patient.maritalStatus", "binding": binding})
    known = standard().extended([Supplied(many, "m"), Supplied(definition, "d")])[0]
    checker = Checker(known)
    started = time.monotonic()
    for code, rules in (("c999999", []), ("c1000000", ["required-code"])):
        coding = {"system": "https://north-pier.example/codes", "code": code}
        patient = stating("one", maritalStatus={"coding": [coding]})
        issues = check_resource(patient, checker=checker)
        assert [i.rule for i in issues if i.is_error] == rules
    assert time.monotonic() - started < 60


@pytest.mark.parametrize("depth", [20, 150, 400, 900, 10_000, 100_000])
def test_a_bundle_in_a_bundle_in_a_bundle(depth):
    head = '{"resourceType":"Bundle","type":"collection","entry":[{"resource":'
    text = head * depth + '{"resourceType":"Patient"}' + "}]}" * depth
    issues = check_bytes(text.encode())
    rules = {issue.rule for issue in issues if issue.is_error}
    assert rules == (set() if depth < 50 else {"depth"} if rules == {"depth"} else {"json"})


def test_what_a_checker_is_made_of_is_not_altered_by_it():
    definition = profile("one", {"path": "Patient.name", "min": 1})
    before = repr(definition)
    found(stating("one"), definition)
    assert repr(definition) == before
    assert Definitions().type("Patient") is Definitions().type("Patient")


def test_a_profile_is_applied_to_every_resource_of_its_type():
    definition = profile("one", {"path": "Patient.name", "min": 1})
    known = standard().extended([Supplied(definition, "d.json")])[0]
    checker = Checker(known, Options(profiles=(f"{BASE}/one",)))
    bundle = {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [
            {
                "fullUrl": "urn:uuid:00000000-0000-4000-8000-000000000001",
                "resource": {"resourceType": "Patient"},
            },
            {
                "fullUrl": "urn:uuid:00000000-0000-4000-8000-000000000002",
                "resource": {"resourceType": "Location"},
            },
        ],
    }
    issues = check_resource(bundle, checker=checker)
    assert [(i.rule, i.location) for i in issues] == [("cardinality", "Bundle.entry[0].resource")]


@pytest.mark.parametrize(
    ("broken", "place"),
    [
        (broken, "") if isinstance(broken, dict) else broken
        for broken in [
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
        ({"differential": {"element": {}}}, "differential: holds no list"),
        *(
            ({"differential": {"element": [{"path": "Patient"}, {"path": "Patient.name"} | wrong]}},
             f"differential.element[1].{place}")
            for wrong, place in [
                ({"min": "1"}, "min (Patient.name): is no whole number"),
                ({"min": 1.5}, "min"), ({"min": -1}, "min"), ({"maxLength": -1}, "maxLength"),
                ({"max": "many"}, "max"), ({"type": [{"profile": ["x"]}]}, "type[0].code"),
                ({"constraint": [{"key": "x-1", "expression": 5}]}, "constraint[0].expression"),
                ({"constraint": {}}, "constraint"), ({"contentReference": 5}, "contentReference"),
                ({"binding": {"strength": "firm"}}, "binding.strength"),
                ({"binding": {"strength": "required", "valueSet": 5}}, "binding.valueSet"),
                ({"slicing": {"rules": 5}}, "slicing.rules"),
                ({"fixedCode": {}}, "fixedCode"), ({"fixedInteger": "5"}, "fixedInteger"),
                ({"patternCodeableConcept": "x"}, "patternCodeableConcept"),
                ({"patternCoding": {}}, "patternCoding"), ({"minValueDate": "soon"}, "minValueDate"),
                ({"slicing": {"discriminator": [{"type": "value"}]}}, "slicing.discriminator[0].path"),
            ]
        ),
        ]
    ],
    ids=str,
)  # fmt: skip
def test_a_definition_of_another_shape_is_one_that_cannot_be_used(broken, place):
    ((severity, rule, message),) = found(stating("one"), profile("one", **broken))
    assert (severity, rule) == ("warning", "definition")
    assert "cannot be used" in message
    assert place in message


def test_a_profile_without_a_base_is_said_to_have_none():
    definition = profile("one")
    del definition["baseDefinition"]
    ((_, rule, message),) = found(stating("one"), definition)
    assert rule == "definition"
    assert "no base" in message


def test_an_invariant_that_does_not_end_is_set_aside():
    endless = "(1 | 2).repeat($this + 1).exists()"
    rule = {"key": "x-1", "severity": "error", "human": "x", "expression": endless}
    definition = profile("one", {"path": "Patient.name", "constraint": [rule]})
    names = [{"text": str(number)} for number in range(10)]
    said = [message for _, _, message in found(stating("one", name=names), definition)]
    assert len(said) == len(names)
    assert sum("set aside" in message for message in said) == len(names) - 3
