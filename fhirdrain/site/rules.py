"""The site file as rules that intake applies: sources, their items, what each text means."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, time, timedelta, timezone
from decimal import Decimal
from pathlib import Path
from typing import Literal
from zoneinfo import ZoneInfo

from fhirdrain.bedside.settings import Settings
from fhirdrain.errors import ConfigurationError
from fhirdrain.site.destination import Destination
from fhirdrain.site.model import ColumnsSection, SystemsSection

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
    `drawn` are the words of the lists it asks for, in lower case, each with its list. `graded_by`
    names the scale that its texts are grades of, which goes along with them. A sum that the source
    charts is `over` the shift or the day that ends with it, and an amount of the `interval` that
    ends with it, unless its start is stated.
    """

    code: str
    words: Mapping[str, tuple[Meaning, ...]]
    drawn: Mapping[str, tuple[str, tuple[Meaning, ...]]]
    number: str | None
    unit: str | None
    scale: str | None
    drain: str | None
    absent: Mapping[str, str]
    no_reading: frozenset[str]
    ignore: str | None
    graded_by: str | None
    observables: tuple[str, ...]
    over: Literal["shift", "day"] | None = None
    interval: timedelta | None = None


@dataclass(frozen=True, slots=True)
class Source:
    """One source of a site: its form, its columns and its items.

    `time_format` is "iso", a strptime pattern, or "minutes" after the column `admission`.
    `date_only` is the time of day meant by a date that stands alone, or "day" where it means the
    site's day that begins on it; None where it is refused. Of HL7 v2 `drain_from` is where a drain
    is named, `patient_type` and `patient_authority` choose among a patient's identifiers. Of FHIR
    `patient_from` is where a patient's number stands, `patient_numbers` what it is here, and
    `concepts` the codes of ours that a ConceptMap gives a code of theirs. `moments` are the last
    times that were read: what is charted in a round has one.
    """

    name: str
    kind: str
    layout: str
    delimiter: str
    encoding: str
    decimal: str
    thousands: str | None
    time_format: str
    admission_format: str
    date_only: time | Literal["day"] | None
    zone: ZoneInfo | timezone | None
    default_status: str
    status_words: Mapping[str, str]
    set_aside: tuple[tuple[str, frozenset[str]], ...]
    columns: ColumnsSection
    items: Mapping[str, Item]
    drain_from: str = "item"
    patient_type: str | None = None
    patient_authority: str | None = None
    patient_from: str = "identifier"
    patient_numbers: Mapping[str, str] | None = None
    concepts: Mapping[tuple[str, str], frozenset[str]] = field(default_factory=dict)
    moments: dict[str, datetime] = field(default_factory=dict, repr=False, compare=False)


@dataclass(frozen=True, slots=True)
class Site:
    """A site: its identifier systems, the settings for the arithmetic, its drains and sources.

    `profiles` tells whether resources state the profile they follow, `destination` in which form
    they are sent. `digest` is the SHA-256 of the file; `beside` are the files that it names.
    """

    id: str
    name: str
    systems: SystemsSection
    settings: Settings
    labels: Mapping[str, str]
    sources: Mapping[str, Source]
    unit_aliases: Mapping[str, str]
    policy: Path | None
    profiles: bool = True
    destination: Destination | None = None
    digest: bytes = b""
    beside: tuple[Path, ...] = ()

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


def columns_of(columns: ColumnsSection) -> dict[str, str]:
    """Return the source's names of columns by ours, those of components as `components.NAME`."""
    named = {k: v for k, v in columns.model_dump().items() if isinstance(v, str)}
    return named | {f"components.{name}": column for name, column in columns.components.items()}
