"""The store's side of the street: source items kept from one run to the next, and what was known.

A run that is given a store reads what earlier runs accepted beside what comes in, so that it comes
to the numbers of a run over everything.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any

from fhirdrain.intake.item import SourceItem
from fhirdrain.store import Store, from_json, to_json
from fhirdrain.vocabulary.jsontext import encode

Json = dict[str, Any]

# What was kept came before whatever comes in.
_BEFORE = -(10**18)


def item_body(item: SourceItem) -> Json:
    """Return what has to be kept of an item; where it stood, only of one that leaves some empty."""
    body: Json = {
        "row": item.row,
        "item": item.item,
        "recorded": item.recorded and item.recorded.isoformat(),
        "withdraws": item.withdraws or None,
        "silent": item.silent or None,
        "blanks": list(item.blanks) or None,
        "part": item.part or None,
        "origin": list(item.origin) if item.origin else None,
        "stood": [item.file, item.line, item.raw] if item.blanks else None,
        "readings": [to_json(reading) for reading in item.readings] or None,
    }
    return {key: value for key, value in body.items() if value is not None}


def _item_of(patient: str, arrival: int, body: Mapping[str, Any]) -> SourceItem:
    file, line, raw = body.get("stood") or ("", 0, "")
    origin = body.get("origin")
    recorded = body.get("recorded")
    return SourceItem(
        file,
        line,
        arrival,
        raw,
        readings=tuple(from_json(reading) for reading in body.get("readings", ())),
        withdraws=bool(body.get("withdraws")),
        silent=bool(body.get("silent")),
        origin=(origin[0], origin[1], origin[2], origin[3]) if origin else None,
        patient=patient,
        row=body.get("row"),
        item=body.get("item", ""),
        recorded=datetime.fromisoformat(recorded) if recorded else None,
        part=body.get("part", ""),
        blanks=tuple(body.get("blanks", ())),
        remembered=True,
    )


def with_remembered(store: Store, patient: str, items: Iterable[SourceItem]) -> list[SourceItem]:
    """Return a patient's items with those of earlier runs before them, each once.

    One that is told again keeps the place it first had.
    """
    kept = {encode(body): (seq, body) for seq, body in store.items(patient)}
    result = []
    for item in items:
        known = kept.pop(encode(item_body(item)), None)
        result.append(item if known is None else replace(item, arrival=_BEFORE + known[0]))
    before = [_item_of(patient, _BEFORE + seq, body) for seq, body in kept.values()]
    return [*before, *result]


def keep_items(store: Store, patient: str, items: Iterable[SourceItem]) -> int:
    """Keep the items of a run; returns how many were new. Use inside the store's `commit`."""
    return store.put_items(
        patient,
        [
            (item_body(item), item.recorded)
            for item in sorted(items, key=lambda item: item.arrival)
            if not item.remembered
        ],
    )


def known_items(
    store: Store, until: datetime | None = None
) -> Iterator[tuple[str, Sequence[SourceItem]]]:
    """Yield each patient with the items that were known at a time: stored by their source by then.

    An item without such a time was known when it came.
    """
    for patient in store.patients():
        items = [
            _item_of(patient, _BEFORE + seq, body) for seq, body in store.items(patient, until)
        ]
        if items:
            yield patient, items
