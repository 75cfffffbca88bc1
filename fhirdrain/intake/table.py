"""Tables (CSV, TSV): one row an item (long) or one row a round and a column an item (wide)."""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from itertools import chain, islice
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from fhirdrain.errors import SourceError
from fhirdrain.intake.item import (
    ARRIVAL_STEP,
    RECORD_STEP,
    WHOLE,
    Share,
    SourceItem,
    is_in_part,
    read_origin,
)
from fhirdrain.intake.record import (
    KEYS,
    Cell,
    Record,
    Refused,
    read_blanks,
    read_record,
    unused_parts,
)
from fhirdrain.issues import Issue
from fhirdrain.packed import open_plain, open_text
from fhirdrain.site import Site, Source, columns_of
from fhirdrain.site.faults import nearest

if TYPE_CHECKING:
    from _csv import Reader as Rows

__all__ = ["WHY_COLUMN", "Table"]

# Added to a rejects file behind the source's own columns; intake passes over it.
WHY_COLUMN = "fhirdrain_why"


# What stands for bytes that are not of the encoding.
_ODD = re.compile("[\udc80-\udcff]")


class Table:
    """One table file: its header line and its items, read as a stream.

    After the last item `cut_short` tells whether the file ended without a line end.
    """

    def __init__(
        self, path: Path, source: Source, site: Site, first: int = 0, share: Share = WHOLE
    ) -> None:
        self.path = path
        self.source = source
        self.site = site
        self.head = ""
        self.header: list[str] = []
        self.cut_short = False
        self._lines: list[str] = []
        self._at = 0
        self._arrival = self._first = first
        self._share = share
        self._encoding = encoding_of(path, source)
        with self._opened() as stream:  # not kept open: of a folder there may be any number
            self._read_header(self._rows_of(self._kept_lines(stream)))

    def _opened(self) -> TextIO:
        # Bytes that the encoding does not know are carried through, so that the row can be
        # refused with its place and still be written out whole.
        return open_text(self.path, self._encoding, errors="surrogateescape", newline="")

    def _rows_of(self, lines: Iterable[str]) -> Rows:
        return csv.reader(lines, delimiter=self.source.delimiter, strict=True)

    def _passed_over(self, lines: Iterator[str], records: int) -> bool:
        """Pass over records of somebody else's share; tell whether there may be more behind them.

        What is a record is as for whoever reads them.
        """
        try:
            for line in islice(lines, records):
                records -= 1
                if '"' in line:  # it may end on another line
                    with suppress(csv.Error):
                        next(self._rows_of(chain((line,), lines)))
        except UnicodeError:
            return False
        self._lines.clear()
        return not records

    def _kept_lines(self, stream: TextIO) -> Iterator[str]:
        self._at = 0
        for line in stream:
            self._at += 1
            self._lines.append(line)
            self.cut_short = not line.endswith(("\n", "\r"))
            yield line

    # -- the header -------------------------------------------------------------------------

    def _read_header(self, rows: Rows) -> None:
        try:
            header = next(rows)
        except StopIteration:
            raise SourceError(
                "the file is empty", place=str(self.path), hint="did its export fail?"
            ) from None
        except (csv.Error, UnicodeError) as error:
            raise SourceError(
                f"the header cannot be read: {error}", place=f"{self.path}:1"
            ) from None
        self.head = "".join(self._lines)
        self._lines.clear()
        # An encoding that names its byte order leaves the mark of it in the text.
        self.header = [name.removeprefix("\ufeff").strip() for name in header]
        columns = columns_of(self.source.columns)
        wanted = columns | {f"set_aside.{name}": name for name, _ in self.source.set_aside}
        self._find(wanted)
        used = {*wanted.values(), WHY_COLUMN}
        self._items = [
            (name, index)
            for index, name in enumerate(self.header)
            if self.source.layout == "wide" and name not in used
        ]
        if self.source.layout == "wide" and not any(n in self.source.items for n, _ in self._items):
            raise SourceError(
                "none of its columns is an item of the site file",
                place=f"{self.path}:1",
                hint=f"the items are: {', '.join(list(self.source.items)[:8])}",
            )
        twice = {name for name in self.header if name and self.header.count(name) > 1}
        for name in sorted(twice & {*used, *(name for name, _ in self._items)}):
            raise SourceError(f'the column "{name}" stands twice', place=f"{self.path}:1")
        place = {name: index for index, name in enumerate(self.header)}
        self._cells = [(k, columns[k], place[columns[k]]) for k in KEYS if k in columns]
        self._components = [
            (key.removeprefix("components."), name, place[name])
            for key, name in columns.items()
            if key.startswith("components.")
        ]
        self._marks = [(name, place[name]) for name, _ in self.source.set_aside]
        self._place = place
        self._empty = [Cell(name, "") for name in self.header]

    def _find(self, wanted: dict[str, str]) -> None:
        """Raise `SourceError` for the first of the wanted columns that the header lacks."""
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

    # -- the rows ---------------------------------------------------------------------------

    def __iter__(self) -> Iterator[SourceItem]:
        with self._opened() as stream:
            lines = self._kept_lines(stream)
            rows = self._rows_of(lines)
            next(rows)  # the header
            record = -1
            while True:
                record += 1
                if not self._share.has(record):
                    others = self._share.left_of_run(record)
                    if not self._passed_over(lines, others):
                        return
                    record += others - 1
                    continue
                start = self._at + 1
                self._lines.clear()
                # So that whoever reads a share of the file gives each item the same number.
                self._arrival = self._first + record * RECORD_STEP
                try:
                    cells = next(rows)
                except StopIteration:
                    return
                except csv.Error as error:
                    yield self._refused(start, _unreadable(error, self._at))
                    continue
                except UnicodeError:
                    encoding = self.source.encoding
                    yield self._refused(
                        start,
                        Refused(
                            "encoding",
                            f"from here on the file cannot be read as {encoding}",
                            hint="was the file cut short?",
                        ),
                    )
                    return
                if cells:
                    yield from self._read(start, cells)

    def _item(self, line: int, part: str = "") -> SourceItem:
        self._arrival += ARRIVAL_STEP
        return SourceItem(str(self.path), line, self._arrival, "".join(self._lines), part=part)

    def _refused(self, line: int, refused: Refused, column: int = 0) -> SourceItem:
        item = self._item(line)
        item.issue = self._issue(line, refused, column)
        return item

    @property
    def is_rejects(self) -> bool:
        """Tell whether the file is a rejects file of an earlier run."""
        return self.header[-1] == WHY_COLUMN

    def _issue(self, line: int, refused: Refused, column: int = 0) -> Issue:
        if refused.column in self._place and len(self._lines) == 1:
            column = _cell_column(
                self._lines[0], self._place[refused.column], self.source.delimiter
            )
        named = f'column "{refused.column}": ' if refused.column else ""
        return refused.issue(self.path, line, column, named)

    def _read(self, line: int, cells: list[str]) -> Iterator[SourceItem]:
        origin = ""
        if self.is_rejects and cells:
            # A row may be too short or too long still, and our reason may have been taken away.
            if read_origin(cells[-1]) is not None:
                origin, cells = cells[-1], cells[:-1]
            elif len(cells) == len(self.header):
                cells = cells[:-1]
        broken = self._broken(cells, len(self.header) - self.is_rejects)
        if broken is not None:
            line_end = len(self._lines[-1].rstrip("\r\n")) + 1 if len(self._lines) == 1 else 0
            column = {"row-length": line_end, "encoding": _first_odd(self._lines[0]) + 1}
            item = self._refused(line, broken, column.get(broken.rule, 0))
            item.made_from(origin)
            yield item
            return
        cells = [cell.strip() for cell in cells]
        empty = self._empty
        shared = {
            key: Cell(name, cells[index]) if cells[index] else empty[index]
            for key, name, index in self._cells
        }
        components = {
            part: Cell(name, cells[index]) if cells[index] else empty[index]
            for part, name, index in self._components
        }
        marks = [Cell(name, cells[index]) for name, index in self._marks]
        if self.source.layout == "long":
            yield self._one(line, Record(shared, components, marks), "", origin)
            return
        said = [(name, cells[index]) for name, index in self._items]
        if "round" not in shared:
            # A row is a round; without an id of its own it is that of its time.
            name = shared["row"].text if "row" in shared else ""
            shared["round"] = Cell("", name or shared["time"].text)
        common = Record(shared, components, marks)
        items = [
            self._one(line, common.with_item(name, Cell(name, text)), name, origin)
            for name, text in said
            if text
        ]
        # Of a record that was refused in part, the rest is left out, and nothing is said by it.
        in_part = is_in_part(origin)
        alone = None if in_part else unused_parts(common, items)
        yield from items
        if alone is not None:
            item = self._refused(line, alone)
            item.made_from(origin)
            yield item
        blanks = tuple(name for name, text in said if not text and name in self.source.items)
        if not (blanks and "row" in shared and shared["row"].text):
            return
        item = self._item(line)
        item.blanks = blanks
        item.made_from(origin)
        try:
            read_blanks(common, self.source, self.site, item, alone=not items)
        except Refused as refused:
            if not items:  # else they were refused for the same
                item.blanks, item.issue = (), self._issue(line, refused)
                yield item
            return
        if item.withdraws or not (in_part or (self.is_rejects and not origin)):
            yield item

    def _broken(self, cells: Sequence[str], wanted: int) -> Refused | None:
        """Return why a row cannot be read at all, None when it can."""
        if len(cells) < wanted:
            return Refused(
                "row-length",
                f"the row has {len(cells)} of {wanted} columns",
                hint="was the file cut short?"
                if self.cut_short
                else "is a delimiter missing, or a line end inside a cell unquoted?",
            )
        if any(map(_ODD.search, cells)):
            return Refused(
                "encoding",
                f"bytes that are not {self.source.encoding}",
                hint="encoding in the site file",
            )
        if len(cells) > wanted:
            return Refused(
                "row-length",
                f"the row has {len(cells)} columns, the header {wanted}",
                hint="is a cell with the delimiter in it quoted?",
            )
        return None

    def _one(self, line: int, record: Record, part: str, origin: str) -> SourceItem:
        item = self._item(line, part)
        item.made_from(origin)
        try:
            read_record(record, self.source, self.site, item)
            if self.cut_short:
                # The last cell may have lost its end, and nothing in it would show.
                raise Refused(
                    "no-line-end",
                    "the last row has no line end behind it",
                    hint="was the file cut short? If the row is whole, end its line",
                )
        except Refused as refused:
            item.readings, item.set_aside, item.withdraws = (), "", False
            end = len(self._lines[-1]) + 1 if refused.rule == "no-line-end" else 0
            item.issue = self._issue(line, refused, end)
        return item

    # -- rejects ----------------------------------------------------------------------------

    def rejects_head(self) -> str:
        """Return what a file of this table's refused rows begins with."""
        return self._with_reason(self.head, WHY_COLUMN)

    def leaves_out(self, items: Sequence[SourceItem]) -> bool:
        """Tell whether some of what a wide row says was not refused, and is not written out."""
        raw, parts = items[0].raw, {item.part for item in items}
        if "" in parts:
            return False
        cells = self._cells_of(raw)
        return any(name not in parts and cells[index].strip() for name, index in self._items)

    def _cells_of(self, raw: str) -> list[str]:
        (cells,) = csv.reader(io.StringIO(raw, newline=""), delimiter=self.source.delimiter)
        return cells

    def rejected(self, items: Sequence[SourceItem], reason: str) -> str:
        """Return a refused row as it stood with its reason, of a wide one only what was refused."""
        raw, parts = items[0].raw, {item.part for item in items}
        if "" in parts:
            return self._with_reason(raw, reason)
        cells = self._cells_of(raw)
        left = {index for name, index in self._items if name not in parts}
        kept = [
            "" if i in left else cell for i, cell in enumerate(cells[: len(self._own_header())])
        ]
        return self._line([*kept, reason]) + _line_end(raw)

    def _own_header(self) -> list[str]:
        return self.header[:-1] if self.is_rejects else self.header

    def _with_reason(self, record: str, reason: str) -> str:
        """Return a record with its reason behind it; on a second run the reason is replaced."""
        body = record.rstrip("\r\n")
        end = _line_end(record)
        if not self.is_rejects:
            return f"{body}{self.source.delimiter}{self._line([reason])}{end}"
        try:
            (cells,) = csv.reader([body], delimiter=self.source.delimiter, strict=True)
        except (csv.Error, ValueError):
            return record if end == record[len(body) :] else record + end
        # Whoever mended the row may have taken the old reason away.
        old = bool(cells) and read_origin(cells[-1]) is not None
        kept = cells[:-1] if old or len(cells) == len(self.header) else cells
        return self._line([*kept, reason]) + end

    def _line(self, cells: Sequence[str]) -> str:
        line = io.StringIO()
        # It quotes only the line ends that it would write itself.
        csv.writer(line, delimiter=self.source.delimiter, lineterminator="\r\n").writerow(cells)
        return line.getvalue().removesuffix("\r\n")


def encoding_of(path: Path, source: Source) -> str:
    """Return the codec to read a file with; raises `SourceError` for one that cannot be right."""
    try:
        with open_plain(path) as stream:
            start = stream.read(8192)
    except OSError as error:
        raise SourceError(f"cannot be read: {error.strerror}", place=str(path)) from None
    encoding = source.encoding.lower().replace("_", "-")
    is_utf8 = encoding in ("utf-8", "utf8", "utf-8-sig")
    is_wide = encoding.startswith(("utf-16", "utf-32", "utf16", "utf32"))
    marked = {codecs.BOM_UTF8: is_utf8, codecs.BOM_UTF16_LE: is_wide, codecs.BOM_UTF16_BE: is_wide}
    for mark, fits in marked.items():
        if start.startswith(mark) and not fits:
            named = "utf-8" if mark == codecs.BOM_UTF8 else "utf-16"
            raise SourceError(
                f"begins with the mark of {named}, and the site file says {source.encoding}",
                place=str(path),
                hint=f'encoding = "{named}"',
            )
    if b"\0" in start and not is_wide:
        raise SourceError(
            "is a binary file, not text",
            place=str(path),
            hint="a file of wide characters needs its encoding in the site file, as utf-16",
        )
    return "utf-8-sig" if is_utf8 else source.encoding


def _line_end(record: str) -> str:
    return record[len(record.rstrip("\r\n")) :] or "\n"


def _unreadable(error: csv.Error, line: int) -> Refused:
    if "unexpected end of data" in str(error):
        return Refused(
            "quote",
            f"a quote is opened and never closed; read to line {line}",
            hint="was the file cut short?",
        )
    return Refused("row", f"the row cannot be read: {error}")


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
