"""What a reference leads to: in circles, in long chains, in bundles within bundles, or unknown.

FHIR R4 2.3.0 (references.html), 2.36 (bundle.html); all data is invented.
"""

from __future__ import annotations

from itertools import permutations
from typing import Any

import pytest

from fhirdrain.conformance import check_resource
from tests.conformance.test_profile_rules import BASE, R4, el, found, observation, profile

UUID = "urn:uuid:00000000-0000-4000-8000-{:012d}"


def to(name: str, base: str = BASE) -> list[dict[str, Any]]:
    return [{"code": "Reference", "targetProfile": [f"{base}/{name}"]}]


def bundle(*resources: dict[str, Any], kind: str = "collection") -> dict[str, Any]:
    entries = [{"fullUrl": UUID.format(n), "resource": r} for n, r in enumerate(resources)]
    return {"resourceType": "Bundle", "type": kind, "entry": entries}


def member(text: str | None, **more: Any) -> dict[str, Any]:
    """Return an observation that refers to another, by its place in a bundle or by a text."""
    reference = {"hasMember": [{"reference": text}]} if text else {}
    return observation(status="final", **reference, **more)


# A member must be noted, and so must its own members.
NOTED = profile(
    "one", "Observation", el("Observation.note", min=1), el("Observation.hasMember", type=to("one"))
)
NOTE = [{"text": "a"}]
PLAIN = profile("start", "Observation")
TO_TWO = profile("start", "Observation", el("Observation.hasMember", type=to("one")))


@pytest.mark.parametrize("order", list(permutations(range(3))))
def test_a_circle_is_judged_alike_whatever_is_asked_for_first(order):
    # 0 and 1 refer to each other, and 1 to 2 as well, which has no note.
    def of(number: int) -> dict[str, Any]:
        members = {0: [1], 1: [0, 2], 2: []}[number]
        references = [{"reference": UUID.format(order.index(m))} for m in members]
        more = {"hasMember": references} if references else {}
        return observation(**more, **({"note": NOTE} if number != 2 else {}))

    def at(number: int) -> str:
        return f"Bundle.entry[{order.index(number)}].resource"

    issues = found(bundle(*map(of, order)), NOTED)
    assert sorted(issues) == sorted(
        [
            ("cardinality", at(2)),
            ("reference-target-profile", f"{at(0)}.hasMember[0]"),
            ("reference-target-profile", f"{at(1)}.hasMember[0]"),
            ("reference-target-profile", f"{at(1)}.hasMember[1]"),
        ]
    )


def test_a_circle_that_nothing_speaks_against_conforms():
    pair = [member(UUID.format(1), note=NOTE), member(UUID.format(0), note=NOTE)]
    assert found(bundle(*pair), NOTED) == []
    assert found(bundle(member(UUID.format(0), note=NOTE)), NOTED) == []


def test_a_long_chain_is_followed_to_its_end():
    def chain(last: dict[str, Any]) -> dict[str, Any]:
        count = 2000
        links = [member(UUID.format(n + 1), note=NOTE) for n in range(count)]
        return bundle(member(UUID.format(1)), *links[1:], last)

    good = found(chain(observation(note=NOTE)), TO_TWO, NOTED, url="start")
    assert good == []
    bad = found(chain(observation()), TO_TWO, NOTED, url="start")
    # `start` is applied to each of them, and each of them rests on the last.
    assert set(bad) == {
        ("reference-target-profile", f"Bundle.entry[{n}].resource.hasMember[0]")
        for n in range(2000)
    }


def test_any_of_several_profiles_will_do_and_none_is_followed_into_a_circle():
    either = [{"code": "Reference", "targetProfile": [f"{BASE}/noted", f"{BASE}/empty"]}]
    noted = profile(
        "noted",
        "Observation",
        el("Observation.note", min=1),
        el("Observation.hasMember", type=either),
    )
    empty = profile("empty", "Observation", el("Observation.hasMember", max="0"))
    assert found(
        bundle(member(UUID.format(1), note=NOTE), observation()), noted, empty, url="noted"
    ) == [("cardinality", "Bundle.entry[1].resource")]
    issues = found(
        bundle(member(UUID.format(1), note=NOTE), member(UUID.format(0))), noted, empty, url="noted"
    )
    assert sorted(issues) == [
        ("cardinality", "Bundle.entry[1].resource"),
        ("reference-target-profile", "Bundle.entry[0].resource.hasMember[0]"),
        ("reference-target-profile", "Bundle.entry[1].resource.hasMember[0]"),
    ]


def test_a_profile_of_a_target_that_cannot_be_asked_is_said_to_be_so():
    definition = profile("one", "Observation", el("Observation.subject", type=to("unheard-of")))
    patient = {"resourceType": "Patient", "id": "p"}
    subject = observation(subject={"reference": "#p"}, contained=[patient])
    assert found(subject, definition) == [("profile-unknown", "Observation.subject")]
    # One that is known and cannot be used is no better.
    broken = profile("unheard-of", "Patient", baseDefinition=f"{BASE}/nowhere")
    assert found(subject, definition, broken) == [("profile-unknown", "Observation.subject")]
    # Nor is one whose own targets cannot be judged.
    organization = {"resourceType": "Organization", "id": "o", "name": "North Pier"}
    knows = profile("knows", "Patient", el("Patient.managingOrganization", type=to("unheard-of")))
    asks = profile("one", "Observation", el("Observation.subject", type=to("knows")))
    patient = patient | {"managingOrganization": {"reference": "#o"}}
    subject = observation(subject={"reference": "#p"}, contained=[patient, organization])
    assert found(subject, asks, knows) == [("profile-unknown", "Observation.subject")]


def test_what_is_contained_has_its_siblings_and_its_container():
    cared = profile(
        "cared",
        "Patient",
        el("Patient.managingOrganization", type=to("named")),
        el(
            "Patient",
            constraint=[
                {
                    "key": "in-1",
                    "severity": "error",
                    "human": "stands in an observation",
                    "expression": "%rootResource is Observation and %resource is Patient",
                }
            ],
        ),
    )
    cared["differential"]["element"] = cared["differential"]["element"][1:][::-1]
    named = profile("named", "Organization", el("Organization.alias", min=1))
    definition = profile("one", "Observation", el("Observation.subject", type=to("cared")))
    patient = {
        "resourceType": "Patient",
        "id": "p",
        "managingOrganization": {"reference": "#o"},
    }

    def held(**more: Any) -> dict[str, Any]:
        organization = {"resourceType": "Organization", "id": "o", "name": "North Pier"} | more
        return observation(subject={"reference": "#p"}, contained=[patient, organization])

    assert found(held(alias=["Pier"]), definition, cared, named) == []
    assert found(held(), definition, cared, named) == [
        ("reference-target-profile", "Observation.subject")
    ]


def test_a_resource_in_a_bundle_is_judged_as_itself_by_the_profile_of_the_bundle():
    patient = profile(
        "patient",
        "Patient",
        el("Patient", constraint=[
            {"key": "in-1", "severity": "error", "human": "is itself",
             "expression": "%resource is Patient and %rootResource is Patient"},
        ]),
        el("Patient.managingOrganization", type=to("named")),
    )  # fmt: skip
    patient["differential"]["element"] = patient["differential"]["element"][1:]
    named = profile("named", "Organization", el("Organization.alias", min=1))
    of = [{"code": "Patient", "profile": [f"{BASE}/patient"]}]
    whole = profile("one", "Bundle", el("Bundle.entry.resource", type=of))

    def held(**more: Any) -> dict[str, Any]:
        organization = {"resourceType": "Organization", "id": "o", "name": "North Pier"} | more
        reference = {"managingOrganization": {"reference": "#o"}}
        return bundle({"resourceType": "Patient", "contained": [organization], **reference})

    assert found(held(alias=["Pier"]), whole, patient, named) == []
    assert found(held(), whole, patient, named) == [
        ("reference-target-profile", "Bundle.entry[0].resource.managingOrganization")
    ]


def test_references_in_a_bundle_within_a_bundle_lead_within_that():
    def inner(last: str) -> dict[str, Any]:
        entries = [
            {"fullUrl": UUID.format(7), "resource": observation(subject={"reference": last})},
            {"fullUrl": UUID.format(8), "resource": {"resourceType": "Patient"}},
        ]
        return {"resourceType": "Bundle", "type": "transaction"} | {
            "entry": [e | {"request": {"method": "POST", "url": e["resource"]["resourceType"]}}
                      for e in entries]
        }  # fmt: skip

    other = {"resourceType": "Patient", "gender": "other"}
    where = "Bundle.entry[0].resource.entry[0].resource.subject"
    assert found(bundle(inner(UUID.format(8)), other), PLAIN, url="start") == []
    # What is beside the inner bundle is not in it; and the inner one is a transaction, where all
    # has to be at hand.
    assert found(bundle(inner(UUID.format(1)), other), PLAIN, url="start") == [("reference", where)]
    assert found(bundle(inner("Patient?name=a"), other), PLAIN, url="start") == []


def test_a_bundle_in_parameters_has_references_of_its_own():
    inside = bundle(observation(subject={"reference": UUID.format(1)}), {"resourceType": "Patient"})
    document = {"resourceType": "Parameters", "parameter": [{"name": "a", "resource": inside}]}
    assert found(document, PLAIN, url="start") == []
    inside["entry"].pop()
    assert found(document, PLAIN, url="start") == [
        ("reference", "Parameters.parameter[0].resource.entry[0].resource.subject")
    ]


def test_conforms_to_in_a_circle_ends_and_holds_unless_something_speaks_against_it():
    def asks(other: str, **more: Any) -> dict[str, Any]:
        rule = {"key": "in-1", "severity": "error", "human": "its member is right",
                "expression": f"hasMember.resolve().all(conformsTo('{BASE}/{other}'))"}  # fmt: skip
        made = profile("one", "Observation", el("Observation", constraint=[rule]),
                       el("Observation.note", min=1))  # fmt: skip
        made["differential"]["element"] = made["differential"]["element"][1:]
        return made

    pair = [member(UUID.format(1), note=NOTE), member(UUID.format(0), note=NOTE)]
    assert found(bundle(*pair), asks("one")) == []
    pair[1].pop("note")
    assert ("invariant", "Bundle.entry[0].resource") in found(bundle(*pair), asks("one"))


def test_a_type_that_is_said_counts_where_there_is_no_reference():
    identifier = {"system": "urn:oid:1.2.3", "value": "1"}
    subject = {"identifier": identifier, "type": "Practitioner"}
    assert found(observation(subject=subject), PLAIN, url="start") == [
        ("reference-target", "Observation.subject")
    ]
    named = {"identifier": identifier, "type": "Patient"}
    assert found(observation(subject=named), PLAIN, url="start") == []
    only = profile("one", "Observation", el("Observation.subject", type=to("Group", R4)))
    assert found(observation(subject=named), only) == [("reference-target", "Observation.subject")]


def test_what_must_be_in_the_same_bundle():
    bundled = [{"code": "Reference", "aggregation": ["bundled"]}]
    definition = profile("one", "Observation", el("Observation.subject", type=bundled))
    there = observation(subject={"reference": UUID.format(1)})
    patient = {"resourceType": "Patient"}
    assert found(bundle(there, patient), definition) == []
    elsewhere = observation(subject={"reference": "Patient/elsewhere"})
    assert found(bundle(elsewhere, patient), definition) == [
        ("reference-aggregation", "Bundle.entry[0].resource.subject")
    ]


def test_a_canonical_names_its_version_with_a_stroke():
    specific = [{"code": "canonical", "versioning": "specific"}]
    definition = profile("one", "PlanDefinition", el("PlanDefinition.library", type=specific))

    def plan(library: str) -> dict[str, Any]:
        return {"resourceType": "PlanDefinition", "status": "draft", "library": [library]}

    library = "https://north-pier.example/fhir/Library/rounds"
    assert found(plan(f"{library}|1.0"), definition) == []
    assert found(plan(library), definition) == [("reference-version", "PlanDefinition.library[0]")]


@pytest.mark.parametrize(
    ("url", "severity"),
    [
        ("urn:uuid:c757873d-ec9a-4326-a141-556f43239520", None),
        ("urn:uuid:C757873D-EC9A-4326-A141-556F43239520", "warning"),
        ("urn:uuid:one", "error"),
        ("urn:uuid:c757873dec9a4326a141556f43239520", "error"),
        ("urn:oid:1.2.3", None),
        ("urn:oid:1.02.3", "error"),
        ("https://north-pier.example/fhir/Patient/one", None),
        ("https://north-pier.example/fhir/Observation/one", "error"),
        ("https://north-pier.example/Things/one", None),
    ],
)
def test_a_full_url_is_a_right_one_and_that_of_its_resource(url, severity):
    """FHIR R4 2.24.0.1 (uuid, oid) and 2.36.4 (fullUrl)."""
    entry = {"fullUrl": url, "resource": {"resourceType": "Patient", "id": "one"}}
    whole = {"resourceType": "Bundle", "type": "collection", "entry": [entry]}
    said = [(i.rule, i.severity) for i in check_resource(whole)]
    assert said == ([("full-url", severity)] if severity else [])


def test_a_relative_reference_is_below_the_address_of_what_it_stands_in():
    """FHIR R4 2.36.4.1: of another server's resource of that name nothing is said."""
    named = profile("named", "Patient", el("Patient.name", min=1))
    definition = profile("one", "Observation", el("Observation.subject", type=to("named")))
    whole = {
        "resourceType": "Bundle",
        "type": "collection",
        "entry": [
            {
                "fullUrl": "https://north-pier.example/fhir/Observation/1",
                "resource": observation(id="1", subject={"reference": "Patient/2"}),
            },
            {
                "fullUrl": "https://other.example/fhir/Patient/2",
                "resource": {"resourceType": "Patient", "id": "2"},
            },
        ],
    }
    assert found(whole, definition, named) == []
    whole["entry"][1]["fullUrl"] = "https://north-pier.example/fhir/Patient/2"
    assert found(whole, definition, named) == [
        ("reference-target-profile", "Bundle.entry[0].resource.subject")
    ]
