"""survey: which codes, units, words and profiles occur in files, read as streams."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from fhirdrain.errors import ConfigurationError, SourceError
from fhirdrain.site import Site, Source, columns_of
from fhirdrain.street.columns import named_columns
from fhirdrain.street.sources import opened
from fhirdrain.street.telling import Told, silent
from fhirdrain.survey.sightings import Sighting, of_message, of_resource, of_row, of_wide_row
from fhirdrain.survey.survey import Survey
from fhirdrain.vocabulary.hl7text import Hl7Error, Message, charset_of, messages
from fhirdrain.vocabulary.jsontext import decode

__all__ = ["Layout", "layout_of", "read_columns", "survey_of"]

_KEYS = ("item", "value", "unit", "time", "patient", "drain", "label")
_HL7 = (b"MSH|", b"FHS|", b"BHS|", b"\x0bMSH|")


@dataclass(frozen=True, slots=True)
class Layout:
    """How a table is read: its names of our columns, or the items that are columns themselves."""

    columns: Mapping[str, str] = field(default_factory=dict)
    items: tuple[str, ...] = ()
    delimiter: str = ""
    encoding: str = "utf-8-sig"
    meanings: Mapping[str, str] = field(default_factory=dict)


def read_columns(text: str) -> Layout:
    """Return the layout of `item=code,value=val,...`; raises `ConfigurationError`."""
    columns = named_columns(text, _KEYS)
    if not {"item", "value"} <= set(columns):
        raise ConfigurationError("--columns needs item and value")
    return Layout(columns)


def layout_of(site: Site, source: Source) -> Layout:
    """Return the layout of a source of a site file, and what its items mean."""
    named = {k: v for k, v in columns_of(source.columns).items() if k in _KEYS}
    meanings = {
        code: item.observables[0]
        for code, item in source.items.items()
        if len(item.observables) == 1
    }
    items = tuple(source.items) if source.layout == "wide" else ()
    encoding = "utf-8-sig" if source.encoding == "utf-8" else source.encoding
    return Layout(named, items, source.delimiter, encoding, meanings)


def survey_of(
    names: Iterable[str], layout: Layout | None = None, progress: Told = silent
) -> Survey:
    """Return the survey of files: FHIR JSON, NDJSON, HL7 v2, or tables by their layout.

    Raises `SourceError` for what cannot be opened, `ConfigurationError` for a table without layout.
    """
    survey = Survey(meanings=layout.meanings if layout is not None else {})
    for name in names:
        if Path(name).is_dir():
            raise SourceError("is a folder", place=name, hint="name the files in it")
        for sighting in _sightings(name, layout, survey):
            survey.add(sighting)
            progress("values met", survey.records)
    return survey


def _sightings(name: str, layout: Layout | None, survey: Survey) -> Iterator[Sighting]:
    with opened(name) as (stream, place):
        first = stream.readline()
        rest = (line for line in stream)
        start = first.removeprefix(b"\xef\xbb\xbf").lstrip()
        if start.startswith(_HL7):
            yield from _in_messages(_chunks(first, rest), survey)
        elif start.startswith((b"{", b"[")):
            yield from _in_fhir(first, rest, survey)
        elif not start and not first:
            survey.unreadable["an empty file"] += 1
        elif layout is None:
            raise ConfigurationError(
                "a table, and which of its columns is what is not said",
                place=place,
                hint="--columns item=...,value=...,unit=...,time=..., or --site and --source",
            )
        else:
            yield from _in_table(_chunks(first, rest), layout, survey, place)


def _chunks(first: bytes, rest: Iterable[bytes]) -> Iterator[bytes]:
    yield first
    yield from rest


def _in_fhir(first: bytes, rest: Iterable[bytes], survey: Survey) -> Iterator[Sighting]:
    """Yield what is met in NDJSON, a line at a time, or in one Bundle or resource."""
    try:
        found = decode(first.removeprefix(b"\xef\xbb\xbf"))
    except ValueError:
        found = None  # not whole: the rest of the file belongs to it
    if found is None:
        try:
            yield from _in_resource(
                decode(first.removeprefix(b"\xef\xbb\xbf") + b"".join(rest)), survey
            )
        except ValueError:
            survey.unreadable["neither FHIR JSON nor NDJSON"] += 1
        return
    yield from _in_resource(found, survey)
    for line in rest:
        if not line.strip():
            continue
        try:
            yield from _in_resource(decode(line), survey)
        except ValueError:
            survey.unreadable["a line that is not JSON"] += 1


def _in_resource(resource: object, survey: Survey) -> Iterator[Sighting]:
    if not isinstance(resource, dict):
        survey.unreadable["no FHIR resource"] += 1
        return
    kind = str(resource.get("resourceType", "no FHIR resource"))
    if kind == "Bundle":
        entries = resource.get("entry")
        for entry in entries if isinstance(entries, list) else ():
            if isinstance(entry, dict) and "resource" in entry:
                yield from _in_resource(entry["resource"], survey)
        return
    if kind != "Observation":
        survey.others[kind] += 1
        return
    survey.records += 1
    try:
        yield from of_resource(resource)
    except (TypeError, AttributeError):
        survey.unreadable["an Observation that is not as FHIR has it"] += 1


def _in_messages(chunks: Iterator[bytes], survey: Survey) -> Iterator[Sighting]:
    for _, data, whole in messages(chunks):
        survey.records += 1
        try:
            if not whole:
                raise Hl7Error("cut short")
            charset = charset_of(data, "utf-8")
            text = data.decode(charset, "replace").replace("\r", "\n").strip("\n") + "\n"
            yield from of_message(Message(text, charset))
        except (Hl7Error, LookupError):
            survey.unreadable["a message that is not HL7 v2, or cut short"] += 1


def _in_table(
    lines: Iterator[bytes], layout: Layout, survey: Survey, place: str
) -> Iterator[Sighting]:
    try:
        text = (line.decode(layout.encoding) for line in lines)
        head = next(text)
        delimiter = layout.delimiter or max(",;\t|", key=head.count)
        reader = csv.DictReader(_chained(head, text), delimiter=delimiter)
        wanted = [
            n for k, n in layout.columns.items() if not (layout.items and k in ("item", "value"))
        ]
        for column in (*wanted, *layout.items[:1]):
            if column not in (reader.fieldnames or ()):
                raise ConfigurationError(f'there is no column "{column}"', place=place)
        for row in reader:
            survey.records += 1
            if layout.items:
                yield from of_wide_row(row, layout.columns, layout.items)
            else:
                yield of_row(row, layout.columns)
    except (UnicodeDecodeError, csv.Error):
        survey.unreadable["a table that is not in its encoding, or broken off"] += 1


def _chained(first: str, rest: Iterable[str]) -> Iterator[str]:
    yield first
    yield from rest
