"""The sandbox against the REST section of the R4 specification (http.html, search.html)."""

from __future__ import annotations

import json
import socket
import sqlite3
import threading
from urllib.parse import urlsplit

import pytest
import requests

from fhirdrain.sandbox import app
from fhirdrain.sandbox.storage import Storage
from fhirdrain.vocabulary.jsontext import decode
from tests.sandbox.talk import (
    JSON,
    PATIENT,
    UUID,
    creates,
    faults_of,
    get,
    observation,
    outcome,
    post,
    put,
    transaction,
)


def test_the_capability_statement_is_right_and_says_what_is_done(server):
    statement = decode(get(server, "/metadata").content)
    assert faults_of(statement) == []
    assert statement["fhirVersion"] == "4.0.1"
    codes = [one["code"] for one in statement["rest"][0]["interaction"]]
    assert codes == ["transaction", "batch", "history-system"]


def test_create_and_read(server):
    created = post(server, "/Patient", PATIENT)
    assert created.status_code == 201
    location = created.headers["Location"]
    assert location.startswith(f"{server}/Patient/")
    assert location.endswith("/_history/1")
    assert created.headers["ETag"] == 'W/"1"'
    body = decode(created.content)
    again = get(server, f"/Patient/{body['id']}")
    assert decode(again.content) == body
    assert body["meta"]["versionId"] == "1"
    assert faults_of(body) == []


def test_an_id_sent_with_a_create_is_not_kept(server):
    body = decode(post(server, "/Patient", {**PATIENT, "id": "mine"}).content)
    assert body["id"] != "mine"


def test_update_raises_the_version_and_guards_it(server):
    first = decode(post(server, "/Patient", PATIENT).content)
    changed = {**first, "active": True}
    second = put(server, f"/Patient/{first['id']}", changed)
    assert (second.status_code, second.headers["ETag"]) == (200, 'W/"2"')
    stale = put(server, f"/Patient/{first['id']}", changed, **{"If-Match": 'W/"1"'})
    assert stale.status_code == 412
    outcome(stale)
    fresh = put(server, f"/Patient/{first['id']}", changed, **{"If-Match": 'W/"2"'})
    assert fresh.headers["ETag"] == 'W/"3"'
    assert put(server, "/Patient/other", {**PATIENT, "id": "different"}).status_code == 400
    assert put(server, "/Patient/mine", {**PATIENT, "id": "mine"}).status_code == 201


def test_conditional_create(server):
    """R4 http.html#ccreate: no match 201, one match 200 and what is there, several 412."""
    first = post(server, "/Patient", PATIENT, **{"If-None-Exist": "identifier=https://x.example|1"})
    second = post(
        server, "/Patient", PATIENT, **{"If-None-Exist": "identifier=https://x.example|1"}
    )
    assert (first.status_code, second.status_code) == (201, 200)
    assert decode(first.content)["id"] == decode(second.content)["id"]
    post(server, "/Patient", PATIENT)
    several = post(
        server, "/Patient", PATIENT, **{"If-None-Exist": "identifier=https://x.example|1"}
    )
    assert several.status_code == 412
    assert "several" in outcome(several)


def test_conditional_update(server):
    query = "/Patient?identifier=https://x.example|1"
    first = put(server, query, PATIENT)
    second = put(server, query, {**PATIENT, "active": True})
    assert (first.status_code, second.status_code) == (201, 200)
    assert decode(second.content)["meta"]["versionId"] == "2"
    assert put(server, f"{query}&_format=json", PATIENT).headers["ETag"] == 'W/"3"'
    mine = {**PATIENT, "identifier": [{"value": "2"}], "id": "mine"}
    assert put(server, "/Patient?identifier=2", mine).headers["Location"].count("/mine/") == 1
    assert put(server, "/Patient?identifier=3", mine).status_code == 409
    assert put(server, query, mine).status_code == 400
    assert put(server, "/Patient", PATIENT).status_code == 400
    assert put(server, query, PATIENT, **{"If-Match": 'W/"1"'}).status_code == 412
    post(server, "/Patient", PATIENT)
    assert put(server, query, PATIENT).status_code == 412


def test_the_same_conditional_create_from_many_threads_makes_one(server):
    statuses: list[int] = []

    def work() -> None:
        headers = {"If-None-Exist": "identifier=https://x.example|1"}
        statuses.append(post(server, "/Patient", PATIENT, **headers).status_code)

    threads = [threading.Thread(target=work) for _ in range(12)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(statuses) == [200] * 11 + [201]


@pytest.mark.parametrize(
    ("body", "status"),
    [
        ("{", 400),
        ("", 400),
        ("[1]", 400),
        ('{"resourceType":"Patient","active":"yes"}', 422),
        ('{"resourceType":"Patient","gender":"x"}', 422),
        ('{"resourceType":"Patient","nmae":[]}', 422),
        ('{"resourceType":"Device"}', 400),
        ('{"resourceType":"Patient","active":true,"active":false}', 400),
    ],
)
def test_what_breaks_base_r4_is_refused(server, body, status):
    response = post(server, "/Patient", body)
    assert response.status_code == status
    outcome(response)


def test_it_never_judges_drain_rules(server):
    odd = observation(
        1, valueQuantity={"value": -5, "code": "ML", "system": "http://unitsofmeasure.org"}
    )
    odd["code"]["coding"][0]["code"] = "9129-9"
    assert post(server, "/Observation", odd).status_code == 201


@pytest.mark.parametrize(
    ("method", "path", "headers", "status"),
    [
        ("GET", "/Patient/none", {}, 404),
        ("GET", "/Nonsense/1", {}, 404),
        ("GET", "/Nonsense", {}, 404),
        ("GET", "/Patient/1/2/3", {}, 404),
        ("PATCH", "/Patient/1", {}, 405),
        ("DELETE", "/metadata", {}, 405),
        ("TRACE", "/Patient/1", {}, 405),
        ("GET", "/Patient/1/$everything", {}, 404),
        ("GET", "/Patient/1/_history/1", {}, 404),
        ("GET", "/Patient?nonsense=1", {}, 400),
        ("GET", "/Patient?identifier:above=1", {}, 400),
        ("GET", "/Observation?date=yesterday", {}, 400),
        ("GET", "/Observation?_count=many", {}, 400),
        ("GET", "/Observation?_include=Observation:performer", {}, 400),
        ("GET", "/metadata", {"Accept": "application/fhir+xml"}, 406),
        ("POST", "/Patient", {"Content-Type": "text/plain"}, 415),
        ("GET", "/metadata", {"Host": "elsewhere.example"}, 421),
    ],
)
def test_every_error_is_an_operation_outcome(server, method, path, headers, status):
    response = requests.request(method, f"{server}{path}", headers=headers, timeout=10)
    assert response.status_code == status
    outcome(response)


def test_decimals_are_kept_digit_by_digit(server):
    for digits in ("19", "19.0", "19.00", "0.1000000000000000055511151231257827"):
        text = json.dumps(observation(1, valueQuantity={"value": 0})).replace(
            '"value": 0', f'"value": {digits}'
        )
        created = post(server, "/Observation", text)
        assert f'"value":{digits}}}' in created.text
        assert f'"value":{digits}}}' in get(server, f"/Observation/{created.json()['id']}").text


# -- transactions


def test_a_transaction_resolves_its_references(server):
    about = observation(1, subject={"reference": UUID.format(2)})
    response = post(server, "/", transaction(creates(about, 1), creates(PATIENT, 2)))
    assert response.status_code == 200
    answer = decode(response.content)
    assert faults_of(answer) == []
    assert [e["response"]["status"] for e in answer["entry"]] == ["201 Created"] * 2
    one, two = (e["response"]["location"].split("/_history")[0] for e in answer["entry"])
    assert decode(get(server, f"/{one}").content)["subject"]["reference"] == two


def test_a_transaction_is_all_or_nothing(server):
    bad = {"resourceType": "Patient", "gender": "x"}
    response = post(server, "", transaction(creates(PATIENT, 1), creates(bad, 2)))
    assert response.status_code == 422
    outcome(response)
    assert decode(get(server, "/Patient").content)["total"] == 0


def test_conditional_references(server):
    """R4 http.html#trules: one match is taken, none or several fail the whole bundle."""
    about = observation(1, subject={"reference": "Patient?identifier=https://x.example|1"})
    none = post(server, "", transaction(creates(observation(9), 9), creates(about, 1)))
    assert none.status_code == 412
    assert decode(get(server, "/Observation").content)["total"] == 0
    patient = decode(post(server, "/Patient", PATIENT).content)
    one = post(server, "", transaction(creates(about, 1)), Prefer="return=representation")
    stored = decode(one.content)["entry"][0]["resource"]
    assert stored["subject"]["reference"] == f"Patient/{patient['id']}"
    post(server, "/Patient", PATIENT)
    assert post(server, "", transaction(creates(about, 1))).status_code == 412


def test_conditional_creates_in_a_transaction(server):
    entry = creates(PATIENT, 1, "identifier=https://x.example|1")
    about = creates(observation(1, subject={"reference": UUID.format(1)}), 2)
    first = decode(post(server, "", transaction(entry, about)).content)
    second = decode(post(server, "", transaction(entry, about)).content)
    assert [e["response"]["status"][:3] for e in second["entry"]] == ["200", "201"]
    assert first["entry"][0]["response"]["location"] == second["entry"][0]["response"]["location"]
    again = creates(PATIENT, 3, "identifier=https://x.example|1")
    assert post(server, "", transaction(entry, again)).status_code == 400


def test_updates_in_a_transaction(server):
    entry = {"resource": {**PATIENT, "id": "p"}, "request": {"method": "PUT", "url": "Patient/p"}}
    assert (
        decode(post(server, "", transaction(entry)).content)["entry"][0]["response"]["status"]
        == "201 Created"
    )
    entry["request"]["ifMatch"] = 'W/"7"'
    assert post(server, "", transaction(entry)).status_code == 412


@pytest.mark.parametrize(
    "bundle",
    [
        {"resourceType": "Patient"},
        {"resourceType": "Bundle", "type": "collection"},
        {"resourceType": "Bundle", "type": "transaction", "entry": [{"resource": PATIENT}]},
        {
            "resourceType": "Bundle",
            "type": "transaction",
            "entry": [{"resource": PATIENT, "request": {"method": "PATCH", "url": "Patient/1"}}],
        },
        {
            "resourceType": "Bundle",
            "type": "transaction",
            "entry": [{"resource": PATIENT, "request": {"method": "POST", "url": "Nonsense"}}],
        },
    ],
)
def test_what_is_no_transaction_is_refused(server, bundle):
    response = post(server, "", bundle)
    assert response.status_code in (400, 422)
    outcome(response)


def test_an_empty_transaction_is_answered(server):
    answer = decode(post(server, "", {"resourceType": "Bundle", "type": "transaction"}).content)
    assert (answer["type"], "entry" in answer) == ("transaction-response", False)


# -- search


@pytest.fixture
def filled(server):
    patient = decode(post(server, "/Patient", PATIENT).content)
    device = {
        "resourceType": "Device",
        "identifier": [{"system": "https://x.example/d", "value": "R1"}],
    }
    made = decode(post(server, "/Device", device).content)
    for hour in range(1, 8):
        post(
            server,
            "/Observation",
            observation(
                hour,
                subject={
                    "reference": f"Patient/{patient['id']}",
                    "identifier": PATIENT["identifier"][0],
                },
                device={"reference": f"Device/{made['id']}"},
                effectivePeriod={
                    "start": f"2025-01-0{hour}T07:00:00Z",
                    "end": f"2025-01-0{hour}T19:00:00Z",
                },
            ),
        )
    return server, patient["id"], made["id"]


def values(server: str, query: str) -> list[str]:
    body = decode(get(server, f"/Observation?{query}").content)
    assert faults_of(body) == []
    return [
        e["resource"]["identifier"][0]["value"]
        for e in body.get("entry", [])
        if e["search"]["mode"] == "match"
    ]


def test_token_and_reference_forms(filled):
    server, patient, device = filled
    everything = [str(n) for n in range(1, 8)]
    for query in (
        "code=http://loinc.org|9129-8", "code=9129-8", "code=http://loinc.org|",
        f"patient={patient}", f"patient=Patient/{patient}", f"subject=Patient/{patient}",
        f"patient={server}/Patient/{patient}",
        "patient.identifier=https://x.example|1", f"device={device}", f"device=x,{device}",
        "device.identifier=https://x.example/d|R1", "status=final", "code=other,9129-8",
    ):  # fmt: skip
        assert values(server, query) == everything, query
    for query in (
        "code=http://loinc.org|other",
        "patient=other",
        "patient.identifier=https://x.example|2",
        f"subject=Device/{patient}",
    ):
        assert values(server, query) == [], query
    assert values(server, "identifier=https://x.example/o|3") == ["3"]
    assert values(server, "code=9129-8&identifier=3,5") == ["3", "5"]


def test_a_value_with_marks_of_its_own_is_escaped(server):
    odd = {**PATIENT, "identifier": [{"system": "https://x.example", "value": "a|b,c"}]}
    post(server, "/Patient", odd)
    found = decode(get(server, "/Patient?identifier=https://x.example|a\\|b\\,c").content)
    assert found["total"] == 1


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        ("date=2025-01-03", "3"),
        ("date=ge2025-01-06", "67"),
        ("date=gt2025-01-06T12:00:00Z", "67"),
        ("date=gt2025-01-06T19:00:00Z", "7"),
        ("date=le2025-01-02T12:00:00Z", "12"),
        ("date=lt2025-01-02", "1"),
        ("date=sa2025-01-05", "67"),
        ("date=eb2025-01-03T00:00:00Z", "12"),
        ("date=ge2025-01-03&date=le2025-01-04", "34"),
        ("date=2025-01", "1234567"),
        ("date=2024", ""),
    ],
)
def test_dates_against_periods(filled, query, expected):
    """R4 search.html#prefix: the range of the value against the range of the target."""
    assert "".join(values(filled[0], query)) == expected


def test_pages_are_whole_and_stable_while_data_arrive(filled):
    server, _, _ = filled
    url, seen = f"{server}/Observation?_count=3&code=9129-8", []
    while url:
        body = decode(requests.get(url, timeout=10).content)
        assert body["total"] == 7
        seen += [e["resource"]["identifier"][0]["value"] for e in body["entry"]]
        post(server, "/Observation", observation(90 + len(seen)))
        url = next((link["url"] for link in body["link"] if link["relation"] == "next"), None)
    assert seen == [str(n) for n in range(1, 8)]


def test_includes_come_once_and_are_marked(filled):
    server, _, device = filled
    body = decode(get(server, "/Observation?_include=Observation:device&_count=5").content)
    included = [e for e in body["entry"] if e["search"]["mode"] == "include"]
    assert [e["resource"]["id"] for e in included] == [device]
    assert body["total"] == 7


def test_data_stays_in_its_file(tmp_path):
    from fhirdrain.sandbox.server import running

    file = str(tmp_path / "data.sqlite")
    with running("test", file) as base:
        id_ = post(base, "/Patient", PATIENT).json()["id"]
    with running("test", file) as base:
        assert get(base, f"/Patient/{id_}").status_code == 200


def test_it_listens_on_loopback_only(server):
    assert server.startswith("http://127.0.0.1:")


# -- at the edges


def test_asking_for_the_headers_changes_nothing(server):
    first = decode(post(server, "/Patient", PATIENT).content)
    url = f"{server}/Patient/{first['id']}"
    body = json.dumps({**first, "active": True})
    response = requests.request("HEAD", url, data=body, headers=JSON, timeout=10)
    assert (response.status_code, response.headers["ETag"]) == (200, 'W/"1"')
    assert requests.head(f"{server}/Patient", timeout=10).status_code == 200
    assert decode(get(server, f"/Patient/{first['id']}").content) == first


def test_a_patient_of_another_server_is_not_ours(server):
    patient = decode(post(server, "/Patient", PATIENT).content)["id"]
    other = f"http://other.example/fhir/Patient/{patient}"
    post(server, "/Observation", observation(1, subject={"reference": other}))
    assert values(server, f"patient={patient}") == []
    assert values(server, "patient.identifier=https://x.example|1") == []
    assert values(server, f"subject={other}") == ["1"]


@pytest.mark.parametrize(
    "entries",
    [
        None, 5, [], [creates(PATIENT, 1), creates(observation(1), 1)],
        [{**creates(PATIENT, 1), "fullUrl": []}], [{**creates(PATIENT, 1), "odd": 1}],
        [{**creates(PATIENT, 1), "request": {"method": "POST", "url": "Patient", "ifNoneExist": 5}}],
        [{"resource": PATIENT, "request": {"method": "POST", "url": "Patient/abc"}}],
    ],
)  # fmt: skip
def test_broken_transactions_are_refused(server, entries):
    response = post(server, "", {"resourceType": "Bundle", "type": "transaction", "entry": entries})
    assert response.status_code in (400, 422)
    outcome(response)


@pytest.mark.parametrize("time", ["2016-12-31T23:59:60Z", "9999", "9999-12-31", "0001"])
def test_times_at_the_edges_are_taken(server, time):
    assert post(server, "/Observation", observation(1, effectiveDateTime=time)).status_code == 201
    assert get(server, "/Observation?date=ge2000").status_code == 200


def test_small_forms(server):
    odd = requests.post(
        f"{server}/Patient",
        data=json.dumps(PATIENT),
        headers={"Content-Type": "Application/FHIR+JSON"},
        timeout=10,
    )
    assert odd.status_code == 201
    assert post(server, "/Patient", PATIENT, **{"If-None-Exist": ""}).status_code == 400
    post(server, "/Observation", observation(1))
    assert values(server, "status=http://hl7.org/fhir/observation-status|final") == ["1"]
    many = ",".join(str(n) for n in range(1100))
    assert get(server, f"/Observation?identifier={many}").status_code == 400


def test_a_body_that_is_too_large(server, monkeypatch):
    """http.html#Status-Codes and RFC 9110: 413 for a body larger than is taken."""
    monkeypatch.setattr(app, "MOST_BYTES", 1000)
    response = post(server, "/Patient", {**PATIENT, "id": "x" * 1000})
    assert response.status_code == 413
    outcome(response)
    assert post(server, "/Patient", PATIENT).status_code == 201


def test_a_file_that_fails_is_an_outcome(server, monkeypatch):
    def fail(*_: object, **__: object) -> None:
        raise sqlite3.OperationalError("disk I/O error")

    monkeypatch.setattr(Storage, "_append", fail)
    response = post(server, "/Patient", PATIENT)
    assert response.status_code == 500
    assert "disk" in outcome(response)
    monkeypatch.undo()
    assert post(server, "/Patient", PATIENT).status_code == 201


def test_searches_that_ask_for_too_much(server):
    form = [("code", ",".join(["x"] * 200))] * 31
    response = requests.post(f"{server}/Observation/_search", data=form, timeout=10)
    assert response.status_code == 400
    outcome(response)
    for count, status in ((2, 200), (3, 400)):  # 400 values of all criteria together
        response = requests.post(f"{server}/Observation/_search", data=form[:count], timeout=10)
        assert response.status_code == status
    deep = {"derived-from.based-on.patient._lastUpdated": ",".join(["ge2020"] * 200)}
    response = requests.post(f"{server}/Observation/_search", data=deep, timeout=10)
    assert response.status_code < 500


@pytest.mark.parametrize(
    ("accept", "status"),
    [
        ("application/fhir+json", 200), ("application/json;q=0.9, text/html", 200), ("*/*", 200),
        ("application/fhir+xml", 406), ("text/turtle", 406), ("text/html", 406),
    ],
)  # fmt: skip
def test_the_form_of_an_answer(server, accept, status):
    """http.html#mime-type: 406 for a form that is not spoken; _format stands above Accept."""
    assert get(server, "/Patient", Accept=accept).status_code == status
    assert get(server, "/Patient?_format=json", Accept=accept).status_code == 200
    assert get(server, "/Patient?_format=xml", Accept=accept).status_code == 406
    fitting = get(server, "/Patient?_format=application/fhir%2Bjson", Accept=accept)
    assert fitting.headers["Content-Type"] == "application/fhir+json; charset=utf-8"


def test_methods_that_are_not_done_say_which_are(server):
    """RFC 9110: a 405 has an Allow header."""
    response = requests.patch(f"{server}/Patient/1", data="[]", timeout=10)
    assert response.headers["Allow"] == "GET, PUT, DELETE"
    assert "PUT" in outcome(response)
    assert requests.options(f"{server}/Patient", timeout=10).status_code == 405


@pytest.mark.parametrize(
    ("there", "headers", "status"),
    [
        (True, {"If-Match": "*"}, 200), (False, {"If-Match": "*"}, 412),
        (True, {"If-Match": 'W/"7", W/"1"'}, 200), (True, {"If-Match": 'W/"7", W/"8"'}, 412),
        (True, {"If-None-Match": "*"}, 412), (False, {"If-None-Match": "*"}, 201),
        (True, {"If-None-Match": 'W/"7", W/"1"'}, 412), (True, {"If-None-Match": 'W/"7"'}, 200),
    ],
)  # fmt: skip
def test_preconditions_of_an_update(server, there, headers, status):
    """RFC 9110, 13.1.1 and 13.1.2: lists of entity tags, and the asterisk for whatever is there."""
    mine = {**PATIENT, "id": "mine"}
    put(server, "/Patient/mine", mine)
    if not there:
        requests.delete(f"{server}/Patient/mine", timeout=10)
        assert put(server, "/Patient/never", {**PATIENT, "id": "never"}, **headers).status_code == (
            status
        )
    before = get(server, "/Patient/mine/_history").json()["total"]
    response = put(server, "/Patient/mine", mine, **headers)
    assert response.status_code == status
    assert get(server, "/Patient/mine/_history").json()["total"] == before + (status != 412)


@pytest.mark.parametrize("condition", ["identifier=&_id=mine", "_id=mine&gender=", "_pretty=true"])
def test_a_condition_says_what_it_asks_for(server, condition):
    """http.html#cdelete, #cond-update: search criteria; one without a value selects nothing."""
    put(server, "/Patient/mine", {**PATIENT, "id": "mine"})
    refused = [
        requests.delete(f"{server}/Patient?{condition}", timeout=10),
        put(server, f"/Patient?{condition}", PATIENT),
        post(server, "/Patient", PATIENT, **{"If-None-Exist": condition}),
    ]
    for response in refused:
        assert response.status_code == 400
        outcome(response)
    assert get(server, "/_history").json()["total"] == 1


def test_general_parameters(server):
    """http.html#parameters: _pretty may be asked for with any interaction, as _format may."""
    put(server, "/Patient/mine?_pretty=true", {**PATIENT, "id": "mine"})
    for path in ("/Patient", "/Patient/mine", "/Patient/mine/_history", "/metadata"):
        assert get(server, f"{path}?_pretty=true&_format=json").status_code == 200
    assert put(server, "/Patient?_id=mine&_pretty=true", PATIENT).status_code == 200


@pytest.mark.parametrize("method", ["PUT", "PATCH", "DELETE", "GET"])
def test_only_post_searches_in_its_body(server, method):
    """RFC 9110, 15.5.6: 405 with Allow for a method that the resource does not have."""
    response = requests.request(
        method, f"{server}/Patient/_search", data=json.dumps(PATIENT), headers=JSON, timeout=10
    )
    assert (response.status_code, response.headers["Allow"]) == (405, "POST")
    outcome(response)


def test_of_very_many_faults_some_are_told(server):
    """RFC 9110, 15.5: an error is explained; 50,000 keys of one name need no 50,000 issues."""
    body = '{"resourceType":"Patient"' + ',"id":"x"' * 50_000 + "}"
    response = post(server, "/Patient", body)
    assert response.status_code == 400
    outcome(response)
    issues = decode(response.content)["issue"]
    assert len(issues) == 101
    assert issues[-1]["details"]["text"] == f"and {50_000 - 1 - 100} more"
    assert {issue["severity"] for issue in issues[:100]} == {"error"}


def spoken(base: str, text: str, *, leaving: bool = False) -> bytes:
    """Say something to the server as it is, and return what it answers until it closes."""
    address = urlsplit(base)
    with socket.create_connection((str(address.hostname), int(address.port or 0))) as line:
        line.sendall(text.encode())
        if leaving:
            line.shutdown(socket.SHUT_WR)
        return b"".join(iter(lambda: line.recv(65536), b""))


@pytest.mark.parametrize(
    ("target", "status"),
    [
        ("http://127.0.0.1/fhir/metadata", 200), ("HTTP://localhost/fhir/Patient?_count=1", 200),
        ("http://elsewhere.example/fhir/metadata", 421), ("http://127.0.0.1", 404), ("*", 404),
    ],
)  # fmt: skip
def test_the_absolute_form_of_a_target(server, target, status):
    """RFC 9112, 3.2.2: a server must accept it, and its host stands above the Host header."""
    request = f"GET {target} HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n"
    head, _, body = spoken(server, request).partition(b"\r\n\r\n")
    assert head.split()[1] == str(status).encode()
    assert json.loads(body)["resourceType"]


@pytest.mark.parametrize(
    "rest",
    ["Content-Length: 100\r\n\r\nabcdefghijkl", "Transfer-Encoding: chunked\r\n\r\nzz\r\nab"],
)
def test_who_leaves_in_the_middle_makes_no_noise(server, caplog, rest):
    """RFC 9112, 8: an incomplete message is no failure of the server, which goes on."""
    spoken(server, f"POST /fhir/Patient HTTP/1.1\r\nHost: 127.0.0.1\r\n{rest}", leaving=True)
    assert get(server, "/Patient").json()["total"] == 0
    assert [record for record in caplog.records if record.exc_info] == []
