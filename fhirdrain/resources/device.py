"""The drain as a Device, its site as DeviceUseStatements, placing and removal as Procedures."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from fhirdrain.bedside.places import Place
from fhirdrain.bedside.reading import WITHDRAWN, Reading
from fhirdrain.resources.drain import Drain, Making
from fhirdrain.resources.references import identifier
from fhirdrain.resources.values import (
    READING_STATUS,
    RECORDED,
    body_site,
    concept,
    moment,
    notes,
    quantity,
    without_none,
)
from fhirdrain.vocabulary.codes import CHEST_DRAIN, local
from fhirdrain.vocabulary.observables import OBSERVABLES

# Parts of a placing that R4's Procedure has no element for: part, extension, unit.
_PROCEDURE_QUANTITIES = (("opening-level", "opening-level", "mL"), ("size", "tube-size", "[Ch]"))


def extension(making: Making, name: str, **value: Any) -> dict[str, Any]:
    """Return one of our extensions."""
    return {"url": f"{making.base}/StructureDefinition/{name}", **value}


def device_of(making: Making) -> dict[str, Any]:
    """Return the Device of a drain."""
    drain = making.drain
    sizes = [r.parts["size"] for r in drain.readings if r.said and "size" in r.parts]
    return without_none(
        {
            "resourceType": "Device",
            "meta": making.meta("chest-drain", None),
            "identifier": [identifier(making.site.systems.device, making.device_value)],
            "status": _status(drain, active="active", over="inactive"),
            "deviceName": [{"name": drain.name, "type": "user-friendly-name"}],
            "type": concept(CHEST_DRAIN),
            "property": [
                {"type": concept(local("size")), "valueQuantity": [quantity(size, "[Ch]")]}
                for size in sizes[-1:]
                if isinstance(size, Decimal)
            ],
            "patient": making.subject(),
            "parent": making.device(drain.parent) if drain.parent is not None else None,
        }
    )


def _status(drain: Drain, *, active: str, over: str) -> str:
    """Return the status of what is about a drain as a whole."""
    if drain.ledger is None and drain.readings:
        return WITHDRAWN  # everything that was charted of it was withdrawn
    return active if drain.removed is None else over


def use_of(making: Making) -> dict[str, Any]:
    """Return a drain's DeviceUseStatement: since when, until when, where by the site file."""
    drain = making.drain
    placed = [r.time for r in drain.readings if r.observable == "placed" and r.counts]
    removed = drain.removed
    settings = making.site.settings.drain(drain.name)
    period = {
        "start": moment(placed[0]) if placed else None,
        "end": moment(removed) if removed else None,
    }
    return without_none(
        {
            "resourceType": "DeviceUseStatement",
            "meta": making.meta("chest-drain-use", None),
            "identifier": [identifier(making.site.systems.device, making.device_value)],
            "status": _status(drain, active="active", over="completed"),
            "subject": making.subject(),
            "timingPeriod": without_none(period),
            "device": making.device(),
            "bodySite": body_site(Place(settings.side, settings.space), whole=True),
        }
    )


def site_of(making: Making, reading: Reading) -> dict[str, Any]:
    """Return the DeviceUseStatement of a drain-site reading: where it lies from its time on."""
    parts = {name: str(part) for name, part in reading.parts.items()}
    until = making.drain.site_until(reading) if reading.counts else None
    place = Place(
        parts.get("side", "unknown"), parts.get("space", "unknown"), parts.get("position")
    )
    return without_none(
        {
            "resourceType": "DeviceUseStatement",
            "meta": making.meta("drain-site", reading.source),
            "extension": _status_extension(making, reading),
            "identifier": making.names(reading),
            "status": WITHDRAWN if not reading.counts else "completed" if until else "active",
            "subject": making.subject(),
            "timingPeriod": without_none(
                {"start": moment(reading.time), "end": until and moment(until)}
            ),
            "recordedOn": reading.recorded and moment(reading.recorded),
            "source": reading.performer
            and making.references.logical(
                "Practitioner", making.site.systems.performer, reading.performer
            ),
            "device": making.device(),
            "bodySite": body_site(place, whole=True),
            "note": notes(reading.note),
        }
    )


def procedure_of(making: Making, reading: Reading) -> dict[str, Any]:
    """Return the Procedure of a placing, a removal, a joining or a parting.

    The SNOMED CT codes speak of pleural drains and are given only for them. R4 Procedures have
    no time of recording, so it is an extension, as are the level the first unit was opened at and
    the size of the tube. A joining or parting names the drain first and the tube second.
    """
    observable = OBSERVABLES[reading.observable]
    pleural = making.drain.place_at(making.site, reading.time).space == "pleural"
    extensions = _status_extension(making, reading)
    if reading.recorded is not None:
        extensions.append(extension(making, RECORDED, valueDateTime=moment(reading.recorded)))
    for part, name, unit in _PROCEDURE_QUANTITIES:
        number = reading.parts.get(part)
        if isinstance(number, Decimal):
            extensions.append(extension(making, name, valueQuantity=quantity(number, unit)))
    tube = making.drain.tubes.get(reading.identity)
    indication = reading.parts.get("indication")
    return without_none(
        {
            "resourceType": "Procedure",
            "meta": making.meta(observable.name, reading.source),
            "extension": extensions,
            "identifier": making.names(reading),
            "status": WITHDRAWN if not reading.counts else "completed",
            "category": concept(local(str(reading.value)), text=reading.text)
            if reading.value
            else None,
            "code": concept(*(observable.codes if pleural else observable.codes[:1])),
            "subject": making.subject(),
            "encounter": reading.encounter
            and making.references.logical(
                "Encounter", making.site.systems.encounter, reading.encounter
            ),
            "performedDateTime": moment(reading.time),
            "performer": [
                {
                    "actor": making.references.logical(
                        "Practitioner", making.site.systems.performer, reading.performer
                    )
                }
            ]
            if reading.performer
            else None,
            "reasonCode": [{"text": str(indication)}] if indication is not None else None,
            "note": notes(reading.note),
            "focalDevice": [
                {"manipulated": making.device(drain)}
                for drain in (making.drain, tube)
                if drain is not None
            ],
        }
    )


def _status_extension(making: Making, reading: Reading) -> list[dict[str, Any]]:
    """Return the reading's own status where the resource's status cannot say it."""
    if reading.status in ("final", WITHDRAWN):
        return []
    return [extension(making, READING_STATUS, valueCode=reading.status)]
