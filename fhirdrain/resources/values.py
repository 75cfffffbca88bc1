"""The small parts that resources are made of: times, quantities, concepts."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal
from functools import lru_cache
from typing import Any

from fhirdrain.bedside.places import Place
from fhirdrain.bedside.reading import Part
from fhirdrain.vocabulary.codes import BODY_SITES, Coding, local
from fhirdrain.vocabulary.observables import WORD_CODINGS, Component
from fhirdrain.vocabulary.units import UCUM

# Elements R4 has no place for; each is an extension on the resource.
RECORDED = "recorded"
READING_STATUS = "reading-status"
ORDERED_DRAIN = "ordered-drain"
CHARTED_QUANTITY = "charted-quantity"


def moment(time: datetime) -> str:
    """Return a FHIR dateTime or instant, with seconds and offset."""
    return time.isoformat(timespec="auto")


def quantity(value: Decimal, unit: str) -> dict[str, Any]:
    """Return a UCUM Quantity with the value's own digits."""
    return {"value": value, "unit": unit, "system": UCUM, "code": unit}


# The same few concepts stand in millions of resources; nobody changes one that was made.
@lru_cache(maxsize=4096)
def concept(*codings: Coding, text: str | None = None) -> dict[str, Any]:
    """Return a CodeableConcept."""
    result: dict[str, Any] = {"coding": [coding.to_fhir() for coding in codings]}
    if text is not None:
        result["text"] = text
    return result


@lru_cache(maxsize=4096)
def word(observable: str, value: str, text: str | None = None) -> dict[str, Any]:
    """Return the concept of one of our words, with the nearest verified code of another body."""
    nearest = WORD_CODINGS.get((observable, value))
    return concept(local(value), *([nearest] if nearest else []), text=text)


def component_value(component: Component, part: Part) -> dict[str, Any]:
    """Return the value[x] of a component."""
    if component.kind == "words":
        return {"valueCodeableConcept": concept(local(str(part)))}
    if component.kind == "quantity":
        return {"valueQuantity": quantity(Decimal(part), component.units[0])}
    if component.kind == "integer":
        return {"valueInteger": int(part)}
    return {"valueString": str(part)}


@lru_cache(maxsize=1024)
def body_site(place: Place, *, whole: bool) -> dict[str, Any] | None:
    """Return one body site, or None when it is not known.

    `whole` keeps what is partly known in our own code (`right-unknown`); otherwise only a site
    that is fully known is given, so that a bodySite never claims more than it knows.
    """
    standard = BODY_SITES.get((place.side, place.space))
    known = place.space != "unknown" and (place.space != "pleural" or place.side != "unknown")
    partly = place.position is not None or (place.side, place.space) != ("unknown", "unknown")
    if not known and not (whole and partly):
        return None
    ours = local(f"{place.side}-{place.space}")
    return concept(*([standard] if standard else []), ours, text=place.position)


def notes(text: str | None) -> list[dict[str, str]] | None:
    """Return the note element for a remark."""
    return [{"text": text}] if text else None


def without_none(resource: dict[str, Any]) -> dict[str, Any]:
    """Return the resource without the elements that have no value."""
    return {key: value for key, value in resource.items() if value not in (None, [], {})}
