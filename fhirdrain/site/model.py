"""The site file as it is written: its sections and keys, their types and defaults."""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, StrictInt


def _as_decimal(value: Any) -> Any:
    # TOML floats are read as text, so that the digits written are the digits used.
    if isinstance(value, int | str) and not isinstance(value, bool):
        try:
            return Decimal(str(value))
        except ArithmeticError:
            raise ValueError("not a number") from None
    return value


Number = Annotated[Decimal, BeforeValidator(_as_decimal)]


class Section(BaseModel):
    """A section whose keys are all known."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class SiteSection(Section):
    """[site]"""

    id: str = Field(min_length=1)
    name: str
    time_zone: str
    windows: list[str] = Field(min_length=1)
    day_starts: str
    longest_interval: str | None = None
    new_unit_level: Annotated[Number | None, Field(ge=0)] = None
    spanning: Literal["end", "split"] = "end"
    suction_tolerance: Annotated[Number, Field(ge=0)] = Decimal(0)
    significant_digits: StrictInt = Field(6, ge=1, le=28)
    double_within: str = "10min"
    policy: str | None = None
    profiles: bool = True
    draft: bool = False
    systems: SystemsSection


class SystemsSection(Section):
    """[site.systems]: identifier and code systems, each an absolute URI."""

    patient: str
    reading: str
    device: str
    encounter: str | None = None
    order: str | None = None
    performer: str | None = None
    item: str | None = None


class DrainSection(Section):
    """[drains.ID]"""

    side: Literal["left", "right", "midline", "unknown"] = "unknown"
    space: Literal["pleural", "mediastinal", "pericardial", "unknown"] = "unknown"
    labels: list[str] = []
    capacity: Annotated[Number | None, Field(gt=0)] = None
    began_empty: bool = False
    draft: bool = False


class SetAsideSection(Section):
    """One entry of set_aside: a column of the source and the values that are no reading."""

    column: str
    values: list[str]


class ColumnsSection(Section):
    """[sources.NAME.columns]: our names for the source's columns."""

    row: str | None = None
    patient: str | None = None
    encounter: str | None = None
    drain: str | None = None
    time: str | None = None
    admission: str | None = None
    start: str | None = None
    end: str | None = None
    recorded: str | None = None
    item: str | None = None
    value: str | None = None
    unit: str | None = None
    status: str | None = None
    performer: str | None = None
    note: str | None = None
    round: str | None = None
    components: dict[str, str] = {}


class NumberSection(Section):
    """`number` of an item whose values are words and numbers mixed."""

    observable: str
    unit: str | None = None
    scale: Literal["regulator", "water-column", "wall-gauge"] | None = None


class ItemSection(Section):
    """[sources.NAME.items.CODE]"""

    observable: str | None = None
    unit: str | None = None
    scale: Literal["regulator", "water-column", "wall-gauge"] | None = None
    drain: str | None = None
    words: dict[str, str | dict[str, Any]] = {}
    use: str | list[str] = []
    graded_by: str | None = None
    over: Literal["shift", "day"] | None = None
    interval: str | None = None
    number: NumberSection | None = None
    not_done: list[str] = []
    unable: list[str] = []
    refused: list[str] = []
    not_applicable: list[str] = []
    no_reading: list[str] = [""]
    ignore: str | None = None
    draft: bool = False


class SourceSection(Section):
    """[sources.NAME]"""

    kind: Literal["table", "jsonlines", "hl7v2", "fhir"]
    layout: Literal["long", "wide"] = "long"
    delimiter: str = Field(",", min_length=1, max_length=1)
    encoding: str = "utf-8"
    decimal: Literal[".", ","] = "."
    thousands: str | None = Field(None, min_length=1, max_length=1)
    time_format: str = "iso"
    admission_format: str = "iso"
    date_only: str | None = None
    time_zone: str = "site"
    default_status: str = "final"
    status_words: dict[str, str] = {}
    set_aside: list[SetAsideSection] = []
    drain_from: Literal["item", "OBX-4", "OBX-20", "PRT"] = "item"
    patient_type: str | None = None
    patient_authority: str | None = None
    patient_from: Literal["identifier", "reference"] = "identifier"
    patient_numbers: str | None = None
    concept_maps: list[str] = []
    draft: bool = False
    columns: ColumnsSection = ColumnsSection()
    items: dict[str, ItemSection] = {}


class SiteFile(Section):
    """The whole file."""

    site: SiteSection
    drains: dict[str, DrainSection] = {}
    sources: dict[str, SourceSection] = Field(min_length=1)
    units: dict[str, str] = {}
