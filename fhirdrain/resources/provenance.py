"""Where a patient's resources came from, program, site file and rows, as Provenance."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from fhirdrain import __version__
from fhirdrain.resources.destination import own_id
from fhirdrain.resources.identity import uuid_of
from fhirdrain.resources.references import Form
from fhirdrain.resources.values import moment

Json = dict[str, Any]

_PIECE = 1 << 20
_PARTICIPANT = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"
_OPERATION = "http://terminology.hl7.org/CodeSystem/v3-DataOperation"


@dataclass(frozen=True, slots=True)
class Sources:
    """What a run is made from: the digests of its files by path and of its site file, and when."""

    files: Mapping[str, bytes]
    site: str
    site_digest: bytes
    recorded: datetime


def digest_of(path: Path) -> bytes:
    """Return the SHA-256 of a file."""
    found = hashlib.sha256()
    with path.open("rb") as stream:
        while piece := stream.read(_PIECE):
            found.update(piece)
    return found.digest()


def provenance_of(
    sources: Sources,
    patient: str,
    rows: Mapping[str, tuple[int, int]],
    resources: Sequence[Json],
    form: Form,
) -> Json:
    """Return the Provenance of one patient's resources.

    `rows` are the first and last line of the patient in each file. Its id is made of what it is
    made from, so that one that is sent again takes its own place.
    """
    files = [(path, *rows[path]) for path in sorted(rows)]
    entities = [
        _entity(sources.files[path], f"{Path(path).name}, lines {first} to {last}")
        for path, first, last in files
    ]
    entities.append(_entity(sources.site_digest, f"site file of {sources.site}"))
    names = "|".join(entity["what"]["identifier"]["value"] for entity in entities)
    return {
        "resourceType": "Provenance",
        "id": uuid_of("provenance", f"{sources.site}|{patient}|{names}"),
        "target": [{"reference": _reference(resource, form)} for resource in resources],
        "recorded": moment(sources.recorded),
        "activity": {"coding": [{"system": _OPERATION, "code": "CREATE"}]},
        "agent": [
            {
                "type": {"coding": [{"system": _PARTICIPANT, "code": "assembler"}]},
                "who": {"display": f"fhirdrain {__version__}"},
            }
        ],
        "entity": entities,
    }


def lines_of(items: Iterable[Any]) -> dict[str, tuple[int, int]]:
    """Return the first and last line that source items stand on, by their file."""
    found: dict[str, tuple[int, int]] = {}
    for item in items:
        if item.file:
            first, last = found.get(item.file, (item.line, item.line))
            found[item.file] = (min(first, item.line), max(last, item.line))
    return found


def _reference(resource: Json, form: Form) -> str:
    name = own_id(resource)
    return f"{resource['resourceType']}/{name}" if form == "ndjson" else f"urn:uuid:{name}"


def _entity(digest: bytes, display: str) -> Json:
    # RFC 6920 names a thing by the hash of its content.
    name = base64.urlsafe_b64encode(digest).decode().rstrip("=")
    what = {
        "identifier": {"system": "urn:ietf:rfc3986", "value": f"ni:///sha-256;{name}"},
        "display": display,
    }
    return {"role": "source", "what": what}
