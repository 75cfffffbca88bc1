"""The CapabilityStatement tells the truth: what it names is done, what it leaves out is not."""

from __future__ import annotations

from typing import Any

import pytest
import requests

from fhirdrain.conformance.definitions import resource_types
from fhirdrain.sandbox.server import running
from fhirdrain.vocabulary.jsontext import decode
from tests.sandbox.talk import JSON, PATIENT, observation

VALUES = {"token": "https://x.example|x", "date": "ge2025-01-01", "reference": "x"}
RESOURCES: list[dict[str, Any]] = [
    PATIENT,
    observation(1),
    {"resourceType": "Device"},
    {"resourceType": "Basic", "code": {"text": "x"}},
    {"resourceType": "Procedure", "status": "completed", "subject": {"display": "x"}},
]


@pytest.fixture(scope="module")
def house():
    with running("test") as base, requests.Session() as session:
        yield base, session


@pytest.fixture(scope="module")
def rest(house):
    base, session = house
    return decode(session.get(f"{base}/metadata", timeout=10).content)["rest"][0]


def test_every_type_is_there(rest):
    assert [resource["type"] for resource in rest["resource"]] == resource_types()


def test_every_search_parameter_and_include_works(house, rest):
    """Under handling=strict an unknown parameter is an error, so a 200 means it was used."""
    base, session = house
    for resource in rest["resource"]:
        url = f"{base}/{resource['type']}"
        query: list[tuple[str, str]] = [
            (parameter["name"], VALUES[parameter["type"]]) for parameter in resource["searchParam"]
        ]
        query += [("_include", name) for name in resource.get("searchInclude", ())]
        query += [("_revinclude", name) for name in resource.get("searchRevInclude", ())]
        response = session.get(url, params=query, timeout=10)
        assert response.status_code == 200, (url, response.text)
        self_link = response.json()["link"][0]["url"]
        assert self_link.count("&") == len(query) - 1
        names = {parameter["name"] for parameter in resource["searchParam"]}
        for name in {"code", "date", "patient", "subject", "device", "identifier", "x"} - names:
            assert session.get(url, params={name: "1"}, timeout=10).status_code == 400


def test_every_reading_interaction_of_every_type_works(house, rest):
    base, session = house
    paths = {
        "read": "/none", "vread": "/none/_history/1", "history-instance": "/none/_history",
        "history-type": "/_history", "search-type": "",
    }  # fmt: skip
    for resource in rest["resource"]:
        codes = {interaction["code"] for interaction in resource["interaction"]}
        assert codes == {*paths, "create", "update", "delete"}
        for code, path in paths.items():
            response = session.get(f"{base}/{resource['type']}{path}", timeout=10)
            # Of what is not there a read says so; it is not a 405, and not the 404 of a wrong URL.
            assert response.status_code == (404 if "none" in path else 200), code
            if "none" in path:
                assert response.json()["issue"][0]["code"] == "not-found"
        deleted = session.delete(f"{base}/{resource['type']}/none", timeout=10)
        assert deleted.status_code == 204
        assert resource["operation"][0]["name"] == "validate"
        part = {"name": "resource", "resource": {"resourceType": resource["type"]}}
        body = {"resourceType": "Parameters", "parameter": [part]}
        asked = session.post(
            f"{base}/{resource['type']}/$validate", json=body, headers=JSON, timeout=10
        )
        assert asked.status_code == 200
        assert session.patch(f"{base}/{resource['type']}/none", timeout=10).status_code == 405


@pytest.mark.parametrize("resource", RESOURCES, ids=lambda resource: resource["resourceType"])
def test_every_writing_interaction_works(house, rest, resource):
    base, session = house
    kind = resource["resourceType"]
    stated = next(one for one in rest["resource"] if one["type"] == kind)
    assert stated["versioning"] == "versioned"
    url = f"{base}/{kind}"

    def status(method: str, path: str = "", body: Any = None, **headers: str) -> int:
        response = session.request(
            method, f"{url}{path}", json=body, headers={**JSON, **headers}, timeout=10
        )
        return response.status_code

    assert status("POST", body=resource) == 201
    assert stated["updateCreate"]
    assert status("PUT", "/own", {**resource, "id": "own"}) == 201
    assert status("PUT", "/own", {**resource, "id": "own"}) == 200
    assert stated["readHistory"]
    assert status("GET", "/own/_history/1") == 200
    assert stated["conditionalRead"] == "full-support"
    assert status("GET", "/own", **{"If-None-Match": 'W/"2"'}) == 304
    assert status("GET", "/own", **{"If-Modified-Since": "Fri, 01 Jan 2999 00:00:00 GMT"}) == 304
    assert stated["conditionalCreate"]
    assert status("POST", body=resource, **{"If-None-Exist": "_id=own"}) == 200
    assert stated["conditionalUpdate"]
    assert status("PUT", "?_id=own", resource) == 200
    assert stated["conditionalDelete"] == "single"
    assert status("DELETE", "?_id=own") == 204
    assert status("GET", "/own") == 410
    assert status("DELETE", "/own") == 204


def test_the_interactions_of_the_system_work(house, rest):
    base, session = house
    codes = {interaction["code"] for interaction in rest["interaction"]}
    assert codes == {"transaction", "batch", "history-system"}
    for kind in ("transaction", "batch"):
        entry = {"request": {"method": "GET", "url": "Patient"}}
        bundle = {"resourceType": "Bundle", "type": kind, "entry": [entry]}
        answer = session.post(base, json=bundle, headers=JSON, timeout=10).json()
        assert answer["entry"][0]["resource"]["type"] == "searchset"
    assert session.get(f"{base}/_history", timeout=10).json()["type"] == "history"
