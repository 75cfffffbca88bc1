"""Batches and transactions against R4's http.html (#transaction, #brules, #trules)."""

from __future__ import annotations

from typing import Any

import pytest

from fhirdrain.conformance import check_resource
from fhirdrain.vocabulary.jsontext import decode
from tests.sandbox.talk import PATIENT, UUID, creates, get, observation, outcome, post, put

MINE = {**PATIENT, "id": "mine"}
SEARCH = "identifier=https://x.example|1"


def asks(method: str, url: str, resource: Any = None, **more: str) -> dict[str, Any]:
    entry = {"request": {"method": method, "url": url, **more}}
    return entry if resource is None else {"resource": resource, **entry}


def send(server: str, kind: str, *entries: dict[str, Any], **headers: str) -> list[dict[str, Any]]:
    """Post a bundle and return the entries of its answer, which must be right R4."""
    bundle = {"resourceType": "Bundle", "type": kind, "entry": list(entries)}
    response = post(server, "", bundle, **headers)
    assert response.status_code == 200, response.text
    body = decode(response.content)
    assert check_resource(body) == []
    assert body["type"] == f"{kind}-response"
    return body["entry"]


def statuses(entries: list[dict[str, Any]]) -> list[str]:
    return [entry["response"]["status"][:3] for entry in entries]


def test_each_entry_of_a_batch_stands_on_its_own(server):
    """#brules: what becomes of one entry alters no other; each has its outcome in its place."""
    answers = send(
        server, "batch",
        asks("POST", "Patient", PATIENT),
        asks("POST", "Patient", {"resourceType": "Patient", "gender": "x"}),
        asks("PUT", "Patient/mine", MINE),
        asks("GET", "Patient/none"),
        asks("GET", "Patient?identifier=1"),
        asks("PATCH", "Patient/mine", {"resourceType": "Binary", "contentType": "x/y"}),
        asks("DELETE", "Patient/mine"),
        asks("GET", "Patient/mine"),
        asks("GET", "Nonsense/1"),
        asks("POST", "Patient"),
        asks("GET", "Patient?nonsense=1"),
        asks("POST", "Patient/$validate", PATIENT),
    )  # fmt: skip
    assert statuses(answers) == [
        "201", "422", "201", "404", "200", "405", "204", "410", "404", "400", "400", "200"
    ]  # fmt: skip
    for entry in answers:
        failed = entry["response"]["status"][0] == "4"
        assert ("outcome" in entry["response"]) == (failed or entry is answers[-1])
    assert answers[0]["response"]["location"].endswith("/_history/1")
    assert answers[2]["response"]["etag"] == 'W/"1"'
    assert answers[4]["resource"]["total"] == 2
    assert "PATCH" in answers[5]["response"]["outcome"]["issue"][0]["details"]["text"]
    assert decode(get(server, "/Patient").content)["total"] == 1


def test_conditions_of_entries(server):
    """#transaction: ifMatch, ifNoneMatch, ifModifiedSince, ifNoneExist stand for the headers."""
    put(server, "/Patient/mine", MINE)
    answers = send(
        server, "batch",
        asks("PUT", "Patient/mine", MINE, ifMatch='W/"9"'),
        asks("PUT", "Patient/mine", MINE, ifMatch='W/"1"'),
        asks("GET", "Patient/mine", ifNoneMatch='W/"2"'),
        asks("GET", "Patient/mine", ifModifiedSince="2999-01-01T00:00:00Z"),
        asks("POST", "Patient", PATIENT, ifNoneExist=SEARCH),
        asks("PUT", f"Patient?{SEARCH}", PATIENT),
        asks("DELETE", f"Patient?{SEARCH}"),
        asks("GET", "Patient/mine/_history/1"),
        asks("GET", "Patient/mine/_history"),
        asks("GET", f"{server}/Patient/mine/_history/2"),
        asks("GET", "https://elsewhere.example/fhir/Patient/mine"),
        asks("HEAD", "Patient/mine/_history/1"),
    )  # fmt: skip
    assert statuses(answers) == [
        "412", "200", "304", "304", "200", "200", "204", "200", "200", "200", "400", "200"
    ]  # fmt: skip
    assert "resource" not in answers[2]
    assert answers[8]["resource"]["total"] == 4
    assert "resource" not in answers[11]


def test_what_a_batch_brings_back(server):
    """#ops: the caller's Prefer holds for the entries."""
    entry = asks("POST", "Patient", PATIENT)
    assert "resource" not in send(server, "batch", entry)[0]
    shown = send(server, "batch", entry, Prefer="return=representation")[0]
    assert shown["resource"]["meta"]["versionId"] == "1"
    said = send(server, "batch", entry, Prefer="return=OperationOutcome")[0]
    assert said["response"]["outcome"]["issue"][0]["severity"] == "information"
    lenient = asks("GET", "Patient?nonsense=1")
    found = send(server, "batch", lenient, Prefer="handling=lenient")[0]
    assert found["resource"]["entry"][-1]["search"]["mode"] == "outcome"


@pytest.mark.parametrize(
    "entries",
    [5, [5], [{"resource": PATIENT}], [{"request": {"method": "X", "url": "Patient"}}], None],
)
def test_a_batch_of_broken_form_is_refused(server, entries):
    response = post(server, "", {"resourceType": "Bundle", "type": "batch", "entry": entries})
    assert response.status_code == 422
    outcome(response)


def test_no_bundle_stands_in_a_bundle(server):
    inner = {"resourceType": "Bundle", "type": "batch"}
    assert statuses(send(server, "batch", asks("POST", "/", inner))) == ["422"]


def test_a_transaction_goes_delete_post_put_get(server):
    """#trules: the order is DELETE, POST, PUT, GET; the answers stand as the entries do."""
    put(server, "/Patient/old", {**PATIENT, "id": "old"})
    put(server, "/Patient/mine", MINE | {"identifier": [{"value": "mine"}]})
    answers = send(
        server, "transaction",
        asks("GET", "Patient?active=true"),
        asks("PUT", "Patient/mine", {**MINE, "identifier": [{"value": "2"}], "active": True}),
        asks("POST", "Patient", {**PATIENT, "active": True}, ifNoneExist=SEARCH),
        asks("GET", "Patient/old/_history"),
        asks("DELETE", "Patient/old"),
    )  # fmt: skip
    # The delete came first, so the conditional create found nothing; the reads came last.
    assert statuses(answers) == ["200", "200", "201", "200", "204"]
    assert answers[0]["resource"]["total"] == 2
    assert answers[3]["resource"]["entry"][0]["request"]["method"] == "DELETE"
    methods = [e["request"]["method"] for e in decode(get(server, "/_history").content)["entry"]]
    assert methods[:3] == ["PUT", "POST", "DELETE"]


@pytest.mark.parametrize(
    "bad",
    [
        asks("GET", "Patient/none"),
        asks("PUT", "Patient/other", {**PATIENT, "id": "different"}),
        asks("PUT", "Patient/mine", MINE, ifMatch='W/"9"'),
        asks("DELETE", "Patient?identifier=twice"),
        asks("PUT", "Patient?identifier=twice", PATIENT),
        asks("POST", "Patient", PATIENT, ifNoneExist="nonsense=1"),
        asks("PATCH", "Patient/mine", MINE),
        asks("POST", "Patient/_search"),
        asks("POST", "Patient", {"resourceType": "Device"}),
        asks("PUT", "Patient/mine"),
        asks("DELETE", "Patient"),
        asks("POST", "Observation", observation(1, subject={"reference": "Patient?identifier=9"})),
        asks("POST", "Observation", observation(1, subject={"reference": UUID.format(7)})),
    ],
)
def test_one_failure_fails_a_transaction(server, bad):
    """#trules: a transaction succeeds or fails as one; the outcome says which entry."""
    for number in ("1", "2", "3"):
        twice = {**PATIENT, "id": f"t{number}", "identifier": [{"value": "twice"}]}
        put(server, f"/Patient/t{number}", twice)
    before = get(server, "/_history").json()["total"]
    good = (asks("POST", "Patient", PATIENT), asks("DELETE", "Patient/t1"))
    entries = [*good, bad, asks("PUT", "Patient/new", {**PATIENT, "id": "new"})]
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": entries}
    response = post(server, "", bundle)
    assert 400 <= response.status_code < 500
    outcome(response)
    assert "entry[2]" in decode(response.content)["issue"][0]["expression"][0]
    assert get(server, "/_history").json()["total"] == before


@pytest.mark.parametrize(
    "entries",
    [
        [asks("PUT", "Patient/mine", MINE), asks("DELETE", "Patient/mine")],
        [asks("PUT", "Patient/mine", MINE), asks("PUT", "Patient/mine", MINE)],
        [asks("PUT", "Patient/mine", MINE), asks("PUT", f"Patient?{SEARCH}", PATIENT)],
        [asks("DELETE", "Patient/mine"), asks("DELETE", "Patient/mine")],
        [
            asks("POST", "Patient", PATIENT, ifNoneExist=SEARCH),
            asks("PUT", f"Patient?{SEARCH}", PATIENT),
        ],
    ],
)
def test_identities_may_not_overlap(server, entries):
    """#trules: a transaction in which the identities of resources overlap fails."""
    put(server, "/Patient/mine", MINE)
    response = post(server, "", {"resourceType": "Bundle", "type": "transaction", "entry": entries})
    assert response.status_code == 400
    outcome(response)
    assert get(server, "/_history").json()["total"] == 1


def test_conditional_references_are_resolved_when_all_is_there(server):
    """#trules: conditional references are resolved after the writes, so to a later entry too."""
    about = creates(observation(1, subject={"reference": f"Patient?{SEARCH}"}), 1)
    made = send(server, "transaction", about, creates(PATIENT, 2), Prefer="return=representation")
    patient = made[1]["resource"]["id"]
    assert made[0]["resource"]["subject"]["reference"] == f"Patient/{patient}"
    # A second patient of that identifier, in the same transaction, leaves it undecided.
    again = post(
        server,
        "",
        {"resourceType": "Bundle", "type": "transaction", "entry": [about, creates(PATIENT, 2)]},
    )
    assert again.status_code == 412


def test_references_lead_to_updated_and_found_entries(server):
    put(server, "/Patient/mine", MINE)
    update = {"fullUrl": UUID.format(2), **asks("PUT", f"Patient?{SEARCH}", PATIENT)}
    device = {"resourceType": "Device", "id": "d"}
    put_device = {"fullUrl": "https://x.example/Device/d", **asks("PUT", "Device/d", device)}
    about = observation(
        1, subject={"reference": UUID.format(2)}, device={"reference": "https://x.example/Device/d"}
    )
    made = send(server, "transaction", creates(about, 1), update, put_device)
    stored = get(server, "/" + made[0]["response"]["location"]).json()
    assert stored["subject"]["reference"] == "Patient/mine"
    assert stored["device"]["reference"] == "Device/d"


def test_deleted_by_condition_in_a_transaction(server):
    put(server, "/Patient/mine", MINE)
    answers = send(
        server, "transaction", asks("DELETE", f"Patient?{SEARCH}"), asks("DELETE", "Patient/never")
    )
    assert statuses(answers) == ["204", "204"]
    assert get(server, "/Patient/mine").status_code == 410
    back = send(server, "transaction", asks("PUT", "Patient/mine", MINE, ifMatch='W/"2"'))
    assert statuses(back) == ["201"]
