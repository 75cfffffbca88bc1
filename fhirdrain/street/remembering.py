"""The store's side of the street: source items kept from one run to the next, and what was known.

A run that is given a store reads what earlier runs accepted beside what comes in, so that it comes
to the numbers of a run over everything.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any, NamedTuple

from fhirdrain.bedside.reading import Reading
from fhirdrain.intake.item import SourceItem
from fhirdrain.resources.identity import reading_identity
from fhirdrain.site import Site
from fhirdrain.store import Store, from_json, to_json
from fhirdrain.vocabulary.jsontext import encode
from fhirdrain.vocabulary.observables import CHARTED

Json = dict[str, Any]

# What was kept came before whatever comes in.
_BEFORE = -(10**18)


def item_body(item: SourceItem) -> Json:
    """Return what has to be kept of an item; where it stood, only of one that leaves some empty."""
    body: Json = {
        "source": item.source or None,
        "rebuilt": item.rebuilt or None,
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
        rebuilt=bool(body.get("rebuilt")),
        source=body.get("source", ""),
    )


def with_remembered(
    store: Store, patient: str, items: Iterable[SourceItem], site: Site
) -> list[SourceItem]:
    """Return a patient's items with those of earlier runs before them, each once.

    One that is told again keeps the place it had. Where its source stores no times, the last word
    stands: there it keeps its place only if nothing else was said of its row since.
    """
    before = {
        _BEFORE + seq: _item_of(patient, _BEFORE + seq, body) for seq, body in store.items(patient)
    }
    items = sorted(items, key=lambda item: item.arrival)
    timeless = {
        (item.source, item.row)
        for item in (*before.values(), *items)
        if item.row is not None and item.recorded is None
    }
    places: dict[bytes, int] = {}
    last: dict[Row, bytes] = {}
    for item in before.values():
        _note(item, places, last)
    result = []
    for item in items:
        said = words_of(item)
        place = places.get(said)
        by_time = (item.source, item.row) not in timeless
        if place is not None and (by_time or all(last[row] == said for row in _rows_of(item))):
            before.pop(place, None)
            item = replace(item, arrival=place, repeats=True)
        _note(item, places, last)
        result.append(item)
    return with_rows([*before.values(), *result], site)


def _note(item: SourceItem, places: dict[bytes, int], last: dict[Row, bytes]) -> None:
    said = words_of(item)
    places[said] = item.arrival
    for row in _rows_of(item):
        last[row] = said


def words_of(item: SourceItem) -> bytes:
    """Return what an item says, wherever it stood."""
    body = item_body(item)
    body.pop("stood", None)
    return encode(body)


def _rows_of(item: SourceItem) -> list[Row]:
    """Return the rows that an item says something of, or says nothing of any more."""
    return [Row(item.source, item.row, code) for code in item.blanks or (item.item,)]


def with_rows(items: Sequence[SourceItem], site: Site) -> list[SourceItem]:
    """Return items in which those read back from a server have the rows that others name.

    A server knows a reading by a hash of its row: what another item says of that row, or takes
    back of it, is then a version of the same. Where it is that very version, the source's own
    words stand, since a server is told less.
    """
    back: dict[str, list[SourceItem]] = {}
    for item in items:
        if item.rebuilt:
            back.setdefault(item.readings[0].identity, []).append(item)
    if not back:
        return list(items)
    named = [item for item in items if not item.rebuilt]
    own = {
        (reading.identity, reading.observable, reading.recorded): reading
        for item in named
        for reading in item.readings
    }
    rows: dict[Row, list[SourceItem]] = {}
    for item in named:
        for row, identity, observable in _names(item, site, back):
            found = back[identity]
            if row.id is not None:
                # Magnitude and mode of one order share an identity, and may be of two columns.
                mine = [i for i in found if i.readings[0].observable == observable]
                rows[row] = rows.get(row, []) + mine
                back[identity] = [i for i in found if i not in mine]
            else:
                # What has no row is one statement; another one of the same time is a tie.
                back[identity] = [i for i in found if not _same(i.readings[0], item.readings)]
    for row, together in rows.items():
        if not together:
            continue
        stored = [item.recorded for item in together if item.recorded is not None]
        readings = [_in_ownwords_of(reading, own) for i in together for reading in i.readings]
        named.append(
            replace(
                together[0],
                readings=tuple(readings),
                source=row.source,
                row=row.id,
                item=row.item,
                recorded=max(stored, default=None),
            )
        )
    return [*(item for left in back.values() for item in left), *named]


class Row(NamedTuple):
    """What versions of one item share: its source, the id of its row, the item."""

    source: str
    id: str | None
    item: str


def _names(
    item: SourceItem, site: Site, wanted: Mapping[str, object]
) -> Iterator[tuple[Row, str, str]]:
    """Yield the row of an item with each of the wanted names it may have, and the observable."""
    for reading in item.readings:
        if reading.identity in wanted:
            yield Row(item.source, item.row, item.item), reading.identity, reading.observable
    if item.row is None or item.readings:
        return
    for code in item.blanks or (item.item,):
        # A row's name does not rest on its time.
        any_of_it = Reading(
            item.source, item.patient, "", "", datetime.now(UTC), row=item.row, item=code
        )
        for observable in CHARTED:
            name = reading_identity(site, replace(any_of_it, observable=observable))
            if name in wanted:
                yield Row(item.source, item.row, code), name, observable


def _same(back: Reading, readings: Iterable[Reading]) -> bool:
    return any(
        (back.observable, back.value, back.parts, back.absent)
        == (reading.observable, reading.value, reading.parts, reading.absent)
        for reading in readings
    )


def _in_ownwords_of(
    reading: Reading, own: Mapping[tuple[str, str, datetime | None], Reading]
) -> Reading:
    """Return a reading as its source said it, where it told that very version too."""
    said = own.get((reading.identity, reading.observable, reading.recorded))
    if said is None or not reading.counts or said.time != reading.time:
        return reading
    return replace(said, status=reading.status, first_recorded=reading.first_recorded)


def keep_items(store: Store, patient: str, items: Iterable[SourceItem]) -> int:
    """Keep the items of a run; returns how many were new. Use inside the store's `commit`."""
    return store.put_items(
        patient,
        [
            (item_body(item), item.recorded)
            for item in sorted(items, key=lambda item: item.arrival)
            if not item.remembered and not item.repeats
        ],
    )


def known_items(
    store: Store, until: datetime | None = None, patients: Iterable[str] | None = None
) -> Iterator[tuple[str, Sequence[SourceItem]]]:
    """Yield each patient with the items that were known at a time: stored by their source by then.

    An item without such a time was known when it came. Without `patients`, of all of them.
    """
    for patient in store.patients() if patients is None else patients:
        items = [
            _item_of(patient, _BEFORE + seq, body) for seq, body in store.items(patient, until)
        ]
        if items:
            yield patient, items
