"""Long tables (CSV, TSV): one row an item, its columns named by the site file."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import datetime
from decimal import Decimal
from pathlib import Path

from fhirdrain.bedside.reading import WITHDRAWN, Part, Reading
from fhirdrain.errors import ConfigurationError, SourceError
from fhirdrain.intake.item import SourceItem, read_origin
from fhirdrain.intake.values import ValueRefused, read_number, read_time, split_number
from fhirdrain.issues import Issue
from fhirdrain.site import Item, Meaning, Site, Source
from fhirdrain.site.site import STATUSES, nearest
from fhirdrain.vocabulary.observables import OBSERVABLES, Component, Observable
from fhirdrain.vocabulary.units import UNITS, UnitError, convert, unit_of

__all__ = ["WHY_COLUMN", "Table", "open_table"]

# Added to a rejects file behind the source's own columns; intake passes over it.
WHY_COLUMN = "fhirdrain_why"

_SINGLE = (
    "row",
    "patient",
    "encounter",
    "drain",
    "time",
    "start",
    "end",
    "recorded",
    "item",
    "value",
    "unit",
    "status",
    "performer",
    "note",
    "round",
)


class _Refused(Exception):
    """One row is refused; carries what its issue needs."""

    def __init__(
        self, rule: str, message: str, *, column: str = "", hint: str = "", value: str = ""
    ) -> None:
        super().__init__(message)
        self.rule = rule
        self.column = column
        self.hint = hint
        self.value = value


class Table:
    """One table file: its header line and its items, read as a stream.

    After the last item `cut_short` tells whether the file ended without a line end.
    """

    def __init__(self, path: Path, source: Source, site: Site, first: int = 0) -> None:
        self.path = path
        self.source = source
        self.site = site
        self.header_line = ""
        self.header: list[str] = []
        self.cut_short = False
        self._lines: list[str] = []
        self._arrival = first
        encoding = (
            "utf-8-sig"
            if source.encoding.lower().replace("_", "-") in ("utf-8", "utf8")
            else source.encoding
        )
        self.encoding = encoding
        _refuse_binary(path, encoding)
        # Bytes that the encoding does not know are carried through, so that the row can be
        # refused with its place and still be written out whole.
        self._stream = path.open(encoding=encoding, errors="surrogateescape", newline="")
        self._rows = csv.reader(self._kept_lines(), delimiter=source.delimiter, strict=True)
        try:
            self._read_header()
        except BaseException:
            self._stream.close()
            raise

    def _kept_lines(self) -> Iterator[str]:
        for line in self._stream:
            self._lines.append(line)
            self.cut_short = not line.endswith(("\n", "\r"))
            yield line

    def _read_header(self) -> None:
        try:
            header = next(self._rows)
        except StopIteration:
            raise SourceError(
                "the file is empty", place=str(self.path), hint="did its export fail?"
            ) from None
        except (csv.Error, UnicodeError) as error:
            raise SourceError(
                f"the header cannot be read: {error}", place=f"{self.path}:1"
            ) from None
        self.header_line = "".join(self._lines)
        self._lines.clear()
        self.header = [name.strip() for name in header]
        columns = self.source.columns
        wanted = {key: getattr(columns, key) for key in _SINGLE if getattr(columns, key)}
        wanted |= {f"components.{c}": name for c, name in columns.components.items()}
        wanted |= {f"set_aside.{name}": name for name, _ in self.source.set_aside}
        missing = {key: name for key, name in wanted.items() if name not in self.header}
        for key, name in missing.items():
            if len(self.header) == 1:
                hint = f'is the delimiter "{self.source.delimiter}"?'
            elif len(missing) > len(wanted) // 2:
                # What stands in the first line may be a row: none of it is shown.
                hint = "does the first line hold the names of the columns?"
            else:
                hint = nearest(name, self.header)
            raise SourceError(
                f'the column "{name}" ({key} in the site file) is missing',
                place=f"{self.path}:1",
                hint=hint,
            )
        twice = {name for name in self.header if name and self.header.count(name) > 1}
        for name in twice & set(wanted.values()):
            raise SourceError(f'the column "{name}" stands twice', place=f"{self.path}:1")
        self._index = {name: self.header.index(name) for name in wanted.values()}

    def __iter__(self) -> Iterator[SourceItem]:
        with self._stream:
            while True:
                start = self._rows.line_num + 1
                self._lines.clear()
                try:
                    cells = next(self._rows)
                except StopIteration:
                    return
                except csv.Error as error:
                    item = self._item(start)
                    item.issue = self._issue(start, _unreadable(error, self._rows.line_num))
                    yield item
                    continue
                except UnicodeError:
                    item = self._item(start)
                    refused = _Refused(
                        "encoding",
                        f"from here on the file cannot be read as {self.source.encoding}",
                        hint="was the file cut short?",
                    )
                    item.issue = self._issue(start, refused)
                    yield item
                    return
                if cells:
                    item = self._read(start, cells)
                    if self.cut_short and item.issue is None:
                        # The last cell may have lost its end, and nothing in it would show.
                        refused = _Refused(
                            "no-line-end",
                            "the last row has no line end behind it",
                            hint="was the file cut short? If the row is whole, end its line",
                        )
                        item.readings, item.set_aside, item.withdraws = (), "", False
                        item.issue = self._issue(start, refused, len(self._lines[-1]) + 1)
                    yield item

    def close(self) -> None:
        """Let go of the file, read to its end or not."""
        self._stream.close()

    def _item(self, line: int) -> SourceItem:
        self._arrival += 1
        return SourceItem(str(self.path), line, self._arrival, "".join(self._lines))

    @property
    def is_rejects(self) -> bool:
        """Tell whether the file is a rejects file of an earlier run."""
        return self.header[-1] == WHY_COLUMN

    def _issue(self, line: int, refused: _Refused, column: int = 0) -> Issue:
        if refused.column in self._index and len(self._lines) == 1:
            column = _cell_column(
                self._lines[0], self._index[refused.column], self.source.delimiter
            )
        named = f'column "{refused.column}": ' if refused.column else ""
        return Issue(
            "error",
            "value",
            refused.rule,
            f"{named}{refused}",
            hint=refused.hint,
            file=str(self.path),
            line=line,
            column=column,
            value=refused.value,
        )

    def _read(self, line: int, cells: list[str]) -> SourceItem:
        item = self._item(line)
        if self.is_rejects:
            if len(cells) == len(self.header) - 1:
                cells = [*cells, ""]  # whoever mended the row took our reason away
            item.origin = read_origin(cells[-1])
        try:
            if len(cells) < len(self.header):
                raise _Refused(
                    "row-length",
                    f"the row has {len(cells)} of {len(self.header)} columns",
                    hint="was the file cut short?"
                    if self.cut_short
                    else "is a delimiter missing, or a line end inside a cell unquoted?",
                )
            if any("\udc80" <= c <= "\udcff" for cell in cells for c in cell):
                raise _Refused(
                    "encoding",
                    f"bytes that are not {self.source.encoding}",
                    hint="encoding in the site file",
                )
            if len(cells) > len(self.header):
                raise _Refused(
                    "row-length",
                    f"the row has {len(cells)} columns, the header {len(self.header)}",
                    hint="is a cell with the delimiter in it quoted?",
                )
            _Row(self, cells, item).read()
        except _Refused as refused:
            item.readings = ()
            line_end = len(self._lines[-1].rstrip("\r\n")) + 1 if len(self._lines) == 1 else 0
            column = {"row-length": line_end, "encoding": _first_odd(self._lines[0]) + 1}
            item.issue = self._issue(line, refused, column.get(refused.rule, 0))
        return item


@dataclass(slots=True)
class _Row:
    """One row being read into its item."""

    table: Table
    cells: list[str]
    item: SourceItem
    remarks: list[str] = field(default_factory=list)

    def cell(self, key: str) -> str:
        name = getattr(self.table.source.columns, key)
        return self.cells[self.table._index[name]].strip() if name else ""

    def name(self, key: str) -> str:
        return getattr(self.table.source.columns, key) or ""

    def refuse(self, rule: str, key: str, message: str, hint: str = "") -> _Refused:
        return _Refused(rule, message, column=self.name(key), hint=hint, value=self.cell(key))

    def read(self) -> None:
        source, item = self.table.source, self.item
        item.row = self.cell("row") or None
        item.item = self.cell("item")
        item.patient = self.cell("patient")
        for column, values in source.set_aside:
            if self.cells[self.table._index[column]].strip() in values and not self.is_struck():
                item.set_aside = f'column "{column}" marks it as no reading'
                self.keep_silence()
                return
        meant = source.items.get(item.item)
        if meant is None:
            raise self.refuse(
                "unknown-item",
                "item",
                "this item is not in the site file",
                nearest(item.item, source.items) if item.item else "the cell is empty",
            )
        if meant.ignore is not None:
            item.set_aside = f'item "{meant.code}": {meant.ignore}'
            return
        if not item.patient:
            raise self.refuse("no-patient", "patient", "no patient is given")
        status = self.status()
        item.recorded = self.moment("recorded") if self.cell("recorded") else None
        text = self.cell("value")
        if status == WITHDRAWN and (text in meant.no_reading or not text):
            if item.row is None:
                raise self.refuse(
                    "withdrawal", "row", "a withdrawal without content needs a row id"
                )
            item.withdraws = True
            return
        if text in meant.no_reading:
            item.set_aside = "it says nothing" if text else "the value is empty"
            item.silent = item.row is not None
            return
        meanings = self.meanings(meant, text)
        if not meanings:
            return
        time = self.moment("time")
        common = Reading(
            source=source.name,
            patient=item.patient,
            drain=self.drain(meant),
            observable="",
            time=time,
            row=item.row,
            item=meant.code,
            start=self.moment("start") if self.cell("start") else None,
            end=self.moment("end") if self.cell("end") else None,
            recorded=item.recorded,
            status=status,
            encounter=self.cell("encounter") or None,
            performer=self.cell("performer") or None,
            note=self.cell("note") or None,
            round=self.cell("round") or None,
        )
        if common.start is not None and common.start >= time:
            raise self.refuse("interval", "start", "the interval starts when it ends, or later")
        if common.end is not None and common.end < time:
            raise self.refuse("interval", "end", "it ends before it begins")
        item.readings = tuple(self.reading(common, meaning, text, meant) for meaning in meanings)

    def is_struck(self) -> bool:
        """Tell whether the row withdraws what was charted."""
        text = self.cell("status")
        return self.table.source.status_words.get(text, text) == WITHDRAWN

    def keep_silence(self) -> None:
        """Let a row set aside by a mark take back what the same row said before."""
        recorded = self.cell("recorded")
        if self.item.row is None or not self.item.patient:
            return
        with suppress(ValueRefused):  # else its place in the file decides
            self.item.recorded = read_time(recorded, self.table.source) if recorded else None
        self.item.silent = True

    # -- what each cell says ----------------------------------------------------------------

    def status(self) -> str:
        source = self.table.source
        text = self.cell("status")
        status = source.status_words.get(text) or (text if text else source.default_status)
        if status not in STATUSES:
            raise self.refuse(
                "status",
                "status",
                "this status is not in the site file",
                nearest(text, [*source.status_words, *STATUSES]),
            )
        return status

    def moment(self, key: str) -> datetime:
        try:
            return read_time(self.cell(key), self.table.source)
        except ValueRefused as refused:
            raise self.refuse(refused.rule, key, str(refused), refused.hint) from None

    def drain(self, meant: Item) -> str:
        label = self.cell("drain")
        named = self.table.site.labels.get(label) if label else None
        if label and named is None:
            raise self.refuse(
                "unknown-drain",
                "drain",
                "this names no drain of the site file",
                nearest(label, self.table.site.labels),
            )
        if meant.drain is not None and named is not None and named != meant.drain:
            raise self.refuse(
                "two-drains", "drain", f"the item is of {meant.drain} and the column names {named}"
            )
        drain = meant.drain or named
        if drain is None:
            raise self.refuse("no-drain", "drain", "no drain is named")
        return drain

    def meanings(self, meant: Item, text: str) -> tuple[Meaning, ...]:
        """Return what a value text says; empty, with a reason, when it is set aside."""
        if text in meant.absent:
            return tuple(Meaning(name, absent=meant.absent[text]) for name in meant.observables)
        if text in meant.words:
            return meant.words[text]
        parsed = split_number(text, self.table.source)
        if meant.number is not None and parsed is not None:
            return self.quantity(meant, OBSERVABLES[meant.number], *parsed)
        if len(meant.observables) == 1 and text in OBSERVABLES[meant.observables[0]].words:
            name = meant.observables[0]
            if (name, text) != ("air-leak", "none"):
                return (Meaning(name, text),)
        known = [*meant.words, *(w for n in meant.observables for w in OBSERVABLES[n].words)]
        raise self.refuse(
            "unknown-word",
            "value",
            f'not a value that item "{meant.code}" has in the site file',
            nearest(text, known) if known else _expected(meant),
        )

    def quantity(
        self, meant: Item, observable: Observable, number: str, behind: str
    ) -> tuple[Meaning, ...]:
        if meant.scale == "wall-gauge":
            self.item.set_aside = "read from a wall gauge: it says nothing of the suction set"
            return ()
        value = self.number(number, "value", volume="mL" in observable.units)
        unit = self.unit(meant, observable, behind)
        limit = _beyond(value, unit, observable)
        if limit:
            hint = "is the sign a slip?" if "negative" in limit else f"is it really in {unit}?"
            raise self.refuse("impossible", "value", f"{observable.name} {limit}", hint)
        return (Meaning(observable.name, value, unit),)

    def number(self, text: str, key: str, *, volume: bool) -> Decimal:
        try:
            return read_number(text, self.table.source, volume=volume)
        except ValueRefused as refused:
            raise self.refuse(refused.rule, key, str(refused), refused.hint) from None

    def unit(self, meant: Item, observable: Observable, behind: str) -> str:
        """Return the unit of a number: that of its cell, else its column, else the site file's."""
        found = []
        for key, text in (("value", behind), ("unit", self.cell("unit"))):
            if not text:
                continue
            found.append(self.unit_said(text, key, observable.units))
        if len(set(found)) > 1:
            raise self.refuse("unit", "unit", "the value and the unit column name different units")
        unit_code = found[0] if found else meant.unit
        if unit_code is None:
            raise self.refuse(
                "unit", "unit", "no unit is given", f'unit of item "{meant.code}" in the site file'
            )
        if unit_code == "mm[Hg]" and meant.unit != "mm[Hg]" and "mm[Hg]" in observable.units:
            raise self.refuse(
                "wall-gauge",
                "unit" if self.cell("unit") else "value",
                "a pressure in mm[Hg] reads like a wall gauge, which is not the suction set",
                'what is it read from? The site file can set it aside: scale = "wall-gauge"',
            )
        if unit_code not in observable.units:
            raise self.refuse(
                "unit",
                "unit" if self.cell("unit") else "value",
                f"the unit {unit_code} does not belong to {observable.name}",
                f"accepted: {', '.join(observable.units)}",
            )
        return unit_code

    def unit_said(self, text: str, key: str, accepted: Sequence[str]) -> str:
        """Return the code of a unit as a cell says it, and note another spelling."""
        try:
            unit, respelled = unit_of(text, self.table.site.unit_aliases, accepted)
        except UnitError as error:
            # A misleading unit is named; what is unknown may be a value that slipped a column.
            message = str(error) if error.misleading else "not a unit that is known"
            if key == "value":
                message = "not a number, or its unit is not known"
            raise self.refuse("unit", key, message, error.hint) from None
        if respelled:
            self.item.respelled += ((text, unit.code),)
        return unit.code

    # -- readings ---------------------------------------------------------------------------

    def reading(self, common: Reading, meaning: Meaning, text: str, meant: Item) -> Reading:
        observable = OBSERVABLES[meaning.observable]
        value, unit, original = meaning.value, meaning.unit, None
        if isinstance(value, Decimal) and unit is not None:
            target = observable.units[0]
            if UNITS[unit].factor != UNITS[target].factor:
                digits = self.table.site.settings.significant_digits
                original = (value, unit)
                value = convert(value, unit, target, digits)
            unit = target
        parts: dict[str, Part] = {}
        if meaning.absent is None:
            parts = {**meaning.parts, **self.column_parts(observable, meaning, meant)}
        note = "\n".join(filter(None, [common.note, *self.remarks])) or None
        return replace(
            common,
            observable=observable.name,
            value=value,
            unit=unit,
            parts=parts,
            note=note,
            absent=meaning.absent,
            text=text if isinstance(value, str) and text != value else None,
            original=original,
            start=common.start if observable.timing == "interval" else None,
        )

    def column_parts(
        self, observable: Observable, meaning: Meaning, meant: Item
    ) -> Mapping[str, Part]:
        """Return the parts that stand in columns of their own."""
        parts: dict[str, Part] = {}
        for name, column in self.table.source.columns.components.items():
            text = self.cells[self.table._index[column]].strip()
            if not text or name not in observable.component_names:
                continue
            component = observable.component(name)
            part = self.part(component, column, text, meant)
            if meaning.parts.get(name, part) != part:
                raise _Refused(
                    "two-values",
                    f"it and the value say different things of {name}",
                    column=column,
                    value=text,
                )
            parts[name] = part
        return parts

    def part(self, component: Component, column: str, text: str, meant: Item) -> Part:
        if component.kind == "words":
            if text not in component.words:
                raise _Refused(
                    "unknown-word",
                    f"not a word of {component.name}",
                    column=column,
                    value=text,
                    hint=nearest(text, component.words),
                )
            return text
        if component.kind == "integer":
            if not text.isascii() or not text.isdigit() or int(text) < 1:
                raise _Refused(
                    "number",
                    f"{component.name} is a whole number from 1",
                    column=column,
                    value=text,
                )
            return int(text)
        if component.kind == "text":
            return text
        try:
            number = read_number(text, self.table.source, volume=True)
        except ValueRefused as refused:
            raise _Refused(
                refused.rule, str(refused), column=column, hint=refused.hint, value=text
            ) from None
        target = component.units[0]
        unit = (
            self.unit_said(self.cell("unit"), "unit", component.units)
            if self.cell("unit")
            else meant.unit
        )
        unit = unit or target
        if unit not in component.units:
            raise self.refuse(
                "unit", "unit", f"the unit {unit} does not belong to {component.name}"
            )
        limit = _beyond(number, unit, component)
        if limit:
            raise _Refused("impossible", f"{component.name} {limit}", column=column, value=text)
        if UNITS[unit].factor != UNITS[target].factor:
            self.remarks.append(f"{component.name} charted as {number} {unit}")
        return convert(number, unit, target, self.table.site.settings.significant_digits)


def _expected(meant: Item) -> str:
    """Return what an item without words can take."""
    if meant.number is not None:
        return "a number is expected"
    return "name its texts under words in the site file; profiles/README.md lists the parts"


def open_table(path: Path, source: Source, site: Site, first: int = 0) -> Table:
    """Return a table ready to be read; raises `SourceError` or `ConfigurationError`."""
    if source.kind != "table" or source.layout != "long":
        raise ConfigurationError(
            f'source "{source.name}" is {source.kind}, {source.layout}:'
            " this version reads long tables",
        )
    if str(path) == "-":
        raise SourceError("map reads files, not standard input")
    if path.is_dir():
        raise SourceError("is a folder", place=str(path), hint="name the files in it")
    if not path.exists():
        raise SourceError("there is no such file", place=str(path), hint="is the name right?")
    return Table(path, source, site, first)


def _refuse_binary(path: Path, encoding: str) -> None:
    try:
        with path.open("rb") as stream:
            start = stream.read(8192)
    except OSError as error:
        raise SourceError(f"cannot be read: {error.strerror}", place=str(path)) from None
    if b"\0" in start and not encoding.lower().startswith(("utf-16", "utf-32", "utf16", "utf32")):
        raise SourceError(
            "is a binary file, not a table",
            place=str(path),
            hint="a table of wide characters needs its encoding in the site file, as utf-16",
        )


def _unreadable(error: csv.Error, line: int) -> _Refused:
    if "unexpected end of data" in str(error):
        return _Refused(
            "quote",
            f"a quote is opened and never closed; read to line {line}",
            hint="was the file cut short?",
        )
    return _Refused("row", f"the row cannot be read: {error}")


def _beyond(value: Decimal, unit: str, of: Observable | Component) -> str:
    """Return how a number lies outside what is possible; empty when it does not."""
    number = convert(value, unit, of.units[0], 28)
    if of.low is not None and number < of.low:
        return "is negative" if of.low == 0 else f"is below {of.low} {of.units[0]}"
    if of.high is not None and number > of.high:
        return f"is above {of.high} {of.units[0]}, more than is possible"
    return ""


def _first_odd(line: str) -> int:
    """Return where the first byte that could not be decoded stands, -1 for none."""
    return next((n for n, c in enumerate(line) if "\udc80" <= c <= "\udcff"), -1)


def _cell_column(line: str, index: int, delimiter: str) -> int:
    """Return at which character of a line a cell begins, from 1."""
    quoted, cells = False, 0
    if index == 0:
        return 1
    for place, character in enumerate(line):
        if character == '"':
            quoted = not quoted
        elif character == delimiter and not quoted:
            cells += 1
            if cells == index:
                return place + 2
    return 0
