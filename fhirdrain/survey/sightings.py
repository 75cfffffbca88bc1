"""What occurs in one record of a file: a code with its unit and value, a word, a profile."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import Any

from fhirdrain.vocabulary.codes import LOINC, MDC, SNOMED
from fhirdrain.vocabulary.hl7text import Message, Repetition
from fhirdrain.vocabulary.units import UCUM

Json = Mapping[str, Any]

# HL7 v2 table 0396, the names by which messages call code systems.
_V2_SYSTEMS = {"LN": LOINC, "SCT": SNOMED, "SNM": SNOMED, "MDC": MDC, "UCUM": UCUM}


@dataclass(frozen=True, slots=True)
class Sighting:
    """One value as it was met.

    `system` and `code` are of what was observed, `display` the name it was given; `unit` is the
    text and `unit_code` the code of a unit, in `unit_system`. `number` is its value, `word` what
    is said in its place as (system, code or text). `series` names what it is one of, without
    saying whose. `time` is as it stands in the file.
    """

    system: str
    code: str
    display: str = ""
    unit: str = ""
    unit_code: str = ""
    unit_system: str = ""
    number: Decimal | None = None
    word: tuple[str, str] | None = None
    profiles: tuple[str, ...] = ()
    series: int = 0
    time: str = ""


def of_resource(resource: Json) -> Iterator[Sighting]:
    """Yield what is met in an Observation: of each coding, and of its components."""
    if resource.get("resourceType") != "Observation":
        return
    meta = resource.get("meta")
    profiles = tuple(map(str, meta.get("profile", ()))) if isinstance(meta, dict) else ()
    period = resource.get("effectivePeriod")
    end = period.get("end") if isinstance(period, dict) else None
    time = str(resource.get("effectiveDateTime") or end or resource.get("effectiveInstant") or "")
    whose = (_named(resource.get("subject")), _named(resource.get("device")))
    yield from _valued(resource, profiles, whose, time)
    components = resource.get("component")
    for component in components if isinstance(components, list) else ():
        if isinstance(component, dict):
            yield from _valued(component, (), whose, time)


def _valued(
    holder: Json, profiles: tuple[str, ...], whose: tuple[str, str], time: str
) -> Iterator[Sighting]:
    quantity = holder.get("valueQuantity")
    quantity = quantity if isinstance(quantity, dict) else {}
    concept = holder.get("code")
    coding = concept.get("coding") if isinstance(concept, dict) else None
    known = [c for c in coding if isinstance(c, dict)] if isinstance(coding, list) else []
    for one in known or [{}]:
        system, code = str(one.get("system", "")), str(one.get("code", ""))
        yield Sighting(
            system,
            code,
            str(one.get("display", "")),
            str(quantity.get("unit", "")),
            str(quantity.get("code", "")),
            str(quantity.get("system", "")),
            _number(quantity.get("value")),
            _word(holder),
            profiles,
            hash((*whose, system, code)),
            time,
        )


def _word(holder: Json) -> tuple[str, str] | None:
    concept = holder.get("valueCodeableConcept")
    if isinstance(concept, dict):
        codings = concept.get("coding")
        for coding in codings if isinstance(codings, list) else ():
            if isinstance(coding, dict) and "code" in coding:
                return str(coding.get("system", "")), str(coding["code"])
        return "", str(concept.get("text", ""))
    text = holder.get("valueString")
    return ("", str(text)) if text is not None else None


def of_message(message: Message) -> Iterator[Sighting]:
    """Yield what is met in the OBX of an HL7 v2 message."""
    patient, time = "", ""
    for segment in message.segments:
        if segment.name == "PID":
            patient = segment.text(3)
        elif segment.name == "OBR":
            time = segment.text(7)
        elif segment.name == "OBX":
            kind, sub = segment.text(2), segment.text(4)
            units = segment.field(6)
            unit = units[0] if units else None
            value = segment.text(5)
            number = _number(value) if kind in ("NM", "SN", "ST", "") else None
            if kind == "SN":
                number = _number(segment.text(5, 2))
            for identifier in segment.field(3):
                for code, name, system in _triples(identifier):
                    yield Sighting(
                        system,
                        code,
                        name,
                        unit.text(2) if unit else "",
                        unit.text(1) if unit else "",
                        _V2_SYSTEMS.get(unit.text(3), "") if unit else "",
                        number,
                        ("", value) if number is None and value else None,
                        (),
                        hash((patient, sub, system, code)),
                        segment.text(14) or time,
                    )


def _triples(repetition: Repetition) -> Iterator[tuple[str, str, str]]:
    """Yield code, name and system of an identifier and of its alternate."""
    for first in (1, 4):
        code = repetition.text(first)
        if code:
            system = repetition.text(first + 2)
            yield code, repetition.text(first + 1), _V2_SYSTEMS.get(system, system)


def of_row(row: Mapping[str, str], columns: Mapping[str, str]) -> Sighting:
    """Return what is met in a row of a table; `columns` are its names of ours."""
    cell = {key: (row.get(name) or "").strip() for key, name in columns.items()}
    text = cell.get("value", "")
    number = _number(text)
    return Sighting(
        "",
        cell.get("item", ""),
        cell.get("label", ""),
        "",
        cell.get("unit", ""),
        "",
        number,
        ("", text) if number is None and text else None,
        (),
        hash((cell.get("patient", ""), cell.get("drain", ""), cell.get("item", ""))),
        cell.get("time", ""),
    )


def of_wide_row(
    row: Mapping[str, str], columns: Mapping[str, str], items: Iterable[str]
) -> Iterator[Sighting]:
    """Yield what is met in a row whose columns are items."""
    for item in items:
        if (row.get(item) or "").strip():
            own = {**columns, "value": item}
            found = of_row(row, own)
            yield Sighting(
                "", item, "", "", "", "", found.number, found.word, (), found.series, found.time
            )


def _number(value: Any) -> Decimal | None:
    if value is None or isinstance(value, bool):
        return None
    try:
        found = Decimal(str(value).strip().replace(",", "."))
    except InvalidOperation:
        return None
    return found if found.is_finite() else None


def _named(reference: Any) -> str:
    if not isinstance(reference, dict):
        return ""
    identifier = reference.get("identifier")
    value = identifier.get("value") if isinstance(identifier, dict) else None
    return str(value or reference.get("reference") or reference.get("display") or "")
