"""What R4 lets servers do in more than one way, and what the client makes of each.

The sections named are those of R4, "RESTful API" (http.html) and "Search" (search.html).
"""

from __future__ import annotations

from typing import Any

import pytest
import responses
from responses.matchers import query_param_matcher

from fhirdrain.errors import ServerError
from fhirdrain.exchange.auth import Bearer
from fhirdrain.exchange.client import Client
from fhirdrain.exchange.delivery import deliver, entries_of
from fhirdrain.exchange.retrieval import fetch, patients_of, referring_to
from fhirdrain.street.reading import Wanted, read_drains
from tests.exchange.test_client import page, statement
from tests.exchange.test_delivery import Server, bundle, entry, plain

BASE = "http://127.0.0.1:1/fhir"


@pytest.fixture
def client():
    client = Client(BASE, Bearer(None))
    yield client
    client.close()


@pytest.fixture
def web():
    with responses.RequestsMock() as mock:
        yield mock


def patients(*named: str) -> list[dict[str, Any]]:
    return [
        {"resourceType": "Patient", "id": str(n), "identifier": [{"system": "s", "value": value}]}
        for n, value in enumerate(named, 1)
    ]


def device(number: int) -> dict[str, Any]:
    return {"resourceType": "Device", "id": str(number)}


def asked(web) -> list[str]:
    return [call.request.url.removeprefix(BASE) for call in web.calls]


# -- 206 where others say 200


def test_pages_that_come_as_206_are_turned_like_others(client, web):
    web.get(f"{BASE}/Device", json=page(device(1), following="Device?page=2"), status=206)
    web.get(f"{BASE}/Device", json=page(device(2), total=2), status=206)
    assert len(list(client.search("Device", []))) == 2


def test_a_last_page_of_206_that_does_not_say_how_many_there_are_is_a_part(client, web):
    web.get(f"{BASE}/Device", json=page(device(1), following="Device?page=2"), status=206)
    web.get(f"{BASE}/Device", json=page(device(2)), status=206)
    with pytest.raises(ServerError, match="206"):
        list(client.search("Device", []))


def test_a_part_of_one_resource_is_not_compared(client, web):
    """A read of 206 may lack what was sent; taken for the whole it would give false differences."""
    web.get(f"{BASE}/Device/1", json=device(1), status=206)
    with pytest.raises(ServerError, match="HTTP 206: not a whole answer"):
        client.get("Device/1")


def test_what_is_there_but_read_only_in_part_is_uncompared(client, web):
    known = [{"response": {"status": "200", "location": "Observation/1"}}]
    answer = {"resourceType": "Bundle", "type": "transaction-response", "entry": known}
    web.get(f"{BASE}/Patient", json=page(*patients("a")))
    web.post(BASE, json=answer)
    web.get(f"{BASE}/Observation/1", json={"resourceType": "Observation"}, status=206)
    found = deliver(client, entries_of(bundle(entry(1, "a"))))
    assert [e.index for e, _ in found.uncompared] == [0]
    assert (found.present, found.different, found.failure) == ([], [], None)


# -- a page that leads to no next one, though there is more ("Paging": links are the server's)


def test_an_answer_cut_off_at_count_is_asked_for_again_whole(client, web):
    whole = page(device(1), device(2), device(3), total=3)
    cut = page(device(1), device(2), total=3)
    counted = query_param_matcher({"type": "t", "_count": "200"})
    web.get(f"{BASE}/Device", json=cut, match=[counted])
    web.get(f"{BASE}/Device", json=whole, match=[query_param_matcher({"type": "t"})])
    assert [r["id"] for r in fetch(client, [("Device", [("type", "t")])])] == ["1", "2", "3"]


def test_an_answer_that_is_cut_off_all_the_same_is_an_error(client, web):
    web.get(f"{BASE}/Device", json=page(device(1), total=2))
    with pytest.raises(ServerError, match="1 of 2 came"):
        list(fetch(client, [("Device", [])]))
    assert asked(web) == ["/Device?_count=200", "/Device"]


def test_a_second_page_that_leads_nowhere_is_an_error(client, web):
    web.get(f"{BASE}/Device", json=page(device(1), following="Device?page=2", total=3))
    web.get(f"{BASE}/Device", json=page(device(2), total=3))
    with pytest.raises(ServerError, match="2 of 3 came"):
        list(fetch(client, [("Device", [])]))


def test_what_was_included_stands_for_no_match(client, web):
    body = page(device(1), total=2)
    body["entry"].append({"resource": patients("a")[0], "search": {"mode": "include"}})
    web.get(f"{BASE}/Device", json=body)
    with pytest.raises(ServerError, match="1 of 2 came"):
        list(client.search("Device", []))


def test_a_short_answer_is_no_answer_to_a_reader(client, web):
    web.get(f"{BASE}/metadata", json=statement("4.0.1"))
    web.get(f"{BASE}/Device", json=page(device(1), total=2))
    with pytest.raises(ServerError, match="not complete"):
        read_drains(client, Wanted())


# -- created, and where it is not said ("Transaction": location is for what has one)


class Terse(Server):
    """Answers without a location, with the resource only if `shows` says so."""

    shows = False

    def transaction(self, sent, *, repeatable, correlation=""):
        sent = plain(sent)
        answer = super().transaction(sent, repeatable=repeatable)
        for one, item in zip(answer["entry"], sent["entry"], strict=True):
            key = one["response"].pop("location").removesuffix("/_history/1")
            if self.shows:
                one["resource"] = {**item["resource"], "id": key.partition("/")[2]}
        return answer


def test_where_no_location_is_given_the_resource_says_where_it_is():
    server = Terse("a")
    server.shows = True
    later = entry(2, "a", derivedFrom=[{"reference": "urn:uuid:1"}])
    found = deliver(server, entries_of(bundle(entry(1, "a"), later)), most=1)
    assert found.locations["urn:uuid:1"] == "Observation/1"
    assert server.sent[1]["entry"][0]["resource"]["derivedFrom"] == [{"reference": "Observation/1"}]


def test_a_patient_created_without_a_location_is_looked_up():
    server = Terse()
    found = deliver(server, entries_of(bundle(entry(1, "b"))), create_patients=True)
    assert len(found.created) == 1
    assert server.asked == ["b", "b"]
    assert server.sent[1]["entry"][0]["resource"]["subject"]["reference"] == "Patient/id-b"


def test_without_location_and_resource_what_was_there_is_uncompared():
    server, sent = Terse("a"), entries_of(bundle(entry(1, "a")))
    assert len(deliver(server, sent).created) == 1
    again = deliver(server, sent)
    assert again.uncompared == [(sent[0], "the server does not say where it is")]


def test_a_patient_that_was_not_created_parks_its_readings():
    class Unwilling(Server):
        def transaction(self, sent, *, repeatable, correlation=""):
            sent = plain(sent)
            assert sent["entry"][0]["resource"]["resourceType"] == "Patient"
            return {"type": "transaction-response", "entry": [{"response": {"status": "403"}}]}

    found = deliver(Unwilling(), entries_of(bundle(entry(1, "b"))), create_patients=True)
    assert [r for _, r in found.parked] == ["the server did not create the patient (HTTP 403)"]


# -- tokens that are compared whatever the case (section "token")


@pytest.mark.parametrize(
    ("held", "found"),
    [
        (["P-1"], []), (["P-1", "p-1"], ["Patient/2"]), (["p-1", "p-1"], ["Patient/1", "Patient/2"]),
        (["p"], []), ([], []),
    ],
)  # fmt: skip
def test_only_the_patient_of_just_this_identifier_is_taken(client, web, held, found):
    web.get(f"{BASE}/Patient", json=page(*patients(*held)))
    assert patients_of(client, "s", "p-1") == found


def test_another_systems_patient_is_not_taken(client, web):
    web.get(f"{BASE}/Patient", json=page(*patients("p-1")))
    assert patients_of(client, "t", "p-1") == []


def test_a_patient_shown_without_identifiers_is_taken_at_the_servers_word(client, web):
    web.get(f"{BASE}/Patient", json=page({"resourceType": "Patient", "id": "1"}))
    assert patients_of(client, "s", "p-1") == ["Patient/1"]


def test_readings_never_go_to_a_patient_of_another_case(client, web):
    """Neither by the search nor by what the server takes the created patient for."""
    other = patients("A")[0]
    kept = [{"response": {"status": "200", "location": "Patient/1"}, "resource": other}]
    web.get(f"{BASE}/Patient", json=page(other))
    web.post(BASE, json={"type": "transaction-response", "entry": kept})
    found = deliver(client, entries_of(bundle(entry(1, "a"))), create_patients=True)
    assert [r for _, r in found.parked] == ["the server did not create the patient (HTTP 200)"]
    assert found.delivered == 0


# -- references: Type/id is what every server knows, the bare id and chains are not ("reference")


def test_what_refers_is_asked_for_by_type_and_id():
    references = [f"Device/{n}" for n in range(31)]
    queries = list(referring_to(references, "DeviceUseStatement", "device"))
    assert [kind for kind, _ in queries] == ["DeviceUseStatement"] * 2
    assert queries[1] == ("DeviceUseStatement", [("device", "Device/30")])
    assert queries[0][1][0][1].split(",") == references[:30]


def test_a_reader_asks_for_a_patient_by_type_and_id(client, web):
    """A server that knows neither `patient=1` nor `patient.identifier` finds it all the same."""
    identifier = {"system": "s", "value": "p-1"}
    held = {**device(5), "patient": {"reference": "Patient/1", "identifier": identifier}}
    web.get(f"{BASE}/metadata", json=statement("4.0.1"))
    web.get(f"{BASE}/Patient", json=page(*patients("p-1")))
    typed = query_param_matcher({"patient": "Patient/1"}, strict_match=False)
    web.get(f"{BASE}/Device", json=page(held), match=[typed])
    for kind in ("ServiceRequest", "Procedure", "Observation"):
        web.get(f"{BASE}/{kind}", json=page(), match=[typed])
    of_device = query_param_matcher({"device": "Device/5"}, strict_match=False)
    for kind in ("DeviceUseStatement", "DeviceRequest"):
        web.get(f"{BASE}/{kind}", json=page(), match=[of_device])
    resources, _, _ = read_drains(client, Wanted(patient=("s", "p-1")))
    assert resources == [held]


def test_a_type_that_a_server_does_not_have_is_not_asked_for(client, web):
    listed = statement("4.0.1") | {"rest": [{"resource": [{"type": "Device"}]}]}
    web.get(f"{BASE}/metadata", json=listed)
    web.get(f"{BASE}/Device", json=page(device(5)))
    for kind in ("ServiceRequest", "Procedure", "Observation", "DeviceUseStatement"):
        web.get(f"{BASE}/{kind}", json=page())
    resources, _, _ = read_drains(client, Wanted())
    assert [r["resourceType"] for r in resources] == ["Device"]
    assert not any("DeviceRequest" in call.request.url for call in web.calls)


def test_a_patient_who_is_not_held_can_still_be_named_by_identifier(client, web):
    web.get(f"{BASE}/metadata", json=statement("4.0.1"))
    web.get(f"{BASE}/Patient", json=page())
    chained = query_param_matcher({"patient.identifier": "s|p-1"}, strict_match=False)
    for kind in ("Device", "ServiceRequest", "Procedure", "Observation"):
        web.get(f"{BASE}/{kind}", json=page(), match=[chained])
    assert read_drains(client, Wanted(patient=("s", "p-1"))) == ([], [], [])
