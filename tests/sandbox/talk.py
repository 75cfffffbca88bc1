"""How the sandbox's tests talk to it, and the resources they talk about."""

from __future__ import annotations

import json
from typing import Any

import requests

from fhirdrain.conformance import check_resource
from fhirdrain.issues import Issue
from fhirdrain.vocabulary.jsontext import decode

JSON = {"Content-Type": "application/fhir+json"}
PATIENT = {"resourceType": "Patient", "identifier": [{"system": "https://x.example", "value": "1"}]}
UUID = "urn:uuid:00000000-0000-4000-8000-00000000000{}"


def faults_of(body: Any) -> list[Issue]:
    """Return what the checker has against a resource; what it only mentions is none of that.

    Where in a text an issue is, an OperationOutcome says in extensions that R4 does not define.
    """
    return [issue for issue in check_resource(body) if issue.severity != "information"]


def post(base: str, path: str, body: Any, **headers: str) -> requests.Response:
    data = body if isinstance(body, str | bytes) else json.dumps(body)
    return requests.post(f"{base}{path}", data=data, headers={**JSON, **headers}, timeout=10)


def put(base: str, path: str, body: Any, **headers: str) -> requests.Response:
    return requests.put(
        f"{base}{path}", data=json.dumps(body), headers={**JSON, **headers}, timeout=10
    )


def get(base: str, path: str, **headers: str) -> requests.Response:
    return requests.get(f"{base}{path}", headers=headers, timeout=10)


def outcome(response: requests.Response) -> str:
    """Return the text of an answer that must be a right OperationOutcome."""
    body = decode(response.content)
    assert body["resourceType"] == "OperationOutcome"
    assert faults_of(body) == []
    return str(body["issue"][0]["details"]["text"])


def observation(number: int, **more: Any) -> dict[str, Any]:
    return {
        "resourceType": "Observation",
        "identifier": [{"system": "https://x.example/o", "value": str(number)}],
        "status": "final",
        "code": {"coding": [{"system": "http://loinc.org", "code": "9129-8"}]},
        "valueQuantity": {"value": 5, "system": "http://unitsofmeasure.org", "code": "mL"},
        **more,
    }


def transaction(*entries: dict[str, Any]) -> dict[str, Any]:
    return {"resourceType": "Bundle", "type": "transaction", "entry": list(entries)}


def creates(resource: dict[str, Any], number: int, condition: str | None = None) -> dict[str, Any]:
    request = {"method": "POST", "url": resource["resourceType"]}
    if condition:
        request["ifNoneExist"] = condition
    return {"fullUrl": UUID.format(number), "resource": resource, "request": request}
