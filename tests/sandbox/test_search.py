"""Searches against R4's search.html; each test names the section it holds the sandbox to."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import requests

from fhirdrain.sandbox import storage
from fhirdrain.vocabulary.jsontext import decode
from tests.sandbox.talk import PATIENT, faults_of, get, observation, outcome, post, put

TIMES = ["2025-01-01", "2025-01-02T10:00:00Z", "2025-01-02T23:30:00-02:00", "2025-01-04T00:00:00Z"]


@pytest.fixture
def ward(server):
    """Two patients, two devices, an order, an encounter, and four observations a to d."""
    put(server, "/Patient/p1", {**PATIENT, "id": "p1", "gender": "female", "active": True})
    other = [{"value": "2"}]
    put(server, "/Patient/p2", {"resourceType": "Patient", "id": "p2", "identifier": other})
    for number in (1, 2):
        device = {
            "resourceType": "Device",
            "id": f"d{number}",
            "identifier": [{"system": "https://x.example/d", "value": str(number)}],
            "patient": {"reference": f"Patient/p{number}"},
        }
        put(server, f"/Device/d{number}", device)
    put(server, "/Encounter/e1", encounter())
    put(server, "/ServiceRequest/s1", order())
    rows: dict[str, dict[str, Any]] = {
        "a": {
            "subject": {"reference": "Patient/p1"},
            "device": {"reference": "Device/d1"},
            "encounter": {"reference": "Encounter/e1"},
            "basedOn": [{"reference": "ServiceRequest/s1"}],
            "category": [{"coding": [{"system": "https://x.example/c", "code": "exam"}]}],
        },
        "b": {
            "subject": {"reference": f"{server}/Patient/p1"},
            "code": {"coding": [{"code": "9129-8"}]},
            "hasMember": [{"reference": "Observation/a"}],
            "status": "amended",
        },
        "c": {
            "subject": {"reference": "Patient/p2/_history/1"},
            "device": {"reference": "Device/d2"},
            "derivedFrom": [{"reference": "Observation/a"}, {"reference": "Observation/b"}],
            "code": {"coding": [{"system": "http://loinc.org", "code": "8867-4"}]},
        },
        "d": {
            "subject": {"identifier": PATIENT["identifier"][0], "type": "Patient"},
            "code": {"text": "in words alone"},
        },
    }
    for (id_, more), time in zip(rows.items(), TIMES, strict=True):
        put(server, f"/Observation/{id_}", observation(1, id=id_, effectiveDateTime=time, **more))
    return server


def encounter() -> dict[str, Any]:
    return {
        "resourceType": "Encounter",
        "id": "e1",
        "status": "in-progress",
        "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
        "identifier": [{"value": "stay"}],
        "subject": {"reference": "Patient/p1"},
        "period": {"start": "2025-01-01"},
    }


def order() -> dict[str, Any]:
    return {
        "resourceType": "ServiceRequest",
        "id": "s1",
        "status": "active",
        "intent": "order",
        "subject": {"reference": "Patient/p1"},
        "authoredOn": "2025-01-01",
    }


def bundle(server: str, query: str, kind: str = "Observation", **headers: str) -> dict[str, Any]:
    response = get(server, f"/{kind}?{query}", **headers)
    assert response.status_code == 200, response.text
    body = decode(response.content)
    assert faults_of(body) == []
    return body


def ids(server: str, query: str, kind: str = "Observation") -> str:
    entries = bundle(server, query, kind).get("entry", [])
    return " ".join(e["resource"]["id"] for e in entries if e["search"]["mode"] == "match")


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        ("code=9129-8", "a b"),
        ("code=http://loinc.org|9129-8", "a"),
        ("code=|9129-8", "b"),
        ("code=http://loinc.org|", "a c"),
        ("code:not=http://loinc.org|9129-8", "b c d"),
        ("code:not=9129-8,8867-4", "d"),
        ("code:missing=true", ""),
        ("category:missing=false", "a"),
        ("category:missing=true", "b c d"),
        ("category=exam", "a"),
        ("status=amended", "b"),
        ("status:not=final", "b"),
        ("status=http://hl7.org/fhir/observation-status|final", "a c d"),
        ("status=https://x.example|final", ""),
        ("status=|final", ""),
    ],
)
def test_tokens(ward, query, expected):
    """#token: [code], [system]|[code], |[code], [system]|; :not and :missing."""
    assert ids(ward, query) == expected


def test_tokens_of_other_types(ward):
    """#token: code, boolean, Coding and Identifier are all searched as tokens."""
    assert ids(ward, "gender=female", "Patient") == "p1"
    assert ids(ward, "active=true", "Patient") == "p1"
    assert ids(ward, "active:missing=true", "Patient") == "p2"
    assert ids(ward, "identifier=|2", "Patient") == "p2"
    assert ids(ward, "identifier=https://x.example|", "Patient") == "p1"
    assert ids(ward, "class=IMP", "Encounter") == "e1"
    assert ids(ward, "identifier=stay", "Encounter") == "e1"


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        ("patient=p1", "a b"),
        ("patient=Patient/p1", "a b"),
        ("patient={base}/Patient/p1", "a b"),
        ("subject=p1", "a b"),
        ("subject:Patient=p1", "a b"),
        ("subject=Patient/p2", "c"),
        ("patient=p2,Patient/p1", "a b c"),
        ("patient:identifier=https://x.example|1", "d"),
        ("subject:identifier=1", "d"),
        ("patient.identifier=https://x.example|1", "a b d"),
        ("subject:Patient.identifier=https://x.example|1", "a b d"),
        ("subject:Patient.identifier=2", "c"),
        ("patient.gender=female", "a b"),
        ("device.identifier=https://x.example/d|2", "c"),
        ("device.patient.identifier=1", "a"),
        ("device:Device.patient=p2", "c"),
        ("encounter=e1", "a"),
        ("encounter.identifier=stay", "a"),
        ("based-on=ServiceRequest/s1", "a"),
        ("has-member=Observation/a", "b"),
        ("derived-from=a", "c"),
        ("derived-from=Observation/b", "c"),
        ("device:missing=true", "b d"),
        ("patient=Patient/p1&device=d1", "a"),
        ("subject=Device/d1", ""),
    ],
)
def test_references(ward, query, expected):
    """#reference and #chaining: [id], [type]/[id], [url], :identifier, :[type], chains."""
    assert ids(ward, query.format(base=ward)) == expected


def test_reverse_chains(ward):
    """#has: resources are chosen by what the resources that refer to them say."""
    assert ids(ward, "_has:Observation:patient:code=8867-4", "Patient") == "p2"
    assert ids(ward, "_has:Observation:device:patient.identifier=1", "Device") == "d1"
    assert get(ward, "/Patient?_has:Observation:device:code=1").status_code == 400


@pytest.mark.parametrize(
    ("query", "expected"),
    [
        ("date=2025-01-02", "b"),
        ("date=eq2025-01-02T10:00:00Z", "b"),
        ("date=ne2025-01-02", "a c d"),
        ("date=gt2025-01-02", "c d"),
        ("date=lt2025-01-02T10:00:00Z", "a"),
        ("date=ge2025-01-03", "c d"),
        ("date=le2025-01-02T10:00:00Z", "a b"),
        ("date=sa2025-01-02", "c d"),
        ("date=eb2025-01-02T10:00:00Z", "a"),
        ("date=2025-01-03T01:30:00Z", "c"),
        ("date=2025-01-03T02:30:00%2B01:00", "c"),
        ("date=gt2025-01-02&date=lt2025-01-04", "c"),
        ("date=2025-01-01,2025-01-04", "a d"),
    ],
)
def test_dates(ward, query, expected):
    """#prefix and #date: the range of the value against the range of the target."""
    assert ids(ward, query) == expected


def test_dates_of_instants_timings_and_about(server):
    now = datetime.now(UTC)
    for id_, days in (("near", 95), ("far", 150)):
        time = (now - timedelta(days=days)).isoformat(timespec="seconds")
        put(server, f"/Observation/{id_}", observation(1, id=id_, effectiveInstant=time))
    timing = {"event": ["2020-03-01", "2020-03-05"]}
    put(server, "/Observation/events", observation(1, id="events", effectiveTiming=timing))
    # A tenth of the time between now and the date: 100 days ago, give or take 10.
    about = (now - timedelta(days=100)).date().isoformat()
    assert ids(server, f"date=ap{about}") == "near"
    # Of a Timing only the outer limits count.
    assert ids(server, "date=2020-03") == "events"
    assert ids(server, "date=2020-03-03") == ""
    assert ids(server, "date=lt2020-03-03") == "events"


@pytest.mark.parametrize(
    ("prefix", "found"),
    [
        ("eq", "within"), ("ne", "before over-start over-end around after"),
        ("gt", "over-end around after"), ("lt", "before over-start around"),
        ("ge", "within over-end around after"), ("le", "before over-start within around"),
        ("sa", "after"), ("eb", "before"), ("", "within"),
    ],
)  # fmt: skip
def test_periods_beside_a_day(server, prefix, found):
    """#prefix: ge is met where the range above overlaps, or the value contains the target."""
    periods = {
        "before": ("2025-01-04", "2025-01-04"), "over-start": ("2025-01-04", "2025-01-05T12:00:00Z"),
        "within": ("2025-01-05T08:00:00Z", "2025-01-05T09:00:00Z"),
        "over-end": ("2025-01-05T12:00:00Z", "2025-01-06"), "around": ("2025-01-04", "2025-01-06"),
        "after": ("2025-01-06", None),
    }  # fmt: skip
    for id_, (start, end) in periods.items():
        period = {"start": start, "end": end} if end else {"start": start}
        put(server, f"/Observation/{id_}", observation(1, id=id_, effectivePeriod=period))
    assert ids(server, f"date={prefix}2025-01-05") == found


def test_when_it_was_last_updated(ward):
    """#lastUpdated: when the resource was last changed, with the prefixes of a date."""
    moment = decode(get(ward, "/Observation/c").content)["meta"]["lastUpdated"].replace("+", "%2B")
    assert "c" in ids(ward, f"_lastUpdated={moment}").split()
    assert "c" not in ids(ward, f"_lastUpdated=gt{moment}").split()
    assert ids(ward, "_lastUpdated=lt2020-01-01") == ""
    put(ward, "/Observation/a", observation(1, id="a"))
    assert ids(ward, f"_lastUpdated=gt{moment}").split()[0] == "a"


@pytest.mark.parametrize(
    ("sort", "expected"),
    [
        ("date", "a b c d"), ("-date", "d c b a"), ("_id", "a b c d"), ("-_id", "d c b a"),
        ("status,-date", "b d c a"), ("-status,date", "a c d b"),
        ("code,_id", "c a b d"), ("-code,-_id", "b a c d"), ("_lastUpdated,_id", "a b c d"),
        ("category,-_id", "a d c b"),
    ],
)  # fmt: skip
def test_sorting(ward, sort, expected):
    """#sort: keys by their order, a minus for falling; what has no value comes last (our choice)."""
    assert ids(ward, f"_sort={sort}") == expected


def pages(url: str, meanwhile: Any = None) -> tuple[list[str], set[int]]:
    seen, totals = [], set()
    while url:
        body = decode(requests.get(url, timeout=10).content)
        assert faults_of(body) == []
        totals.add(body["total"])
        seen += [e["resource"]["id"] for e in body["entry"] if e["search"]["mode"] == "match"]
        if meanwhile:
            meanwhile()
        url = next((link["url"] for link in body["link"] if link["relation"] == "next"), "")
    return seen, totals


@pytest.mark.parametrize("query", ["_sort=-date&", "_sort=date&code:not=x&", "", "status=final&"])
def test_pages_hold_together_whatever_is_written_meanwhile(server, query):
    """#paging: a next link leads on from what was shown; nothing twice, nothing left out."""
    names = [f"o{n}" for n in range(9)]
    for n, name in enumerate(names):
        time = f"2025-01-1{n}"
        put(server, f"/Observation/{name}", observation(n, id=name, effectiveDateTime=time))
    expected, _ = pages(f"{server}/Observation?{query}_count=100")
    assert sorted(expected) == names
    turn = iter(range(100))

    def meanwhile() -> None:
        n = next(turn)
        post(server, "/Observation", observation(n, effectiveDateTime="2025-01-11"))
        requests.delete(f"{server}/Observation/o{n}", timeout=10)
        moved = observation(n, id=f"o{8 - n}", effectiveDateTime="2026-01-01", status="amended")
        put(server, f"/Observation/o{8 - n}", moved)

    seen, totals = pages(f"{server}/Observation?{query}_count=2", meanwhile)
    assert seen == expected
    assert totals == {9}


def test_counting(ward):
    """#count and #total: _count=0 means the same as _summary=count."""
    for query in ("_count=0", "_summary=count"):
        body = bundle(ward, f"{query}&status=final")
        assert (body["total"], "entry" in body) == (3, False)
        assert [link["relation"] for link in body["link"]] == ["self"]
    assert "total" not in bundle(ward, "_total=none")
    assert bundle(ward, "_total=accurate&_count=1")["total"] == 4
    assert len(bundle(ward, "_count=3")["entry"]) == 3


def modes(body: dict[str, Any]) -> list[str]:
    return [f"{e['search']['mode']} {e['resource'].get('id', '')}" for e in body["entry"]]


def test_includes(ward):
    """#include: matches and what comes along are told apart by search.mode, nothing twice."""
    along = bundle(ward, "_id=a,c&_include=Observation:device&_include=Observation:patient")
    assert modes(along) == [
        "match a", "match c", "include d1", "include d2", "include p1", "include p2"
    ]  # fmt: skip
    assert modes(bundle(ward, "_id=b&_include=Observation:subject:Patient")) == [
        "match b", "include p1"
    ]  # fmt: skip
    assert modes(bundle(ward, "_id=b&_include=Observation:subject:Device")) == ["match b"]
    assert modes(bundle(ward, "_id=a,b&_include=Observation:has-member")) == ["match a", "match b"]
    reverse = bundle(ward, "_id=d1&_revinclude=Observation:device", "Device")
    assert modes(reverse) == ["match d1", "include a"]
    assert modes(bundle(ward, "_id=p1&_revinclude=Device:patient", "Patient")) == [
        "match p1", "include d1"
    ]  # fmt: skip


@pytest.mark.parametrize(
    "query",
    [
        "nonsense=1", "_sort=nonsense", "_sort=subject", "_include=Observation:nonsense",
        "_include=Device:patient", "_revinclude=Device:patient", "_summary=text", "_text=x",
        "_revinclude=Nonsense:patient", "patient.nonsense=1", "_has:Observation:nonsense:code=1",
    ],
)  # fmt: skip
def test_unknown_parameters(ward, query):
    """#errors: strict: an error; lenient: passed over, and named in an outcome and not in self."""
    for headers in ({}, {"Prefer": "handling=strict"}):
        refused = get(ward, f"/Observation?{query}", **headers)
        assert refused.status_code == 400
        outcome(refused)
    body = bundle(ward, f"{query}&status=amended", Prefer="handling=lenient")
    assert modes(body) == ["match b", "outcome "]
    assert body["entry"][1]["resource"]["issue"][0]["severity"] == "warning"
    assert body["link"][0]["url"] == f"{ward}/Observation?status=amended"
    assert body["total"] == 1


@pytest.mark.parametrize(
    "query",
    [
        "code:above=1", "date:missing=maybe", "date=soon", "date=xx2025", "_count=-1", "_total=some",
        "patient:Device=d1", "subject:Nonsense.identifier=1", "code.identifier=1", "subject=a%20b",
        "_include:iterate=Observation:device", "date=2025-13-01",
        "has-member.has-member.has-member.has-member.has-member.has-member=x",
    ],
)  # fmt: skip
def test_what_cannot_be_done_is_refused_in_any_case(ward, query):
    """#modifiers: a search with a modifier that is not supported is rejected."""
    for prefer in ("handling=strict", "handling=lenient"):
        refused = get(ward, f"/Observation?{query}", Prefer=prefer)
        assert refused.status_code == 400
        outcome(refused)


def search(server: str, path: str, **form: str) -> requests.Response:
    return requests.post(f"{server}{path}", data=form, timeout=10)


def test_searching_by_post(ward):
    """http.html#search: parameters in the body, in the URL, or in both, mean the same."""
    mixed = search(ward, "/Observation/_search?status=final", code="http://loinc.org|")
    body = decode(mixed.content)
    assert faults_of(body) == []
    assert [e["resource"]["id"] for e in body["entry"]] == ["a", "c"]
    again = decode(requests.get(body["link"][0]["url"], timeout=10).content)
    assert again["entry"] == body["entry"]
    empty = requests.post(f"{ward}/Observation/_search?_id=a", timeout=10)
    assert decode(empty.content)["total"] == 1
    first = decode(search(ward, "/Observation/_search", _count="3").content)
    following = next(link["url"] for link in first["link"] if link["relation"] == "next")
    assert len(decode(requests.get(following, timeout=10).content)["entry"]) == 1
    assert post(ward, "/Observation/_search", {}).status_code == 415
    assert get(ward, "/Observation/_search").status_code == 405
    broken = requests.post(
        f"{ward}/Observation/_search",
        data=b"code=%ff",
        headers={"Content-Type": "application/x-www-form-urlencoded"},
        timeout=10,
    )
    assert broken.status_code == 400
    outcome(broken)


def test_escaped_marks(server):
    """#escaping: comma, bar and backslash behind a backslash stand for themselves."""
    for id_, value in (("comma", "a,b"), ("bar", "a|b"), ("slash", "a\\")):
        put(server, f"/Patient/{id_}", {**PATIENT, "id": id_, "identifier": [{"value": value}]})
    for text, expected in (
        ("a\\,b", "comma"), ("|a\\|b", "bar"), ("a\\\\", "slash"), ("a\\\\,a\\,b", "comma slash"),
    ):  # fmt: skip
        params = {"identifier": text, "_sort": "_id"}
        body = requests.get(f"{server}/Patient", params=params, timeout=10).json()
        assert " ".join(e["resource"]["id"] for e in body["entry"]) == expected


def test_values_are_values(server):
    """What is searched for never becomes a part of the question."""
    put(server, "/Patient/p", {**PATIENT, "id": "p"})
    for text in ("' OR 1=1 --", "%", "_", "1') UNION SELECT", "\x00", "\ud7ff"):
        for name in ("identifier", "_id", "gender"):
            params = {name: text}
            response = requests.get(f"{server}/Patient", params=params, timeout=10)
            assert response.json()["total"] == 0


def test_decimal_digits_in_a_page(server):
    text = json.dumps(observation(1)).replace('"value": 5', '"value": 5.00')
    post(server, "/Observation", text)
    assert '"value":5.00,' in get(server, "/Observation?code=9129-8").text


@pytest.mark.parametrize(
    ("kind", "chain"),
    [
        ("Observation", "derived-from.derived-from.derived-from.code"),
        ("Observation", "derived-from.derived-from.derived-from.identifier"),
        ("Observation", "encounter.based-on.encounter.class"),
        ("Observation", "encounter.based-on.patient.identifier"),
        ("Patient", "_has:Observation:patient:_has:Observation:derived-from:device.identifier"),
        ("Patient", "_has:Observation:patient:has-member.derived-from.subject:missing"),
        ("Device", "_has:Observation:device:_has:Observation:has-member:_has:Observation:derived-from:code"),
    ],
)  # fmt: skip
def test_chains_of_three_links_and_no_longer(ward, kind, chain):
    """#chaining sets no bound: three links are answered, and a fourth is said to cost too much."""
    value = "true" if chain.endswith(":missing") else "9129-8"
    assert get(ward, f"/{kind}?{chain}={value}&identifier=1&_sort=-_id").status_code == 200
    back = {"Patient": "Observation", "Device": "Observation"}.get(kind)
    longer = f"{'subject:Patient' if kind == 'Patient' else 'device'}.{chain}" if back else ""
    longer = longer or f"has-member:Observation.{chain}"
    refused = get(ward, f"/{back or kind}?{longer}={value}")
    assert refused.status_code == 400
    outcome(refused)
    assert decode(refused.content)["issue"][0]["code"] == "too-costly"
    assert put(ward, f"/{back or kind}?{longer}={value}", observation(1)).status_code == 400


def test_a_key_of_a_sort_that_comes_again_decides_nothing(ward, monkeypatch):
    """#sort: a key decides between what those before it leave equal; its like leaves all equal."""
    orders = []
    order_of = storage.order_of

    def seen(keys: Any) -> Any:
        orders.append([key.name for key in keys])
        return order_of(keys)

    monkeypatch.setattr(storage, "order_of", seen)
    again = "&_sort=".join(["status,-date,date", *["-status,date"] * 300])
    assert ids(ward, f"_sort={again}") == ids(ward, "_sort=status,-date") == "b d c a"
    assert orders[0] == ["status", "date"]


@pytest.mark.parametrize(
    "text",
    [
        "2025-01-10%2010:00", "2025-01-10x10:00", "2025-W02", "2025-W02-1", "20250110", "20250101T10",
        "2025-01-10T10", "2025-01-10T10:60", "2025-01-10T24:00", "2025-01-10T10:00Z%00", "2025-1-1",
        "2025-01-10T10:00:00%2B15:00", "2025-01-10T10:00%2B01", "2025-01-10T10:00:00,5Z", "2025-02-30",
        "2025-01-10T10:00.5", "\u0662\u0660\u0662\u0665", "2025-01-1\u0660", "2025-01-10Z", "202", "",
    ],
)  # fmt: skip
def test_only_dates_of_r4(ward, text):
    """#date: yyyy-mm-ddThh:mm:ss[Z|(+|-)hh:mm], cut off at any place but behind the hour."""
    for query in (f"/Observation?date=ge{text}", f"/_history?_since={text}"):
        refused = get(ward, query)
        assert refused.status_code == 400
        outcome(refused)


@pytest.mark.parametrize(
    "text",
    [
        "2025", "2025-01", "2025-01-10", "2025-01-10T10:00", "2025-01-10T10:00Z", "2025-01-10T10:00:00",
        "2025-01-10T10:00:60Z", "2025-01-10T10:00:00.1234567Z", "2025-01-10T10:00:00-14:00",
        "2025-01-10T10:00:00+01:00", "2025-01-10T10:00:00%2B01:00",
    ],
)  # fmt: skip
def test_all_dates_of_r4(ward, text):
    """#date and datatypes.html#dateTime; a plus that came as a space is meant as one."""
    assert ids(ward, f"date=lt{text}") == "a b c d" * (text not in ("2025", "2025-01"))
    assert get(ward, f"/_history?_since={text}").status_code == 200
