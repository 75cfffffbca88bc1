"""$validate against R4's resource-operation-validate.html and the checker it answers with."""

from __future__ import annotations

from typing import Any

import pytest
import requests

from fhirdrain.conformance import check_resource
from fhirdrain.conformance.definitions import our_profiles
from fhirdrain.issues import to_operation_outcome
from fhirdrain.vocabulary.jsontext import decode
from tests.sandbox.talk import PATIENT, UUID, faults_of, get, observation, outcome, post, put

UCUM = "http://unitsofmeasure.org"
WRONG = {"resourceType": "Patient", "gender": "x"}
# A base-R4 resource that our own rules find wrong: the check digit of the code does not hold.
ODD = observation(1, code={"coding": [{"system": "http://loinc.org", "code": "9129-9"}]})
OURS = next(url for url, kind in our_profiles().items() if kind == "Observation")
STATED = {**ODD, "meta": {"profile": [OURS]}}


def found(response: requests.Response) -> list[tuple[str, str]]:
    assert response.status_code == 200, response.text
    body = decode(response.content)
    assert faults_of(body) == []
    return [(i["severity"], i["details"].get("text", "")) for i in body["issue"]]


def collected(*resources: dict[str, Any]) -> dict[str, Any]:
    entries = [{"fullUrl": UUID.format(n), "resource": r} for n, r in enumerate(resources)]
    return {"resourceType": "Bundle", "type": "collection", "entry": entries}


def parameters(**named: Any) -> dict[str, Any]:
    parts = [
        {"name": name, "resource" if isinstance(value, dict) else "valueCode": value}
        for name, value in named.items()
    ]
    return {"resourceType": "Parameters", "parameter": parts}


def test_it_says_what_the_checker_says(server):
    """A 200 with an OperationOutcome where the operation could be run, right or wrong."""
    assert found(post(server, "/Patient/$validate", PATIENT)) == [("information", "no issues")]
    for resource in (WRONG, STATED, {"resourceType": "Patient", "nmae": []}):
        response = post(server, f"/{resource['resourceType']}/$validate", resource)
        assert decode(response.content) == to_operation_outcome(check_resource(resource))
        assert any(severity == "error" for severity, _ in found(response))
    assert decode(get(server, "/_history").content)["total"] == 0


@pytest.mark.parametrize(
    "odd", [ODD, observation(1, valueQuantity={"value": 5, "system": UCUM, "code": "kg"})]
)
def test_what_is_only_ours_is_judged_where_it_is_stated(server, odd):
    """R4, Resource-validate: against base R4 and the profiles that are stated or asked for."""
    fine = [("information", "no issues")]
    assert any(issue.is_error for issue in check_resource(odd))
    for kind, resource in (("Observation", odd), ("Bundle", collected(odd))):
        assert found(post(server, f"/{kind}/$validate", resource)) == fine
    stated = {**odd, "meta": {"profile": [f"{OURS}|1.0.0"]}}
    other = "https://x.example/StructureDefinition/unknown"
    for path, resource in (
        ("/Observation/$validate", stated),
        (f"/Observation/$validate?profile={OURS}", odd),
        ("/Bundle/$validate", collected(PATIENT, stated)),
    ):
        assert any(s == "error" for s, _ in found(post(server, path, resource)))
    said = found(post(server, f"/Observation/$validate?profile={other}", odd))
    assert [severity for severity, _ in said] == ["warning"]
    assert post(server, "/Observation", stated).status_code == 201
    id_ = get(server, "/Observation").json()["entry"][0]["resource"]["id"]
    assert any(s == "error" for s, _ in found(get(server, f"/Observation/{id_}/$validate")))


def test_only_what_states_it_is_judged_by_it(server):
    """A profile speaks of the resource that states it, not of its neighbours in a bundle."""
    response = post(server, "/Bundle/$validate", collected(ODD, STATED))
    issues = decode(response.content)["issue"]
    places = [issue["expression"][0] for issue in issues]
    assert places
    assert all(place.startswith("Bundle.entry[1].resource") for place in places)


def test_on_an_instance(server):
    """Without a resource it is the one stored; with one, its id must be that of the URL."""
    put(server, "/Patient/mine", {**PATIENT, "id": "mine"})
    assert found(get(server, "/Patient/mine/$validate")) == [("information", "no issues")]
    asked = post(server, "/Patient/mine/$validate", parameters(mode="update"))
    assert found(asked) == [("information", "no issues")]
    other = found(post(server, "/Patient/mine/$validate", {**PATIENT, "id": "other"}))
    assert other[0][0] == "error"
    assert get(server, "/Patient/none/$validate").status_code == 404
    requests.delete(f"{server}/Patient/mine", timeout=10)
    assert get(server, "/Patient/mine/$validate").status_code == 410


def test_as_parameters(server):
    assert found(post(server, "/Patient/$validate", parameters(resource=PATIENT)))[0][0] != "error"
    wrong = found(post(server, "/Patient/$validate", parameters(resource=WRONG, mode="create")))
    assert wrong[0][0] == "error"


def test_the_profiles_that_are_asked_for(server):
    """`profile` names one more profile to hold it against; what is not done says so."""
    unknown = "https://x.example/StructureDefinition/unknown"
    stated = {**PATIENT, "meta": {"profile": [unknown]}}
    expected = check_resource(stated)
    assert [issue.rule for issue in expected] == ["profile-unknown"]
    for response in (
        post(server, "/Patient/$validate", stated),
        post(server, f"/Patient/$validate?profile={unknown}", PATIENT),
        post(server, "/Patient/$validate", parameters(resource=PATIENT, profile=unknown)),
    ):
        assert decode(response.content) == to_operation_outcome(expected)


def test_another_type_than_the_url_says(server):
    said = found(post(server, "/Observation/$validate", PATIENT))
    assert said[0] == ("error", "the URL says Observation, the resource something else")


@pytest.mark.parametrize(
    ("body", "status"),
    [
        ("{", 400), ("", 400), (parameters(mode="guess", resource=PATIENT), 400),
        (parameters(mode="create"), 400), ({"resourceType": "Parameters", "parameter": 5}, 400),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_refused(server, body, status):
    response = post(server, "/Patient/$validate", body)
    assert response.status_code == status
    outcome(response)


@pytest.mark.parametrize("body", [[1], {}, {"resourceType": "Parameters", "meta": 1, "parameter": [
    {"name": "resource", "resource": {"resourceType": "Patient", "meta": 5}}, 7,
    {"name": "profile", "valueUri": "https://x.example/p"}]}])  # fmt: skip
def test_what_is_broken_is_an_answer(server, body):
    assert found(post(server, "/Patient/$validate", body))[0][0] in ("error", "fatal")


def test_whether_it_could_be_deleted(server):
    put(server, "/Patient/mine", {**PATIENT, "id": "mine"})
    assert found(get(server, "/Patient/mine/$validate?mode=delete"))[0][0] == "information"
    assert get(server, "/Patient/none/$validate?mode=delete").status_code == 404
    empty = requests.post(f"{server}/Patient/mine/$validate?mode=delete", timeout=10)
    assert found(empty)[0][0] == "information"
    assert requests.post(f"{server}/Patient/mine/$validate", timeout=10).status_code == 200
