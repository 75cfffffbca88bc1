"""What the checker finds, where it says it is, and what it lets be."""

from __future__ import annotations

import copy
import json
import random
import time
from collections import Counter
from decimal import Decimal
from typing import Any

import pytest

from fhirdrain.conformance import Checker, check, check_bytes, check_resource
from fhirdrain.conformance.narrative import fault_of_div
from fhirdrain.issues import to_operation_outcome
from fhirdrain.vocabulary.jsontext import encode
from tests.conftest import row, say_our_fault
from tests.resources.test_form import lines


def level(**changes: Any) -> dict[str, Any]:
    resource: dict[str, Any] = {
        "resourceType": "Observation",
        "identifier": [{"system": "https://test.example/reading", "value": "1"}],
        "status": "final",
        "category": [
            {
                "coding": [
                    {
                        "system": "http://terminology.hl7.org/CodeSystem/observation-category",
                        "code": "exam",
                    }
                ]
            },
            {
                "coding": [
                    {
                        "system": "https://fhirdrain.example/fhir/CodeSystem/drain",
                        "code": "chest-drain",
                    }
                ]
            },
        ],
        "code": {
            "coding": [
                {"system": "https://fhirdrain.example/fhir/CodeSystem/drain", "code": "level"}
            ]
        },
        "subject": {"identifier": {"value": "p"}},
        "effectiveDateTime": "2025-01-10T10:00:00+01:00",
        "valueQuantity": {
            "value": Decimal(100),
            "system": "http://unitsofmeasure.org",
            "code": "mL",
        },
        "device": {"identifier": {"value": "d"}},
    }
    resource.update(changes)
    return {key: value for key, value in resource.items() if value is not None}


LOCAL = "https://fhirdrain.example/fhir/CodeSystem/drain"


def local(code: str) -> dict[str, Any]:
    return {"coding": [{"system": LOCAL, "code": code}]}


def found(resource: Any) -> list[tuple[str, str]]:
    return [(issue.rule, issue.location) for issue in check_resource(resource) if issue.is_error]


def test_nothing_is_wrong_with_what_map_writes(mapped):
    for form in ("transaction", "collection"):
        run = mapped(*lines(), form=form)
        assert check_bytes(run.data) == []


def test_a_level_is_right():
    assert check_resource(level()) == []


QUANTITY = {"value": Decimal(5), "system": "http://unitsofmeasure.org", "code": "mL"}


@pytest.mark.parametrize(
    ("changes", "rule", "location"),
    [
        # structure
        ({"statsu": "final"}, "unknown-element", "Observation"),
        ({"status": None}, "cardinality", "Observation"),
        ({"status": "finished"}, "required-code", "Observation.status"),
        ({"status": ["final"]}, "array", "Observation.status"),
        ({"category": {"coding": []}}, "array", "Observation.category"),
        ({"note": []}, "empty", "Observation.note"),
        ({"note": [{}]}, "empty", "Observation.note[0]"),
        ({"note": [None]}, "null", "Observation.note[0]"),
        ({"issued": "2025-01-10"}, "primitive", "Observation.issued"),
        ({"effectiveDateTime": "2025-02-30T10:00:00Z"}, "primitive", "Observation.effective"),
        ({"effectiveDateTime": "2025-01-10T10:00Z"}, "primitive", "Observation.effective"),
        ({"valueString": "5"}, "choice", "Observation"),
        ({"valueQuantity": {**QUANTITY, "value": "5"}}, "primitive", "Observation.value.value"),
        ({"valueQuantity": {"value": Decimal(5), "code": "mL"}}, "qty-3", "Observation.value"),
        ({"id": "not an id"}, "primitive", "Observation.id"),
        ({"language": "d\0e"}, "primitive", "Observation.language"),
        ({"implicitRules": "https://x.example/\x0b"}, "primitive", "Observation.implicitRules"),
        # invariants
        ({"dataAbsentReason": {"text": "x"}}, "obs-6", "Observation"),
        ({"component": [{"code": local("level"), "valueInteger": 1}]}, "obs-7", "Observation"),
        ({"extension": [{"url": "https://x.example"}]}, "ext-1", "Observation.extension[0]"),
        # references
        ({"subject": {"reference": "Patientt/1"}}, "reference", "Observation.subject"),
        ({"subject": {"reference": "Observation/1"}}, "reference-target", "Observation.subject"),
        ({"subject": {"reference": "Patient?identifier=x"}}, "conditional-reference", "Observation.subject"),
        ({"subject": {"reference": "#p"}}, "ref-1", "Observation.subject"),
        ({"subject": {"reference": "somebody"}}, "reference", "Observation.subject"),
        # codes, words and units of ours
        ({"code": local("levle")}, "local-code", "Observation.code.coding[0]"),
        ({"code": local("chest-drain")}, "observable", "Observation.code"),
        ({"valueQuantity": None}, "value", "Observation"),
        ({"valueQuantity": None, "valueString": "5"}, "value", "Observation.value"),
        ({"valueQuantity": {**QUANTITY, "code": "ML"}}, "unit", "Observation.value"),
        ({"valueQuantity": {**QUANTITY, "code": "cc"}}, "unit", "Observation.value"),
        ({"valueQuantity": {**QUANTITY, "code": "kPa"}}, "unit", "Observation.value"),
        ({"valueQuantity": {**QUANTITY, "code": "L"}}, "unit", "Observation.value"),
        ({"valueQuantity": {"value": Decimal(5)}}, "unit", "Observation.value"),
        ({"valueQuantity": {**QUANTITY, "value": Decimal(-5)}}, "impossible", "Observation.value"),
        ({"valueQuantity": {**QUANTITY, "value": Decimal(99999)}}, "impossible", "Observation.value"),
        ({"effectiveDateTime": None, "effectivePeriod": {"end": "2025-01-10"}}, "effective", "Observation.effective"),
        ({"device": None}, "whose", "Observation"),
        ({"component": [{"code": local("hue")}]}, "component", "Observation.component[0].code"),
    ],
)  # fmt: skip
def test_each_fault_is_found_where_it_is(changes, rule, location):
    assert (rule, location) in found(level(**changes))


@pytest.mark.parametrize(
    ("code", "value", "components", "rule"),
    [
        ("swing", "positive", [], "local-code"),
        ("swing", "full", [], "word"),
        ("air-leak", "none", [], "air-leak-none"),
        ("air-leak", "none", [("at-rest", "none"), ("on-cough", "not-tested")], "air-leak-none"),
        ("air-leak", "none", [("at-rest", "none"), ("on-cough", "none")], None),
        ("air-leak", "present", [("at-rest", "loud")], "local-code"),
        ("air-leak", "present", [("at-rest", "full")], "word"),
        ("mode", "suction", [("reason", "walking")], None),
    ],
)
def test_words(code, value, components, rule):
    resource = level(
        code=local(code),
        valueQuantity=None,
        valueCodeableConcept=local(value),
        component=[{"code": local(n), "valueCodeableConcept": local(v)} for n, v in components]
        or None,
    )
    assert [r for r, _ in found(resource)][:1] == ([rule] if rule else [])


def test_foreign_output_is_looked_at_for_unit_and_amount_only():
    foreign = {
        "resourceType": "Observation",
        "status": "final",
        "code": {"coding": [{"system": "http://loinc.org", "code": "9129-8"}]},
        "valueQuantity": {"value": 135, "system": "http://unitsofmeasure.org", "code": "mL"},
    }
    assert check_resource(foreign) == []
    rate = copy.deepcopy(foreign)
    rate["valueQuantity"]["code"] = "mL/(24.h)"
    assert found(rate) == [("unit", "Observation.value")]
    plain = copy.deepcopy(foreign)
    del plain["valueQuantity"]["code"], plain["valueQuantity"]["system"]
    assert [i.severity for i in check_resource(plain)] == ["warning"]


def test_check_digits():
    for system, code in (("http://loinc.org", "9129-9"), ("http://snomed.info/sct", "251843006")):
        resource = level(
            code={"coding": [{"system": LOCAL, "code": "level"}, {"system": system, "code": code}]}
        )
        assert ("check-digit", "Observation.code.coding[1]") in found(resource)


def test_a_profile_that_is_not_checked_is_said():
    issue, other = check_resource(
        level(meta={"profile": ["https://elsewhere.example/StructureDefinition/x"]})
    )
    assert (issue.severity, issue.code) == ("warning", "not-supported")
    assert (other.severity, other.rule) == ("information", "other-form")
    assert check_resource(
        level(meta={"profile": ["https://elsewhere.example/StructureDefinition/level"]})
    )


def entry(resource, url, **more):
    return {"fullUrl": url, "resource": resource, **more}


UUID = "urn:uuid:00000000-0000-4000-8000-00000000000{}"


def test_references_inside_a_bundle():
    one = level(subject={"reference": UUID.format(2), "identifier": {"value": "p"}})
    post = {"request": {"method": "POST", "url": "Observation"}}
    bundle = {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [entry(one, UUID.format(1), **post)],
    }
    assert found(bundle) == [("reference", "Bundle.entry[0].resource.subject")]
    # A collection need not be whole.
    del bundle["entry"][0]["request"]
    bundle["type"] = "collection"
    (issue,) = check_resource(bundle)
    assert (issue.severity, issue.rule) == ("warning", "reference")
    bundle["entry"].append(entry({"resourceType": "Patient"}, UUID.format(2)))
    assert found(bundle) == []
    # R4 lets an Observation be of a Device too; a drain's is of a Patient.
    bundle["entry"][1]["resource"] = {"resourceType": "Device", "status": "active"}
    assert found(bundle) == [("reference-target", "Bundle.entry[0].resource.subject")]
    bundle["entry"][1]["resource"] = {
        "resourceType": "Observation",
        "status": "final",
        "code": {"text": "x"},
    }
    assert set(found(bundle)) == {("reference-target", "Bundle.entry[0].resource.subject")}


def test_rules_of_bundles():
    request = {"method": "POST", "url": "Observation", "ifNoneExist": "identifier=x"}
    twice = [entry(level(), UUID.format(n), request=request) for n in (1, 2)]
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": twice}
    assert found(bundle) == [("one-identity", "Bundle.entry[1].request")]
    bundle["entry"] = [
        entry(level(), UUID.format(1), request=request),
        entry(level(), UUID.format(1)),
    ]
    assert {rule for rule, _ in found(bundle)} == {"bdl-3", "bdl-7"}


def test_line_and_column_are_those_of_the_file(mapped):
    run = mapped(row(id="1", item="lvl", value="19.00"), row(id="2", item="swg", value="present"))
    text = run.data.decode().replace('"final"', '"finale"').replace('"code":"mL"', '"code":"ML"')
    issues = check_bytes(text.encode(), "b.json")
    assert {i.rule for i in issues} == {"required-code", "unit"}
    for issue in issues:
        line = text.splitlines()[issue.line - 1]
        key = {"required-code": '"status"', "unit": '"valueQuantity"'}[issue.rule]
        assert line[issue.column - 1 :].startswith(key)
        assert issue.location.startswith("Bundle.entry[")
        assert issue.file == "b.json"


def test_ndjson_counts_its_lines():
    good, bad = encode(level()), encode(level(status="finale"))
    issues = check_bytes(good + b"\n" + bad + b"\n" + good + b"\n{\n", "x.ndjson")
    assert [(i.line, i.rule) for i in issues] == [(2, "required-code"), (4, "json")]
    assert check_bytes(good + b"\n" + good + b"\n") == []


def test_a_float_counts_as_the_decimal_it_stands_for():
    assert check_resource(level(valueQuantity={**QUANTITY, "value": 0.1})) == []
    (issue,) = check_resource(level(valueQuantity={**QUANTITY, "value": -0.1}))
    assert (issue.rule, issue.value) == ("impossible", "-0.1")
    for no_number in (float("nan"), float("inf")):
        (issue,) = check_resource(level(valueQuantity={**QUANTITY, "value": no_number}))
        assert (issue.rule, issue.location) == ("primitive", "Observation.value.value")


def test_a_key_that_is_no_element_is_not_shown():
    """A key may be anything, a name among it; R4's own names are shown, and what is near."""
    (issue,) = check_resource(level(ada="x"))
    assert issue.message == "Observation has no element of that name"
    for known in ("birthDate", "valuePeriods", "VALUEstring"):
        shown = known != "valuePeriods"
        (issue,) = (
            check_resource(
                level(valueQuantity=None, dataAbsentReason=None, **{known: "x"})[:0] or []
            )
            if False
            else [i for i in check_resource(level(**{known: "x"})) if i.rule == "unknown-element"]
        )
        assert (known in issue.message) == shown
    (issue,) = check_bytes(b'{"resourceType": "Patient", "ada": 1, "ada": 2}')[:1]
    assert (issue.rule, issue.location) == ("duplicate-key", "Patient.?")
    (issue,) = check_bytes(b'{"resourceType": "Patient", "active": true, "active": true}')
    assert (issue.rule, issue.location) == ("duplicate-key", "Patient.active")


def test_what_is_contained_has_an_id_of_its_own():
    """FHIR R4 2.3.0.4, contained resources."""
    without = {
        "resourceType": "Patient",
        "contained": [{"resourceType": "Basic", "code": {"text": "x"}}],
    }
    assert ("contained-id", "Patient.contained[0]") in found(without)
    one = {"resourceType": "Patient", "id": "a", "active": True}
    twice = level(contained=[one, {**one, "active": False}], focus=[{"reference": "#a"}])
    assert [rule for rule, _ in found(twice) if rule == "contained-id"] == ["contained-id"]


def test_the_first_line_of_ndjson_has_its_number_too():
    issues = check_bytes(b"[1\n" + encode(level()) + b"\n", "x.ndjson")
    assert [(i.line, i.rule) for i in issues] == [(1, "json")]
    (deep,) = check_bytes(b"[" * 5000 + b"\n" + encode(level()) + b"\n", "x.ndjson")
    assert deep.line == 1


def test_values_stay_out_of_messages():
    issues = check_resource(
        level(status="secret-value", valueQuantity={**QUANTITY, "value": Decimal("-4711.5")})
    )
    shown = json.dumps(to_operation_outcome(issues))
    assert "secret-value" not in shown
    assert "4711" not in shown
    assert "4711" in json.dumps(to_operation_outcome(issues, show_values=True))


def test_an_operation_outcome_is_right_r4():
    assert check_resource(to_operation_outcome(check_resource(level(status="x")))) == []
    assert check_resource(to_operation_outcome([])) == []


def test_deep_nesting_is_refused_not_followed():
    extension: dict[str, Any] = {"url": "u", "valueString": "x"}
    for _ in range(80):
        extension = {"url": "u", "extension": [extension]}
    assert "depth" in {rule for rule, _ in found(level(extension=[extension]))}


# -- at the edges


def test_no_mutation_of_a_bundle_makes_the_checker_fall_over(mapped):
    """Three thousand bundles with one value replaced by something of another kind."""
    chosen = random.Random(7)
    bundle = json.loads(mapped(*lines()).data)
    paths = []

    def visit(value, path):
        paths.append(path)
        for key in (
            value
            if isinstance(value, dict)
            else range(len(value))
            if isinstance(value, list)
            else ()
        ):
            visit(value[key], (*path, key))

    visit(bundle, ())
    odd = [None, [], {}, 1, -5, "x", "", True, ["a"], {"a": 1}, [[1]], [None], [{}]]
    for _ in range(3000):
        path, value = chosen.choice(paths[1:]), chosen.choice(odd)
        mutated = copy.deepcopy(bundle)
        holder = mutated
        for key in path[:-1]:
            holder = holder[key]
        holder[path[-1]] = value
        check_resource(mutated)


@pytest.mark.parametrize("number", ["1e30", "5e27", "1E+90", "1" * 400])
def test_numbers_beyond_measure_are_impossible_and_quick(number):
    text = encode(level(valueQuantity={**QUANTITY, "code": "L"})).replace(
        b'"value":5', f'"value":{number}'.encode()
    )
    assert "impossible" in {issue.rule for issue in check_bytes(text)}


def test_a_value_set_may_include_and_exclude():
    compose = {
        "include": [{"system": "http://loinc.org"}],
        "exclude": [{"system": "http://loinc.org"}],
    }
    assert check_resource({"resourceType": "ValueSet", "status": "draft", "compose": compose}) == []


def test_texts_of_other_scripts_and_spaces_are_texts():
    for text in ("in\u00a0the unit", "\u2003", "\u0416", "a\nb\tc"):
        assert check_resource({"resourceType": "Patient", "name": [{"family": text}]}) == []
    assert found({"resourceType": "Patient", "name": [{"family": "a\u0001"}]})
    assert found({"resourceType": "Patient", "name": [{"family": " \n"}]})


def test_a_post_coordinated_expression_is_not_judged_by_a_check_digit():
    """hl7.org/fhir/R4/observation-example-bmd.json has such a code."""
    coding = {"system": "http://snomed.info/sct", "code": "71341001:272741003=7771000"}
    assert (
        check_resource(
            {"resourceType": "Observation", "status": "final", "code": {"coding": [coding]}}
        )
        == []
    )


def test_null_keeps_a_place_only_for_extensions():
    extension = [{"url": "https://x.example", "valueString": "x"}]
    name = {"given": [None], "_given": [{"extension": extension}]}
    (issue,) = check_resource({"resourceType": "Patient", "name": [name]})
    assert issue.rule == "extension-unknown"
    assert found({"resourceType": "Patient", "name": [{"given": [None]}]}) == [
        ("null", "Patient.name[0].given[0]")
    ]


def test_a_leap_second_is_a_time():
    period = {"start": "2016-12-31T23:59:60Z", "end": "2015-01-01T00:00:00Z"}
    encounter = {
        "resourceType": "Encounter",
        "status": "finished",
        "class": {"code": "IMP"},
        "period": period,
    }
    assert found(encounter) == [("per-1", "Encounter.period")]


def test_below_a_doubled_key_nothing_more_is_said():
    text = b'{"resourceType": "Patient", "name": [{"family": "a"}], "name": [{"family": "a"}]}'
    (issue,) = check_bytes(text)
    assert (issue.rule, issue.location) == ("duplicate-key", "Patient.name")


def test_ndjson_may_begin_with_a_byte_order_mark():
    line = encode(level())
    assert check_bytes(b"\xef\xbb\xbf" + line + b"\n" + line + b"\n") == []


def test_nothing_of_the_data_is_in_a_message():
    leaky = level(
        code={
            "coding": [
                {"system": "http://loinc.org", "code": "MRN-12345"},
                {"system": LOCAL, "code": "MRN-12345"},
            ]
        },
        meta={"profile": ["http://x/MRN-12345"]},
        valueQuantity={**QUANTITY, "code": "MRN-12345"},
        subject={"reference": "#MRN-12345"},
        component=[{"code": local("MRN-12345"), "valueString": "x"}],
        **{"Jane Doe": 1},
    )
    shown = json.dumps(to_operation_outcome(check_resource(leaky)))
    assert "12345" not in shown
    assert "Jane" not in shown
    (issue, *_) = check_bytes(b'{"resourceType": "Patient", "Jane Doe": 1, "Jane Doe": 2}')
    assert "Jane" not in issue.message + issue.location
    (issue, *_) = check_bytes(b'{"resourceType": "Jane", "active": 1, "active": 2}')
    assert issue.rule == "duplicate-key"
    assert "Jane" not in issue.message + issue.location


def order(**changes: Any) -> dict[str, Any]:
    drain = {
        "url": "https://fhirdrain.example/fhir/StructureDefinition/ordered-drain",
        "valueReference": {"identifier": {"value": "d"}},
    }
    resource = {
        "resourceType": "ServiceRequest",
        "meta": {"profile": ["https://fhirdrain.example/fhir/StructureDefinition/suction-order"]},
        "extension": [drain],
        "identifier": [{"value": "1"}],
        "status": "active",
        "intent": "order",
        "code": {"coding": [{"system": "http://snomed.info/sct", "code": "274441001"}]},
        "orderDetail": [local("suction")],
        "subject": {"identifier": {"value": "p"}},
        "occurrencePeriod": {"start": "2025-01-10T10:00:00Z"},
        **changes,
    }
    return {key: value for key, value in resource.items() if value is not None}


@pytest.mark.parametrize(
    ("resource", "rule"),
    [
        (order(), None),
        (order(extension=None), "whose"),
        (order(extension=None, meta=None), None),  # somebody else's
        (order(orderDetail=None), "invariant"),  # drain-3: it orders nothing
        (order(occurrencePeriod=None), "effective"),
        (order(identifier=None), "whose"),
        (order(subject={"reference": "Patient/1"}), "whose"),
        (level(category=level()["category"][:1]), "category"),
        (level(category=None), "category"),
        (level(identifier=None), "whose"),
        (level(subject={"reference": "Patient/1"}), "whose"),
        (level(device={"reference": "Device/1"}), "whose"),
        (level(meta={"profile": ["https://fhirdrain.example/fhir/StructureDefinition/swing"]}), "profile"),
        (level(meta={"profile": ["https://fhirdrain.example/fhir/StructureDefinition/chest-drain"]}), "profile"),
        (level(valueQuantity={**QUANTITY, "unit": "L"}), "unit"),
        (level(valueQuantity={**QUANTITY, "unit": "ml"}), None),
        ({"resourceType": "Device", "meta": {"profile": ["https://fhirdrain.example/fhir/StructureDefinition/chest-drain"]}}, "device-type"),
    ],
)  # fmt: skip
def test_what_a_reader_could_not_take_back_is_refused(resource, rule):
    assert [r for r, _ in found(resource)][:1] == ([rule] if rule else [])


LOINC = "http://loinc.org"


# LOINC, property VRat: each rate over so many hours has one unit of its own.
@pytest.mark.parametrize(
    ("code", "unit", "right"),
    [
        ("9130-6", "mL/h", True),
        ("9131-4", "mL/(8.h)", True),
        ("9134-8", "mL/(24.h)", True),
        ("9172-8", "mL/(12.h)", True),
        ("9134-8", "mL/h", False),
        ("9130-6", "mL/(24.h)", False),
        (None, "mL/h", True),
        (None, "mL/(8.h)", False),
    ],
)
def test_a_rate_has_the_unit_its_code_asks_for(code, unit, right):
    coding = {"system": LOINC, "code": code} if code else {"system": LOCAL, "code": "output-rate"}
    resource = level(
        code={"coding": [coding]},
        effectiveDateTime=None,
        effectivePeriod={"start": "2025-01-10T07:00:00Z", "end": "2025-01-10T08:00:00Z"},
        valueQuantity={**QUANTITY, "unit": unit, "code": unit},
    )
    assert (("unit", "Observation.value") not in found(resource)) == right


def test_a_total_known_in_part_needs_no_value_and_one_of_which_nothing_is_known_says_so():
    common = {
        "code": local("output-total"),
        "effectiveDateTime": None,
        "effectivePeriod": {"start": "2025-01-10T07:00:00Z", "end": "2025-01-10T19:00:00Z"},
        "valueQuantity": None,
        "method": local("calculated"),
    }
    at_least = {"code": local("at-least"), "valueQuantity": QUANTITY}
    assert found(level(**common, component=[at_least])) == []
    # Our rule says what is missing of a total, the profile's drain-1 what of any observation.
    assert found(level(**common)) == [("value", "Observation")]


def test_supplies_are_not_complete_when_something_is_missing():
    missing = {"code": local("gloves"), "valueCodeableConcept": local("missing")}
    resource = level(
        code=local("bedside-supplies"),
        valueQuantity=None,
        valueCodeableConcept=local("complete"),
        component=[missing],
    )
    assert ("parts", "Observation.value") in found(resource)


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


def test_a_fault_of_ours_is_said_and_does_not_end_the_run(monkeypatch):
    def falls_over(self, resource, run):
        raise LookupError("Ada Quince")

    monkeypatch.setattr(check, "_say_our_fault", say_our_fault)
    monkeypatch.setattr(Checker, "walk", falls_over)
    issues = check_bytes(b'{"resourceType": "Patient"}\n{"resourceType": "Patient"}\n')
    assert [(i.rule, i.severity, i.line) for i in issues] == [
        ("not-judged", "error", 1),
        ("not-judged", "error", 2),
    ]
    assert "LookupError at test_check.py" in issues[0].hint
    assert "Ada" not in repr(issues)
