"""References between the resources of one run, in the three forms a run can be written in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal
from urllib.parse import quote

from fhirdrain.resources.identity import uuid_of
from fhirdrain.vocabulary.codes import search_token

Form = Literal["transaction", "ndjson", "collection"]


def identifier(system: str, value: str) -> dict[str, str]:
    """Return a FHIR Identifier."""
    return {"system": system, "value": value}


def token(system: str, value: str) -> str:
    """Return the search token of an identifier, escaped as FHIR asks and URL-encoded."""
    return quote(search_token(system, value), safe=":/|")


@dataclass(frozen=True, slots=True)
class References:
    """Makes references of one form; each carries the identifier of what it points to.

    In bundles resources of this run are `urn:uuid:`, in NDJSON `Type/uuid`. The patient is never
    part of the run: a transaction finds it by a conditional reference, the others name it by
    its identifier alone.
    """

    form: Form

    def to(self, kind: str, system: str, value: str) -> dict[str, Any]:
        """Return a reference to a resource of this run."""
        uuid = uuid_of(system, value)
        target = f"{kind}/{uuid}" if self.form == "ndjson" else f"urn:uuid:{uuid}"
        return {"reference": target, "identifier": identifier(system, value)}

    def patient(self, system: str, value: str) -> dict[str, Any]:
        """Return a reference to a patient the server knows."""
        logical = {"type": "Patient", "identifier": identifier(system, value)}
        if self.form != "transaction":
            return logical
        return {"reference": f"Patient?identifier={token(system, value)}", **logical}

    @staticmethod
    def logical(kind: str, system: str | None, value: str) -> dict[str, Any]:
        """Return a reference by identifier alone, for what we never create."""
        named: dict[str, Any] = {"value": value}
        if system is not None:
            named = identifier(system, value)
        return {"type": kind, "identifier": named}
