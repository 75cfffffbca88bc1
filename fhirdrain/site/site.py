"""The site file, read and checked: what each column, code, word and time means here."""

from __future__ import annotations

import codecs
import hashlib
import re
import tomllib
from collections.abc import Mapping
from datetime import datetime, time, timedelta, timezone
from decimal import Decimal
from pathlib import Path
from typing import Literal
from zoneinfo import ZoneInfo, available_timezones

from pydantic import ValidationError

from fhirdrain.bedside.settings import DrainSettings, Settings
from fhirdrain.errors import ConfigurationError
from fhirdrain.issues import Issue, render_issue
from fhirdrain.site.beside import read_concept_map, read_numbers
from fhirdrain.site.durations import duration
from fhirdrain.site.faults import Faults, fault_of, from_pydantic, nearest
from fhirdrain.site.items import Items
from fhirdrain.site.model import SiteFile, SourceSection
from fhirdrain.site.paths import Path as JsonPath
from fhirdrain.site.paths import nest_of, parse_path, write_path
from fhirdrain.site.places import Places
from fhirdrain.site.policy import load_policy
from fhirdrain.site.rules import STATUSES, Item, Site, Source, columns_of
from fhirdrain.vocabulary.observables import CHARTED, PATIENT_WEIGHT
from fhirdrain.vocabulary.units import ALIASES, MISLEADING, UNITS
from fhirdrain.vocabulary.v2tables import RESULT_STATUS

__all__ = ["duration", "load_site", "read_site"]


# What only some kinds of sources have.
_OF_KINDS = {
    "drain_from": ("hl7v2",),
    "patient_type": ("hl7v2",),
    "patient_authority": ("hl7v2", "fhir"),
    "patient_from": ("fhir",),
    "patient_numbers": ("fhir",),
    "concept_maps": ("fhir",),
}
# What the standard itself says of messages, or what they do not have.
_OF_TABLES = {
    "layout", "delimiter", "decimal", "thousands", "time_format", "admission_format",
}  # fmt: skip


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
        return None, [fault_of(path, f"not UTF-8: {error.reason} at byte {error.start}")]
    try:
        data = tomllib.loads(text, parse_float=Decimal)
    except tomllib.TOMLDecodeError as error:
        place = re.search(r"line (\d+), column (\d+)", str(error))
        line, column = (int(place[1]), int(place[2])) if place else (0, 0)
        return None, [fault_of(path, f"not valid TOML: {error}", line=line, column=column)]
    places = Places(text)
    try:
        model = SiteFile.model_validate(data)
    except ValidationError as error:
        return None, [from_pydantic(path, places, fault) for fault in error.errors()]
    compiler = _Compiler(path, places, text)
    site = compiler.site(model)
    issues = compiler.faults.issues
    return (None if any(issue.is_error for issue in issues) else site), issues


class _Compiler:
    """Turns the file as written into rules, and collects what is wrong on the way."""

    def __init__(self, path: Path, places: Places, text: str) -> None:
        self.path = path
        self.text = text
        self.faults = Faults(path, places)
        self.aliases: dict[str, str] = {}
        self.labels: dict[str, str] = {}
        self.items = Items(self.faults, self.labels, self.aliases)

    def drafts(self, model: SiteFile) -> None:
        """Report what is still marked as a draft: nobody has looked at it."""
        marked: list[tuple[str, ...]] = [("site",)] if model.site.draft else []
        marked += [("drains", name) for name, drain in model.drains.items() if drain.draft]
        for name, source in model.sources.items():
            marked += [("sources", name)] if source.draft else []
            marked += [("sources", name, "items", c) for c, i in source.items.items() if i.draft]
        for at in marked:
            self.faults.add(
                "still a draft", *at, "draft", hint="look at it, mend it, and take the mark away"
            )

    def site(self, model: SiteFile) -> Site:
        self.drafts(model)
        for text, code in model.units.items():
            if text in UNITS or text in MISLEADING:
                self.faults.add(f'"{text}" is a UCUM code and means what UCUM says', "units", text)
            elif code in UNITS and ALIASES.get(text, code) != code:
                self.faults.add(f'"{text}" is known to mean {ALIASES[text]}', "units", text)
            elif code in UNITS:
                self.aliases[text] = code
            else:
                self.faults.add(
                    f'the unit "{code}" is not known', "units", text, hint=nearest(code, UNITS)
                )
        section = model.site
        zone = self.zone(section.time_zone)
        labels = self.labels
        drains: dict[str, DrainSettings] = {}
        for name, drain in model.drains.items():
            if not re.fullmatch(r"[A-Za-z0-9-]+", name):
                self.faults.add(f'drain id "{name}": letters, digits and - only', "drains", name)
            drains[name] = DrainSettings(drain.side, drain.space, drain.capacity, drain.began_empty)
            for label in (name, *(label.strip() for label in drain.labels)):
                if labels.setdefault(label, name) != name:
                    self.faults.add(
                        f'the label "{label}" names both {labels[label]} and {name}', "drains", name
                    )
        for key, system in section.systems.model_dump().items():
            if system is not None and not re.fullmatch(r"[A-Za-z][A-Za-z0-9+.-]*:\S+", system):
                self.faults.add(f'"{system}" is not an absolute URI', "site", "systems", key)
        windows = tuple(self.wall(text, "windows") for text in section.windows)
        if len(set(windows)) < len(windows):
            self.faults.add("two windows start at the same time", "site", "windows")
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
                figures = load_policy(policy).figures
            except ConfigurationError as error:
                self.faults.add(f"policy: {error}", "site", "policy")
                figures = []
            for name in dict.fromkeys(name for figure in figures for name in figure.drains):
                if name not in drains:
                    self.faults.add(
                        f'policy: a figure is of the drain "{name}", which is not in this file',
                        "site",
                        "policy",
                        hint=nearest(name, drains),
                    )
        return Site(
            id=section.id,
            name=section.name,
            systems=section.systems,
            settings=settings,
            labels=labels,
            sources=sources,
            unit_aliases=self.aliases,
            policy=policy,
            profiles=section.profiles,
            digest=hashlib.sha256(self.text.encode()).digest(),
            beside=tuple(self.path.parent / name for name in self.beside(model)),
        )

    @staticmethod
    def beside(model: SiteFile) -> list[str]:
        """Return the names of the files that a site file refers to."""
        names = [model.site.policy]
        for source in model.sources.values():
            names += [source.patient_numbers, *source.concept_maps]
        return [name for name in names if name]

    def zone(self, name: str) -> ZoneInfo:
        try:
            return ZoneInfo(name)
        except (KeyError, ValueError, OSError):
            self.faults.add(
                f'"{name}" is not a time zone',
                "site",
                "time_zone",
                hint=nearest(name, available_timezones()),
            )
            return ZoneInfo("UTC")

    def wall(self, text: str, key: str, at: tuple[str, ...] = ("site",)) -> time:
        try:
            found = time.fromisoformat(text)
            if found.tzinfo is None:
                return found
            raise ValueError(text)
        except ValueError:
            self.faults.add(f'"{text}" is not a time of day', *at, key, hint='as "07:00"')
            return time(0)

    def duration(self, text: str | None, key: str) -> timedelta | None:
        try:
            return None if text is None else duration(text)
        except ValueError as error:
            self.faults.add(str(error), "site", key)
            return None

    def source(self, name: str, model: SourceSection, zone: ZoneInfo) -> Source:
        at = ("sources", name)
        try:
            "".encode(model.encoding)
            codecs.lookup(model.encoding)
        except (LookupError, TypeError, UnicodeError):
            self.faults.add(f'"{model.encoding}" is not an encoding', *at, "encoding")
        if model.thousands == model.decimal:
            self.faults.add("decimal and thousands are the same mark", *at, "thousands")
        elif model.thousands is not None and (model.thousands.isalnum() or model.thousands in "+-"):
            self.faults.add(f'"{model.thousands}" cannot be a mark of thousands', *at, "thousands")
        if model.delimiter in '\r\n"':
            self.faults.add("a line end or a quote cannot be the delimiter", *at, "delimiter")
        date_only = self.date_only(model.date_only, at)
        for key in ("time_format", "admission_format"):
            self.time_format(getattr(model, key), key, date_only is not None, at)
        for text, status in [*model.status_words.items(), ("", model.default_status)]:
            if status not in STATUSES:
                place = ("status_words", text) if text else ("default_status",)
                self.faults.add(
                    f'"{status}" is not a status', *at, *place, hint=nearest(status, STATUSES)
                )
        if not model.items and model.kind != "fhir":  # FHIR may have codes that are known to all
            self.faults.add('the key "items" is missing: what does each mean here?', *at)
        items = {
            code: self.items.item(code, item, (*at, "items", code))
            for code, item in model.items.items()
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
            admission_format=model.admission_format,
            date_only=date_only,
            zone=self.source_zone(model.time_zone, zone, at),
            default_status=self.default_status(model),
            status_words=self.status_words(model),
            set_aside=tuple(
                (s.column, frozenset(value.strip() for value in s.values)) for s in model.set_aside
            ),
            columns=model.columns,
            items=items,
            drain_from=model.drain_from,
            patient_type=model.patient_type,
            patient_authority=model.patient_authority,
            patient_from=model.patient_from,
            patient_numbers=self.numbers(model.patient_numbers, at),
            concepts=self.concepts(model.concept_maps, at),
        )

    def numbers(self, name: str | None, at: tuple[str, ...]) -> Mapping[str, str] | None:
        """Return what patients' numbers are here, None where they are the same."""
        if name is None:
            return None
        try:
            return read_numbers(self.path.parent / name)
        except ValueError as error:
            self.faults.add(f"{name}: {error}", *at, "patient_numbers")
            return {}

    def concepts(
        self, names: list[str], at: tuple[str, ...]
    ) -> Mapping[tuple[str, str], frozenset[str]]:
        """Return the codes of ours that ConceptMaps give to codes of others."""
        found: dict[tuple[str, str], set[str]] = {}
        for name in names:
            try:
                mapped, _ = read_concept_map(self.path.parent / name)
            except ValueError as error:
                self.faults.add(f"{name}: {error}", *at, "concept_maps")
                continue
            for code, targets in mapped.items():
                found.setdefault(code, set()).update(targets)
        return {code: frozenset(targets) for code, targets in found.items()}

    @staticmethod
    def default_status(model: SourceSection) -> str:
        """Return the status of what has none; a message that says none is refused by default."""
        stated = model.kind != "hl7v2" or "default_status" in model.model_fields_set
        return model.default_status if stated else ""

    @staticmethod
    def status_words(model: SourceSection) -> Mapping[str, str]:
        """Return the words of a source's statuses; a message has those of HL7 table 0085."""
        if model.kind != "hl7v2":
            return model.status_words
        return {word: row.status for word, row in RESULT_STATUS.items()} | model.status_words

    def date_only(self, text: str | None, at: tuple[str, ...]) -> time | Literal["day"] | None:
        if text is None or text == "day":
            return None if text is None else "day"
        return self.wall(text, "date_only", at)

    def time_format(self, text: str, key: str, may_be_date: bool, at: tuple[str, ...]) -> None:
        if text == "iso" or (text == "minutes" and key == "time_format"):
            return
        has = set(re.findall(r"%-?(\w)", text))
        clock = "H" in has or {"I", "p"} <= has or has & {"X", "c"}
        date = has & {"Y", "y"} and (has & {"j"} or (has & {"m", "b", "B"} and "d" in has))
        if not clock and not may_be_date:
            self.faults.add(
                f'{key} "{text}" has no full time of day',
                *at,
                key,
                hint='date_only says what a date alone means: "07:00", or "day"',
            )
        if not (date or has & {"c", "x"}):
            self.faults.add(f'{key} "{text}" has no full date', *at, key)
            return  # newer Pythons warn of a day without its year when they try such a pattern
        try:
            datetime.strptime("", text)
        except ValueError as error:
            if "does not match" not in str(error):
                self.faults.add(f'{key} "{text}": {error}', *at, key)
        except (TypeError, re.error) as error:
            self.faults.add(f'time_format "{text}": {error}', *at, "time_format")

    def source_zone(
        self, text: str, zone: ZoneInfo, at: tuple[str, ...]
    ) -> ZoneInfo | timezone | None:
        if text == "site":
            return zone
        if text == "field":
            return None
        if match := re.fullmatch(r"([+-])(\d\d):([0-5]\d)", text):
            offset = timedelta(hours=int(match[2]), minutes=int(match[3]))
            if offset <= timedelta(hours=14):
                return timezone(-offset if match[1] == "-" else offset)
        self.faults.add(
            f'"{text}" is not a time_zone of a source',
            *at,
            "time_zone",
            hint='"site", "field", or an offset as "+01:00"',
        )
        return zone

    def messages(
        self, model: SourceSection, items: Mapping[str, Item], at: tuple[str, ...]
    ) -> None:
        """Report what a source of messages cannot have, or lacks."""
        for key in sorted(model.model_fields_set & _OF_TABLES):
            self.faults.add(
                f'a hl7v2 source has no "{key}": the standard says it',
                *at,
                key,
                hint="leave it out",
            )
        for key in columns_of(model.columns):
            if key not in ("start", "end") and not key.startswith("components."):
                self.faults.add(
                    f'a hl7v2 source has no column "{key}": it has a field of its own',
                    *at,
                    "columns",
                    key,
                    hint="start, end and components name the OBX-3 code of a row that says it",
                )
        both = {name for name in columns_of(model.columns).values() if name in items}
        for name in sorted(both):
            self.faults.add(f'"{name}" is a column and an item', *at, "items", name)
        for entry in model.set_aside:
            if not re.fullmatch(r"(MSH|PID|PV1|OBR|OBX)-[1-9]\d?(\.[1-9])?|NTE-3", entry.column):
                self.faults.add(
                    f'"{entry.column}" is no field',
                    *at,
                    "set_aside",
                    hint='as "OBX-8" or "OBR-4.1"',
                )
        for code, item in items.items():
            named = item.drain is not None or item.ignore is not None
            weight = item.observables == (PATIENT_WEIGHT.name,)
            if model.drain_from == "item" and not named and not weight:
                self.faults.add(
                    f'item "{code}" names no drain',
                    *at,
                    "items",
                    code,
                    hint="drain = ..., or drain_from of the source: OBX-4, OBX-20 or PRT",
                )

    def resources(self, model: SourceSection, at: tuple[str, ...]) -> None:
        """Report what a source of FHIR cannot have, or lacks."""
        for key in sorted(model.model_fields_set & {*_OF_TABLES, "encoding"}):
            self.faults.add(
                f'a fhir source has no "{key}": the standard says it', *at, key, hint="leave it out"
            )
        for key in columns_of(model.columns):
            if not key.startswith("components."):
                self.faults.add(
                    f'a fhir source has no column "{key}": it has an element of its own',
                    *at,
                    "columns",
                    key,
                    hint="components name the code of a component, as system|code",
                )
        coded = [(("columns", "components", n), c) for n, c in model.columns.components.items()]
        items = [(("items", code), code) for code in model.items]
        for where, code in [*items, *coded]:
            if not re.fullmatch(r"[A-Za-z][A-Za-z0-9+.-]*:[^|\s]+\|\S+", code):
                self.faults.add(
                    f'"{code}" is not a code with its system', *at, *where, hint="as system|code"
                )
        for entry in model.set_aside:
            if not re.fullmatch(r"[a-z][A-Za-z]*", entry.column):
                self.faults.add(
                    f'"{entry.column}" is no element', *at, "set_aside", hint='as "category"'
                )

    def columns(self, model: SourceSection, items: Mapping[str, Item], at: tuple[str, ...]) -> None:
        if model.kind == "hl7v2":
            self.messages(model, items, at)
        if model.kind == "fhir":
            self.resources(model, at)
        for key in sorted(model.model_fields_set & set(_OF_KINDS)):
            if model.kind not in _OF_KINDS[key]:
                kinds = " or ".join(_OF_KINDS[key])
                self.faults.add(f'only a {kinds} source has "{key}"', *at, key)
        self.components(model, at)
        if model.kind not in ("table", "jsonlines"):
            return
        needed = ["patient", "time"]
        if model.layout == "long":
            needed += ["item", "value"]
        if model.time_format == "minutes":
            needed.append("admission")
        named = [i for i in items.values() if i.observables != (PATIENT_WEIGHT.name,)]
        if any(item.drain is None and item.ignore is None for item in named):
            needed.append("drain")
        for key in needed:
            if getattr(model.columns, key) is None:
                why = {
                    "drain": "some items name no drain",
                    "admission": "minutes count from it",
                }.get(key, f"a {model.layout} source needs it")
                self.faults.add(f'the column "{key}" is not named: {why}', *at, "columns", key)
        for key in ("item", "value", "unit") if model.layout == "wide" else ():
            if getattr(model.columns, key) is not None:
                self.faults.add(
                    f'a wide source has no column "{key}"',
                    *at,
                    "columns",
                    key,
                    hint="each item is a column; its unit stands in its section or in the cell",
                )
        if model.kind == "jsonlines":
            self.paths(model, at)
        if model.layout == "wide":
            both = {name for name in columns_of(model.columns).values() if name in items}
            for name in sorted(both):
                self.faults.add(f'"{name}" is a column and an item', *at, "items", name)

    def components(self, model: SourceSection, at: tuple[str, ...]) -> None:
        """Report names of parts that no observable has."""
        known = {name for o in CHARTED.values() for name in o.component_names}
        for component in model.columns.components:
            if component not in known:
                self.faults.add(
                    f'unknown component "{component}"',
                    *at,
                    "columns",
                    "components",
                    component,
                    hint=nearest(component, sorted(known)),
                )

    def paths(self, model: SourceSection, at: tuple[str, ...]) -> None:
        """Report paths that are none, and lists that stand side by side."""
        columns = columns_of(model.columns).items()
        named = [(("columns", *key.split(".", 1)), path) for key, path in columns]
        named += [(("set_aside",), entry.column) for entry in model.set_aside]
        if model.layout == "wide":
            named += [(("items", code), code) for code in model.items]
        paths = []
        nest: JsonPath = ()
        for key, text in named:
            try:
                paths.append(parse_path(text))
                nest = nest_of(paths)
            except ValueError as error:
                self.faults.add(str(error), *at, *key, hint='as "patient.id", or "readings[].code"')
                return
        for (key, text), path in zip(named, paths, strict=True):
            if path[: len(nest)] == nest or not (key == ("columns", "row") or key[0] == "items"):
                continue
            self.faults.add(
                f'"{text}" stands outside {write_path(nest)}, and is the same for all of it',
                *at,
                *key,
                hint="an id of the whole line is its round: round = ..."
                if key[0] == "columns"
                else "a source of its own reads what is charted once a line",
            )
