"""Batches and transactions against R4's http.html (#transaction, #brules, #trules)."""

from __future__ import annotations

from itertools import permutations
from typing import Any

import pytest

from fhirdrain.vocabulary.jsontext import decode
from tests.sandbox.talk import (
    PATIENT,
    UUID,
    creates,
    faults_of,
    get,
    observation,
    outcome,
    post,
    put,
)

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
    assert faults_of(body) == []
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
        assert ("outcome" in entry["response"]) == failed
    assert answers[0]["response"]["location"].endswith("/_history/1")
    assert answers[2]["response"]["etag"] == 'W/"1"'
    assert answers[4]["resource"]["total"] == 2
    # What an operation gives is the entry's resource (http.html, batch: as of the interaction).
    assert answers[-1]["resource"]["resourceType"] == "OperationOutcome"
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
        [asks("DELETE", "Patient/mine"), asks("DELETE", f"Patient?{SEARCH}")],
        [asks("POST", "Patient", PATIENT, ifNoneExist=SEARCH), asks("PUT", "Patient/mine", MINE)],
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


THEIRS = "http://theirs.example/fhir"


@pytest.mark.parametrize(
    ("root", "reference", "named"),
    [
        (THEIRS, "Patient/123", True), (THEIRS, "Patient/123/_history/1", True),
        (THEIRS, f"{THEIRS}/Patient/123", True), (THEIRS, f"{THEIRS}/Patient/123", False),
        (THEIRS, f"{THEIRS}/Patient/123/_history/1", True),
        ("{base}", "Patient/123", True), ("{base}", "Patient/123", False),
        ("{base}", "{base}/Patient/123", True), ("{base}", "{base}/Patient/123", False),
    ],
)  # fmt: skip
def test_a_reference_leads_to_the_entry_and_to_no_namesake(server, root, reference, named):
    """bundle.html#references: a relative one is resolved by the root of the entry's fullUrl.

    #trules: the server gives a posted entry a new id and updates the references to it.
    """
    put(server, "/Patient/123", {**PATIENT, "id": "123"})
    root, reference = root.format(base=server), reference.format(base=server)
    patient = {"resourceType": "Patient", "identifier": [{"value": "another person"}]}
    about = asks("POST", "Observation", observation(1, subject={"reference": reference}))
    if named:
        about["fullUrl"] = f"{root}/Observation/9"
    made = send(
        server, "transaction",
        {"fullUrl": f"{root}/Patient/123", **asks("POST", "Patient", patient)}, about,
    )  # fmt: skip
    expected = made[0]["response"]["location"].partition("/_history")[0]
    assert expected != "Patient/123"
    stored = get(server, "/" + made[1]["response"]["location"]).json()
    assert stored["subject"]["reference"] == expected
    assert get(server, f"/Observation?subject={expected}").json()["total"] == 1


def test_references_to_what_is_not_in_the_bundle_are_left(server):
    """#trules: what is no entry of the bundle is not touched, contained ones neither."""
    left = ["Patient/1", f"{THEIRS}/Patient/2", f"{THEIRS}/Patient/1x/more", "#p"]
    for number, reference in enumerate(left):
        about = observation(number, subject={"reference": reference})
        if reference == "#p":
            about["contained"] = [{"resourceType": "Patient", "id": "p"}]
        entry = creates(about, 1) | {"fullUrl": f"{THEIRS}/Observation/9"}
        other = creates(PATIENT, 2) | {"fullUrl": f"{THEIRS}/Patient/1x"}
        made = send(server, "transaction", entry, other, Prefer="return=representation")
        assert made[0]["resource"]["subject"]["reference"] == reference


@pytest.mark.parametrize("order", list(permutations(range(3))))
def test_the_outcome_does_not_depend_on_the_order(server, order):
    """#trules: conditional references are resolved when all is written, whatever stands first."""
    whole = observation(
        1, hasMember=[{"reference": "Observation?identifier=https://x.example/o|2"}]
    )
    part = observation(2, subject={"reference": f"Patient?{SEARCH}"})
    entries = [creates(whole, 1), creates(part, 2), creates(PATIENT, 3)]
    send(server, "transaction", *(entries[n] for n in order))
    (patient,) = get(server, "/Patient").json()["entry"]
    found = {e["resource"]["identifier"][0]["value"]: e["resource"] for e in
             get(server, "/Observation").json()["entry"]}  # fmt: skip
    assert found["1"]["hasMember"] == [{"reference": f"Observation/{found['2']['id']}"}]
    assert found["2"]["subject"]["reference"] == f"Patient/{patient['resource']['id']}"
    assert {r["meta"]["versionId"] for r in found.values()} == {"1"}
    assert get(server, f"/Observation?patient={patient['resource']['id']}").json()["total"] == 1
    assert get(server, f"/Observation?has-member={found['2']['id']}").json()["total"] == 1
    assert get(server, "/_history").json()["total"] == 3


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (SEARCH, SEARCH.replace("|", "%7C")), (SEARCH, f"?{SEARCH}"), (SEARCH, "identifier=1"),
        (f"{SEARCH}&active:missing=true", f"active:missing=true&{SEARCH}"),
        (SEARCH, f"{SEARCH}&_format=json"),
    ],
)  # fmt: skip
def test_one_identity_is_not_written_twice_however_it_is_spelt(server, first, second):
    """#trules: a transaction in which the identities of resources overlap fails."""
    creating = asks("POST", "Patient", PATIENT, ifNoneExist=first)
    for other in (
        asks("POST", "Patient", PATIENT, ifNoneExist=second),
        asks("PUT", f"Patient?{second.removeprefix('?')}", PATIENT),
    ):
        for entries in ([creating, other], [other, creating]):
            bundle = {"resourceType": "Bundle", "type": "transaction", "entry": entries}
            response = post(server, "", bundle)
            assert response.status_code == 400
            outcome(response)
    assert get(server, "/_history").json()["total"] == 0


def test_preconditions_of_entries(server):
    """RFC 9110, 13.1: If-Match and If-None-Match, as elements of an entry."""
    for kind in ("batch", "transaction"):
        put(server, "/Patient/mine", MINE)
        assert statuses(send(server, kind, asks("PUT", "Patient/mine", MINE, ifMatch="*"))) == [
            "200"
        ]
        kept = {
            "resourceType": "Bundle",
            "type": kind,
            "entry": [asks("PUT", "Patient/mine", MINE, ifNoneMatch="*")],
        }
        answer = post(server, "", kept)
        told = answer.json()["entry"][0]["response"]["status"] if kind == "batch" else ""
        assert told.startswith("412") if told else answer.status_code == 412
