"""Readings and derived outputs as Observations."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from fhirdrain.bedside.ledger import Output
from fhirdrain.bedside.reading import Reading
from fhirdrain.resources.drain import Making
from fhirdrain.resources.identity import output_identity
from fhirdrain.resources.references import identifier
from fhirdrain.resources.values import (
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
    CALCULATED,
    CATEGORY_CODE,
    OBSERVABLES,
    OUTPUT_CODES,
    Observable,
)

_CATEGORIES = [concept(Coding(CATEGORY, "exam")), concept(CATEGORY_CODE)]


def observation_of(making: Making, reading: Reading, interval: Output | None) -> dict[str, Any]:
    """Return the Observation of a charted reading.

    `interval` is the ledger's entry of a charted amount, which knows when its interval began.
    """
    observable = OBSERVABLES[reading.observable]
    item_system = making.site.systems.item
    item = [Coding(item_system, reading.item)] if item_system and reading.item else []
    return without_none(
        {
            **_frame(making, observable, reading),
            "identifier": [identifier(making.site.systems.reading, reading.identity)],
            "basedOn": _based_on(making, reading),
            "status": reading.status,
            "category": _CATEGORIES,
            "code": concept(*_codes(making, observable, reading), *item),
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
            "bodySite": body_site(making.drain.place_at(making.site, reading.time), whole=False),
            "device": making.device(),
            "component": _components(observable, reading),
        }
    )


def derived_output(making: Making, output: Output) -> dict[str, Any]:
    """Return the Observation of an output worked out from levels."""
    observable = OBSERVABLES["output"]
    closing = output.closing
    system = making.site.systems.reading
    statuses = {source.status for source in output.sources}
    status = "final"
    if statuses & {"preliminary", "registered"}:
        status = "preliminary"
    elif statuses & {"corrected", "amended"}:
        # What it rests on was put right, so it was, or would have been, another number before.
        status = "amended"
    period = {"start": output.start and moment(output.start), "end": moment(output.end)}
    return without_none(
        {
            **_frame(making, observable, closing),
            "identifier": [identifier(system, output_identity(closing.identity))],
            "status": status,
            "category": _CATEGORIES,
            "code": concept(*_codes(making, observable, closing)),
            "subject": making.subject(),
            "effectivePeriod": without_none(period),
            "issued": closing.recorded and moment(closing.recorded),
            "valueQuantity": quantity(output.value, "mL"),
            "bodySite": body_site(making.drain.place_at(making.site, output.end), whole=False),
            "method": concept(CALCULATED),
            "device": making.device(),
            "derivedFrom": [
                making.references.to("Observation", system, source.identity)
                for source in output.sources
                if OBSERVABLES[source.observable].form == "Observation"
            ],
        }
    )


def _frame(making: Making, observable: Observable, reading: Reading) -> dict[str, Any]:
    return {
        "resourceType": "Observation",
        "meta": making.meta(observable.name, reading.source),
    }


def _codes(making: Making, observable: Observable, reading: Reading) -> tuple[Coding, ...]:
    if observable.name == "output":
        space = making.drain.place_at(making.site, reading.time).space
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
    if not observable.period:
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
