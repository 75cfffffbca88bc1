"""HL7 v2: ORU^R01 messages of a file, an item an OBX, by the tables that are published for them."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import UTC
from pathlib import Path

from fhirdrain.bedside.reading import WITHDRAWN
from fhirdrain.errors import SourceError
from fhirdrain.intake.item import ARRIVAL_STEP, RECORD_STEP, WHOLE, Share, SourceItem
from fhirdrain.intake.record import Cell, Record, Refused, read_record, unused_parts
from fhirdrain.intake.values import ValueRefused, read_time
from fhirdrain.issues import Issue
from fhirdrain.packed import open_plain
from fhirdrain.site import Site, Source
from fhirdrain.vocabulary.hl7text import (
    Hl7Error,
    Message,
    Repetition,
    Segment,
    charset_of,
    messages,
)
from fhirdrain.vocabulary.observables import CHARTED
from fhirdrain.vocabulary.v2tables import (
    CODE_SYSTEMS,
    DEVICE_MARKS,
    MDC_UNITS,
    RESULT_STATUS,
    VALUE_TYPES,
)

__all__ = ["Hl7v2", "Results"]

# A segment of ours in a rejects file: why a message was refused, and which OBX the next one was.
OURS = "ZFD"
_PIECE = 1 << 16

# Data types DTM and TS of the standard.
_DTM = re.compile(
    r"(\d{4})(?:(\d\d)(?:(\d\d)(?:(\d\d)(?:(\d\d)(?:(\d\d)(\.\d{1,4})?)?)?)?)?)?([+-]\d{4})?"
)
_NM = re.compile(r"[+-]?(\d{1,12}\.?\d{0,12}|\.\d{1,12})")
# MDS.VMD.CHANNEL.METRIC of device feeds: one that ends with no metric is of the device itself.
_STRUCTURE = re.compile(r"\d+(\.\d+){2,}\.0(\.\d+)*|\d+(\.0){3,}")


@dataclass(slots=True)
class _Row:
    """One OBX with what stands behind it, and its name within the message."""

    obx: Segment
    part: str
    notes: list[Segment] = field(default_factory=list)
    devices: list[Segment] = field(default_factory=list)


@dataclass(slots=True)
class _Group:
    """The OBX of one OBR (or of none), with what is said of all of them.

    It is there `in_part` where a rejects file leaves out what was not refused of it.
    """

    patient: Segment | None
    visit: Segment | None
    obr: Segment | None = None
    notes: list[Segment] = field(default_factory=list)
    rows: list[_Row] = field(default_factory=list)
    in_part: bool = False


class Results:
    """Messages of a source and their items, wherever they come from: `path` names that."""

    def __init__(self, path: Path, source: Source, site: Site, first: int = 0) -> None:
        self.path = path
        self.source = source
        self.site = site
        self._arrival = first

    def read(self, line: int, data: bytes, *, whole: bool = True) -> list[SourceItem]:
        """Return the items of one message that begins at a line; a cut one is refused."""
        try:
            charset = charset_of(data, self.source.encoding)
        except Hl7Error as error:
            charset, fault = self.source.encoding, str(error)
        else:
            fault = "" if whole else "it does not end: was it cut short?"
        raw = data.decode(charset, "surrogateescape").replace("\r", "\n").strip("\n") + "\n"
        origin, plain, parts, left = _without_ours(raw)
        if not fault and any("\udc80" <= character <= "\udcff" for character in raw):
            fault = f"bytes that are not {charset}"
        try:
            if fault:
                raise Hl7Error(fault)
            message = Message(plain, charset)
            _expect_results(message)
            groups = list(_groups(message, parts, left))
        except Hl7Error as error:
            item = self._refused(line, plain, "message", str(error))
            item.made_from(origin)
            return [item]
        reader = _Reader(message, self.source, self.site)
        items = []
        for group in groups:
            items += self._group(line, plain, reader, group, origin)
        if not items:
            item = self._item(line, plain)
            item.set_aside = "a message without a result"
            item.made_from(origin)
            items.append(item)
        return items

    def _group(
        self, line: int, raw: str, reader: _Reader, group: _Group, origin: str
    ) -> list[SourceItem]:
        items: list[SourceItem] = []
        together: dict[str, list[tuple[Record, SourceItem]]] = {}
        helpers = [row for row in group.rows if reader.is_helper(row)]
        for row in group.rows:
            if any(row is helper for helper in helpers):
                continue
            item = self._item(line, raw, row.part)
            item.made_from(origin)
            items.append(item)
            record = None
            try:
                if reader.is_structure(row):
                    item.set_aside = "it describes the device, and is no observation"
                    continue
                record = reader.record(group, row, helpers)
                read_record(record, self.source, self.site, item)
                if record.test and any(
                    CHARTED[r.observable].form != "Observation" for r in item.readings
                ):
                    item.readings, item.set_aside = (), "an order or an act of a test"
            except (Refused, Hl7Error) as error:
                refused = error if isinstance(error, Refused) else Refused("message", str(error))
                item.readings, item.set_aside, item.withdraws = (), "", False
                item.issue = self._issue(line + row.obx.line, refused)
            if record is not None:
                together.setdefault(record.group, []).append((record, item))
        for alike in together.values():
            record, first = alike[0]
            alone = None if group.in_part else unused_parts(record, [item for _, item in alike])
            if alone is not None and first.issue is None:
                first.readings, first.issue = (), self._issue(line, alone)
        return items

    # -- items ------------------------------------------------------------------------------

    def _item(self, line: int, raw: str, part: str = "") -> SourceItem:
        self._arrival += ARRIVAL_STEP
        return SourceItem(str(self.path), line, self._arrival, raw, part=part)

    def _refused(self, line: int, raw: str, rule: str, message: str) -> SourceItem:
        item = self._item(line, raw)
        hint = "one ORU^R01 message after the other, each beginning with MSH"
        item.issue = self._issue(line, Refused(rule, message, hint=hint))
        return item

    def _issue(self, line: int, refused: Refused) -> Issue:
        return refused.issue(self.path, line, where=f"{refused.column}: " if refused.column else "")


class Hl7v2(Results):
    """One file of messages and its items, read as a stream."""

    head = ""
    cut_short = False  # one that was cut is refused itself

    def __init__(
        self, path: Path, source: Source, site: Site, first: int = 0, share: Share = WHOLE
    ) -> None:
        super().__init__(path, source, site, first)
        self._first = first
        self._share = share
        if path.stat().st_size == 0:
            raise SourceError("the file is empty", place=str(path), hint="did its export fail?")
        with open_plain(path) as stream:
            self.is_rejects = f"\n{OURS}|".encode() in stream.read(_PIECE)

    def __iter__(self) -> Iterator[SourceItem]:
        line = 0
        try:
            with open_plain(self.path) as stream:
                pieces = iter(lambda: stream.read(_PIECE), b"")
                for number, (line, data, whole) in enumerate(messages(pieces)):
                    if self._share.has(number):
                        self._arrival = self._first + number * RECORD_STEP
                        yield from self.read(line, data, whole=whole)
        except Hl7Error as error:  # too large to be held, and so to be written to a rejects file
            behind = f", behind the message of line {line}" if line else ""
            hint = "is it a file of messages?"
            raise SourceError(f"{error}{behind}", place=str(self.path), hint=hint) from None

    # -- rejects ----------------------------------------------------------------------------

    def rejects_head(self) -> str:
        """Return what a file of refused messages begins with: nothing."""
        return ""

    def leaves_out(self, items: Sequence[SourceItem]) -> bool:
        """Tell whether some OBX of a message was not refused, and is not written out."""
        parts = {item.part for item in items}
        if "" in parts:
            return False
        return any(row.part not in parts for row in self._rows(items[0].raw))

    def rejected(self, items: Sequence[SourceItem], reason: str) -> str:
        """Return a refused message with its reason, without the OBX that were not refused."""
        raw = items[0].raw
        parts = {item.part for item in items}
        segments = raw.rstrip("\n").split("\n")
        mark = segments[0][3:4] if segments[0].startswith("MSH") else "|"
        one_line = re.sub(r"\s+", " ", reason)
        kept: list[str] = []
        if "" in parts:
            kept = [segments[0], f"{OURS}|why|{one_line}", *segments[1:]]
            return self._as_it_came("\n".join(kept) + "\n\n", raw)
        rows = {row.obx.line: row.part for row in self._rows(raw)}
        following = True
        for number, segment in enumerate(segments):
            if number in rows:
                following = rows[number] in parts
                kept.append(f"{OURS}|part|{rows[number]}" if following else f"{OURS}|left|")
            elif segment[:3] not in ("NTE", "PRT") or mark != segment[3:4]:
                following = True
            if following:
                kept.append(segment)
        kept.insert(1, f"{OURS}|why|{one_line}")
        return self._as_it_came("\n".join(kept) + "\n\n", raw)

    def _rows(self, raw: str) -> list[_Row]:
        """Return the OBX of a message that are items."""
        reader = _Reader(message := Message(raw), self.source, self.site)
        rows = [row for group in _groups(message) for row in group.rows]
        return [row for row in rows if not reader.is_helper(row)]

    def _as_it_came(self, text: str, raw: str) -> str:
        """Return a text that, written in the source's encoding, gives the message's own bytes."""
        try:
            charset = charset_of(raw.encode("utf-8", "surrogateescape"), self.source.encoding)
            data = text.encode(charset, "surrogateescape")
        except (Hl7Error, UnicodeError):
            return text
        return data.decode(self.source.encoding, "surrogateescape")


# -- messages -------------------------------------------------------------------------------


def _without_ours(raw: str) -> tuple[str, str, dict[int, str], set[int]]:
    """Return what our segments say, and the message without them.

    They name its OBX, by line, and the lines behind which one was left out.
    """
    origin = part = ""
    parts: dict[int, str] = {}
    left: set[int] = set()
    kept: list[str] = []
    for segment in raw.split("\n"):
        if segment.startswith(f"{OURS}|"):
            _, what, said = [*segment.split("|", 2), ""][:3]
            origin = said if what == "why" else origin
            part = said if what == "part" else part
            left |= {len(kept) - 1} if what == "left" else set()
            continue
        if part:
            parts[len(kept)], part = part, ""
        kept.append(segment)
    return origin, "\n".join(kept), parts, left


def _expect_results(message: Message) -> None:
    """Refuse a message of another kind."""
    if message.kind != "ORU^R01":
        kind = (
            message.kind if re.fullmatch(r"[A-Z0-9]{2,3}(\^[A-Z0-9]{2,3})?", message.kind) else "?"
        )
        raise Hl7Error(f"a message of kind {kind}: only ORU^R01 is read")


def _groups(
    message: Message, parts: Mapping[int, str] | None = None, left: Collection[int] = ()
) -> Iterator[_Group]:
    """Yield the OBX of a message, those of one OBR together."""
    parts = parts or {}
    group = _Group(None, None)
    count = 0
    behind: str = ""
    for segment in message.segments:
        name = segment.name
        if name in ("PID", "PV1", "OBR"):
            if group.rows:
                yield group
            patient = segment if name == "PID" else group.patient
            visit = segment if name == "PV1" else None if name == "PID" else group.visit
            group = _Group(patient, visit, segment if name == "OBR" else None)
        elif name == "OBX":
            count += 1
            group.rows.append(_Row(segment, parts.get(segment.line, f"OBX[{count}]")))
        elif name == "NTE" and behind == "OBX":
            group.rows[-1].notes.append(segment)
        elif name == "NTE" and behind == "OBR":
            group.notes.append(segment)
        elif name == "PRT" and behind == "OBX":
            group.rows[-1].devices.append(segment)
        if name not in ("NTE", "PRT"):
            behind = name
        group.in_part = group.in_part or segment.line in left
    if group.rows:
        yield group


# -- rows -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Reader:
    """The OBX of one message as records of our keys."""

    message: Message
    source: Source
    site: Site

    def is_helper(self, row: _Row) -> bool:
        """Tell whether an OBX says a part of others, as a column of its own would."""
        names = set(self.source.columns.components.values())
        names |= {self.source.columns.start or "", self.source.columns.end or ""}
        try:
            return bool(set(_identifiers(row.obx.field(3))) & (names - {""}))
        except Hl7Error:
            return False  # then it is refused for itself

    def is_structure(self, row: _Row) -> bool:
        """Tell whether an OBX of a device feed is of the device itself."""
        return row.obx.text(11) == "X" and bool(_STRUCTURE.fullmatch(row.obx.text(4)))

    def record(self, group: _Group, row: _Row, helpers: Sequence[_Row]) -> Record:
        """Return the record of one OBX; raises `Refused` and `Hl7Error`."""
        obx, obr = row.obx, group.obr
        code = self._code(obx)
        letter = obx.text(11)
        result = RESULT_STATUS.get(letter)
        if result is not None and self.source.status_words.get(letter) != result.status:
            result = None  # the site file says what this letter means
        marks = [r.text() for r in obx.field(8) if r.text()]
        devices = [DEVICE_MARKS[mark] for mark in marks if mark in DEVICE_MARKS]
        absent = next((mark.absent for mark in devices if mark.absent), None)
        absent = absent or (result.absent if result else None)
        start, time, end = self._times(group, row, helpers, code)
        cells = {
            "row": Cell("OBX-21", self._row(obx, obr, code, time.text)),
            "patient": self._patient(group.patient),
            "encounter": Cell("PV1-19", group.visit.text(19) if group.visit else ""),
            "drain": self._drain(row),
            "time": time,
            "start": start,
            "end": end,
            "recorded": self._recorded(obr),
            "item": Cell("OBX-3", code),
            "value": _value(obx, self.source, code),
            "unit": _unit(obx),
            "status": Cell("OBX-11", letter),
            "performer": Cell("OBX-16", obx.text(16)),
            "note": Cell(
                "NTE-3", "\n".join(self._notes(group, row, result is not None and result.noted))
            ),
            "round": Cell("OBR-3", _identity(obr.field(3)) if obr else ""),
        }
        if absent is not None and self.source.status_words.get(letter) != WITHDRAWN:
            cells["value"] = Cell("OBX-5", "")
        components = {
            name: _value(helper.obx, self.source, "")
            for name, named in self.source.columns.components.items()
            for helper in helpers
            if named in _identifiers(helper.obx.field(3)) and _is_beside(helper, row)
        }
        set_aside = [Cell(name, self._field(name, group, row)) for name, _ in self.source.set_aside]
        test = self.message.header.text(11) in ("T", "D") or any(mark.test for mark in devices)
        further = _further(obx)
        return Record(cells, components, set_aside, absent, test, further, obx.text(4))

    def _code(self, obx: Segment) -> str:
        """Return the first of an OBX's codes that the site file knows, else its first."""
        codes = _identifiers(obx.field(3))
        return next((code for code in codes if code in self.source.items), (codes or [""])[0])

    def _row(self, obx: Segment, obr: Segment | None, code: str, time: str) -> str:
        """Return what names an OBX for good: OBX-21, else order, code, sub-id and time."""
        named = _identity(obx.field(21))
        order = _identity(obr.field(3)) if obr is not None else ""
        if named or not order:
            return named
        with suppress(ValueRefused):  # else it is refused for that
            # One instant has one name, however it is written.
            time = read_time(time, self.source).astimezone(UTC).isoformat()
        return "/".join((order, code, obx.text(4), time))

    def _patient(self, pid: Segment | None) -> Cell:
        """Return the identifier of the type and authority that the site file names."""
        if pid is None:
            return Cell("PID-3", "")
        kind, authority = self.source.patient_type, self.source.patient_authority
        found = [
            repetition.text()
            for repetition in pid.field(3)
            if (kind is None or repetition.text(5) == kind)
            and (authority is None or authority in (repetition.text(4), repetition.text(4, 2)))
        ]
        if len({*found} - {""}) > 1:
            raise Refused(
                "no-patient",
                "several identifiers, and which of them is meant is not said",
                column="PID-3",
                hint="patient_type and patient_authority in the site file choose one",
            )
        return Cell("PID-3", next(filter(None, found), ""))

    def _drain(self, row: _Row) -> Cell:
        """Return what names the drain, where the items do not."""
        where = self.source.drain_from
        if where == "OBX-4":
            return Cell(where, row.obx.text(4))
        if where == "OBX-20":
            texts = [t for r in row.obx.field(20) for t in (r.text(), r.text(2))]
        elif where == "PRT":
            texts = [t for prt in row.devices for r in prt.field(10) for t in (r.text(), r.text(2))]
        else:
            return Cell(where, "")
        known = [text for text in texts if text in self.site.labels]
        return Cell(where, next(iter(known), next(filter(None, texts), "")))

    def _times(
        self, group: _Group, row: _Row, helpers: Sequence[_Row], code: str
    ) -> tuple[Cell, Cell, Cell]:
        """Return since when, when, and until when: by OBX-14 or OBR-7, amounts by OBR-7 and 8."""
        obx, obr = row.obx, group.obr
        item = self.source.items.get(code)
        amounts = item is not None and all(
            CHARTED[name].timing == "interval" for name in item.observables
        )
        said = {
            key: _value(helper.obx, self.source, "").text
            for key in ("start", "end")
            for helper in helpers
            if getattr(self.source.columns, key) in _identifiers(helper.obx.field(3))
            and _is_beside(helper, row)
        }
        start, time = ("start", said.get("start", "")), ("OBX-14", obx.text(14))
        if not time[1] and obr is not None:
            time = ("OBR-7", obr.text(7))
            if amounts and obr.text(8) and obr.text(8) != obr.text(7):
                time = ("OBR-8", obr.text(8))
                start = start if start[1] else ("OBR-7", obr.text(7))
        return self._stamp(*start), self._stamp(*time), self._stamp("end", said.get("end", ""))

    def _recorded(self, obr: Segment | None) -> Cell:
        """Return when the results were stored, else when the message was made."""
        if obr is not None and obr.text(22):
            return self._stamp("OBR-22", obr.text(22))
        return self._stamp("MSH-7", self.message.header.text(7))

    def _stamp(self, name: str, text: str) -> Cell:
        """Return a time as ISO writes it; without an offset of its own it has that of MSH-7."""
        if not text:
            return Cell(name, "")
        match = _DTM.fullmatch(text)
        if match is None or match[3] is None or (match[4] and not match[5]):
            raise Refused(
                "time",
                "not a date with a time of day in HL7's form",
                column=name,
                hint="YYYYMMDDHHMM, with seconds and an offset or without",
                value=text,
            )
        year, month, day, hour, minute, second, part, offset = match.groups()
        date = f"{year}-{month}-{day}"
        if hour is None:
            return Cell(name, date)
        if offset is None:
            header = _DTM.fullmatch(self.message.header.text(7))
            offset = (header and header[8]) or ""
        zone = f"{offset[:3]}:{offset[3:]}" if offset else ""
        return Cell(name, f"{date}T{hour}:{minute}:{second or '00'}{part or ''}{zone}")

    def _notes(self, group: _Group, row: _Row, status: bool) -> Iterator[str]:
        """Yield what is said in words, and fields that have no place of their own."""
        for note in (*group.notes, *row.notes):
            yield from (r.text() for r in note.field(3) if r.text())
        obx = row.obx
        flags = [r.text() for r in obx.field(8) if r.text() and r.text() != "VAL"]
        if flags:
            yield f"OBX-8: {', '.join(flags)}"
        for number in (7, 17, 18):
            said = ", ".join(filter(None, (_named(r) for r in obx.field(number))))
            if said:
                yield f"OBX-{number}: {said}"
        if status:
            yield f"OBX-11: {obx.text(11)}"

    def _field(self, name: str, group: _Group, row: _Row) -> str:
        """Return the text of a field like "OBX-8" or "OBR-4.1", or of all comments."""
        if name == "NTE-3":
            texts = (r.text() for note in row.notes for r in note.field(3))
            return "\n".join(filter(None, texts))
        segment, number, component = re.fullmatch(r"(\w+)-(\d+)(?:\.(\d))?", name).groups()  # type: ignore[union-attr]
        known = {
            "MSH": self.message.header,
            "PID": group.patient,
            "PV1": group.visit,
            "OBR": group.obr,
            "OBX": row.obx,
        }
        found = known[segment]
        return found.text(int(number), int(component or 1)) if found is not None else ""


def _identifiers(codes: Iterable[Repetition]) -> list[str]:
    """Return the code of a coded field and those of its alternates."""
    return [code for r in codes for code in (r.text(1), r.text(4), r.text(10)) if code]


def _further(obx: Segment) -> tuple[tuple[str, str], ...]:
    """Return the codes of an OBX that are of a code system known to all."""
    found = []
    for repetition in obx.field(3):
        for number in (1, 4, 10):
            system = CODE_SYSTEMS.get(repetition.text(12 if number == 10 else number + 2))
            if system is not None and repetition.text(number):
                found.append((system, repetition.text(number)))
    return tuple(dict.fromkeys(found))


def _identity(field: Sequence[Repetition]) -> str:
    """Return an entity identifier with its namespace."""
    return "^".join(field[0].whole) if field else ""


def _named(repetition: Repetition) -> str:
    """Return what a field says in words: the name of a code, else all of it."""
    return repetition.text(2) or repetition.text()


def _is_beside(helper: _Row, row: _Row) -> bool:
    """Tell whether an OBX that says a part is of another one: by its sub-id, if it has one."""
    return helper.obx.text(4) in ("", row.obx.text(4))


def _unit(obx: Segment) -> Cell:
    """Return the unit, as UCUM writes it where the message says it in ISO/IEEE 11073's codes."""
    found = []
    for repetition in obx.field(6)[:1]:
        for number in (1, 4):
            code, system = repetition.text(number), repetition.text(number + 2)
            if system == "MDC" or code.startswith("MDC_DIM_"):
                code = MDC_UNITS.get(code, code)
            found.append(code or repetition.text(number + 1))
    units = list(dict.fromkeys(filter(None, found)))
    ucum = obx.text(6, 6) == "UCUM"
    return Cell("OBX-6", units[-1] if ucum and units else (units or [""])[0])


def _value(obx: Segment, source: Source, code: str) -> Cell:
    """Return the value of an OBX as a text; raises `Refused` for what is none."""
    kind = obx.text(2)
    # A value without a type is a text.
    read = VALUE_TYPES[kind].read if kind in VALUE_TYPES else "" if kind else "text"
    repetitions = [r for r in obx.field(5) if any(r.whole)]
    if not repetitions or repetitions[0].whole == ('""',):
        return Cell("OBX-5", "")
    if read == "text":
        # A text may go on in repetitions, each a line.
        return Cell("OBX-5", "\n".join(_line(r) for r in repetitions))
    if len(repetitions) > 1:
        raise Refused(
            "two-values", "several values", column="OBX-5", hint="one OBX a value, with a sub-id"
        )
    (value,) = repetitions
    if read == "number":
        return Cell("OBX-5", _number(value, kind), exact=True)
    if read == "code":
        texts = [value.text(number) for number in (1, 2, 4, 5, 9, 10, 11) if value.text(number)]
        known = (text for text in texts if _is_word(text, source, code))
        return Cell("OBX-5", next(known, (texts or [""])[0]))
    if read == "time":
        return Cell("OBX-5", value.text())
    raise Refused(
        "value-type",
        "values of this type are not read: no observable of a drain has them",
        column="OBX-2",
        value=kind,
        hint=f"read are {', '.join(name for name, row in VALUE_TYPES.items() if row.read)}",
    )


def _line(repetition: Repetition) -> str:
    return " ".join(filter(None, repetition.whole))


def _number(value: Repetition, kind: str) -> str:
    """Return the digits of a number; raises `Refused` for a bound, a range or a ratio."""
    if kind == "SN":
        comparator, number, between = value.text(1), value.text(2), value.text(3)
        if comparator not in ("", "=") or between or value.text(4):
            raise Refused(
                "number",
                "a bound, a range or a ratio is no number",
                column="OBX-5",
                value=" ".join(value.whole),
            )
    else:
        number = value.text()
    if not _NM.fullmatch(number):
        raise Refused("number", f"not a number of type {kind}", column="OBX-5", value=number)
    return number.removeprefix("+").rstrip(".")


def _is_word(text: str, source: Source, code: str) -> bool:
    """Tell whether a text is one that the site file has for an item."""
    item = source.items.get(code)
    if item is None:
        return False
    ours = (word for name in item.observables for word in CHARTED[name].words)
    known = text in item.words or text in item.absent or text.lower() in item.drawn
    return known or text in ours
