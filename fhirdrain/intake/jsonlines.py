"""JSON lines: one object a line, its columns named by paths, one item or a list of them in each."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Sequence
from itertools import islice
from pathlib import Path
from typing import Any

from fhirdrain.errors import SourceError
from fhirdrain.intake.item import (
    ARRIVAL_STEP,
    RECORD_STEP,
    WHOLE,
    Share,
    SourceItem,
    is_in_part,
)
from fhirdrain.intake.record import (
    KEYS,
    NOTHING,
    Cell,
    Record,
    Refused,
    read_blanks,
    read_record,
    unused_parts,
)
from fhirdrain.intake.table import WHY_COLUMN, encoding_of
from fhirdrain.issues import Issue
from fhirdrain.packed import open_text
from fhirdrain.site import Site, Source, columns_of
from fhirdrain.site.faults import nearest
from fhirdrain.site.paths import (
    elements_of,
    leaves_of,
    nest_of,
    parse_path,
    value_at,
    write_path,
)

__all__ = ["JsonLines", "Number", "fault_of_number", "json_text", "parsed"]

# In a rejects file, the text of a line that is not JSON.
_LINE = "fhirdrain_line"


class Number(str):
    """A JSON number, with the digits it was written with."""


class _Twice(ValueError):
    """A key stands twice in an object: one reader would keep the first, another the last."""


class JsonLines:
    """One file of JSON lines and its items, read as a stream."""

    head = ""
    cut_short = False  # a line cut short is not JSON any more, and is refused as such

    def __init__(
        self, path: Path, source: Source, site: Site, first: int = 0, share: Share = WHOLE
    ) -> None:
        self.path = path
        self.source = source
        self.site = site
        self._arrival = self._first = first
        self._share = share
        self._encoding = encoding_of(path, source)
        columns = columns_of(source.columns)
        self._columns = {key: (name, parse_path(name)) for key, name in columns.items()}
        self._marks = [(name, parse_path(name)) for name, _ in source.set_aside]
        self._items = (
            [(code, parse_path(code)) for code in source.items] if source.layout == "wide" else []
        )
        every = [*self._columns.values(), *self._marks, *self._items]
        self._nest = nest_of(p for _, p in every)
        if path.stat().st_size == 0:
            raise SourceError("the file is empty", place=str(path), hint="did its export fail?")
        # Whoever mended the lines may have taken our reason away from some of them.
        with open_text(path, self._encoding, errors="replace") as stream:
            self.is_rejects = any(f'"{WHY_COLUMN}"' in line for line in islice(stream, 1000))

    def __iter__(self) -> Iterator[SourceItem]:
        with open_text(self.path, self._encoding, errors="surrogateescape", newline="\n") as stream:
            number, lines = 0, iter(stream)
            while True:
                number += 1
                # So that whoever reads a share of the file gives each item the same number.
                self._arrival = self._first + number * RECORD_STEP
                ours = self._share.has(number)
                try:
                    raw = next(lines)
                except StopIteration:
                    return
                except UnicodeError:
                    if ours:
                        yield self._refused(number, "", _not_text(self.source.encoding))
                    return
                if number == 1:
                    # An encoding that names its byte order leaves the mark of it in the text.
                    raw = raw.removeprefix("\ufeff")
                if ours and raw.strip():
                    yield from self._read(number, raw)

    def _read(self, line: int, raw: str) -> Iterator[SourceItem]:
        origin = ""
        try:
            if any("\udc80" <= character <= "\udcff" for character in raw):
                raise _not_text(self.source.encoding)
            record = parsed(raw)
            origin = str(record.pop(WHY_COLUMN, ""))
            record = _unpacked(record)
            try:
                elements = list(elements_of(record, self._nest))
            except LookupError as error:
                raise Refused(
                    "no-list",
                    f"there is no list at {error.args[0]}",
                    hint="an empty list says that there is nothing in it",
                ) from None
        except Refused as refused:
            item = self._refused(line, raw, refused)
            item.made_from(origin)
            yield item
            return
        for element in elements:
            yield from self._element(line, raw, record, element, origin)
        if self.source.layout == "wide":
            for path in self._unknown(record):
                hint = nearest(path, self.source.items)
                unknown = Refused(
                    "unknown-item", "this is not in the site file", column=path, hint=hint
                )
                item = self._refused(line, raw, unknown)
                item.made_from(origin)
                yield item

    def _unknown(self, record: Any) -> Iterator[str]:
        """Yield the paths of a wide line that are neither a column nor an item, each once."""
        known = {path for _, path in (*self._columns.values(), *self._marks, *self._items)}
        for path in dict.fromkeys(leaves_of(record, self._nest)):
            if not any(path[: len(other)] == other for other in known):
                yield write_path(path)

    def _element(
        self, line: int, raw: str, record: Any, element: tuple[int, ...], origin: str
    ) -> Iterator[SourceItem]:
        """Yield what one element of a line's list says; the line itself where it has no list."""
        place = ".".join(map(str, element))
        odd: dict[str, Refused] = {}
        cells = {
            key: _cell(name, value_at(record, path, element), odd)
            for key, (name, path) in self._columns.items()
        }
        marks = [_cell(name, value_at(record, path, element), odd) for name, path in self._marks]
        components = {
            key.removeprefix("components."): cell
            for key, cell in cells.items()
            if key.startswith("components.")
        }
        shared = {key: cells[key] for key in KEYS if key in cells}
        common = Record(shared, components, marks)
        if self.source.layout == "long":
            yield self._one(line, raw, common, place, origin, odd)
            return
        shared.setdefault("round", Cell("", shared.get("row", NOTHING).text or shared["time"].text))
        said = [(code, _cell(code, value_at(record, p, element), odd)) for code, p in self._items]
        items = [
            self._one(line, raw, common.with_item(code, cell), f"{place}/{code}", origin, odd)
            for code, cell in said
            if cell.text or code in odd
        ]
        # Of a record that was refused in part, the rest is left out, and nothing is said by it.
        in_part = is_in_part(origin)
        whole = f"{place}/" if place else ""
        alone = None if in_part else unused_parts(common, items)
        yield from items
        if alone is not None:
            item = self._refused(line, raw, alone, whole)
            item.made_from(origin)
            yield item
        blanks = tuple(code for code, cell in said if not cell.text and code not in odd)
        if not (blanks and shared.get("row", NOTHING).text):
            return
        item = self._item(line, raw, whole)
        item.blanks = blanks
        item.made_from(origin)
        try:
            read_blanks(common, self.source, self.site, item, alone=not items)
        except Refused as refused:
            if not items:  # else they were refused for the same
                item.blanks, item.issue = (), self._issue(line, refused, item.part)
                yield item
            return
        if item.withdraws or not (in_part or (self.is_rejects and not origin)):
            yield item

    def _one(
        self,
        line: int,
        raw: str,
        record: Record,
        part: str,
        origin: str,
        odd: dict[str, Refused],
    ) -> SourceItem:
        item = self._item(line, raw, part)
        item.made_from(origin)
        try:
            for cell in (*record.cells.values(), *record.components.values(), *record.marks):
                if cell.name in odd:
                    raise odd[cell.name]
            read_record(record, self.source, self.site, item)
        except Refused as refused:
            item.readings, item.set_aside, item.withdraws = (), "", False
            item.issue = self._issue(line, refused, part)
        return item

    def _item(self, line: int, raw: str, part: str = "") -> SourceItem:
        self._arrival += ARRIVAL_STEP
        return SourceItem(str(self.path), line, self._arrival, raw, part=part)

    def _refused(self, line: int, raw: str, refused: Refused, part: str = "") -> SourceItem:
        item = self._item(line, raw)
        item.issue = self._issue(line, refused, part)
        return item

    def _issue(self, line: int, refused: Refused, part: str = "") -> Issue:
        indices = iter(part.partition("/")[0].split("."))
        path = re.sub(r"\[\]", lambda _: f"[{next(indices)}]", refused.column)
        if refused.rule == "json":  # its column is that of the fault in the text
            return refused.issue(self.path, line, int(refused.column or 0))
        return refused.issue(self.path, line, where=f"{path}: " if path else "")

    # -- rejects ----------------------------------------------------------------------------

    def rejects_head(self) -> str:
        """Return what a file of refused lines begins with: nothing."""
        return ""

    def leaves_out(self, items: Sequence[SourceItem]) -> bool:
        """Tell whether some of what a line says was not refused, and is not written out."""
        parts = {item.part for item in items}
        if "" in parts:
            return False
        record = _unpacked(parsed(items[0].raw))
        for element in elements_of(record, self._nest):
            place = ".".join(map(str, element))
            said = [f"{place}/{c}" for c, p in self._items if value_at(record, p, element)]
            alone = f"{place}/" if self._items else place
            if any(part not in parts for part in said or [alone]):
                return True
        return False

    def rejected(self, items: Sequence[SourceItem], reason: str) -> str:
        """Return a refused line with its reason, and with null for what of it was not refused."""
        raw = items[0].raw
        why, body = json.dumps(reason), raw.rstrip()
        if any("\udc80" <= character <= "\udcff" for character in raw) and body.endswith("}"):
            return f'{body[:-1]}, "{WHY_COLUMN}": {why}}}\n'  # bytes that only a text can carry
        try:
            record = parsed(raw)
        except Refused:
            line = json.dumps(body, ensure_ascii=True)
            return f'{{"{WHY_COLUMN}": {why}, "{_LINE}": {line}}}\n'
        record.pop(WHY_COLUMN, None)
        try:
            record = _unpacked(record)
        except Refused:
            return f'{{"{WHY_COLUMN}": {why}, "{_LINE}": {json_text(record[_LINE])}}}\n'
        parts = {item.part for item in items}
        if "" not in parts:
            record = self._only(record, parts)
        return json_text({**record, WHY_COLUMN: reason}) + "\n"

    def _only(self, record: Any, parts: set[str]) -> Any:
        """Return a record in which only the elements and items of some parts are left."""
        kept = {part.partition("/")[0] for part in parts}
        for element in elements_of(record, self._nest):
            place = ".".join(map(str, element))
            if place not in kept:
                last = len(self._nest) - 1
                value_at(record, self._nest[:last], element)[element[-1]] = None
                continue
            for code, path in self._items:
                holder = value_at(record, path[:-1], element)
                step = path[-1]
                if f"{place}/{code}" not in parts and isinstance(holder, dict):
                    holder.pop(str(step), None)
        return record


def parsed(text: str) -> dict[str, Any]:
    """Return the object of a line; raises `Refused`."""
    try:
        record = json.loads(
            text,
            parse_int=Number,
            parse_float=Number,
            parse_constant=Number,
            object_pairs_hook=_object,
        )
    except _Twice as error:
        raise Refused("json", "a key stands twice in an object", value=str(error)) from None
    except json.JSONDecodeError as error:
        raise Refused(
            "json",
            f"not JSON: {error.msg}",
            column=str(error.colno),
            hint="one object a line; was the line cut?",
        ) from None
    except RecursionError:
        raise Refused("json", "nested too deeply") from None
    if not isinstance(record, dict):
        raise Refused("json", "the line is no object")
    return record


def _unpacked(record: dict[str, Any]) -> dict[str, Any]:
    """Return the record that a rejects file holds as a text, or mended as an object."""
    inner = record.get(_LINE, record)
    if isinstance(inner, str):
        return parsed(inner)
    if not isinstance(inner, dict):
        raise Refused("json", "the line is no object")
    return inner


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    result = dict(pairs)
    if len(result) < len(pairs):
        keys = [key for key, _ in pairs]
        raise _Twice(next(key for key in keys if keys.count(key) > 1))
    return result


def _cell(name: str, value: Any, odd: dict[str, Refused]) -> Cell:
    """Return the cell of a value; what is no value goes into `odd` with its reason."""
    if value is None:
        return Cell(name, "")
    if isinstance(value, bool):
        return Cell(name, "true" if value else "false")
    if isinstance(value, Number):
        if fault := fault_of_number(value):
            odd[name] = Refused("number", fault, column=name)
        return Cell(name, str(value), exact=True)
    if isinstance(value, str):
        return Cell(name, value.strip())
    kind = "a list" if isinstance(value, list) else "an object"
    odd[name] = Refused("value", f"holds {kind}, not a value", column=name)
    return Cell(name, "")


def fault_of_number(number: Number) -> str:
    """Return why a JSON number is none that is charted; empty where it is one."""
    if number in ("NaN", "Infinity", "-Infinity"):
        return "not a number that JSON knows"
    return "a number beyond all measure" if abs(_exponent(number)) > 12 else ""


def _exponent(number: str) -> int:
    digits = number.lower().partition("e")[2]
    return int(digits) if digits and len(digits) < 9 else 0 if not digits else 10**9


def _not_text(encoding: str) -> Refused:
    return Refused("encoding", f"bytes that are not {encoding}", hint="encoding in the site file")


def json_text(value: Any) -> str:
    """Return JSON in which numbers keep the digits they were written with."""
    if isinstance(value, Number):
        return str(value)
    if isinstance(value, dict):
        pairs = (f"{json_text(key)}: {json_text(v)}" for key, v in value.items())
        return "{" + ", ".join(pairs) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(json_text(item) for item in value) + "]"
    half = isinstance(value, str) and any("\ud800" <= c <= "\udfff" for c in value)
    return json.dumps(value, ensure_ascii=half)
