"""Who may come in and what may be written: tokens, reading only, names that reach us."""

from __future__ import annotations

import pytest
import requests

from fhirdrain.sandbox.access import is_signed
from fhirdrain.sandbox.server import running
from fhirdrain.vocabulary.jsontext import decode
from tests.sandbox.talk import PATIENT, faults_of, get, outcome, post, put, transaction

SECRET = "a-token-of-the-tests"


@pytest.fixture(scope="module")
def signed():
    with running("test", token=SECRET) as base:
        yield base


@pytest.mark.parametrize(
    "header", [None, "", "Bearer", "Bearer wrong", f"Basic {SECRET}", SECRET, f"Bearer {SECRET}x"]
)
def test_without_the_token_nothing_is_told(signed, header):
    """RFC 6750: 401 with a WWW-Authenticate that names the scheme."""
    headers = {} if header is None else {"Authorization": header}
    for method, path in (("GET", "/Patient"), ("POST", "/Patient"), ("GET", "/Nonsense/1")):
        response = requests.request(method, f"{signed}{path}", headers=headers, timeout=10)
        assert response.status_code == 401
        assert response.headers["WWW-Authenticate"].startswith("Bearer")
        outcome(response)
        assert SECRET not in response.text


def test_with_the_token_all_is_done(signed):
    for scheme in ("Bearer", "bearer"):
        headers = {"Authorization": f"{scheme} {SECRET}"}
        assert post(signed, "/Patient", PATIENT, **headers).status_code == 201
        assert get(signed, "/Patient", **headers).status_code == 200


def test_who_is_refused_with_much_in_hand_sees_why(signed):
    """The whole request is taken before it is refused, so the answer is not lost on the way."""
    body = b'{"resourceType":"Patient","id":"' + b"x" * 8_000_000 + b'"}'
    with requests.Session() as session:
        for _ in range(3):
            response = session.post(f"{signed}/Patient", data=body, timeout=10)
            assert response.status_code == 401


def test_what_it_can_do_is_told_to_everybody(signed):
    statement = decode(get(signed, "/metadata").content)
    assert "token" in statement["rest"][0]["security"]["description"]


def test_marks_beyond_ascii_are_no_token():
    assert not is_signed("Bearer ä", SECRET)
    assert is_signed(f"Bearer {SECRET}", SECRET)


def test_reading_only(tmp_path):
    """http.html: 405 with an OperationOutcome for what is not done, and Allow (RFC 9110)."""
    file = str(tmp_path / "data")
    mine = {**PATIENT, "id": "mine"}
    with running("test", file) as base:
        put(base, "/Patient/mine", mine)
    with running("test", file, read_only=True) as base:
        refused = [
            post(base, "/Patient", PATIENT),
            put(base, "/Patient/mine", mine),
            put(base, "/Patient?identifier=1", PATIENT),
            requests.delete(f"{base}/Patient/mine", timeout=10),
            requests.delete(f"{base}/Patient?identifier=1", timeout=10),
            post(base, "", transaction({"request": {"method": "DELETE", "url": "Patient/mine"}})),
        ]
        for response in refused:
            assert response.status_code == 405
            assert "read-only" in outcome(response)
        assert refused[0].headers["Allow"] == "GET"
        assert get(base, "/Patient/mine").json()["meta"]["versionId"] == "1"
        assert requests.post(f"{base}/Patient/_search", timeout=10).json()["total"] == 1
        assert post(base, "/Patient/$validate", PATIENT).status_code == 200
        reads = {"request": {"method": "GET", "url": "Patient/mine"}}
        writes = {"request": {"method": "POST", "url": "Patient"}, "resource": PATIENT}
        batch = {"resourceType": "Bundle", "type": "batch", "entry": [reads, writes]}
        entries = post(base, "", batch).json()["entry"]
        assert [e["response"]["status"][:3] for e in entries] == ["200", "405"]
        assert get(base, "/_history").json()["total"] == 1
        statement = decode(get(base, "/metadata").content)
        assert faults_of(statement) == []
        codes = {i["code"] for r in statement["rest"][0]["resource"] for i in r["interaction"]}
        assert not codes & {"create", "update", "delete", "patch"}
        assert not any(r["updateCreate"] for r in statement["rest"][0]["resource"])


@pytest.mark.parametrize("host", ["elsewhere.example", "127.0.0.1.elsewhere.example", "127.1"])
def test_only_loopback_names_are_answered(server, host):
    """A page in a browser may have us called by a name of its own: it is told nothing."""
    response = get(server, "/Patient", Host=host)
    assert response.status_code == 421
    assert "Bundle" not in response.text
    port = server.rpartition(":")[2].partition("/")[0]
    assert get(server, "/Patient", Host=f"localhost:{port}").status_code == 200
