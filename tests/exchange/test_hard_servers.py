"""Servers that make it hard: full, busy, strict, forgetful, or without what R4 has for the purpose.

Statuses by RFC 9110, RFC 6585 and R4's "RESTful API" (conditional create, transaction, batch).
"""

from __future__ import annotations

import threading
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from urllib.parse import parse_qsl

import pytest
import responses
from requests.exceptions import ConnectionError as LineBroke

from fhirdrain.errors import ServerError, UnreachableError
from fhirdrain.exchange.auth import Bearer
from fhirdrain.exchange.client import Answer, BusyError, Client, Line, RequestRefused, Way
from fhirdrain.exchange.delivery import deliver, entries_of
from fhirdrain.exchange.patience import Pace, Patience, retry_after
from fhirdrain.issues import Issue
from tests.exchange.test_delivery import bundle, entry, plain

BASE = "http://127.0.0.1:1/fhir"


class Waits(list):
    """Notes how long was waited, and does not wait."""

    def patience(self, **more) -> Patience:
        return Patience(sleep=self.append, draw=lambda: 1.0, **more)


@pytest.fixture
def waits():
    return Waits()


@pytest.fixture
def client(waits):
    client = Client(BASE, Bearer(None), Line(waits.patience()))
    yield client
    client.close()


@pytest.fixture
def web():
    with responses.RequestsMock() as mock:
        yield mock


# -- asking again ---------------------------------------------------------------------------


@pytest.mark.parametrize("status", [408, 425, 429, 502, 503, 504])
def test_a_busy_server_is_asked_again_later_and_later(client, web, waits, status):
    for _ in range(2):
        web.get(f"{BASE}/metadata", status=status)
    web.get(f"{BASE}/metadata", json={"ok": 1})
    assert client.get("metadata") == {"ok": 1}
    assert waits == [0.3, 0.6]


def test_backoff_has_a_part_that_is_drawn():
    waited: list[float] = []
    for drawn in (0.0, 0.5, 1.0):
        Patience(sleep=waited.append, draw=lambda drawn=drawn: drawn).pause(3)
    assert waited == pytest.approx([0.6, 0.9, 1.2])


def test_a_server_that_stays_busy_is_left_alone(client, web, waits):
    for _ in range(4):
        web.get(f"{BASE}/metadata", status=503)
    with pytest.raises(BusyError, match="HTTP 503"):
        client.get("metadata")
    assert len(waits) == 3


def test_the_wait_a_server_asks_for_is_kept(client, web, waits):
    later = datetime.now(UTC) + timedelta(seconds=20)
    web.get(f"{BASE}/metadata", status=429, headers={"Retry-After": "7"})
    date = format_datetime(later, usegmt=True)
    web.get(f"{BASE}/metadata", status=503, headers={"Retry-After": date})
    web.get(f"{BASE}/metadata", status=503, headers={"Retry-After": "soon"})
    web.get(f"{BASE}/metadata", json={})
    client.get("metadata")
    assert waits[0] == 7
    assert 15 < waits[1] <= 20
    assert waits[2] == pytest.approx(1.2)


def test_a_wait_beyond_patience_is_left_to_the_next_run(client, web, waits):
    web.get(f"{BASE}/metadata", status=503, headers={"Retry-After": "3600"})
    with pytest.raises(BusyError, match="asks to wait 3600 s") as caught:
        client.get("metadata")
    assert (caught.value.wait, waits) == (3600, [])


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("120", 120),
        ("0", 0),
        ("", None),
        ("-1", None),
        ("1.5", None),
        ("Fri, 31 Dec 1999 23:59:59 GMT", 0),  # RFC 9110's own example, long past
        ("x" * 30, None),
    ],
)
def test_retry_after(text, seconds):
    assert retry_after({"Retry-After": text}) == seconds


def test_what_would_be_done_twice_is_not_asked_for_twice(client, web, waits):
    web.post(BASE, status=503)
    with pytest.raises(BusyError):
        client.transaction({"resourceType": "Bundle"}, repeatable=False)
    web.post(f"{BASE}/Patient", body=LineBroke("reset"))
    with pytest.raises(UnreachableError):
        client.put_one("POST", "Patient", {"resourceType": "Patient"})
    assert waits == []


def test_a_line_that_breaks_is_tried_again(client, web, waits):
    web.post(BASE, body=LineBroke("reset"))
    web.post(BASE, json={"ok": 1})
    assert client.transaction({}, repeatable=True) == {"ok": 1}
    assert len(waits) == 1


def test_so_many_requests_a_second():
    now, slept = [0.0], []

    def sleep(seconds: float) -> None:
        slept.append(seconds)
        now[0] += seconds

    pace = Pace(4, clock=lambda: now[0], sleep=sleep)
    for _ in range(5):
        pace.wait()
    assert now[0] == pytest.approx(1.0)
    Pace(None, sleep=sleep).wait()
    assert len(slept) == 4


# -- how a server takes several -------------------------------------------------------------


def statement(*codes: str, **types: bool) -> dict:
    resources = [{"type": "Observation", **types}]
    rest = [{"mode": "server", "interaction": [{"code": c} for c in codes], "resource": resources}]
    return {"resourceType": "CapabilityStatement", "fhirVersion": "4.0.1", "rest": rest}


@pytest.mark.parametrize(
    ("said", "way"),
    [
        (statement("transaction", "batch"), Way()),
        (statement("batch"), Way("batch")),
        (statement("search-system"), Way("single")),
        (
            statement("transaction", conditionalCreate=False),
            Way(no_create=frozenset(["Observation"])),
        ),
        (
            statement("transaction", conditionalUpdate=False),
            Way(no_update=frozenset(["Observation"])),
        ),
        ({"resourceType": "CapabilityStatement", "fhirVersion": "4.0.1"}, Way()),
        ({"resourceType": "CapabilityStatement", "fhirVersion": "4.0.1", "rest": 5}, Way()),
    ],
)
def test_the_way_of_a_server(client, web, said, way):
    web.get(f"{BASE}/metadata", json=said)
    assert client.way() == way


class Store:
    """A server that keeps what it is sent, once an identifier, and refuses as it is told to."""

    base = "http://server"

    def __init__(
        self, *, most: int = 10**6, bad: tuple[int, ...] = (), names: bool = False
    ) -> None:
        self.lock = threading.Lock()
        self.held: dict[str, dict] = {}
        self.most = most
        self.bad = {f"o|{number}" for number in bad}
        self.names = names
        self.asked: list[int] = []
        self.kinds: list[str] = []
        self.fail: list[Exception | None] = []

    def search(self, kind, params):
        name, value = params[0]
        assert name == "identifier"
        if kind == "Patient":
            yield {"resource": {"resourceType": "Patient", "id": "p"}}
            return
        for n in range(self.held.get(value, {}).get("times", 0)):
            yield {"resource": {**self.held[value]["is"], "id": f"{value[2:]}-{n}"}}

    def get(self, url):
        raise AssertionError(url)

    def _put(self, body) -> dict:
        request = body["request"]
        condition = request.get("ifNoneExist") or request["url"].partition("?")[2]
        ((_, value),) = parse_qsl(condition) or [("", request["url"])]
        known = value in self.held
        if not known or request["method"] == "PUT":
            self.held[value] = {"is": body["resource"], "times": 1}
        at = f"{body['resource']['resourceType']}/{value[2:]}-0"
        return {
            "response": {"status": "200" if known else "201", "location": at},
            "resource": self.held[value]["is"],
        }

    def transaction(self, sent, *, repeatable, correlation=""):
        sent = plain(sent)
        self.asked.append(len(sent["entry"]))
        self.kinds.append(sent["type"])
        if self.fail and (error := self.fail.pop(0)) is not None:
            raise error
        if len(sent["entry"]) > self.most:
            raise RequestRefused(413, [Issue("error", "too-long", "server", "too large")])
        wrong = [
            n
            for n, one in enumerate(sent["entry"])
            if dict(parse_qsl(one["request"].get("ifNoneExist", ""))).get("identifier") in self.bad
        ]
        if wrong and sent["type"] == "transaction":
            at = [f"Bundle.entry[{n}].resource" if self.names else "" for n in wrong]
            issues = [Issue("error", "value", "server", "no such thing", location=a) for a in at]
            raise RequestRefused(422, issues)
        outcome = {
            "resourceType": "OperationOutcome",
            "issue": [{"severity": "error", "code": "value", "diagnostics": "no such thing"}],
        }
        answers = [
            {"response": {"status": "422", "outcome": outcome}} if n in wrong else self._put(one)
            for n, one in enumerate(sent["entry"])
        ]
        return {"type": f"{sent['type']}-response", "entry": answers}

    def put_one(self, method, url, resource, condition="", match=""):
        self.asked.append(1)
        self.kinds.append(f"{method} {'if' if condition else 'plain'}")
        request = {"method": method, "url": url, "ifNoneExist": condition}
        if not condition and method == "POST":
            request["ifNoneExist"] = f"identifier=o|{resource['valueInteger']}"
            assert f"o|{resource['valueInteger']}" not in self.held
        answer = self._put({"resource": resource, "request": request})
        response = answer["response"]
        return Answer(int(response["status"]), response["location"], answer["resource"])


def some(count: int) -> list:
    return entries_of(bundle(*(entry(n, "a", valueInteger=n) for n in range(1, count + 1))))


def test_a_bundle_that_is_too_large_is_halved():
    server = Store(most=5)
    found = deliver(server, some(20))
    assert len(found.created) == 20
    assert len(server.held) == 20
    assert server.asked[:3] == [20, 10, 5]


def test_one_entry_that_is_too_large_is_refused_alone():
    server = Store(most=0)
    found = deliver(server, some(2))
    assert [e.index for e, _ in found.refused] == [0, 1]


@pytest.mark.parametrize("names", [True, False])
def test_the_one_bad_entry_is_found(names):
    server = Store(bad=(7,), names=names)
    found = deliver(server, some(50))
    assert [(e.index, "no such thing" in r) for e, r in found.refused] == [(6, True)]
    assert len(found.created) == 49
    assert len(server.asked) <= (2 if names else 16)


def test_several_bad_entries_are_found():
    server = Store(bad=(3, 4, 30), names=True)
    found = deliver(server, some(40))
    assert [e.index for e, _ in found.refused] == [2, 3, 29]
    assert len(found.created) == 37


def test_what_refers_to_a_bad_one_waits_for_it():
    server = Store(bad=(1,), names=True)
    rests = [entry(n, "a", derivedFrom=[{"reference": "urn:uuid:1"}]) for n in (2, 3)]
    found = deliver(server, entries_of(bundle(entry(1, "a"), *rests, entry(4, "a"))))
    assert [e.index for e, _ in found.refused] == [0]
    assert [e.index for e, _ in found.parked] == [1, 2]
    assert [e.index for e in found.created] == [3]


def test_another_sender_at_the_same_time_is_let_pass():
    conflict = RequestRefused(409, [Issue("error", "conflict", "server", "at it")])
    server = Store()
    server.fail = [conflict, conflict]
    found = deliver(server, some(3))
    assert len(found.created) == 3
    assert server.asked == [3, 3, 3]


@pytest.mark.parametrize(("times", "outcome"), [(0, "refused"), (1, "present"), (2, "refused")])
def test_a_precondition_that_fails_is_decided_by_what_is_there(times, outcome):
    server = Store()
    (one,) = some(1)
    server.held["o|1"] = {"is": {**one.body["resource"], "subject": SUBJECT}, "times": times}
    server.fail = [RequestRefused(412, [Issue("error", "duplicate", "server", "several")])]
    found = deliver(server, [one])
    assert len(getattr(found, outcome)) == 1
    if times == 2:
        assert found.refused[0][1] == "HTTP 412: the server holds 2 of this identifier"


SUBJECT = {"reference": "Patient/p", "identifier": {"system": "s", "value": "a"}}


def test_a_server_with_batches_alone():
    server = Store(bad=(2,))
    rests = entry(3, "a", valueInteger=3, derivedFrom=[{"reference": "urn:uuid:1"}])
    sent = entries_of(bundle(entry(1, "a", valueInteger=1), entry(2, "a", valueInteger=2), rests))
    found = deliver(server, sent, way=Way("batch"))
    assert server.kinds == ["batch", "batch"]  # what refers goes when that has an address
    assert [e.index for e in found.created] == [0, 2]
    assert [e.index for e, _ in found.refused] == [1]
    led = server.held["o|3"]["is"]["derivedFrom"][0]["reference"]
    assert led == "Observation/1-0"


def test_a_batch_of_which_a_part_met_a_busy_server_is_not_done():
    class Busy(Store):
        def transaction(self, sent, *, repeatable, correlation=""):
            sent = plain(sent)
            answer = super().transaction(sent, repeatable=repeatable)
            answer["entry"][1] = {"response": {"status": "503"}}
            return answer

    found = deliver(Busy(), some(3), way=Way("batch"))
    assert [e.index for e in found.waiting] == [1]
    assert isinstance(found.failure, ServerError)


def test_a_server_that_takes_one_at_a_time():
    server = Store()
    found = deliver(server, some(3), way=Way("single"))
    assert server.kinds == ["POST if"] * 3
    assert len(found.created) == 3
    assert len(deliver(server, some(3), way=Way("single")).present) == 3


@pytest.mark.parametrize(("status", "code"), [(405, ""), (501, ""), (400, "not-supported")])
def test_one_that_takes_no_transaction_and_does_not_say_so_gets_one_at_a_time(status, code):
    server = Store()
    server.fail = [RequestRefused(status, [Issue("error", code or "processing", "server", "no")])]
    found = deliver(server, some(3))
    assert len(found.created) == 3
    assert list(found.notes) == [
        "the server takes no transactions: one resource was sent after the other"
    ]


@pytest.mark.parametrize("kind", ["transaction", "single"])
def test_without_conditional_create_it_is_searched_for_first_and_said(kind):
    server = Store()
    way = Way(kind, no_create=frozenset(["Observation"]))
    first = deliver(server, some(2), way=way)
    assert len(first.created) == 2
    again = deliver(server, some(2), way=way)
    assert len(again.created) == 0
    assert len(server.held) == 2
    assert any("searched" in note for note in again.notes)


def test_several_patients_go_at_the_same_time_and_each_in_order():
    class Slow(Store):
        def __init__(self) -> None:
            super().__init__()
            self.together = threading.Barrier(3, timeout=10)
            self.order: dict[str, list[int]] = {}

        def transaction(self, sent, *, repeatable, correlation=""):
            sent = plain(sent)
            first = sent["entry"][0]["resource"]["subject"]["identifier"]["value"]
            if first not in self.order:
                self.order[first] = []
                self.together.wait()
            for one in sent["entry"]:
                who = one["resource"]["subject"]["identifier"]["value"]
                self.order[who].append(one["resource"]["valueInteger"])
            return super().transaction(sent, repeatable=repeatable)

    server = Slow()
    sent = [entry(n, "abc"[n % 3], valueInteger=n) for n in range(30)]
    found = deliver(server, entries_of(bundle(*sent)), most=4, at_once=3)
    assert len(found.created) == 30
    assert all(seen == sorted(seen) for seen in server.order.values())


def test_when_one_lane_meets_a_dead_server_the_others_stop():
    server = Store()
    server.fail = [UnreachableError("gone")]
    sent = [entry(n, who, valueInteger=n) for n, who in enumerate("abc")]
    settled = []
    found = deliver(server, entries_of(bundle(*sent)), settled=settled.append)
    assert len(found.waiting) == 3
    assert len(settled) == 3
    assert server.asked == [1]


def test_a_server_that_fails_one_patient_takes_the_others():
    server = Store()
    server.fail = [ServerError("HTTP 500: the server failed")]
    sent = [entry(n, who, valueInteger=n) for n, who in enumerate("abc")]
    found = deliver(server, entries_of(bundle(*sent)))
    assert [e.index for e in found.waiting] == [0]
    assert [e.index for e in found.created] == [1, 2]
    assert isinstance(found.failure, ServerError)


def test_a_server_may_add_identifiers_of_its_own():
    class Adds(Store):
        def transaction(self, sent, *, repeatable, correlation=""):
            sent = plain(sent)
            answer = super().transaction(sent, repeatable=repeatable)
            for one in answer["entry"]:
                one["resource"] = {
                    **one["resource"],
                    "identifier": [{"value": "x"}, {"value": "s"}],
                }
            return answer

    (one,) = some(1)
    one.body["resource"]["identifier"] = [{"value": "x"}]
    assert len(deliver(Adds(), [one]).created) == 1
