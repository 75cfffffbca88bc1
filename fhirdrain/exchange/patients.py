"""Whose entries are sent: the patient looked up on the server, created where that is asked for."""

from __future__ import annotations

import re
from collections.abc import Mapping, MutableMapping
from typing import Any

from fhirdrain.exchange.answers import answers_in, located, status_of
from fhirdrain.exchange.client import Client, Way
from fhirdrain.exchange.retrieval import fetch, patients_of

Json = dict[str, Any]


def subject_of(resource: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return the reference to whom a resource is about."""
    return resource.get("subject") or resource.get("patient") or {}


def find_patient(
    client: Client, resource: Json, patients: MutableMapping[str, str], way: Way, *, create: bool
) -> str | None:
    """Find the patient of a resource on the server; return why its lane must be parked, if so.

    `patients` takes up where each conditional reference leads.
    """
    reference = str(subject_of(resource).get("reference", ""))
    match = re.fullmatch(r"Patient\?identifier=(.+)", reference)
    if match is None or reference in patients:
        return None
    identifier = subject_of(resource).get("identifier")
    found = _known(client, identifier, match[1])
    if not found and create and identifier:
        # Two senders may come at once: what was looked for and not found is made in one go.
        with client.lock:
            found, status = _created(client, dict(identifier), match[1], way)
        if len(found) != 1:
            return f"the server did not create the patient (HTTP {status or 'without a status'})"
    if len(found) > 1:
        return "several patients on the server have this identifier"
    if not found:
        return "the server does not know the patient (--create-patients would create it)"
    patients[reference] = found[0]
    return None


def _known(client: Client, identifier: Any, token: str) -> list[str]:
    """Return the references of the patients that a server knows by an identifier."""
    if identifier:
        return patients_of(client, identifier.get("system", ""), identifier["value"])
    patients = fetch(client, [("Patient", [("identifier", token)])])
    return [f"Patient/{p['id']}" for p in patients if p["resourceType"] == "Patient"]


def _created(client: Client, identifier: Json, token: str, way: Way) -> tuple[list[str], str]:
    """Create a patient and return where it is, with the status of the answer."""
    resource = {"resourceType": "Patient", "identifier": [identifier]}
    condition = f"identifier={token}"
    if way.kind == "transaction":
        request = {"method": "POST", "url": "Patient", "ifNoneExist": condition}
        entry = [{"resource": resource, "request": request}]
        bundle = {"resourceType": "Bundle", "type": "transaction", "entry": entry}
        (created,) = answers_in(client.transaction(bundle, repeatable=True), 1, client.base)
    else:
        if "Patient" in way.no_create:
            condition = ""
            if found := _known(client, identifier, token):
                return found, "200"
        answer = client.put_one("POST", "Patient", resource, condition)
        body = answer.body if isinstance(answer.body, dict) else {}
        response = {"status": str(answer.status), "location": answer.location}
        created = {"response": response, "resource": body}
    status = status_of(created)
    # Of what was there already a server may have its own idea: it is looked at, as before.
    where = located(created) if status == "201" else None
    return ([where] if where else _known(client, identifier, token)), status
