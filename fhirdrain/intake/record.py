"""One record of any source to readings: what each of its cells says by the site file."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any, NamedTuple

from fhirdrain.bedside.reading import WITHDRAWN, Part, Reading
from fhirdrain.bedside.windows import Windows, fixed
from fhirdrain.intake.item import SourceItem
from fhirdrain.intake.values import (
    ValueRefused,
    at_wall_time,
    read_date,
    read_minutes,
    read_number,
    read_time,
    split_number,
)
from fhirdrain.issues import Issue
from fhirdrain.site import Item, Meaning, Site, Source
from fhirdrain.site.faults import nearest
from fhirdrain.site.rules import STATUSES
from fhirdrain.vocabulary.observables import (
    CHARTED,
    CHARTED_TOTAL,
    MOST_COUNT,
    PATIENT_WEIGHT,
    Component,
    Observable,
    by_code,
    value_of_parts,
)
from fhirdrain.vocabulary.units import UNITS, UnitError, convert, unit_of
from fhirdrain.vocabulary.v2tables import CANCELLED

# The keys of a source's columns that hold one cell each.
KEYS = (
    "row",
    "patient",
    "encounter",
    "drain",
    "time",
    "admission",
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


class Cell(NamedTuple):
    """What stands under one name of the source.

    `exact` marks a number that the source itself gave as a number, whose marks mean one thing.
    """

    name: str
    text: str
    exact: bool = False


NOTHING = Cell("", "")

_BY_CODE = by_code()

_MOST_MOMENTS = 1000

# Parts that say nothing alone: they stand in a row for whatever else is charted in it.
COUNTS = frozenset(
    part.name for o in CHARTED.values() for part in o.components if part.kind == "integer"
)

# R4, "Datatypes", string: nothing below U+0020 but tab and line ends; and no half of a character.
_UNSAYABLE = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff]")


@dataclass(frozen=True, slots=True)
class Record:
    """The cells of one item by our keys, by component, and those that may set it aside.

    `absent` is why there is no value, where that is not said by the value; `test` marks what a
    device made up to be tried; `codes` are further codes that the source gives the item, `group`
    is what it shares with those whose parts are its own.
    """

    cells: Mapping[str, Cell]
    components: Mapping[str, Cell]
    marks: Sequence[Cell]
    absent: str | None = None
    test: bool = False
    codes: tuple[tuple[str, str], ...] = ()
    group: str = ""

    def with_item(self, code: str, value: Cell) -> Record:
        """Return the record of one item of a wide record."""
        cells = {**self.cells, "item": Cell(code, code), "value": value}
        return Record(cells, self.components, self.marks)


class Refused(Exception):
    """One item is refused; carries what its issue needs."""

    def __init__(
        self, rule: str, message: str, *, column: str = "", hint: str = "", value: str = ""
    ) -> None:
        super().__init__(message)
        self.rule = rule
        self.column = column
        self.hint = hint
        self.value = value

    def issue(self, file: Path, line: int, column: int = 0, where: str = "") -> Issue:
        """Return the issue at a place; `where` names the cell before the message."""
        return Issue(
            "error",
            "value",
            self.rule,
            f"{where}{self}",
            hint=self.hint,
            file=str(file),
            line=line,
            column=column,
            value=self.value.encode("utf-8", "backslashreplace").decode(),
        )


def read_record(
    record: Record, source: Source, site: Site, item: SourceItem, meant: Item | None = None
) -> None:
    """Read a record into its item; raises `Refused`.

    `meant` is what its item means where it need not be in the site file.
    """
    cells = (*record.cells.values(), *record.components.values())
    if _UNSAYABLE.search("".join([cell.text for cell in cells])):
        for cell in cells:
            if not _UNSAYABLE.search(cell.text):
                continue
            raise Refused(
                "character",
                "holds a character that no text of FHIR can hold",
                column=cell.name,
                hint="a control character: did something go wrong when it was copied?",
            )
    _Reader(record, source, site, item).read(meant)


def read_blanks(
    record: Record, source: Source, site: Site, item: SourceItem, *, alone: bool
) -> None:
    """Read of what a record leaves empty whose it is and since when: it may have said more before.

    `alone` tells that nothing else is in the record; struck, it then withdraws all of it. Raises
    `Refused`: what is not known to be of a patient, or since when, takes nothing back.
    """
    reader = _Reader(record, source, site, item)
    item.row, item.patient = reader.cell("row") or None, reader.cell("patient")
    if not item.patient:
        raise reader.refuse("no-patient", "patient", "no patient is given")
    item.recorded = reader.moment("recorded") if reader.cell("recorded") else None
    item.withdraws = alone and reader.is_struck()
    item.counted = item.withdraws
    item.silent = not item.withdraws


def unused_parts(record: Record, items: Sequence[SourceItem]) -> Refused | None:
    """Return why a record of several items is refused for a part that none of them has.

    A number of the unit says of itself nothing, and is only counted as unused.
    """
    unused = {n: c.name for n, c in record.components.items() if c.text}
    unused = {
        part: name
        for part, name in unused.items()
        if all(name in item.unused for item in items if item.readings)
    }
    for index, item in enumerate(items):
        item.unused = tuple(unused.values()) if index == 0 else ()
    lost = [name for part, name in unused.items() if part not in COUNTS]
    if not lost or any(item.issue is not None for item in items):
        return None  # what was refused may have had it
    return Refused(
        "part-alone",
        "a part of something that is not charted in this record",
        column=lost[0],
        hint="what it belongs to is in profiles/README.md",
    )


@dataclass(slots=True)
class _Reader:
    """One record being read into its item."""

    record: Record
    source: Source
    site: Site
    item: SourceItem
    remarks: list[str] = field(default_factory=list)
    whole_day: bool = False

    def cell(self, key: str) -> str:
        return self.record.cells.get(key, NOTHING).text

    def refuse(self, rule: str, key: str, message: str, hint: str = "") -> Refused:
        cell = self.record.cells.get(key, NOTHING)
        return Refused(rule, message, column=cell.name, hint=hint, value=cell.text)

    def read(self, meant: Item | None = None) -> None:
        source, item = self.source, self.item
        item.row = self.cell("row") or None
        item.item = self.cell("item")
        item.patient = self.cell("patient")
        for mark, (_, values) in zip(self.record.marks, source.set_aside, strict=True):
            if mark.text in values and not self.is_struck():
                item.set_aside = f'column "{mark.name}" marks it as no reading'
                self.keep_silence()
                return
        meant = meant or source.items.get(item.item)
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
        absent = self.record.absent
        says_nothing = text in meant.no_reading and absent is None
        struck = status == WITHDRAWN and (says_nothing or not text)
        absent = None if status == WITHDRAWN else absent
        meanings: tuple[Meaning, ...] = ()
        if struck:
            with suppress(Refused):  # what is taken back need not be understood
                meanings = self.of_parts(meant)
        elif absent is not None:
            self.refuse_if_done_by_somebody(meant)
            meanings = tuple(Meaning(name, absent=absent) for name in meant.observables)
        else:
            meanings = self.of_parts(meant) if says_nothing else self.meanings(meant, text)
        if struck and not meanings:
            if item.row is None:
                raise self.refuse(
                    "withdrawal", "row", "a withdrawal without content needs a row id"
                )
            item.withdraws = True
        elif says_nothing and not meanings:
            item.set_aside = "it says nothing" if text else "the value is empty"
            item.silent = item.row is not None
        if not meanings:
            return
        time = self.moment("time")
        start = self.moment("start") if self.cell("start") else None
        if self.whole_day and all(CHARTED[m.observable].timing == "moment" for m in meanings):
            raise self.refuse(
                "date-only",
                "time",
                "a date without a time of day, and it is no amount of the whole day",
                'date_only = "07:00", say, gives a time to everything charted by date alone',
            )
        if self.whole_day and start is None:
            day = read_date(self.cell("time"), self.source)
            assert day is not None
            start = at_wall_time(day, self.site.settings.day_starts, self.source)
        if start is None and meant.interval is not None:
            start = fixed(time - meant.interval, self.site.settings.zone)
        if start is None and CHARTED_TOTAL.name in meant.observables:
            start = self.start_of_sum(meant, time)
        end = self.moment("end") if self.cell("end") else None
        common: dict[str, Any] = {
            "source": source.name,
            "patient": item.patient,
            "drain": "" if meant.observables == (PATIENT_WEIGHT.name,) else self.drain(meant),
            "time": time,
            "row": item.row,
            "item": meant.code,
            "end": end,
            "recorded": item.recorded,
            "status": status,
            "encounter": self.cell("encounter") or None,
            "performer": self.cell("performer") or None,
            "round": self.cell("round") or None,
            "test": self.record.test,
            "codes": self.further_codes(meant),
        }
        if start is not None and start >= time:
            raise self.refuse("interval", "start", "the interval starts when it ends, or later")
        if end is not None and end < time:
            raise self.refuse("interval", "end", "it ends before it begins")
        item.readings = tuple(
            self.reading(common, start, meaning, text, meant) for meaning in meanings
        )
        had = {name for m in meanings for name in CHARTED[m.observable].component_names}
        said = [(name, cell) for name, cell in self.record.components.items() if cell.text]
        item.unused = tuple(cell.name for name, cell in said if name not in had)

    def start_of_sum(self, meant: Item, end: datetime) -> datetime | None:
        """Return the start of the shift or day that a sum ends; None where none ends with it."""
        settings = self.site.settings
        if meant.over is None:
            return None
        starts = settings.windows if meant.over == "shift" else (settings.day_starts,)
        window = Windows(settings.zone, starts).containing(end)
        return window.start if window.end == end else None

    def refuse_if_done_by_somebody(self, meant: Item) -> None:
        """Refuse a message that says of an order or an act only that there is no value."""
        for name in meant.observables:
            if CHARTED[name].form != "Observation":
                raise self.refuse("status", "status", f"{name} cannot be without a value")

    def further_codes(self, meant: Item) -> tuple[tuple[str, str], ...]:
        """Return the codes of others that the source gives an item; refuses one that says other."""
        for code in self.record.codes:
            named = _BY_CODE.get(code)
            if named is not None and named.name not in meant.observables:
                raise self.refuse(
                    "two-codes",
                    "item",
                    f"its other code says {named.name}, and the site file that it is"
                    f" {' and '.join(meant.observables)}",
                    "which of the two is right?",
                )
        return self.record.codes

    def is_struck(self) -> bool:
        """Tell whether the row withdraws what was charted."""
        text = self.cell("status")
        return self.source.status_words.get(text, text) == WITHDRAWN

    def keep_silence(self) -> None:
        """Let a row set aside by a mark take back what the same row said before."""
        recorded = self.cell("recorded")
        if self.item.row is None or not self.item.patient:
            return
        with suppress(Refused):  # else its place in the file decides
            self.item.recorded = self.moment("recorded") if recorded else None
        self.item.silent = True

    # -- what each cell says ----------------------------------------------------------------

    def status(self) -> str:
        source = self.source
        text = self.cell("status")
        status = source.status_words.get(text) or (text if text else source.default_status)
        cancelled = status == CANCELLED and self.record.absent is not None
        if not text and not status:
            raise self.refuse(
                "status", "status", "no status is given", "default_status in the site file"
            )
        if status not in STATUSES and not cancelled:
            raise self.refuse(
                "status",
                "status",
                "this status is not in the site file",
                nearest(text, [*source.status_words, *STATUSES]),
            )
        return status

    def moment(self, key: str) -> datetime:
        text = self.cell(key)
        known = self.source.moments.get(text)
        if known is not None:
            return known
        try:
            if self.source.time_format == "minutes":
                return read_minutes(self.cell(key), self.admission(), self.source)
            day = read_date(self.cell(key), self.source) if self.source.date_only else None
            if day is not None:
                return self.on(day, key)
            moment = read_time(text, self.source)
        except ValueRefused as refused:
            raise self.refuse(refused.rule, key, str(refused), refused.hint) from None
        if len(self.source.moments) >= _MOST_MOMENTS:
            self.source.moments.clear()
        self.source.moments[text] = moment
        return moment

    def admission(self) -> datetime:
        try:
            return read_time(self.cell("admission"), self.source, self.source.admission_format)
        except ValueRefused as refused:
            raise self.refuse(refused.rule, "admission", str(refused), refused.hint) from None

    def on(self, day: date, key: str) -> datetime:
        """Return the time that a date without a time of day means at this site."""
        wall = self.source.date_only
        if isinstance(wall, time):
            self.item.assumed += (f"a date without a time of day read as {wall:%H:%M}",)
            return at_wall_time(day, wall, self.source)
        if key != "time":
            raise ValueRefused(
                "date-only",
                "a date without a time of day",
                'date_only = "day" says only what the time of an amount means',
            )
        self.item.assumed += ("a date without a time of day read as the day that begins on it",)
        self.whole_day = True
        next_day = day + timedelta(days=1)
        return at_wall_time(next_day, self.site.settings.day_starts, self.source)

    def drain(self, meant: Item) -> str:
        label = self.cell("drain")
        named = self.site.labels.get(label) if label else None
        if label and named is None:
            raise self.refuse(
                "unknown-drain",
                "drain",
                "this names no drain of the site file",
                nearest(label, self.site.labels),
            )
        if meant.drain is not None and named is not None and named != meant.drain:
            raise self.refuse(
                "two-drains", "drain", f"the item is of {meant.drain} and the column names {named}"
            )
        drain = meant.drain or named
        if drain is None:
            raise self.refuse("no-drain", "drain", "no drain is named")
        return drain

    def of_parts(self, meant: Item) -> tuple[Meaning, ...]:
        """Return what parts in columns of their own say where the value says nothing."""
        said = {name: cell.text for name, cell in self.record.components.items() if cell.text}
        telling = said.keys() - COUNTS
        own = [n for n in meant.observables if telling & set(CHARTED[n].component_names)]
        if not own:
            return ()
        implied = value_of_parts(own[0], said)
        if len(own) == 1 and (implied is not None or CHARTED[own[0]].kind == "parts"):
            return (Meaning(own[0], implied),)
        raise self.refuse(
            "part-alone", "value", "it says nothing, and columns of its parts say something"
        )

    def meanings(self, meant: Item, text: str) -> tuple[Meaning, ...]:
        """Return what a value text says; empty, with a reason, when it is set aside."""
        if text in meant.absent:
            return tuple(Meaning(name, absent=meant.absent[text]) for name in meant.observables)
        if text in meant.words:
            return meant.words[text]
        if text.lower() in meant.drawn:
            language, meanings = meant.drawn[text.lower()]
            self.item.drawn += ((text, language),)
            return meanings
        exact = self.record.cells["value"].exact
        parsed = (text, "") if exact else split_number(text, self.source)
        if meant.number is not None and parsed is not None:
            return self.quantity(meant, CHARTED[meant.number], *parsed)
        if len(meant.observables) == 1 and text in CHARTED[meant.observables[0]].words:
            return (Meaning(meant.observables[0], text),)
        known = [*meant.words, *(w for n in meant.observables for w in CHARTED[n].words)]
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
        value = self.number(number, volume="mL" in observable.units)
        unit = self.unit(meant, observable, behind)
        limit = observable.beyond(value, unit)
        if limit:
            hint = "is the sign a slip?" if "negative" in limit else f"is it really in {unit}?"
            raise self.refuse("impossible", "value", f"{observable.name} {limit}", hint)
        return (Meaning(observable.name, value, unit),)

    def number(self, text: str, *, volume: bool) -> Decimal:
        if self.record.cells["value"].exact:
            return Decimal(text)
        try:
            return read_number(text, self.source, volume=volume)
        except ValueRefused as refused:
            raise self.refuse(refused.rule, "value", str(refused), refused.hint) from None

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
        if unit_code == "mm[Hg]" != meant.unit and observable.name.startswith("suction"):
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
            unit, respelled = unit_of(text, self.site.unit_aliases, accepted)
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

    def reading(
        self,
        common: Mapping[str, Any],
        start: datetime | None,
        meaning: Meaning,
        text: str,
        meant: Item,
    ) -> Reading:
        observable = CHARTED[meaning.observable]
        value, unit, original = meaning.value, meaning.unit, None
        if isinstance(value, Decimal) and unit is not None:
            target = observable.units[0]
            if UNITS[unit].factor != UNITS[target].factor:
                digits = self.site.settings.significant_digits
                original = (value, unit)
                value = convert(value, unit, target, digits)
            unit = target
        parts: dict[str, Part] = {}
        if meaning.absent is not None:
            for name, cell in self.record.components.items():
                if cell.text and name in observable.component_names and name not in COUNTS:
                    raise Refused(
                        "two-values",
                        "a part of what is said not to have been observed",
                        column=cell.name,
                        value=cell.text,
                    )
        else:
            parts = {**meaning.parts, **self.column_parts(observable, meaning, meant)}
            if observable.name == "drain-site":
                # Who says "unknown" says nothing of it: what the site file knows goes on holding.
                parts = {name: part for name, part in parts.items() if part != "unknown"}
            self.agree(observable, common["drain"], value, parts)
        note = "\n".join(filter(None, [self.cell("note"), *self.remarks])) or None
        return Reading(
            **common,
            observable=observable.name,
            value=value,
            unit=unit,
            parts=parts,
            note=note,
            absent=meaning.absent,
            text=self.as_charted(text, value, meant),
            original=original,
            start=start if observable.timing == "interval" else None,
        )

    def as_charted(self, text: str, value: object, meant: Item) -> str | None:
        """Return the word as it was charted where it is not ours, a grade with its scale."""
        if not isinstance(value, str):
            return None
        if meant.graded_by is not None:
            return f"{text} ({meant.graded_by})"
        return text if text and text != value else None

    def agree(
        self, observable: Observable, drain: str, value: object, parts: Mapping[str, Part]
    ) -> None:
        """Refuse a word that is not what its own parts say, and a joining that names no tube."""
        implied = value_of_parts(observable.name, parts)
        if observable.name == "air-leak" and value == "none" != implied:
            raise self.refuse(
                "air-leak-none",
                "value",
                "an air leak is none only when none was seen at rest and on cough",
                "say under words what was looked at: { at-rest = ..., on-cough = ... }",
            )
        if implied not in (None, "undetermined", value):
            raise self.refuse("parts", "value", "the value is not what its parts say")
        if observable.component_names == ("tube",):
            if "tube" not in parts:
                raise self.refuse(
                    "no-tube",
                    "value",
                    "which tube shares the unit is not said",
                    "tube, as a part under words or as a column under components",
                )
            if parts["tube"] == drain:
                raise self.refuse("no-tube", "value", "a drain cannot be joined to itself")

    def column_parts(
        self, observable: Observable, meaning: Meaning, meant: Item
    ) -> Mapping[str, Part]:
        """Return the parts that stand in columns of their own."""
        parts: dict[str, Part] = {}
        for name, cell in self.record.components.items():
            if not cell.text or name not in observable.component_names:
                continue
            part = self.part(observable.component(name), cell, observable, meant)
            if meaning.parts.get(name, part) != part:
                raise Refused(
                    "two-values",
                    f"it and the value say different things of {name}",
                    column=cell.name,
                    value=cell.text,
                )
            parts[name] = part
        return parts

    def part_unit(self, component: Component, observable: Observable, meant: Item) -> str:
        """Return the unit of a number in a column of its own: that of the row, else the item's."""
        text = self.cell("unit")
        if not text:
            return meant.unit if meant.unit in component.units else component.units[0]
        unit = self.unit_said(text, "unit", component.units)
        if unit in component.units:
            return unit
        others = [c for c in observable.components if c is not component and unit in c.units]
        if any(self.record.components.get(other.name, NOTHING).text for other in others):
            return component.units[0]  # the row's unit speaks of another of its numbers
        raise self.refuse("unit", "unit", f"the unit {unit} does not belong to {component.name}")

    def part(self, component: Component, cell: Cell, observable: Observable, meant: Item) -> Part:
        column, text = cell.name, cell.text
        if component.kind == "words":
            if text not in component.words:
                raise Refused(
                    "unknown-word",
                    f"not a word of {component.name}",
                    column=column,
                    value=text,
                    hint=nearest(text, component.words),
                )
            return text
        if component.kind == "integer":
            whole = re.fullmatch(r"0{0,9}[1-9][0-9]{0,9}", text)
            if whole is None or int(text) > MOST_COUNT:
                raise Refused(
                    "number",
                    f"{component.name} is a whole number from 1 to {MOST_COUNT}",
                    column=column,
                    value=text,
                )
            return int(text)
        if component.kind == "text":
            return text
        if component.kind == "drain":
            if text not in self.site.labels:
                raise Refused(
                    "unknown-drain",
                    "this names no drain of the site file",
                    column=column,
                    value=text,
                    hint=nearest(text, self.site.labels),
                )
            return self.site.labels[text]
        digits, behind = (not cell.exact and split_number(text, self.source)) or (text, "")
        try:
            volume = "mL" in component.units
            number = (
                Decimal(text) if cell.exact else read_number(digits, self.source, volume=volume)
            )
        except ValueRefused as refused:
            raise Refused(
                refused.rule, str(refused), column=column, hint=refused.hint, value=text
            ) from None
        target = component.units[0]
        unit = self.part_unit(component, observable, meant)
        if behind:
            unit = self.unit_said(behind, "unit", component.units)
            if unit not in component.units:
                raise Refused(
                    "unit",
                    f"the unit {unit} does not belong to {component.name}",
                    column=column,
                    value=text,
                )
        limit = component.beyond(number, unit)
        if limit:
            raise Refused("impossible", f"{component.name} {limit}", column=column, value=text)
        if UNITS[unit].factor != UNITS[target].factor:
            self.remarks.append(f"{component.name} charted as {number} {unit}")
        return convert(number, unit, target, self.site.settings.significant_digits)


def _expected(meant: Item) -> str:
    """Return what an item without words can take."""
    if meant.number is not None:
        return "a number is expected"
    return "name its texts under words in the site file; profiles/README.md lists the parts"
