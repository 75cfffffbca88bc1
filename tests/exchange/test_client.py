"""The client: no answer is taken for what it is not."""

from __future__ import annotations

import os

import pytest
import requests
import responses

from fhirdrain.errors import (
    ConfigurationError,
    ServerError,
    SignInError,
    UnreachableError,
)
from fhirdrain.exchange.auth import Bearer, bearer_from_environment
from fhirdrain.exchange.client import Client, RequestRefused

BASE = "http://127.0.0.1:1/fhir"


@pytest.fixture
def client():
    client = Client(BASE, Bearer("secret-token"))
    yield client
    client.close()


@pytest.fixture
def web():
    with responses.RequestsMock() as mock:
        yield mock


def statement(release):
    return {"resourceType": "CapabilityStatement", "fhirVersion": release, "format": ["json"]}


@pytest.mark.parametrize("release", ["4.0.1", "4.0.0", "4.3.0"])
def test_releases_that_are_spoken(client, web, release):
    web.get(f"{BASE}/metadata", json=statement(release))
    assert client.release() == release


@pytest.mark.parametrize("body", [statement("5.0.0"), statement("3.0.2"), {}, [], statement("")])
def test_another_release_is_refused(client, web, body):
    web.get(f"{BASE}/metadata", json=body)
    with pytest.raises(ServerError):
        client.release()


def test_a_server_without_json_is_refused(client, web):
    web.get(f"{BASE}/metadata", json={**statement("4.0.1"), "format": ["xml"]})
    with pytest.raises(ServerError, match="no JSON"):
        client.release()


@pytest.mark.parametrize("status", [200, 404])
def test_a_web_page_is_no_fhir(client, web, status):
    web.get(f"{BASE}/metadata", body="<html>hello</html>", content_type="text/html", status=status)
    with pytest.raises(ServerError, match="web page") as caught:
        client.release()
    assert "base URL" in caught.value.hint


@pytest.mark.parametrize(
    ("status", "error"),
    [
        (401, SignInError),
        (403, SignInError),
        (301, ServerError),
        (500, ServerError),
        (503, ServerError),
        (429, ServerError),
    ],
)
def test_statuses(client, web, status, error):
    web.get(f"{BASE}/metadata", status=status, headers={"Location": "https://elsewhere.example/"})
    with pytest.raises(error) as caught:
        client.release()
    assert caught.value.exit_code == 3
    assert "secret-token" not in str(caught.value)


def test_a_refusal_gives_the_servers_reason(client, web):
    outcome = {
        "resourceType": "OperationOutcome",
        "issue": [{"severity": "error", "code": "value", "diagnostics": "odd"}],
    }
    web.post(BASE, json=outcome, status=422)
    with pytest.raises(RequestRefused, match="HTTP 422: error: the server says: value") as caught:
        client.transaction({}, repeatable=True)
    # In its own words the server may quote a patient's values.
    assert "odd" not in str(caught.value)
    assert caught.value.issues[0].value == "odd"


def test_the_token_is_sent_and_never_shown(client, web):
    web.get(f"{BASE}/metadata", json=statement("4.0.1"))
    client.release()
    assert web.calls[0].request.headers["Authorization"] == "Bearer secret-token"
    assert "secret" not in repr(Bearer("secret-token"))


def test_numbers_of_an_answer_keep_their_digits(client, web):
    web.get(f"{BASE}/Observation/1", body='{"v": 19.00}', content_type="application/fhir+json")
    assert str(client.get("Observation/1")["v"]) == "19.00"


def page(*resources, following=None, **more):
    links = [{"relation": "next", "url": following}] if following else []
    entries = [{"resource": r, "search": {"mode": "match"}} for r in resources]
    return {"resourceType": "Bundle", "type": "searchset", "link": links, "entry": entries, **more}


def test_all_pages_are_turned(client, web):
    web.get(f"{BASE}/Patient", json=page({"id": "1"}, following=f"{BASE}/Patient?page=2"))
    web.get(f"{BASE}/Patient", json=page({"id": "2"}, following="Patient?page=3"))
    web.get(f"{BASE}/Patient", json=page({"id": "3"}))
    assert [e["resource"]["id"] for e in client.search("Patient", [])] == ["1", "2", "3"]


@pytest.mark.parametrize(
    "following",
    [
        "https://elsewhere.example/fhir/Patient?page=2",
        "http://127.0.0.1:2/fhir",
        "file:///etc/passwd",
    ],
)
def test_no_page_leads_to_another_origin(client, web, following):
    web.get(f"{BASE}/Patient", json=page({"id": "1"}, following=following))
    with pytest.raises(ServerError, match="another origin"):
        list(client.search("Patient", []))


def test_pages_in_a_circle_end(client, web):
    for _ in range(2):
        web.get(f"{BASE}/Patient", json=page({"id": "1"}, following=f"{BASE}/Patient?page=2"))
    with pytest.raises(ServerError, match="circle"):
        list(client.search("Patient", []))


def test_an_incomplete_answer_is_an_error(client, web):
    outcome = {
        "resourceType": "OperationOutcome",
        "issue": [{"severity": "error", "code": "timeout", "diagnostics": "half of it"}],
    }
    web.get(f"{BASE}/Patient", json=page({"id": "1"}, outcome))
    with pytest.raises(ServerError, match="not complete: the server says timeout"):
        list(client.search("Patient", []))
    web.get(f"{BASE}/Device", json={"resourceType": "Bundle", "type": "collection"})
    with pytest.raises(ServerError, match="no searchset"):
        list(client.search("Device", []))


@pytest.mark.parametrize(
    "url", ["nowhere", "ftp://x.example", "http://", "http://me:pw@x.example/fhir", ""]
)
def test_urls_that_cannot_be_used(url):
    with pytest.raises(ConfigurationError) as caught:
        Client(url, Bearer(None))
    assert "pw" not in str(caught.value).replace("password", "")


def test_nobody_there(client):
    with pytest.raises(UnreachableError, match="refused"):
        client.release()


def test_the_line_breaks(client, web):
    web.get(f"{BASE}/metadata", body=requests.exceptions.ConnectionError("reset"))
    with pytest.raises(UnreachableError):
        client.release()


# -- sign-in


def test_a_token_from_the_environment(monkeypatch):
    monkeypatch.setenv("FHIRDRAIN_TOKEN", "abc")
    assert bearer_from_environment()._token == "abc"


def test_a_token_from_a_file_that_only_we_can_read(monkeypatch, tmp_path):
    file = tmp_path / "token"
    file.write_text("abc\n")
    os.chmod(file, 0o600)
    monkeypatch.setenv("FHIRDRAIN_TOKEN_FILE", str(file))
    assert bearer_from_environment()._token == "abc"
    os.chmod(file, 0o644)
    with pytest.raises(ConfigurationError, match="others can read") as caught:
        bearer_from_environment()
    assert "abc" not in str(caught.value)


def test_tokens_that_cannot_be(monkeypatch, tmp_path):
    monkeypatch.setenv("FHIRDRAIN_TOKEN", "a b\nc")
    with pytest.raises(ConfigurationError) as caught:
        bearer_from_environment()
    assert "a b" not in str(caught.value)
    monkeypatch.setenv("FHIRDRAIN_TOKEN", "abc")
    monkeypatch.setenv("FHIRDRAIN_TOKEN_FILE", str(tmp_path / "none"))
    with pytest.raises(ConfigurationError, match="both set"):
        bearer_from_environment()


def test_a_netrc_is_never_read(monkeypatch, tmp_path, web):
    file = tmp_path / "netrc"
    file.write_text("machine 127.0.0.1 login me password hidden\n")
    monkeypatch.setenv("NETRC", str(file))
    web.get(f"{BASE}/metadata", json=statement("4.0.1"))
    Client(BASE, Bearer(None)).release()
    assert "Authorization" not in web.calls[0].request.headers


def test_what_is_posted_is_fhir_json_with_its_digits(client, web):
    from decimal import Decimal

    web.post(BASE, json={})
    client.transaction({"v": Decimal("19.00")}, repeatable=True)
    request = web.calls[0].request
    assert request.body == b'{"v":19.00}'
    assert request.headers["Content-Type"] == "application/fhir+json"


# -- at the edges


@pytest.mark.parametrize(
    "body",
    [
        {"entry": None}, {"entry": ["a"]}, {"entry": [{}]}, {"entry": [{"resource": 1}]},
        {"link": [{"relation": "next"}], "entry": 5}, {"link": "x"}, {"entry": [{"resource": {}, "search": 1}]},
    ],
)  # fmt: skip
def test_broken_answers_to_a_search(client, web, body):
    web.get(f"{BASE}/Patient", json={"resourceType": "Bundle", "type": "searchset", **body})
    with pytest.raises(ServerError, match="broken"):
        list(client.search("Patient", []))


def test_fewer_matches_than_the_server_counts_are_a_short_answer(client, web):
    web.get(f"{BASE}/Patient", json=page({"id": "1"}, total=1000))
    with pytest.raises(ServerError, match="1 of 1000"):
        list(client.search("Patient", []))


@pytest.mark.parametrize("code", ["incomplete", "too-costly", "throttled"])
def test_a_warning_that_the_answer_is_cut_off_is_an_error(client, web, code):
    outcome = {"resourceType": "OperationOutcome", "issue": [{"severity": "warning", "code": code}]}
    web.get(f"{BASE}/Patient", json=page({"id": "1"}, outcome))
    with pytest.raises(ServerError, match="not complete"):
        list(client.search("Patient", []))


def test_other_warnings_are_kept(client, web):
    outcome = {
        "resourceType": "OperationOutcome",
        "issue": [{"severity": "warning", "code": "deleted"}, None],
    }
    web.get(f"{BASE}/Patient", json=page({"id": "1"}, outcome))
    assert len(list(client.search("Patient", []))) == 1
    assert [issue.code for issue in client.warnings] == ["deleted"]


@pytest.mark.parametrize("status", [400, 404, 410])
def test_a_refused_search_is_a_fault_of_the_server(client, web, status):
    web.get(
        f"{BASE}/Patient", status=status, json={"resourceType": "OperationOutcome", "issue": {}}
    )
    with pytest.raises(ServerError) as caught:
        list(client.search("Patient", []))
    assert caught.value.exit_code == 3


@pytest.mark.parametrize(
    "url",
    ["ftp://u:SECRET@h/fhir", "http://u:SECRET@h/fhir", "http://h/fhir?token=SECRET", "http://h/#SECRET", "http://[::1/SECRET"],
)  # fmt: skip
def test_a_secret_in_a_url_is_refused_and_not_shown(url):
    with pytest.raises(ConfigurationError) as caught:
        Client(url, Bearer(None))
    assert "SECRET" not in str(caught.value)


def test_a_part_of_an_answer_is_no_answer(client, web):
    web.get(f"{BASE}/Patient", json=page({"id": "1"}), status=206)
    with pytest.raises(ServerError, match="206"):
        list(client.search("Patient", []))
    web.get(f"{BASE}/Device", json=page({"id": "1"}, total=1), status=206)
    assert len(list(client.search("Device", []))) == 1


def test_what_a_server_says_stays_out_of_messages(client, web):
    issue = {
        "severity": "error",
        "code": "invalid\nSECOND LINE",
        "expression": ["Patient.where(value='MRN-12345')"],
    }
    web.post(BASE, json={"resourceType": "OperationOutcome", "issue": [issue]}, status=422)
    with pytest.raises(RequestRefused) as caught:
        client.transaction({}, repeatable=True)
    assert "MRN" not in str(caught.value)
    assert "\n" not in str(caught.value)
    assert "MRN-12345" in caught.value.issues[0].value
