"""Readings as Observations."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal
from typing import Any

from fhirdrain.bedside.ledger import Output
from fhirdrain.bedside.reading import Reading
from fhirdrain.resources.device import extension
from fhirdrain.resources.drain import Making
from fhirdrain.resources.values import (
    READING_STATUS,
    body_site,
    component_value,
    concept,
    moment,
    notes,
    quantity,
    without_none,
    word,
)
from fhirdrain.vocabulary.codes import ABSENT, CATEGORY, Coding, local
from fhirdrain.vocabulary.observables import (
    ABSENT_REASONS,
    AS_CHARTED,
    CATEGORY_CODE,
    OBSERVABLES,
    OUTPUT_CODES,
    Observable,
    by_code,
)

_BY_CODE = by_code()
CATEGORIES = [concept(Coding(CATEGORY, "exam")), concept(CATEGORY_CODE)]


def observation_of(making: Making, reading: Reading, interval: Output | None) -> dict[str, Any]:
    """Return the Observation of a charted reading.

    `interval` is the ledger's entry of a charted amount, which knows when its interval began; one
    that was charted as final and began otherwise when it was stored is `amended`.
    """
    observable = OBSERVABLES[reading.observable]
    since = interval.start if interval is not None else reading.start
    moved = (
        interval is not None and reading.status == "final" and making.drain.was_otherwise(interval)
    )
    return without_none(
        {
            **frame(making, observable, reading.source, test=reading.test),
            "identifier": making.names(reading),
            "basedOn": _based_on(making, reading),
            "extension": [extension(making, READING_STATUS, valueCode=reading.status)]
            if moved
            else [],
            "status": "amended" if moved else reading.status,
            "category": CATEGORIES,
            "code": concept(*_codings(making, reading, observable, since)),
            "subject": making.subject(),
            "encounter": reading.encounter
            and making.references.logical(
                "Encounter", making.site.systems.encounter, reading.encounter
            ),
            **_effective(observable, reading, interval),
            "issued": reading.recorded and moment(reading.recorded),
            "performer": _performer(making, reading),
            **_value(observable, reading),
            "note": notes(reading.note),
            "bodySite": body_site(
                making.drain.place_at(making.site, reading.time, since), whole=False
            ),
            "device": making.device(),
            "component": _components(observable, reading),
        }
    )


def _codings(
    making: Making, reading: Reading, observable: Observable, since: datetime | None
) -> list[Coding]:
    """Return the codes of a reading: ours, the source's item, and others that the source gave."""
    codes = [*codes_of(making, observable, reading.time, since)]
    known = {(coding.system, coding.code) for coding in codes}
    item_system = making.site.systems.item
    source = making.site.sources.get(reading.source)
    if source is not None and source.kind == "fhir" and reading.item:
        system, _, code = reading.item.rpartition("|")
        # A rate that was made an amount is no rate any more.
        other = _BY_CODE.get((system, code), observable)
        if system and (system, code) not in known and other is observable:
            codes.append(Coding(system, code))
            known.add((system, code))
    elif item_system and reading.item:
        codes.append(Coding(item_system, reading.item))
    return codes + [Coding(*code) for code in reading.codes if code not in known]


# HL7's ActReason: a resource that is of no patient, and only there to be tried.
_TEST = Coding("http://terminology.hl7.org/CodeSystem/v3-ActReason", "HTEST")


def frame(
    making: Making, observable: Observable, source: str | None, *, test: bool = False
) -> dict[str, Any]:
    """Return type and meta of an Observation."""
    meta = making.meta(observable.name, source)
    security = {"security": [_TEST.to_fhir()]} if test else {}
    return {"resourceType": "Observation", "meta": {**meta, **security}}


def codes_of(
    making: Making, observable: Observable, at: datetime, since: datetime | None = None
) -> tuple[Coding, ...]:
    """Return the codes of an observable of this drain: an output's depend on the space."""
    if observable.name == "output":
        space = making.drain.place_at(making.site, at, since).space
        return OUTPUT_CODES.get(space, observable.codes)
    return observable.codes


def _based_on(making: Making, reading: Reading) -> list[dict[str, Any]] | None:
    if reading.order is None:
        return None
    return [making.references.to("ServiceRequest", making.order_system, reading.order)]


def _performer(making: Making, reading: Reading) -> list[dict[str, Any]] | None:
    if reading.performer is None:
        return None
    system = making.site.systems.performer
    return [making.references.logical("Practitioner", system, reading.performer)]


def _effective(observable: Observable, reading: Reading, interval: Output | None) -> dict[str, Any]:
    if observable.timing == "moment":
        return {"effectiveDateTime": moment(reading.time)}
    start = interval.start if interval is not None else reading.start
    period = {"start": start and moment(start), "end": moment(reading.time)}
    return {"effectivePeriod": without_none(period)}


def _value(observable: Observable, reading: Reading) -> dict[str, Any]:
    if reading.absent is not None:
        return {"dataAbsentReason": concept(Coding(ABSENT, ABSENT_REASONS[reading.absent]))}
    if isinstance(reading.value, Decimal):
        return {"valueQuantity": quantity(reading.value, observable.units[0])}
    if reading.value is not None:
        return {"valueCodeableConcept": word(observable.name, reading.value, reading.text)}
    return {}


def _components(observable: Observable, reading: Reading) -> list[dict[str, Any]]:
    components = [
        {
            "code": concept(local(component.name, component.title)),
            **component_value(component, reading.parts[component.name]),
        }
        for component in observable.components
        if component.name in reading.parts
    ]
    if reading.original is not None:
        components.append(
            {"code": concept(AS_CHARTED), "valueQuantity": quantity(*reading.original)}
        )
    return components
