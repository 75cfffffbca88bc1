"""Sending a bundle's entries: in pieces, once each, and looking at what became of every one."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from typing import Any

from fhirdrain.errors import FhirdrainError, ServerError
from fhirdrain.exchange.client import Client, RequestRefused
from fhirdrain.exchange.retrieval import fetch, patients_of
from fhirdrain.issues import Issue, from_operation_outcome

Json = dict[str, Any]

MOST_ENTRIES = 200


@dataclass(frozen=True, slots=True)
class Entry:
    """One outgoing entry: a bundle entry with the lane in which its order is kept."""

    index: int
    lane: str
    body: Json

    @property
    def label(self) -> str:
        """Return a name for messages that holds no patient's values."""
        return f"entry {self.index} ({self.body['resource'].get('resourceType', '?')})"


@dataclass(slots=True)
class Delivery:
    """What became of everything that was sent.

    `created`, `present` (there already, and the same), `different` (there already, not the same,
    with what differs), `uncompared` (there already, and why it could not be compared), `refused`
    (with the server's reason), `parked` (its patient is not known there), `waiting` (not known to
    be there, since the server or the line failed: `failure`). `told` is what the server said.
    """

    created: list[Entry] = field(default_factory=list)
    present: list[Entry] = field(default_factory=list)
    updated: list[Entry] = field(default_factory=list)
    different: list[tuple[Entry, list[str]]] = field(default_factory=list)
    uncompared: list[tuple[Entry, str]] = field(default_factory=list)
    refused: list[tuple[Entry, str]] = field(default_factory=list)
    parked: list[tuple[Entry, str]] = field(default_factory=list)
    waiting: list[Entry] = field(default_factory=list)
    locations: dict[str, str] = field(default_factory=dict)
    told: list[Issue] = field(default_factory=list)
    failure: FhirdrainError | None = None

    @property
    def delivered(self) -> int:
        """Return how many entries the server now holds."""
        there = (self.created, self.present, self.updated, self.different, self.uncompared)
        return sum(len(entries) for entries in there)


def entries_of(bundle: Mapping[str, Any]) -> list[Entry]:
    """Return a bundle's entries with their lanes: entries of one subject share a lane."""
    return [
        Entry(index, _lane(entry.get("resource", {})), dict(entry))
        for index, entry in enumerate(bundle.get("entry", ()))
    ]


def _subject(resource: Mapping[str, Any]) -> Mapping[str, Any]:
    return resource.get("subject") or resource.get("patient") or {}


def _lane(resource: Mapping[str, Any]) -> str:
    return str(_subject(resource).get("reference") or _subject(resource).get("identifier") or "")


def pieces(entries: Iterable[Entry], most: int = MOST_ENTRIES) -> Iterator[list[Entry]]:
    """Yield the entries lane by lane, at most so many together, in their order."""
    lanes: dict[str, list[Entry]] = {}
    for entry in entries:
        lanes.setdefault(entry.lane, []).append(entry)
    for lane in lanes.values():
        for start in range(0, len(lane), most):
            yield lane[start : start + most]


def deliver(
    client: Client,
    entries: Iterable[Entry],
    *,
    create_patients: bool = False,
    most: int = MOST_ENTRIES,
    told: Callable[[int], None] | None = None,
    located: Mapping[str, str] | None = None,
) -> Delivery:
    """Send entries to a server and return what became of each; `told` hears how many were sent.

    `located` is where the server has what was sent before, by full URL.

    A lane whose patient the server does not know is parked, the others go on. When a piece is
    refused, the rest of its lane is refused with it, so that nothing overtakes. When the server or
    the line fails, everything not yet sent is left waiting.
    """
    delivery = Delivery(locations=dict(located or {}))
    patients: dict[str, str] = {}
    closed: dict[str, str] = {}
    sent = 0
    for piece in pieces(entries, most):
        if told is not None:
            told(sent)
        sent += len(piece)
        lane = piece[0].lane
        if delivery.failure is not None:
            delivery.waiting += piece
        elif lane in closed:
            delivery.refused += [(entry, closed[lane]) for entry in piece]
        else:
            try:
                reason = _patient(client, piece, patients, create_patients)
                if reason:
                    delivery.parked += [(entry, reason) for entry in piece]
                    continue
                _send_piece(client, piece, patients, delivery)
            except RequestRefused as refusal:
                closed[lane] = "not sent, since an earlier entry of its patient was refused"
                delivery.refused += [(entry, refusal.message) for entry in piece]
                delivery.told += refusal.issues
            except FhirdrainError as error:
                delivery.failure = error
                delivery.waiting += piece
    return delivery


# -- patients -------------------------------------------------------------------------------


def _patient(
    client: Client, piece: list[Entry], patients: dict[str, str], create: bool
) -> str | None:
    """Find the patient of a piece on the server; return why its lane must be parked, if so."""
    reference = str(_subject(piece[0].body["resource"]).get("reference", ""))
    match = re.fullmatch(r"Patient\?identifier=(.+)", reference)
    if match is None or reference in patients:
        return None
    identifier = _subject(piece[0].body["resource"]).get("identifier")
    found = _patients(client, identifier, match[1])
    if len(found) > 1:
        return "several patients on the server have this identifier"
    if found:
        patients[reference] = found[0]
        return None
    if not create or not identifier:
        return "the server does not know the patient (--create-patients would create it)"
    resource = {"resourceType": "Patient", "identifier": [dict(identifier)]}
    request = {"method": "POST", "url": "Patient", "ifNoneExist": reference.partition("?")[2]}
    bundle = {
        "resourceType": "Bundle",
        "type": "transaction",
        "entry": [{"resource": resource, "request": request}],
    }
    answer = client.transaction(bundle, repeatable=True)
    (created,) = _answers(client, answer, 1)
    status = _status(created)
    # Of what was there already a server may have its own idea: it is looked at, as before.
    located = _located(created) if status == "201" else None
    found = [located] if located else _patients(client, identifier, match[1])
    if len(found) != 1:
        return f"the server did not create the patient (HTTP {status or 'without a status'})"
    patients[reference] = found[0]
    return None


def _patients(client: Client, identifier: Json | None, token: str) -> list[str]:
    """Return the references of the patients that a server knows by an identifier."""
    if identifier:
        return patients_of(client, identifier.get("system", ""), identifier["value"])
    patients = fetch(client, [("Patient", [("identifier", token)])])
    return [f"Patient/{p['id']}" for p in patients if p["resourceType"] == "Patient"]


# -- pieces ---------------------------------------------------------------------------------


def _send_piece(
    client: Client, piece: list[Entry], patients: dict[str, str], delivery: Delivery
) -> None:
    here = {entry.body.get("fullUrl") for entry in piece}
    known = {url: at for url, at in delivery.locations.items() if url not in here} | patients
    bodies = [_prepared(entry.body, known) for entry in piece]
    bundle = {"resourceType": "Bundle", "type": "transaction", "entry": bodies}
    answer = client.transaction(bundle, repeatable=all(_repeatable(body) for body in bodies))
    answers = _answers(client, answer, len(piece))
    for sent, got in zip(bodies, answers, strict=True):
        if not _is_answer_to(sent["resource"], got):
            raise ServerError(
                "the answers are not those to what was sent, in its order", place=client.base
            )
    for entry, sent, got in zip(piece, bodies, answers, strict=True):
        _judge(client, entry, sent, got, delivery)


def _answers(client: Client, answer: Any, count: int) -> list[Json]:
    """Return the answers to a transaction's entries; raises `ServerError` for any other number."""
    if not isinstance(answer, dict) or answer.get("type") != "transaction-response":
        raise ServerError(
            "the answer to a transaction is no transaction-response", place=client.base
        )
    answers = answer.get("entry", [])
    if not isinstance(answers, list) or len(answers) != count:
        got = len(answers) if isinstance(answers, list) else "no"
        raise ServerError(f"{count} entries were sent and {got} answered", place=client.base)
    whole = all(
        isinstance(one, dict)
        and isinstance(one.get("response"), dict)
        and isinstance(one.get("resource", {}), dict)
        for one in answers
    )
    if not whole:
        raise ServerError("the answer to a transaction is broken", place=client.base)
    return answers


def _is_answer_to(sent: Json, answer: Json) -> bool:
    """Tell whether an answer can be that to an entry, by type and, where it is told, identifier."""
    location = _located(answer)
    if location is not None and location.split("/")[0] != sent.get("resourceType"):
        return False
    held = answer.get("resource", {})
    if held.get("resourceType") in (None, "OperationOutcome"):
        return True
    mine, theirs = sent.get("identifier"), held.get("identifier")
    return held["resourceType"] == sent.get("resourceType") and (not mine or mine == theirs)


def _prepared(body: Json, known: Mapping[str, str]) -> Json:
    """Return an entry whose references to what was sent before lead to where it is now."""
    prepared: Json = {key: body[key] for key in ("fullUrl", "request") if key in body}
    return {**prepared, "resource": _led(body["resource"], known)}


def _led(value: Any, known: Mapping[str, str]) -> Any:
    if isinstance(value, dict):
        return {
            key: known.get(item, item)
            if key == "reference" and isinstance(item, str)
            else _led(item, known)
            for key, item in value.items()
        }
    return [_led(item, known) for item in value] if isinstance(value, list) else value


def _repeatable(body: Json) -> bool:
    request = body.get("request", {})
    return request.get("method") == "PUT" or bool(request.get("ifNoneExist"))


def _located(answer: Mapping[str, Any]) -> str | None:
    """Return the unversioned relative URL of an answered entry."""
    text = str(answer.get("response", {}).get("location", ""))
    match = re.search(r"([A-Z][A-Za-z]+/[A-Za-z0-9\-.]{1,64})(?:/_history/[^/]+)?$", text)
    if match:
        return match[1]
    resource = answer.get("resource", {})
    return f"{resource.get('resourceType')}/{resource['id']}" if "id" in resource else None


def _status(answer: Mapping[str, Any]) -> str:
    """Return the three digits of an answered entry's status, empty where there is none."""
    return str(answer.get("response", {}).get("status", ""))[:3]


def _judge(
    client: Client, entry: Entry, sent: Json, answer: Mapping[str, Any], delivery: Delivery
) -> None:
    status = _status(answer)
    location = _located(answer)
    if status in ("200", "201", "304") and "fullUrl" in entry.body:
        # Where the server does not say, later pieces find it by its identifier.
        delivery.locations[entry.body["fullUrl"]] = location or _by_identifier(sent)
    if status == "201":
        delivery.created.append(entry)
    elif status in ("200", "304") and sent.get("request", {}).get("method") == "PUT":
        delivery.updated.append(entry)
    elif status in ("200", "304"):
        # The server kept what it had and says nothing of whether that is what was sent.
        held = answer.get("resource")
        if not isinstance(held, dict) or held.get("resourceType") == "OperationOutcome":
            try:
                if location is None:
                    raise ServerError("the server does not say where it is")
                held = client.get(location)
            except ServerError as error:
                delivery.uncompared.append((entry, error.message))
                return
        found = differences(sent["resource"], held)
        if found:
            delivery.different.append((entry, found))
        else:
            delivery.present.append(entry)
    else:
        issues = from_operation_outcome(answer["response"].get("outcome"))
        delivery.told += issues
        reasons = [
            f"HTTP {status or 'without a status'}",
            *dict.fromkeys(i.message for i in issues),
        ]
        delivery.refused.append((entry, "; ".join(reasons)))


def _by_identifier(sent: Json) -> str:
    """Return a conditional reference to what was sent before."""
    condition = sent.get("request", {}).get("ifNoneExist")
    if condition:
        return f"{sent['resource']['resourceType']}?{condition}"
    return str(sent["request"]["url"])


def differences(sent: Any, held: Any, path: str = "") -> list[str]:
    """Return the paths at which what a server holds is not what was sent.

    Numbers are compared as numbers and times as instants, since servers may write them in another
    form; references by their identifiers where both have one. What a server adds (id, text, its
    own meta) is no difference; what it added inside, or dropped, is.
    """
    if isinstance(sent, dict) and isinstance(held, dict):
        keys = list(dict.fromkeys([*sent, *held]))
        if not path:
            keys = [key for key in keys if key not in ("id", "text")]
        if path == "meta":
            keys = [key for key in keys if key not in ("versionId", "lastUpdated")]
            # A server may set source, tags and profiles of its own beside ours.
            keys = [key for key in keys if key in sent]
        if {"reference", "identifier"} <= set(sent) and "identifier" in held:
            keys = [key for key in keys if key not in ("reference", "type")]
        found: list[str] = []
        for key in keys:
            here = f"{path}.{key}" if path else key
            if key == "meta" and key not in sent:
                continue
            if key not in sent or key not in held:
                found.append(f"{here} {'is missing there' if key in sent else 'was added there'}")
            else:
                found += differences(sent[key], held[key], here)
        return found
    if isinstance(sent, list) and isinstance(held, list):
        if len(sent) != len(held):
            return [f"{path} has {len(held)} items there, {len(sent)} here"]
        return [
            difference
            for index, (one, other) in enumerate(zip(sent, held, strict=True))
            for difference in differences(one, other, f"{path}[{index}]")
        ]
    return [] if _same(sent, held) else [f"{path} differs"]


def _same(sent: Any, held: Any) -> bool:
    if isinstance(sent, bool) or isinstance(held, bool):
        return sent is held
    if isinstance(sent, int | Decimal) and isinstance(held, int | Decimal):
        return Decimal(sent) == Decimal(held)
    if isinstance(sent, str) and isinstance(held, str) and sent != held:
        return _instant(sent) is not None and _instant(sent) == _instant(held)
    return bool(sent == held)


def _instant(text: str) -> float | None:
    if not re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)", text):
        return None
    try:
        return datetime.fromisoformat(text).timestamp()
    except ValueError:
        return None
