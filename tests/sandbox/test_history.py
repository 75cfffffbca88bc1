"""Reads, versions, deletions and histories against R4's http.html (#read, #vread, #delete, #history)."""

from __future__ import annotations

from email.utils import parsedate_to_datetime
from http.client import HTTPConnection

import pytest
import requests

from fhirdrain.vocabulary.jsontext import decode, encode
from tests.sandbox.talk import PATIENT, faults_of, get, observation, outcome, post, put

MINE = {**PATIENT, "id": "mine"}


def delete(base: str, path: str, **headers: str) -> requests.Response:
    return requests.delete(f"{base}{path}", headers=headers, timeout=10)


@pytest.fixture
def changed(server):
    """A patient created, changed, deleted and brought back: four versions."""
    put(server, "/Patient/mine", MINE)
    put(server, "/Patient/mine", {**MINE, "active": True})
    delete(server, "/Patient/mine")
    put(server, "/Patient/mine", {**MINE, "active": False})
    return server


def versions(bundle: dict) -> list[tuple[str, str]]:
    return [
        (e["request"]["method"], e["response"]["location"].rpartition("/")[2])
        for e in bundle.get("entry", [])
    ]


def whole(server: str, path: str) -> list[dict]:
    """Return the entries of all pages of a history, each page right by R4."""
    url, entries, totals = f"{server}{path}", [], set()
    while url:
        bundle = decode(requests.get(url, timeout=10).content)
        assert faults_of(bundle) == []
        assert bundle["type"] == "history"
        totals.add(bundle["total"])
        entries += bundle.get("entry", [])
        url = next((link["url"] for link in bundle["link"] if link["relation"] == "next"), None)
    assert totals == {len(entries)}
    return entries


def test_each_version_can_be_read(changed):
    """#vread: the content of the version that is named; a version that is a deletion is 410."""
    first = decode(get(changed, "/Patient/mine/_history/1").content)
    assert ("active" in first, first["meta"]["versionId"]) == (False, "1")
    assert decode(get(changed, "/Patient/mine/_history/2").content)["active"] is True
    gone = get(changed, "/Patient/mine/_history/3")
    assert gone.status_code == 410
    outcome(gone)
    assert decode(get(changed, "/Patient/mine/_history/4").content)["active"] is False
    for unknown in ("5", "0", "01", "x", "99999999999999999999"):
        assert get(changed, f"/Patient/mine/_history/{unknown}").status_code == 404


def test_a_deleted_resource_is_gone_and_can_be_brought_back(server):
    """#delete: 410 on a read afterwards, not found by searches, deleting again is fine."""
    put(server, "/Patient/mine", MINE)
    deleted = delete(server, "/Patient/mine")
    assert (deleted.status_code, deleted.content) == (204, b"")
    assert deleted.headers["ETag"] == 'W/"2"'
    again = delete(server, "/Patient/mine")
    assert (again.status_code, again.headers["ETag"]) == (204, 'W/"2"')
    gone = get(server, "/Patient/mine")
    assert gone.status_code == 410
    outcome(gone)
    for query in ("", "?identifier=1", "?_id=mine", "?active:missing=true"):
        assert decode(get(server, f"/Patient{query}").content)["total"] == 0
    back = put(server, "/Patient/mine", MINE)
    assert (back.status_code, back.headers["ETag"]) == (201, 'W/"3"')
    assert decode(get(server, "/Patient?identifier=1").content)["total"] == 1


def test_deleting_what_never_was(server):
    """#delete: what does not exist at all is answered as if it had just been deleted."""
    assert delete(server, "/Patient/never").status_code == 204
    assert get(server, "/Patient/never").status_code == 404
    said = delete(server, "/Patient/never", Prefer="return=OperationOutcome")
    assert said.status_code == 200
    assert outcome(said) == "done"


def test_conditional_delete(server):
    """#cdelete: none or one match is an ordinary delete, several may be refused with 412."""
    query = "/Patient?identifier=https://x.example|1"
    assert delete(server, query).status_code == 204
    id_ = decode(post(server, "/Patient", PATIENT).content)["id"]
    assert delete(server, query).status_code == 204
    assert get(server, f"/Patient/{id_}").status_code == 410
    post(server, "/Patient", PATIENT)
    post(server, "/Patient", PATIENT)
    several = delete(server, query)
    assert several.status_code == 412
    outcome(several)
    assert decode(get(server, query).content)["total"] == 2
    assert delete(server, "/Patient").status_code == 400
    assert decode(get(server, query).content)["total"] == 2


def test_a_delete_can_be_guarded(server):
    put(server, "/Patient/mine", MINE)
    assert delete(server, "/Patient/mine", **{"If-Match": 'W/"9"'}).status_code == 412
    assert get(server, "/Patient/mine").status_code == 200
    assert delete(server, "/Patient/mine", **{"If-Match": 'W/"1"'}).status_code == 204


def test_history_of_an_instance(changed):
    """#history: newest first, deletions included, with the request and how it was answered."""
    bundle = decode(get(changed, "/Patient/mine/_history").content)
    assert faults_of(bundle) == []
    assert bundle["type"] == "history"
    assert versions(bundle) == [("PUT", "4"), ("DELETE", "3"), ("PUT", "2"), ("PUT", "1")]
    assert ["resource" in entry for entry in bundle["entry"]] == [True, False, True, True]
    assert {entry["request"]["url"] for entry in bundle["entry"]} == {"Patient/mine"}
    answered = [entry["response"]["status"][:3] for entry in bundle["entry"]]
    assert answered == ["201", "204", "200", "201"]  # as they were answered when they came
    newest = bundle["entry"][0]
    assert newest["response"]["etag"] == 'W/"4"'
    assert newest["response"]["lastModified"] == newest["resource"]["meta"]["lastUpdated"]
    assert get(changed, "/Patient/other/_history").status_code == 404


def test_history_of_a_type_and_of_all(changed):
    post(changed, "/Observation", observation(1))
    assert [e["request"]["method"] for e in whole(changed, "/Observation/_history")] == ["POST"]
    assert [e["request"]["url"] for e in whole(changed, "/Observation/_history")] == ["Observation"]
    assert len(whole(changed, "/Patient/_history")) == 4
    assert [e["fullUrl"].split("/")[-2] for e in whole(changed, "/_history")] == [
        "Observation", *["Patient"] * 4
    ]  # fmt: skip
    assert whole(changed, "/Device/_history") == []


def test_history_comes_in_pages_that_hold_together(changed):
    url, seen = f"{changed}/_history?_count=3", []
    while url:
        bundle = decode(requests.get(url, timeout=10).content)
        assert faults_of(bundle) == []
        assert bundle["total"] == 4
        seen += versions(bundle)
        put(changed, "/Patient/mine", MINE)
        url = next((link["url"] for link in bundle["link"] if link["relation"] == "next"), None)
    assert seen == [("PUT", "4"), ("DELETE", "3"), ("PUT", "2"), ("PUT", "1")]
    assert "entry" not in decode(get(changed, "/_history?_count=0").content)


def test_history_since(changed):
    """#history, _since: only versions made at that instant or after it."""
    bundle = decode(get(changed, "/Patient/mine/_history").content)
    third = bundle["entry"][1]["response"]["lastModified"]
    since = requests.get(f"{changed}/_history", params={"_since": third}, timeout=10).json()
    assert {"3", "4"} <= {version for _, version in versions(since)}
    late = requests.get(
        f"{changed}/_history", params={"_since": "2999-01-01T00:00:00Z"}, timeout=10
    )
    assert late.json()["total"] == 0
    for wrong in ("_since=soon", "_count=x", "_at=2025"):
        assert get(changed, f"/_history?{wrong}").status_code == 400


def test_a_read_can_be_spared(server):
    """#cread: 304 Not Modified for the version or the time that the caller has."""
    put(server, "/Patient/mine", MINE)
    first = get(server, "/Patient/mine")
    same = get(server, "/Patient/mine", **{"If-None-Match": first.headers["ETag"]})
    assert (same.status_code, same.content, same.headers["ETag"]) == (304, b"", 'W/"1"')
    assert get(server, "/Patient/mine", **{"If-None-Match": 'W/"7", W/"1"'}).status_code == 304
    assert get(server, "/Patient/mine", **{"If-None-Match": 'W/"2"'}).status_code == 200
    time = first.headers["Last-Modified"]
    assert get(server, "/Patient/mine", **{"If-Modified-Since": time}).status_code == 304
    early = "Mon, 06 Jan 2025 00:00:00 GMT"
    assert get(server, "/Patient/mine", **{"If-Modified-Since": early}).status_code == 200
    assert get(server, "/Patient/mine", **{"If-Modified-Since": "never"}).status_code == 200
    # RFC 9110, 13.1.3: what is no HTTP date is passed over.
    endless = "Mon, 01 Jan 99999999999999999999 00:00:00 GMT"
    assert get(server, "/Patient/mine", **{"If-Modified-Since": endless}).status_code == 200


def test_headers_of_what_is_read_and_written(server):
    made = put(server, "/Patient/mine", MINE)
    read = get(server, "/Patient/mine")
    assert made.headers["Location"] == f"{server}/Patient/mine/_history/1"
    for response in (made, read):
        assert response.headers["ETag"] == 'W/"1"'
        modified = parsedate_to_datetime(response.headers["Last-Modified"])
        updated = decode(response.content)["meta"]["lastUpdated"]
        assert updated.startswith(modified.strftime("%Y-%m-%dT%H:%M:%S"))


@pytest.mark.parametrize("digits", ["19", "19.0", "19.00", "0.0010"])
def test_decimals_keep_their_digits_in_searches_and_histories(server, digits):
    """R4 json.html: the precision of a decimal has a meaning and is kept."""
    body = f'{{"resourceType":"Observation","id":"o","status":"final","code":{{"text":"x"}},"valueQuantity":{{"value":{digits}}}}}'
    headers = {"Content-Type": "application/fhir+json"}
    requests.put(f"{server}/Observation/o", data=body, headers=headers, timeout=10)
    batch = '{"resourceType":"Bundle","type":"batch","entry":[{"request":{"method":"GET","url":"Observation/o"}}]}'
    texts = [
        get(server, "/Observation/o").text,
        get(server, "/Observation/o/_history/1").text,
        get(server, "/Observation").text,
        get(server, "/_history").text,
        post(server, "/", batch).text,
    ]
    assert [f'"value":{digits}}}' in text for text in texts] == [True] * 5


def test_preferences_of_a_write(server):
    """#ops: Prefer return=minimal, representation or OperationOutcome."""
    minimal = put(server, "/Patient/mine", MINE, Prefer="return=minimal")
    assert (minimal.status_code, minimal.content) == (201, b"")
    assert minimal.headers["Location"].endswith("/Patient/mine/_history/1")
    shown = put(server, "/Patient/mine", MINE, Prefer="handling=strict; return=representation")
    assert decode(shown.content)["meta"]["versionId"] == "2"
    said = put(server, "/Patient/mine", MINE, Prefer="return=OperationOutcome")
    assert outcome(said) == "done"


def raw(
    server: str, method: str, path: str, headers: list[tuple[str, str]], body: bytes = b""
) -> int:
    """Send a request whose headers may have several lines; returns the status."""
    host, _, port = server.removeprefix("http://").partition("/")[0].partition(":")
    connection = HTTPConnection(host, int(port), timeout=10)
    connection.putrequest(method, f"/fhir{path}")
    for name, value in [*headers, ("Content-Length", str(len(body)))]:
        connection.putheader(name, value)
    connection.endheaders(body)
    status = connection.getresponse().status
    connection.close()
    return status


def test_several_lines_of_one_header_are_one_list(server):
    """RFC 9110, 5.3: repeated lines of a list are one list with commas."""
    put(server, "/Patient/mine", MINE)
    body = encode(MINE)
    kind = ("Content-Type", "application/fhir+json")
    guard = [("If-None-Match", "*"), ("If-None-Match", 'W/"77"')]
    assert raw(server, "PUT", "/Patient/mine", [kind, *guard], body) == 412
    match = [("If-Match", 'W/"1"'), ("If-Match", 'W/"77"')]
    assert raw(server, "PUT", "/Patient/mine", [kind, *match], body) == 200
    known = [("If-None-Match", 'W/"2"'), ("If-None-Match", 'W/"77"')]
    assert raw(server, "GET", "/Patient/mine", known) == 304
    wishes = [("Prefer", "handling=lenient"), ("Prefer", "return=minimal")]
    assert raw(server, "GET", "/Patient?nonsense=1", wishes) == 200


def test_if_none_match_compares_weakly(server):
    """RFC 9110, 13.1.2: If-None-Match compares weakly, If-Match (13.1.1) does not."""
    put(server, "/Patient/mine", MINE)
    assert get(server, "/Patient/mine", **{"If-None-Match": '"1"'}).status_code == 304
    assert put(server, "/Patient/mine", MINE, **{"If-Match": '"1"'}).status_code == 412
