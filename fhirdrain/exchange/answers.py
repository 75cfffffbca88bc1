"""What a server answers to several resources at once, looked at entry by entry."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from fhirdrain.errors import ServerError

Json = dict[str, Any]


def answers_in(answer: Any, count: int, place: str) -> list[Json]:
    """Return the answers to a bundle's entries; raises `ServerError` for any other number."""
    kinds = ("transaction-response", "batch-response")
    if not isinstance(answer, dict) or answer.get("type") not in kinds:
        raise ServerError("the answer to a transaction is no transaction-response", place=place)
    answers = answer.get("entry", [])
    if not isinstance(answers, list) or len(answers) != count:
        got = len(answers) if isinstance(answers, list) else "no"
        raise ServerError(f"{count} entries were sent and {got} answered", place=place)
    whole = all(
        isinstance(one, dict)
        and isinstance(one.get("response"), dict)
        and isinstance(one.get("resource", {}), dict)
        for one in answers
    )
    if not whole:
        raise ServerError("the answer to a transaction is broken", place=place)
    return answers


def is_answer_to(sent: Json, answer: Json) -> bool:
    """Tell whether an answer can be that to a resource, by type and, where told, identifier."""
    location = located(answer)
    if location is not None and location.split("/")[0] != sent.get("resourceType"):
        return False
    held = answer.get("resource", {})
    if held.get("resourceType") in (None, "OperationOutcome"):
        return True
    mine, theirs = sent.get("identifier"), held.get("identifier")
    # A server may add identifiers of its own.
    ours = not mine or (isinstance(theirs, list) and all(one in theirs for one in mine))
    return held["resourceType"] == sent.get("resourceType") and ours


def located(answer: Mapping[str, Any]) -> str | None:
    """Return the unversioned relative URL of an answered entry."""
    text = str(answer.get("response", {}).get("location", ""))
    match = re.search(r"([A-Z][A-Za-z]+/[A-Za-z0-9\-.]{1,64})(?:/_history/[^/]+)?$", text)
    if match:
        return match[1]
    resource = answer.get("resource", {})
    return f"{resource.get('resourceType')}/{resource['id']}" if "id" in resource else None


def version_of(answer: Mapping[str, Any]) -> str | None:
    """Return the version that an answered entry has now, None where that is not told."""
    response = answer.get("response", {})
    tagged = re.fullmatch(r'(?:W/)?"([^"]+)"', str(response.get("etag", "")))
    if tagged:
        return tagged[1]
    placed = re.search(r"/_history/([A-Za-z0-9\-.]{1,64})$", str(response.get("location", "")))
    if placed:
        return placed[1]
    meta = answer.get("resource", {}).get("meta")
    version = meta.get("versionId") if isinstance(meta, dict) else None
    return version if isinstance(version, str) else None


def status_of(answer: Mapping[str, Any]) -> str:
    """Return the three digits of an answered entry's status, empty where there is none."""
    return str(answer.get("response", {}).get("status", ""))[:3]
