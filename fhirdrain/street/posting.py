"""post: a checked bundle to a server, once, with a look at what became of every entry."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from fhirdrain.conformance import check_bytes, check_resource
from fhirdrain.conformance.check import is_ndjson
from fhirdrain.errors import FhirdrainError, PartlyDeliveredError, RefusedError, ServerError
from fhirdrain.exchange.client import Client
from fhirdrain.exchange.delivery import (
    Delivery,
    Entry,
    deliver,
    entries_of,
    pieces,
)
from fhirdrain.exchange.differences import differences
from fhirdrain.issues import Issue
from fhirdrain.resources.bundle import entry_of
from fhirdrain.resources.identity import name_of, uuid_of
from fhirdrain.resources.references import token
from fhirdrain.store import Outgoing, Said, Store
from fhirdrain.street.checking import refuse_errors
from fhirdrain.street.sources import read_source
from fhirdrain.street.telling import Told, silent
from fhirdrain.vocabulary.jsontext import decode


@dataclass(slots=True)
class Parcel:
    """A file ready to be sent: its entries, and what the check found."""

    file: str
    entries: list[Entry]
    issues: list[Issue] = field(default_factory=list)

    @property
    def pieces(self) -> int:
        """Return in how many transactions it goes out."""
        return sum(1 for _ in pieces(self.entries))


# What was parked for want of its patient is tried again; what was refused, only when asked for.
TO_SEND = ("waiting", "parked")

_ONLY = "only transaction Bundles are posted"
_HOW = "fhirdrain map ... --as transaction makes one"


def prepare(name: str, *, checked: bool = True, progress: Told = silent) -> Parcel:
    """Read, check and unpack one file (`-`: standard input).

    Raises `RefusedError` when the check finds errors, or when it is no transaction; `SourceError`
    when it cannot be read.
    """
    data, file = read_source(name)
    if is_ndjson(data, file):
        raise RefusedError(_ONLY, place=file, hint=_HOW)
    issues = []
    if checked:
        issues = check_bytes(data, file, lambda count: progress("resources checked", count))
    refuse_errors(issues, name)
    try:
        bundle: Any = decode(data)
    except ValueError as error:
        raise RefusedError(f"not JSON: {error}", place=file) from None
    if not isinstance(bundle, dict) or bundle.get("type") != "transaction":
        raise RefusedError(_ONLY, place=file, hint=_HOW)
    if not isinstance(bundle.get("entry", []), list):
        raise RefusedError("the bundle's entries are not a list", place=file)
    for index, entry in enumerate(bundle.get("entry", [])):
        fault = _unsendable(entry)
        if fault:
            raise RefusedError(
                f"entry {index} {fault}",
                place=file,
                hint="fhirdrain map writes conditional creates",
            )
    return Parcel(file, entries_of(bundle), issues)


def _unsendable(entry: Any) -> str:
    """Return why an entry cannot be sent once and only once; empty when it can."""
    if not isinstance(entry, dict) or not isinstance(entry.get("resource"), dict):
        return "has no resource"
    request, resource = entry.get("request"), entry["resource"]
    if not isinstance(request, dict) or request.get("method") not in ("POST", "PUT"):
        return "is neither a create nor an update"
    if resource.get("resourceType") == "Provenance" and request["method"] == "PUT":
        return "" if resource.get("id") else "has no id"  # R4 gives it no identifier
    identifiers = resource.get("identifier")
    first = identifiers[0] if isinstance(identifiers, list) and identifiers else None
    if not isinstance(first, dict) or not {"system", "value"} <= set(first):
        return "carries no identifier"
    for key in ("subject", "patient"):
        if not isinstance(resource.get(key, {}), dict):
            return f"has a broken {key}"
    if request["method"] == "POST" and not request.get("ifNoneExist"):
        return "would be created again each time it is posted: it has no ifNoneExist"
    return ""


def post(
    client: Client,
    parcel: Parcel,
    *,
    create_patients: bool = False,
    at_once: int = 1,
    progress: Told = silent,
) -> Delivery:
    """Send a parcel to a server whose release is spoken, and return what became of it."""
    client.release()
    return deliver(
        client,
        parcel.entries,
        create_patients=create_patients,
        told=lambda done: progress("entries sent", done),
        way=client.way(),
        at_once=at_once,
    )


def post_waiting(
    client: Client,
    store: Store,
    *,
    create_patients: bool = False,
    at_once: int = 1,
    progress: Told = silent,
) -> Delivery:
    """Send what waits in a store, and note in it what became of each.

    What the server has confirmed before is updated under its identity; all else is a conditional
    create. An update is of the version that was confirmed, where the server tells versions. Where
    it holds an earlier content of ours, which was never confirmed, that is updated; what somebody
    else made of it is left alone, and reported.
    """
    client.release()
    said = store.said(client.base)
    right: list[Outgoing] = []
    faulty: list[tuple[dict[str, Any], str]] = []
    elsewhere = list(store.unsaid(client.base))
    for one in (*store.outgoing(*TO_SEND), *elsewhere):
        if errors := _errors(one.resource):
            faulty.append((one.resource, f"not sent: {errors[0].message}"))
        else:
            right.append(one)
    with store.commit():
        for resource, reason in faulty:
            store.fail(resource, "refused", reason)
    entries = [
        replace(_entry(n, one.resource, said.get(name_of(one.resource))), cause=one.cause)
        for n, one in enumerate(right)
    ]
    delivery = deliver(
        client,
        entries,
        create_patients=create_patients,
        told=lambda done: progress("entries sent", done),
        settled=lambda found: note(store, client, found),
        known=_located(said),
        missing=_missing(store, said),
        way=client.way(),
        at_once=at_once,
    )
    delivery.refused += [(_entry(0, resource, None), reason) for resource, reason in faulty]
    if elsewhere:
        delivery.notes[_ELSEWHERE] = None
    requests = [entry.body["request"] for entry in entries]
    if any(request["method"] == "PUT" and "ifMatch" not in request for request in requests):
        delivery.notes[_NO_VERSIONS] = None
    if delivery.failure is None:
        _settle_different(client, store, delivery)
    return delivery


def _settle_different(client: Client, store: Store, delivery: Delivery) -> None:
    """Update what the server holds of ours in an earlier content, and note what it holds of others.

    Raises `ServerError`; what was delivered before is noted by then.
    """
    ours: list[Entry] = []
    others: list[tuple[Entry, list[str]]] = []
    for entry, found in delivery.different:
        if _is_old(client, store, entry, delivery):
            ours.append(entry)
        else:
            others.append((entry, found))
    delivery.different = others
    with store.commit():
        for entry, found in others:
            reason = f"the server holds something else: {'; '.join(found[:4])}"
            store.fail(entry.body["resource"], "refused", reason)
    updates = [_entry(entry.index, entry.body["resource"], Said(None, None)) for entry in ours]
    again = deliver(client, updates, known=delivery.locations, way=client.way())
    note(store, client, again)
    delivery.take(again)


def _errors(resource: dict[str, Any]) -> list[Issue]:
    return [issue for issue in check_resource(_by_identifier(resource)) if issue.is_error]


def _by_identifier(value: Any) -> Any:
    """Return what is checked by itself, without the bundle that its references lead into."""
    if isinstance(value, dict):
        known = "identifier" in value and "resourceType" not in value
        kept = {key: item for key, item in value.items() if not (known and key == "reference")}
        return {key: _by_identifier(item) for key, item in kept.items()}
    return [_by_identifier(item) for item in value] if isinstance(value, list) else value


_ELSEWHERE = "what another server had confirmed, or this one under another name, was sent here too"
_NO_VERSIONS = "the server tells no versions: whether anybody else changed what was updated is open"


def _entry(index: int, resource: dict[str, Any], said: Said | None) -> Entry:
    """Return the entry of a resource: an update of what was said of it, else a create."""
    body = entry_of(resource, "transaction")
    if said is not None:
        condition = body["request"].pop("ifNoneExist", None)
        if condition is not None:
            body["request"] |= {"method": "PUT", "url": f"{resource['resourceType']}?{condition}"}
        if said.version is not None and said.location and "?" not in said.location:
            body["request"] |= {"url": said.location, "ifMatch": f'W/"{said.version}"'}
    (entry,) = entries_of({"entry": [body]})
    return Entry(index, entry.lane, entry.body)


def _located(said: Mapping[tuple[str, str, str], Said]) -> dict[str, str]:
    """Return where what was said is, by the full URL by which others refer to it."""
    return {
        f"urn:uuid:{uuid_of(system, value)}": where or f"{kind}?identifier={token(system, value)}"
        for (kind, system, value), (where, _) in said.items()
        if kind != "DeviceUseStatement"  # it shares its Device's identifier; none refers to it
    }


def _missing(store: Store, said: Collection[tuple[str, str, str]]) -> set[str]:
    """Return the full URLs of what was refused and never was on the server."""
    names = [name_of(one.resource) for one in store.outgoing("refused")]
    return {f"urn:uuid:{uuid_of(name[1], name[2])}" for name in names if name not in said}


def _is_old(client: Client, store: Store, entry: Entry, delivery: Delivery) -> bool:
    """Tell whether what the server holds is something that we once put out ourselves."""
    where = delivery.locations.get(str(entry.body["fullUrl"]))
    if where is None or "?" in where:
        return False
    held = client.get(where)
    before = store.put_before(entry.body["resource"])
    return any(not differences(content, held) for content in before)


def post_all(
    client: Client,
    parcels: Iterable[Parcel],
    *,
    create_patients: bool = False,
    at_once: int = 1,
    progress: Told = silent,
) -> Iterator[tuple[Parcel, Delivery]]:
    """Send parcels one after the other; when the server fails, the rest is left waiting."""
    failure: FhirdrainError | None = None
    for parcel in parcels:
        if failure is None:
            try:
                delivery = post(
                    client,
                    parcel,
                    create_patients=create_patients,
                    at_once=at_once,
                    progress=progress,
                )
                failure = delivery.failure
                yield parcel, delivery
                continue
            except ServerError as error:
                failure = error
        yield parcel, Delivery(waiting=list(parcel.entries), failure=failure)


def settle(deliveries: Iterable[Delivery]) -> int:
    """Return the exit code of deliveries: 0 all is well, 1 refused or different.

    Raises the server's failure when nothing was delivered, `PartlyDeliveredError` when a part was.
    """
    deliveries = list(deliveries)
    failure = next((d.failure for d in deliveries if d.failure is not None), None)
    if failure is not None:
        if not any(delivery.delivered for delivery in deliveries):
            raise failure
        raise PartlyDeliveredError(
            f"a part was delivered, then: {failure}",
            hint="post the same files again: what is there is not doubled",
        )
    lacking = any(d.different or d.uncompared or d.refused or d.parked for d in deliveries)
    return 1 if lacking else 0


def note(store: Store, client: Client, delivery: Delivery) -> None:
    """Note in a store what the server confirmed, and what was refused or parked and why."""
    with store.commit():
        for entry in (*delivery.created, *delivery.present, *delivery.updated):
            location = delivery.locations.get(entry.url)
            version = delivery.versions.get(entry.url)
            store.confirm(client.base, entry.body["resource"], location, version)
        for entry, reason in delivery.uncompared:
            store.fail(entry.body["resource"], "waiting", reason)
        for entry, reason in delivery.parked:
            store.fail(entry.body["resource"], "parked", reason)
        for entry, reason in delivery.refused:
            store.fail(entry.body["resource"], "refused", reason)
        for entry in delivery.gone:
            store.unsay(client.base, entry.body["resource"])
