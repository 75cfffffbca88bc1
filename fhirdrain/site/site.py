"""The site file, checked and compiled: what each column, code, word and time means here."""

from __future__ import annotations

import codecs
import difflib
import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, time, timedelta, timezone
from decimal import Decimal
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, available_timezones

from pydantic import BaseModel, ValidationError

from fhirdrain.bedside.settings import DrainSettings, Settings
from fhirdrain.errors import ConfigurationError
from fhirdrain.issues import Issue, render_issue
from fhirdrain.site.model import (
    ColumnsSection,
    DrainSection,
    ItemSection,
    NumberSection,
    SiteFile,
    SourceSection,
    SystemsSection,
)
from fhirdrain.site.places import Places
from fhirdrain.site.policy import load_policy
from fhirdrain.vocabulary.observables import (
    ABSENT_REASONS,
    OBSERVABLES,
    Component,
    Observable,
    value_of_parts,
)
from fhirdrain.vocabulary.units import ALIASES, MISLEADING, UNITS, UnitError, convert, unit_of

__all__ = ["Item", "Meaning", "Site", "Source", "load_site", "read_site"]

STATUSES = ("registered", "preliminary", "final", "amended", "corrected", "entered-in-error")


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a text of the source says: one observable with its value, unit and parts.

    `absent` is the reason why there is no value, where the text says so.
    """

    observable: str
    value: Decimal | str | None = None
    unit: str | None = None
    parts: Mapping[str, Decimal | int | str] = field(default_factory=dict)
    absent: str | None = None


@dataclass(frozen=True, slots=True)
class Item:
    """What one item code of a source means.

    `words` are its texts; a number outside them is of the observable `number`, in `unit` where
    the source gives none. `absent` maps texts to a reason, `no_reading` are texts that say nothing.
    """

    code: str
    words: Mapping[str, tuple[Meaning, ...]]
    number: str | None
    unit: str | None
    scale: str | None
    drain: str | None
    absent: Mapping[str, str]
    no_reading: frozenset[str]
    ignore: str | None
    observables: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Source:
    """One source of a site: its form, its columns and its items."""

    name: str
    kind: str
    layout: str
    delimiter: str
    encoding: str
    decimal: str
    thousands: str | None
    time_format: str
    zone: ZoneInfo | timezone | None
    default_status: str
    status_words: Mapping[str, str]
    set_aside: tuple[tuple[str, frozenset[str]], ...]
    columns: ColumnsSection
    items: Mapping[str, Item]


@dataclass(frozen=True, slots=True)
class Site:
    """A site: its identifier systems, the settings for the arithmetic, its drains and sources."""

    id: str
    name: str
    systems: SystemsSection
    settings: Settings
    labels: Mapping[str, str]
    sources: Mapping[str, Source]
    unit_aliases: Mapping[str, str]
    policy: Path | None

    def source(self, name: str | None) -> Source:
        """Return a source by name, or the only one; raises `ConfigurationError`."""
        if name is None:
            if len(self.sources) == 1:
                return next(iter(self.sources.values()))
            raise ConfigurationError(
                f"the site file has {len(self.sources)} sources",
                hint=f"say which with --source: {', '.join(self.sources)}",
            )
        if name not in self.sources:
            raise ConfigurationError(
                f'the site file has no source "{name}"', hint=f"it has: {', '.join(self.sources)}"
            )
        return self.sources[name]


def load_site(path: Path) -> Site:
    """Return the site in a file; raises `ConfigurationError` with every fault, a line each."""
    site, issues = read_site(path)
    faults = [issue for issue in issues if issue.is_error]
    if site is None or faults:
        first = render_issue(faults[0])
        more = f" (and {len(faults) - 1} more)" if len(faults) > 1 else ""
        raise ConfigurationError(first + more, hint=f"fhirdrain site {path} lists them all")
    return site


def read_site(path: Path) -> tuple[Site | None, list[Issue]]:
    """Return the site in a file with what is wrong in it; the site is None when it has errors."""
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise ConfigurationError(
            f"the site file cannot be read: {error.strerror}", place=str(path)
        ) from None
    except UnicodeDecodeError as error:
        return None, [_fault(path, f"not UTF-8: {error.reason} at byte {error.start}")]
    try:
        data = tomllib.loads(text, parse_float=Decimal)
    except tomllib.TOMLDecodeError as error:
        place = re.search(r"line (\d+), column (\d+)", str(error))
        line, column = (int(place[1]), int(place[2])) if place else (0, 0)
        return None, [_fault(path, f"not valid TOML: {error}", line=line, column=column)]
    places = Places(text)
    try:
        model = SiteFile.model_validate(data)
    except ValidationError as error:
        return None, [_from_pydantic(path, places, fault) for fault in error.errors()]
    compiler = _Compiler(path, places)
    site = compiler.site(model)
    return (None if any(i.is_error for i in compiler.issues) else site), compiler.issues


def nearest(word: str, known: Iterable[str]) -> str:
    """Return a hint that names the nearest known name, or all of them when none is near."""
    known = list(known)
    lower = {name.lower(): name for name in known}
    close = difflib.get_close_matches(word.lower(), list(lower), n=1, cutoff=0.5)
    if close:
        return f'nearest known: "{lower[close[0]]}"'
    return f"known: {', '.join(known[:12])}{', ...' if len(known) > 12 else ''}" if known else ""


def duration(text: str) -> timedelta:
    """Return the time a text like 6h, 90min or 1d stands for; raises ValueError."""
    match = re.fullmatch(r"\s*(\d+)\s*(min|h|d)\s*", text)
    if match is None:
        raise ValueError(f'"{text}" is not a duration: write 10min, 6h or 1d')
    unit = {"min": "minutes", "h": "hours", "d": "days"}[match[2]]
    return timedelta(**{unit: int(match[1])})


def _fault(
    path: Path, message: str, *, hint: str = "", line: int = 0, column: int = 0, location: str = ""
) -> Issue:
    return Issue(
        "error",
        "invalid",
        "site-file",
        message,
        hint=hint,
        file=str(path),
        line=line,
        column=column,
        location=location,
    )


def _from_pydantic(path: Path, places: Places, fault: Any) -> Issue:
    """Turn a fault of the model into an issue, an unknown key with the nearest known one."""
    loc = [part for part in fault["loc"] if not str(part).startswith(("function-", "union_"))]
    line, column = places.of(loc)
    dotted = ".".join(str(part) for part in loc)
    if fault["type"] == "extra_forbidden":
        known = _known_keys(SiteFile, loc[:-1])
        message, hint = f'unknown key "{loc[-1]}"', nearest(str(loc[-1]), known)
    elif fault["type"] == "missing":
        message, hint = f'the key "{loc[-1]}" is missing', ""
    elif fault["type"] == "literal_error":
        words = re.findall(r"'([^']+)'", fault["ctx"]["expected"])
        message, hint = f'unknown word "{fault["input"]}"', nearest(str(fault["input"]), words)
    else:
        message, hint = f"{dotted}: {fault['msg'].removeprefix('Value error, ')}", ""
    return _fault(path, message, hint=hint, line=line, column=column, location=dotted)


def _known_keys(model: type[BaseModel], loc: Sequence[Any]) -> list[str]:
    """Return the keys a section of the file may have."""
    by_section: dict[str, type[BaseModel]] = {
        "drains": DrainSection,
        "sources": SourceSection,
        "items": ItemSection,
        "columns": ColumnsSection,
        "number": NumberSection,
        "systems": SystemsSection,
    }
    for part in loc:
        if part in by_section:
            model = by_section[part]
        elif part in model.model_fields:
            annotation = model.model_fields[part].annotation
            if isinstance(annotation, type) and issubclass(annotation, BaseModel):
                model = annotation
    return list(model.model_fields)


class _Compiler:
    """Turns the file as written into rules, and collects what is wrong on the way."""

    def __init__(self, path: Path, places: Places) -> None:
        self.path = path
        self.places = places
        self.issues: list[Issue] = []
        self.aliases: dict[str, str] = {}
        self.labels: dict[str, str] = {}

    def fault(self, message: str, *loc: str, hint: str = "") -> None:
        line, column = self.places.of(loc)
        self.issues.append(
            _fault(self.path, message, hint=hint, line=line, column=column, location=".".join(loc))
        )

    def site(self, model: SiteFile) -> Site:
        for text, code in model.units.items():
            if text in UNITS or text in MISLEADING:
                self.fault(f'"{text}" is a UCUM code and means what UCUM says', "units", text)
            elif code in UNITS and ALIASES.get(text, code) != code:
                self.fault(f'"{text}" is known to mean {ALIASES[text]}', "units", text)
            elif code in UNITS:
                self.aliases[text] = code
            else:
                self.fault(
                    f'the unit "{code}" is not known', "units", text, hint=nearest(code, UNITS)
                )
        section = model.site
        zone = self.zone(section.time_zone)
        labels = self.labels
        drains: dict[str, DrainSettings] = {}
        for name, drain in model.drains.items():
            if not re.fullmatch(r"[A-Za-z0-9-]+", name):
                self.fault(f'drain id "{name}": letters, digits and - only', "drains", name)
            drains[name] = DrainSettings(drain.side, drain.space, drain.capacity, drain.began_empty)
            for label in (name, *(label.strip() for label in drain.labels)):
                if labels.setdefault(label, name) != name:
                    self.fault(
                        f'the label "{label}" names both {labels[label]} and {name}', "drains", name
                    )
        for key, system in section.systems.model_dump().items():
            if system is not None and not re.fullmatch(r"[A-Za-z][A-Za-z0-9+.-]*:\S+", system):
                self.fault(f'"{system}" is not an absolute URI', "site", "systems", key)
        windows = tuple(self.wall(text, "windows") for text in section.windows)
        if len(set(windows)) < len(windows):
            self.fault("two windows start at the same time", "site", "windows")
        settings = Settings(
            zone=zone,
            windows=windows,
            day_starts=self.wall(section.day_starts, "day_starts"),
            longest_interval=self.duration(section.longest_interval, "longest_interval"),
            new_unit_level=section.new_unit_level,
            spanning=section.spanning,
            suction_tolerance=section.suction_tolerance,
            significant_digits=section.significant_digits,
            double_within=self.duration(section.double_within, "double_within") or timedelta(0),
            drains=drains,
        )
        sources = {name: self.source(name, source, zone) for name, source in model.sources.items()}
        policy = self.path.parent / section.policy if section.policy else None
        if policy is not None:
            try:
                load_policy(policy)
            except ConfigurationError as error:
                self.fault(f"policy: {error}", "site", "policy")
        return Site(
            id=section.id,
            name=section.name,
            systems=section.systems,
            settings=settings,
            labels=labels,
            sources=sources,
            unit_aliases=self.aliases,
            policy=policy,
        )

    def zone(self, name: str) -> ZoneInfo:
        try:
            return ZoneInfo(name)
        except (KeyError, ValueError, OSError):
            self.fault(
                f'"{name}" is not a time zone',
                "site",
                "time_zone",
                hint=nearest(name, available_timezones()),
            )
            return ZoneInfo("UTC")

    def wall(self, text: str, key: str) -> time:
        try:
            found = time.fromisoformat(text)
            if found.tzinfo is None:
                return found
            raise ValueError(text)
        except ValueError:
            self.fault(f'"{text}" is not a time of day', "site", key, hint='as "07:00"')
            return time(0)

    def duration(self, text: str | None, key: str) -> timedelta | None:
        try:
            return None if text is None else duration(text)
        except ValueError as error:
            self.fault(str(error), "site", key)
            return None

    def source(self, name: str, model: SourceSection, zone: ZoneInfo) -> Source:
        at = ("sources", name)
        try:
            "".encode(model.encoding)
            codecs.lookup(model.encoding)
        except (LookupError, TypeError, UnicodeError):
            self.fault(f'"{model.encoding}" is not an encoding', *at, "encoding")
        if model.thousands == model.decimal:
            self.fault("decimal and thousands are the same mark", *at, "thousands")
        elif model.thousands is not None and (model.thousands.isalnum() or model.thousands in "+-"):
            self.fault(f'"{model.thousands}" cannot be a mark of thousands', *at, "thousands")
        if model.delimiter in '\r\n"':
            self.fault("a line end or a quote cannot be the delimiter", *at, "delimiter")
        self.time_format(model.time_format, at)
        for text, status in [*model.status_words.items(), ("", model.default_status)]:
            if status not in STATUSES:
                key = ("status_words", text) if text else ("default_status",)
                self.fault(f'"{status}" is not a status', *at, *key, hint=nearest(status, STATUSES))
        items = {
            code: self.item(code, item, (*at, "items", code)) for code, item in model.items.items()
        }
        self.columns(model, items, at)
        return Source(
            name=name,
            kind=model.kind,
            layout=model.layout,
            delimiter=model.delimiter,
            encoding=model.encoding,
            decimal=model.decimal,
            thousands=model.thousands,
            time_format=model.time_format,
            zone=self.source_zone(model.time_zone, zone, at),
            default_status=model.default_status,
            status_words=model.status_words,
            set_aside=tuple(
                (s.column, frozenset(value.strip() for value in s.values)) for s in model.set_aside
            ),
            columns=model.columns,
            items=items,
        )

    def time_format(self, text: str, at: tuple[str, ...]) -> None:
        if text in ("iso", "minutes"):
            return
        has = set(re.findall(r"%-?(\w)", text))
        clock = "H" in has or {"I", "p"} <= has or has & {"X", "c"}
        date = has & {"Y", "y"} and (has & {"j"} or (has & {"m", "b", "B"} and "d" in has))
        if not clock:
            self.fault(f'time_format "{text}" has no full time of day', *at, "time_format")
        if not (date or has & {"c", "x"}):
            self.fault(f'time_format "{text}" has no full date', *at, "time_format")
            return  # newer Pythons warn of a day without its year when they try such a pattern
        try:
            datetime.strptime("", text)
        except ValueError as error:
            if "does not match" not in str(error):
                self.fault(f'time_format "{text}": {error}', *at, "time_format")
        except (TypeError, re.error) as error:
            self.fault(f'time_format "{text}": {error}', *at, "time_format")

    def source_zone(
        self, text: str, zone: ZoneInfo, at: tuple[str, ...]
    ) -> ZoneInfo | timezone | None:
        if text == "site":
            return zone
        if text == "field":
            return None
        if match := re.fullmatch(r"([+-])(\d\d):(\d\d)", text):
            offset = timedelta(hours=int(match[2]), minutes=int(match[3]))
            if offset <= timedelta(hours=14):
                return timezone(-offset if match[1] == "-" else offset)
        self.fault(
            f'"{text}" is not a time_zone of a source',
            *at,
            "time_zone",
            hint='"site", "field", or an offset as "+01:00"',
        )
        return zone

    def columns(self, model: SourceSection, items: Mapping[str, Item], at: tuple[str, ...]) -> None:
        if model.kind != "table":
            return
        needed = ["patient", "time"]
        if model.layout == "long":
            needed += ["item", "value"]
        if any(item.drain is None and item.ignore is None for item in items.values()):
            needed.append("drain")
        for key in needed:
            if getattr(model.columns, key) is None:
                why = (
                    "some items name no drain"
                    if key == "drain"
                    else f"a {model.layout} table needs it"
                )
                self.fault(f'the column "{key}" is not named: {why}', *at, "columns", key)
        known = {name for o in OBSERVABLES.values() for name in o.component_names}
        for component in model.columns.components:
            if component not in known:
                self.fault(
                    f'unknown component "{component}"',
                    *at,
                    "columns",
                    "components",
                    component,
                    hint=nearest(component, sorted(known)),
                )

    # -- items ------------------------------------------------------------------------------

    def item(self, code: str, model: ItemSection, at: tuple[str, ...]) -> Item:
        if model.drain is not None and self.labels.get(model.drain) is None:
            hint = nearest(model.drain, self.labels)
            self.fault(f'unknown drain "{model.drain}"', *at, "drain", hint=hint)
        observable = self.observable(model.observable, *at, "observable")
        if model.ignore is None and model.observable is None and not model.words:
            self.fault(
                f'item "{code}" says neither observable nor words nor ignore',
                *at,
                hint="what does it mean here?",
            )
        words = {
            text.strip(): tuple(self.meanings(meant, observable, (*at, "words", text)))
            for text, meant in model.words.items()
        }
        number, unit, scale = self.number(model, observable, at)
        absent: dict[str, str] = {}
        for reason in ABSENT_REASONS:
            for text in getattr(model, reason):
                absent[text.strip()] = reason
        no_reading = frozenset(text.strip() for text in model.no_reading)
        for text in {*words, *absent} & no_reading | {*words} & {*absent}:
            self.fault(
                f'"{text}" of item "{code}" is given two meanings',
                *at,
                hint="no_reading holds the empty text unless it says otherwise" if not text else "",
            )
        if absent and observable is None and number is None:
            self.fault(f'item "{code}" has absent words but no observable they speak of', *at)
        self.gauges(words, scale, (*at, "words"))
        meant = {m.observable for meaning in words.values() for m in meaning}
        observables = tuple(
            sorted(
                {*meant, *([number] if number else []), *([observable.name] if observable else [])}
            )
        )
        for name in observables if absent else ():
            if OBSERVABLES[name].form != "Observation":
                self.fault(f"{name} cannot be charted as not done, refused or not applicable", *at)
        return Item(
            code=code,
            words=words,
            number=number,
            unit=unit,
            scale=scale,
            drain=self.labels.get(model.drain) if model.drain else None,
            absent=absent,
            no_reading=no_reading,
            ignore=model.ignore,
            observables=observables,
        )

    def gauges(
        self, words: Mapping[str, Sequence[Meaning]], scale: str | None, at: tuple[str, ...]
    ) -> None:
        """Report words that would make a wall gauge's reading a suction set."""
        for text, meanings in words.items():
            for meaning in meanings:
                if meaning.observable != "suction-set":
                    continue
                if scale == "wall-gauge":
                    self.fault("a wall gauge says nothing of the suction set", *at, text)
                elif meaning.unit == "mm[Hg]" and scale != "regulator":
                    self.fault(
                        "a pressure in mm[Hg] reads like a wall gauge",
                        *at,
                        text,
                        hint='if a regulator shows it: scale = "regulator"',
                    )

    def observable(self, name: str | None, *loc: str) -> Observable | None:
        if name is None:
            return None
        if name not in OBSERVABLES:
            holders = [o.name for o in OBSERVABLES.values() if name in o.component_names]
            hint = nearest(name, OBSERVABLES)
            if holders:
                hint = f"a part of {holders[0]}: {holders[0]} = {{ value = ..., {name} = ... }}"
            self.fault(f'unknown observable "{name}"', *loc, hint=hint)
            return None
        if OBSERVABLES[name].derived:
            self.fault(
                f"{name} is worked out from readings, never charted",
                *loc,
                hint='a sum charted beside its parts is set aside: ignore = "a sum"',
            )
            return None
        return OBSERVABLES[name]

    def number(
        self, model: ItemSection, observable: Observable | None, at: tuple[str, ...]
    ) -> tuple[str | None, str | None, str | None]:
        """Return the observable a bare number is of, its unit and the scale it is read from."""
        if model.number is not None:
            target = self.observable(model.number.observable, *at, "number")
            unit, scale = model.number.unit, model.number.scale
        elif observable is not None and observable.kind == "quantity":
            target, unit, scale = observable, model.unit, model.scale
        else:
            return None, None, None
        if target is None:
            return None, None, None
        if target.kind != "quantity":
            self.fault(f'"{target.name}" is not a number', *at, "number")
            return None, None, None
        if unit is not None:
            unit = self.unit(unit, target.units, target.name, (*at, "unit"))
        if target.name == "suction-set" and scale is None:
            self.fault(
                "suction-set needs the scale it is read from",
                *at,
                "scale",
                hint='scale = "regulator", "water-column" or "wall-gauge"',
            )
        return target.name, unit, scale

    def unit(self, text: str, accepted: Sequence[str], of: str, at: tuple[str, ...]) -> str | None:
        try:
            unit, _ = unit_of(text, self.aliases, accepted)
        except UnitError as error:
            self.fault(str(error), *at, hint=error.hint)
            return None
        if unit.code not in accepted:
            self.fault(
                f'the unit "{unit.code}" does not belong to {of}',
                *at,
                hint=f"accepted: {', '.join(accepted)}",
            )
            return None
        return unit.code

    def meanings(
        self, meant: str | dict[str, Any], observable: Observable | None, at: tuple[str, ...]
    ) -> Iterable[Meaning]:
        if observable is not None:
            yield from self.meaning(observable, meant, at)
        elif isinstance(meant, str) or not meant:
            self.fault(
                "without an observable of the item, a word needs a table of observables",
                *at,
                hint='as { mode = "water-seal" }',
            )
        else:
            for name, value in meant.items():
                target = self.observable(name, *at)
                if target is not None:
                    yield from self.meaning(target, value, at)

    def meaning(self, observable: Observable, meant: Any, at: tuple[str, ...]) -> Iterable[Meaning]:
        """Yield what a word says of one observable; nothing when it is not a thing it can say."""
        table = dict(meant) if isinstance(meant, dict) else {"value": meant}
        stated = table.pop("value", None)
        parts: dict[str, Decimal | int | str] = {}
        for name, part in table.items():
            if name not in observable.component_names:
                self.fault(
                    f'"{name}" is no part of {observable.name}',
                    *at,
                    hint=nearest(name, ["value", *observable.component_names]),
                )
                continue
            value = self.part(observable, name, part, at)
            if value is not None:
                parts[name] = value
        if observable.kind == "quantity":
            number, unit = self.quantity_text(stated, observable.units, observable.name, at)
            if number is not None and unit is not None:
                self.bounds(number, unit, observable, at)
                yield Meaning(observable.name, number, unit, parts)
            return
        implied = value_of_parts(observable.name, parts)
        stated = implied if stated is None else stated
        if stated is None and observable.kind == "words":
            self.fault(f"{observable.name} needs a value", *at, hint=f"{_list(observable.words)}")
        elif stated is not None and stated not in observable.words:
            self.fault(
                f'"{stated}" is no word of {observable.name}',
                *at,
                hint=nearest(str(stated), observable.words)
                or f"it takes only its parts: {', '.join(observable.component_names)}",
            )
        elif observable.name == "air-leak" and stated == "none" != implied:
            self.fault(
                "an air leak is none only when none was seen at rest and on cough",
                *at,
                hint='{ at-rest = "none", on-cough = "none" }',
            )
        elif implied not in (None, stated):
            self.fault(f'"{stated}" is not what its parts say', *at, hint="leave the value out")
        else:
            yield Meaning(observable.name, stated, None, parts)

    def part(
        self, observable: Observable, name: str, part: Any, at: tuple[str, ...]
    ) -> Decimal | int | str | None:
        component = observable.component(name)
        if component.kind == "words" and part not in component.words:
            self.fault(
                f'"{part}" is no word of {observable.name}, {name}',
                *at,
                hint=nearest(str(part), component.words),
            )
            return None
        if component.kind == "integer" and (not isinstance(part, int) or part < 1):
            self.fault(f"{name} is a whole number from 1", *at)
            return None
        if component.kind == "drain":
            if str(part) not in self.labels:
                self.fault(f'unknown drain "{part}"', *at, hint=nearest(str(part), self.labels))
            return self.labels.get(str(part))
        if component.kind == "quantity":
            number, unit = self.quantity_text(part, component.units, name, at)
            if number is None or unit is None:
                return None
            self.bounds(number, unit, component, at)
            return convert(number, unit, component.units[0])
        return part if isinstance(part, int) else str(part)

    def bounds(
        self, number: Decimal, unit: str, of: Observable | Component, at: tuple[str, ...]
    ) -> None:
        beyond = of.beyond(number, unit)
        if beyond:
            self.fault(f"{of.name} {beyond}", *at)

    def quantity_text(
        self, text: Any, accepted: Sequence[str], of: str, at: tuple[str, ...]
    ) -> tuple[Decimal | None, str | None]:
        """Return number and unit of a text as "20 cm[H2O]"."""
        match = re.fullmatch(r"\s*(-?\d+(?:\.\d+)?)\s*([^\d\s.].*?)\s*", str(text))
        if match is None:
            self.fault(
                f'"{text}" is not a number with its unit', *at, hint=f'as "20 {accepted[0]}"'
            )
            return None, None
        unit = self.unit(match[2], accepted, of, at)
        return (None if unit is None else Decimal(match[1])), unit


def _list(words: Sequence[str]) -> str:
    return f"one of: {', '.join(words)}"
