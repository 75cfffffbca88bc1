"""post: a checked bundle to a server, once, with a look at what became of every entry."""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fhirdrain.conformance import check_bytes
from fhirdrain.errors import RefusedError, SourceError
from fhirdrain.exchange.client import Client
from fhirdrain.exchange.delivery import Delivery, Entry, deliver, entries_of, pieces
from fhirdrain.issues import Issue
from fhirdrain.store import Store
from fhirdrain.street.checking import refuse_errors
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


def prepare(name: str, *, checked: bool = True) -> Parcel:
    """Read, check and unpack one file (`-`: standard input).

    Raises `RefusedError` when the check finds errors, or when it is no transaction; `SourceError`
    when it cannot be read.
    """
    file = "<stdin>" if name == "-" else name
    try:
        data = sys.stdin.buffer.read() if name == "-" else Path(name).read_bytes()
    except OSError as error:
        raise SourceError(f"cannot be read: {error.strerror}", place=file) from None
    issues = check_bytes(data, file) if checked else []
    refuse_errors(issues, name)
    try:
        bundle: Any = decode(data)
    except ValueError as error:
        raise RefusedError(f"not JSON: {error}", place=file) from None
    if not isinstance(bundle, dict) or bundle.get("type") != "transaction":
        raise RefusedError(
            "only transaction Bundles are posted",
            place=file,
            hint="fhirdrain map ... --as transaction makes one",
        )
    entries = entries_of(bundle)
    for entry in entries:
        request = entry.body.get("request", {})
        if request.get("method") != "PUT" and not request.get("ifNoneExist"):
            raise RefusedError(
                f"{entry.label} would be created again each time it is posted",
                place=file,
                hint="a create needs request.ifNoneExist",
            )
    return Parcel(file, entries, issues)


def post(
    client: Client, parcel: Parcel, *, create_patients: bool = False, store: Store | None = None
) -> Delivery:
    """Send a parcel and return what became of it; a store notes what the server confirmed."""
    client.release()
    delivery = deliver(client, parcel.entries, create_patients=create_patients)
    if store is not None:
        with store.commit():
            for entry in (*delivery.created, *delivery.present, *delivery.updated):
                location = delivery.locations.get(str(entry.body.get("fullUrl")))
                store.confirm(client.base, entry.body["resource"], location)
            for entry, reason in delivery.parked:
                store.fail(entry.body["resource"], "parked", reason)
            for entry, reason in delivery.refused:
                store.fail(entry.body["resource"], "refused", reason)
    return delivery
