"""Delivery: pieces, lanes, and what becomes of every entry."""

from __future__ import annotations

import threading
from decimal import Decimal
from typing import Any

import pytest

from fhirdrain.errors import ServerError, UnreachableError
from fhirdrain.exchange.client import RequestRefused
from fhirdrain.exchange.delivery import deliver, entries_of, pieces
from fhirdrain.exchange.differences import differences
from fhirdrain.issues import Issue
from fhirdrain.vocabulary.jsontext import decode, encode


def entry(number: int, patient: str, **more: Any) -> dict[str, Any]:
    subject = {
        "reference": f"Patient?identifier=s|{patient}",
        "identifier": {"system": "s", "value": patient},
    }
    resource = {"resourceType": "Observation", "subject": subject, **more}
    request = {"method": "POST", "url": "Observation", "ifNoneExist": f"identifier=o|{number}"}
    return {"fullUrl": f"urn:uuid:{number}", "resource": resource, "request": request}


def bundle(*entries):
    return {"resourceType": "Bundle", "type": "transaction", "entry": list(entries)}


def plain(sent: dict[str, Any]) -> dict[str, Any]:
    """Return a bundle as the server reads it."""
    return decode(encode(sent))


class Server:
    """A server that keeps what it is sent, and fails where it is told to."""

    base = "http://server"
    lock = threading.Lock()

    def __init__(self, *patients: str, fail: dict[int, Exception] | None = None) -> None:
        self.patients = set(patients)
        self.fail = fail or {}
        self.held: dict[str, Any] = {}
        self.sent: list[dict[str, Any]] = []
        self.asked: list[str] = []

    def search(self, kind, params):
        value = params[0][1].split("|")[1]
        self.asked.append(value)
        if value in self.patients:
            yield {"resource": {"resourceType": "Patient", "id": f"id-{value}"}}

    def get(self, url):
        return self.held[url]

    def transaction(self, sent, *, repeatable, correlation=""):
        sent = plain(sent)
        assert repeatable
        self.sent.append(sent)
        if len(self.sent) in self.fail:
            raise self.fail[len(self.sent)]
        answers = []
        for item in sent["entry"]:
            if item["resource"]["resourceType"] == "Patient":
                self.patients.add(item["resource"]["identifier"][0]["value"])
            key = f"{item['resource']['resourceType']}/{item['request']['ifNoneExist'][-1]}"
            status = "200" if key in self.held else "201"
            self.held.setdefault(key, item["resource"])
            answers.append({"response": {"status": status, "location": f"{key}/_history/1"}})
        return {"type": "transaction-response", "entry": answers}


def test_pieces_keep_the_order_of_their_lane():
    entries = entries_of(bundle(*(entry(n, "ab"[n % 2]) for n in range(7))))
    found = [[e.index for e in piece] for piece in pieces(entries, 2)]
    assert found == [[0, 2], [4, 6], [1, 3], [5]]


def test_what_is_there_already_is_not_doubled():
    server, sent = Server("a"), entries_of(bundle(entry(1, "a"), entry(2, "a")))
    assert len(deliver(server, sent).created) == 2
    again = deliver(server, sent)
    assert (len(again.created), len(again.present)) == (0, 2)


def test_a_difference_is_reported_with_its_path():
    server = Server("a")
    deliver(server, entries_of(bundle(entry(1, "a", valueInteger=5))))
    again = deliver(server, entries_of(bundle(entry(1, "a", valueInteger=6))))
    assert [(e.index, found) for e, found in again.different] == [(0, ["valueInteger differs"])]


def test_references_across_pieces_lead_to_where_things_are_now():
    one = entry(1, "a")
    two = entry(2, "a", derivedFrom=[{"reference": "urn:uuid:1"}])
    server = Server("a")
    deliver(server, entries_of(bundle(one, two)), most=1)
    assert server.sent[1]["entry"][0]["resource"]["derivedFrom"][0]["reference"] == "Observation/1"
    assert server.sent[1]["entry"][0]["resource"]["subject"]["reference"] == "Patient/id-a"
    together = Server("a")
    deliver(together, entries_of(bundle(one, two)))
    kept = together.sent[0]["entry"][1]["resource"]["derivedFrom"][0]["reference"]
    assert kept == "urn:uuid:1"


def test_an_unknown_patient_parks_that_patient_alone():
    server = Server("a")
    found = deliver(server, entries_of(bundle(entry(1, "b"), entry(2, "a"), entry(3, "b"))))
    assert [e.index for e, _ in found.parked] == [0, 2]
    assert [e.index for e in found.created] == [1]
    assert "does not know the patient" in found.parked[0][1]


def test_patients_are_created_only_when_asked():
    server = Server()
    found = deliver(server, entries_of(bundle(entry(1, "b"))), create_patients=True)
    assert len(found.created) == 1
    assert server.sent[0]["entry"][0]["resource"]["resourceType"] == "Patient"


def test_several_patients_of_one_identifier_park_too():
    class Twice(Server):
        def search(self, kind, params):
            yield from super().search(kind, params)
            yield {"resource": {"resourceType": "Patient", "id": "another"}}

    found = deliver(Twice("a"), entries_of(bundle(entry(1, "a"))))
    assert "several patients" in found.parked[0][1]


REFUSAL = RequestRefused(422, [Issue("error", "value", "server", "no")])


def test_what_is_refused_goes_alone_with_what_refers_to_it():
    rests = entry(2, "a", derivedFrom=[{"reference": "urn:uuid:1"}])
    entries = entries_of(bundle(entry(1, "a"), rests, entry(3, "a"), entry(4, "b")))
    found = deliver(Server("a", "b", fail={1: REFUSAL}), entries, most=1)
    assert [e.index for e, _ in found.refused] == [0]
    assert "HTTP 422" in found.refused[0][1]
    assert [(e.index, r) for e, r in found.parked] == [
        (1, "what it refers to is not on the server")
    ]
    assert [e.index for e in found.created] == [2, 3]


@pytest.mark.parametrize("error", [UnreachableError("gone"), ServerError("HTTP 500")])
def test_when_the_server_fails_the_rest_waits(error):
    entries = entries_of(bundle(*(entry(n, "a") for n in range(1, 4))))
    found = deliver(Server("a", fail={2: error}), entries, most=1)
    assert (len(found.created), len(found.waiting), found.failure) == (1, 2, error)


def test_an_answer_of_another_length_is_no_answer():
    class Short(Server):
        def transaction(self, sent, *, repeatable, correlation=""):
            sent = plain(sent)
            return {"type": "transaction-response", "entry": []}

    found = deliver(Short("a"), entries_of(bundle(entry(1, "a"))))
    assert "1 entries were sent and 0 answered" in str(found.failure)


@pytest.mark.parametrize(
    ("sent", "held", "expected"),
    [
        ({"v": Decimal("19.00")}, {"v": Decimal("19.0"), "id": "1", "text": {}}, []),
        ({"v": 19}, {"v": Decimal("19.0")}, []),
        ({"v": 19}, {"v": 20}, ["v differs"]),
        ({"v": True}, {"v": 1}, ["v differs"]),
        ({"t": "2025-01-10T10:00:00+01:00"}, {"t": "2025-01-10T09:00:00Z"}, []),
        ({"t": "2025-01-10T10:00:00+01:00"}, {"t": "2025-01-10T10:00:00Z"}, ["t differs"]),
        ({"a": [1]}, {"a": [1, 2]}, ["a has 2 items there, 1 here"]),
        ({"a": {"b": 1}}, {"a": {}}, ["a.b is missing there"]),
        ({"a": {}}, {"a": {"b": 1}}, ["a.b was added there"]),
        ({"meta": {"source": "s"}}, {"meta": {"versionId": "2", "source": "s", "tag": []}}, []),
        ({"meta": {"source": "s"}}, {"meta": {"source": "x"}}, ["meta.source differs"]),
        ({}, {"meta": {"versionId": "2"}}, []),
        (
            {"r": {"reference": "urn:uuid:1", "identifier": {"value": "i"}}},
            {"r": {"reference": "Device/1", "identifier": {"value": "i"}}},
            [],
        ),
        (
            {"r": {"reference": "urn:uuid:1", "identifier": {"value": "i"}}},
            {"r": {"reference": "Device/1", "identifier": {"value": "j"}}},
            ["r.identifier.value differs"],
        ),
    ],
)
def test_what_counts_as_a_difference(sent, held, expected):
    assert differences(sent, held) == expected


def test_one_that_cannot_be_compared_is_said_and_spoils_no_other():
    class Forgetful(Server):
        def get(self, url):
            if url.endswith("/1"):
                raise RequestRefused(404, [])
            return super().get(url)

    server, sent = Forgetful("a"), entries_of(bundle(entry(1, "a"), entry(2, "a")))
    deliver(server, sent)
    again = deliver(server, sent)
    assert [e.index for e, _ in again.uncompared] == [0]
    assert [e.index for e in again.present] == [1]
    assert again.delivered == 2
    assert again.refused == []


@pytest.mark.parametrize(
    "entries", [None, [1], [{}], [{"response": None}], [{"response": {}, "resource": 5}]]
)
def test_broken_answers_to_a_transaction(entries):
    class Broken(Server):
        def transaction(self, sent, *, repeatable, correlation=""):
            sent = plain(sent)
            return {"type": "transaction-response", "entry": entries}

    found = deliver(Broken("a"), entries_of(bundle(entry(1, "a"))))
    assert isinstance(found.failure, ServerError)
    assert len(found.waiting) == 1


def test_without_locations_later_pieces_find_things_by_their_identifiers():
    class Silent(Server):
        def transaction(self, sent, *, repeatable, correlation=""):
            sent = plain(sent)
            answer = super().transaction(sent, repeatable=repeatable)
            for one in answer["entry"]:
                del one["response"]["location"]
            return answer

    one, two = entry(1, "a"), entry(2, "a", derivedFrom=[{"reference": "urn:uuid:1"}])
    server = Silent("a")
    found = deliver(server, entries_of(bundle(one, two)), most=1)
    assert len(found.created) == 2
    reference = server.sent[1]["entry"][0]["resource"]["derivedFrom"][0]["reference"]
    assert reference == "Observation?identifier=o|1"


@pytest.mark.parametrize(
    "answer",
    [
        {"response": {"status": "201", "location": "Device/1"}},
        {
            "response": {"status": "201"},
            "resource": {"resourceType": "Observation", "identifier": [{"value": "x"}]},
        },
    ],
)
def test_answers_in_another_order_are_noticed(answer):
    class Mixed(Server):
        def transaction(self, sent, *, repeatable, correlation=""):
            sent = plain(sent)
            return {"type": "transaction-response", "entry": [answer]}

    one = entry(1, "a", identifier=[{"system": "o", "value": "1"}])
    found = deliver(Mixed("a"), entries_of(bundle(one)))
    assert "not those to what was sent" in str(found.failure)
    assert found.created == []


def test_the_reason_of_one_refused_entry_is_told():
    class Strict(Server):
        def transaction(self, sent, *, repeatable, correlation=""):
            sent = plain(sent)
            outcome = {
                "resourceType": "OperationOutcome",
                "issue": [{"severity": "error", "code": "invariant", "diagnostics": "MRN 12345"}],
            }
            return {
                "type": "transaction-response",
                "entry": [{"response": {"status": "400", "outcome": outcome}}],
            }

    found = deliver(Strict("a"), entries_of(bundle(entry(1, "a"))))
    assert found.refused[0][1] == "HTTP 400; the server says: invariant"
    assert found.told[0].value == "MRN 12345"
