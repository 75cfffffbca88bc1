"""Orders as ServiceRequests."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from fhirdrain.bedside.orders import Order
from fhirdrain.bedside.reading import WITHDRAWN
from fhirdrain.resources.device import extension
from fhirdrain.resources.drain import Making
from fhirdrain.resources.values import (
    CHARTED_QUANTITY,
    ORDERED_DRAIN,
    READING_STATUS,
    concept,
    moment,
    notes,
    quantity,
    without_none,
    word,
)
from fhirdrain.vocabulary.codes import SUCTION_DRAINAGE


def request_of(making: Making, order: Order) -> dict[str, Any]:
    """Return the ServiceRequest of an order: magnitude, mode, since when, by whom, written when."""
    first = order.readings[0]
    by_name = {reading.observable: reading for reading in order.readings}
    magnitude, mode = by_name.get("suction-ordered"), by_name.get("mode-ordered")
    extensions = [extension(making, ORDERED_DRAIN, valueReference=making.device())]
    if first.status not in ("final", WITHDRAWN):
        extensions.append(extension(making, READING_STATUS, valueCode=first.status))
    if magnitude is not None and magnitude.original is not None:
        charted = quantity(*magnitude.original)
        extensions.append(extension(making, CHARTED_QUANTITY, valueQuantity=charted))
    if not any(reading.counts for reading in order.readings):
        status = WITHDRAWN
    else:
        removed = making.drain.ledger.removed if making.drain.ledger is not None else None
        over = order.replaced or (removed is not None and order.start <= removed)
        status = "completed" if over else "active"
    system = making.order_system
    return without_none(
        {
            "resourceType": "ServiceRequest",
            "meta": making.meta("suction-order", first.source),
            "extension": extensions,
            "identifier": making.names(first, system, order.identity),
            "replaces": [
                making.references.to("ServiceRequest", system, other) for other in order.replaces
            ],
            "status": status,
            "intent": "order",
            "code": concept(SUCTION_DRAINAGE),
            "orderDetail": [word("mode-ordered", str(mode.value), mode.text)] if mode else None,
            "quantityQuantity": quantity(magnitude.value, "cm[H2O]")
            if magnitude is not None and isinstance(magnitude.value, Decimal)
            else None,
            "subject": making.subject(),
            "encounter": first.encounter
            and making.references.logical(
                "Encounter", making.site.systems.encounter, first.encounter
            ),
            "occurrencePeriod": without_none(
                {"start": moment(order.start), "end": order.end and moment(order.end)}
            ),
            "authoredOn": first.recorded and moment(first.recorded),
            "requester": first.performer
            and making.references.logical(
                "Practitioner", making.site.systems.performer, first.performer
            ),
            "note": notes(first.note),
        }
    )
