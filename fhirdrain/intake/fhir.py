"""FHIR of other sites as a source: NDJSON as a stream, Bundles and single resources.

Every resource is an item, or several where its components are readings of their own.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import msgspec

from fhirdrain.errors import SourceError
from fhirdrain.intake.foreign import (
    ORDERS,
    READ,
    Handled,
    Others,
    PassedOver,
    finish,
    read_resource,
)
from fhirdrain.intake.item import ARRIVAL_STEP, RECORD_STEP, WHOLE, Share, SourceItem
from fhirdrain.intake.jsonlines import json_text, parsed
from fhirdrain.intake.record import Refused, read_record
from fhirdrain.intake.table import WHY_COLUMN
from fhirdrain.packed import open_plain, open_text
from fhirdrain.site import Site, Source

__all__ = ["Fhir"]

# In a rejects file: the full URL that a resource had in its Bundle.
_URL = "fhirdrain_url"


class _Entry(msgspec.Struct):
    """An entry of a Bundle, its resource as it stands in the text."""

    resource: msgspec.Raw = msgspec.Raw()
    full_url: str = msgspec.field(name="fullUrl", default="")


class _Bundle(msgspec.Struct):
    """A Bundle, or any other resource."""

    kind: str = msgspec.field(name="resourceType")
    entry: list[_Entry] = []


class Fhir:
    """One file of FHIR JSON and its items."""

    head = ""
    cut_short = False  # a file cut short is not JSON any more, and is refused as such

    def __init__(
        self, path: Path, source: Source, site: Site, first: int = 0, share: Share = WHOLE
    ) -> None:
        self.path = path
        self.source = source
        self.site = site
        self._arrival = self._first = first
        self._share = share
        if path.stat().st_size == 0:
            raise SourceError("the file is empty", place=str(path), hint="did its export fail?")
        self._lines = _is_ndjson(path)
        self.is_rejects = False
        self._others = Others()
        for _line, raw, url in self._resources():
            self.is_rejects |= f'"{WHY_COLUMN}"' in raw
            # Who is who may stand behind what speaks of them: so it is looked for first.
            if any(mark in raw for mark in ('"Patient"', '"Device"', '"hasMember"')):
                try:
                    resource = parsed(raw)
                    self._others.add(resource, url or str(resource.get(_URL, "")))
                except (Refused, LookupError, TypeError, AttributeError):
                    continue  # it is refused when it is read

    def __iter__(self) -> Iterator[SourceItem]:
        for number, (line, raw, url) in enumerate(self._resources()):
            if self._share.has(number):
                self._arrival = self._first + number * RECORD_STEP
                yield from self._read(line, raw, url)

    def _resources(self) -> Iterator[tuple[int, str, str]]:
        """Yield line, text and full URL of every resource."""
        if self._lines:
            with open_text(self.path, "utf-8", errors="surrogateescape", newline="\n") as stream:
                for number, raw in enumerate(stream, 1):
                    raw = raw.removeprefix("\ufeff") if number == 1 else raw
                    if raw.strip():
                        yield number, raw, ""
            return
        with open_plain(self.path) as stream:
            data = stream.read().removeprefix(b"\xef\xbb\xbf")
        try:
            bundle = msgspec.json.decode(data, type=_Bundle)
        except (msgspec.MsgspecError, RecursionError, UnicodeError) as error:
            raise SourceError(
                f"neither a FHIR resource nor NDJSON of them: {error}",
                place=str(self.path),
                hint="fhirdrain check says where",
            ) from None
        if bundle.kind != "Bundle":
            yield 1, data.decode("utf-8", "surrogateescape"), ""
            return
        line, position = 1, 0
        for entry in bundle.entry:
            text = bytes(entry.resource)
            if not text:
                continue  # an entry may be a request alone
            found = data.find(text, position)
            line += data.count(b"\n", position, found)
            position = found
            yield line, text.decode("utf-8", "surrogateescape"), entry.full_url

    def _read(self, line: int, raw: str, url: str) -> Iterator[SourceItem]:
        origin = ""
        resource: dict[str, Any] = {}
        try:
            if any("\udc80" <= character <= "\udcff" for character in raw):
                raise Refused("encoding", "bytes that are not utf-8", hint="FHIR JSON is UTF-8")
            resource = parsed(raw)
            origin, url = str(resource.pop(WHY_COLUMN, "")), str(resource.pop(_URL, url))
            kind = resource.get("resourceType")
            if not isinstance(kind, str):
                raise Refused("structure", "no FHIR resource: it has no resourceType")
            if kind not in READ:
                raise PassedOver(f"{kind}: no observation")
            said, handled, names = read_resource(
                resource, url, self.source, self.site, self._others
            )
        except PassedOver as passed:
            item = self._item(line, raw, resource, url, origin)
            item.set_aside = str(passed)
            item.handled = (Handled("", "lost", f"set aside: {passed}"),)
            yield item
            return
        except Refused as refused:
            yield self._refused(line, raw, resource, url, origin, refused)
            return
        except (LookupError, TypeError, AttributeError, ValueError, ArithmeticError):
            broken = Refused(
                "structure", "not as FHIR has it", hint="fhirdrain check says what is wrong"
            )
            yield self._refused(line, raw, resource, url, origin, broken)
            return
        items = []
        for index, one in enumerate(said):
            item = self._item(line, raw, resource, url, origin, one.part)
            try:
                read_record(one.record, self.source, self.site, item, one.meant)
                finish(item, one, names)
                if index == 0:
                    item.handled = tuple(handled)
                if item.set_aside:
                    item.handled = (Handled(one.part, "lost", f"set aside: {item.set_aside}"),)
            except Refused as refused:
                item = self._refused(line, raw, resource, url, origin, refused, one.part)
            items.append(item)
        if kind in ORDERS and all(item.readings for item in items):
            # Magnitude and mode of an order are one thing that was said.
            items[0].readings = tuple(reading for item in items for reading in item.readings)
            items = items[:1]
        yield from items

    def _item(
        self,
        line: int,
        raw: str,
        resource: dict[str, Any],
        url: str,
        origin: str,
        part: str = "",
    ) -> SourceItem:
        self._arrival += ARRIVAL_STEP
        item = SourceItem(str(self.path), line, self._arrival, raw, part=part)
        item.resource = f"{resource.get('resourceType', '?')}/{resource.get('id', '')}"
        item.made_from(origin)
        return item

    def _refused(
        self,
        line: int,
        raw: str,
        resource: dict[str, Any],
        url: str,
        origin: str,
        refused: Refused,
        part: str = "",
    ) -> SourceItem:
        item = self._item(line, raw, resource, url, origin, part)
        column = int(refused.column or 0) if refused.rule == "json" else 0
        where = f"{refused.column}: " if refused.column and not column else ""
        item.issue = refused.issue(self.path, line, column, where=where)
        item.handled = (Handled(refused.column, "lost", f"refused: {refused}"),)
        return item

    # -- rejects ----------------------------------------------------------------------------

    def rejects_head(self) -> str:
        """Return what a file of refused resources begins with: nothing, it is NDJSON."""
        return ""

    def leaves_out(self, items: Sequence[SourceItem]) -> bool:
        """Tell whether some of a resource was not refused; it is written whole all the same."""
        return False

    def rejected(self, items: Sequence[SourceItem], reason: str) -> str:
        """Return a refused resource on one line, with its reason and its URL in the Bundle."""
        raw = items[0].raw
        try:
            resource = parsed(raw)
        except Refused:
            return (
                f'{{"{WHY_COLUMN}": {json.dumps(reason)}, "fhirdrain_line": {json.dumps(raw)}}}\n'
            )
        resource.pop(WHY_COLUMN, None)
        return json_text({**resource, WHY_COLUMN: reason}) + "\n"


def _is_ndjson(path: Path) -> bool:
    """Tell whether a file has a whole resource on its first line that is no Bundle."""
    with open_plain(path) as stream:
        first = next((line for line in stream if line.strip()), b"")
        more = any(line.strip() for line in stream)
    try:
        kind = msgspec.json.decode(first.removeprefix(b"\xef\xbb\xbf"), type=_Bundle).kind
    except (msgspec.MsgspecError, RecursionError, UnicodeError):
        return False
    return more or kind != "Bundle"
