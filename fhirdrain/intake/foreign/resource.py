"""One resource of another site to records, kind by kind.

Releases R4, R4B and R5 say an Observation's code, value, times, status and components alike; what
only one of them has is told as lost.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

from fhirdrain.intake.foreign.elements import (
    DONE,
    Handled,
    Json,
    PassedOver,
    codings,
    identifiers,
    item_of,
)
from fhirdrain.intake.foreign.values import RATE_HOURS, Values
from fhirdrain.intake.foreign.whose import Others
from fhirdrain.intake.item import SourceItem
from fhirdrain.intake.record import Cell, Record, Refused
from fhirdrain.site import Item, Site, Source
from fhirdrain.vocabulary.codes import DRAIN_INSERTION, DRAIN_REMOVAL, LOCAL, SUCTION_DRAINAGE
from fhirdrain.vocabulary.observables import CALCULATED

# Magnitude and mode stand in one resource of these kinds.
ORDERS = ("ServiceRequest", "DeviceRequest")
READ = ("Observation", "Procedure", "ServiceRequest", "DeviceRequest", "DeviceUseStatement")

_ACTS = {
    (LOCAL, "placed"): "placed",
    (LOCAL, "removed"): "removed",
    (LOCAL, "joined"): "joined",
    (LOCAL, "parted"): "parted",
    (DRAIN_INSERTION.system, DRAIN_INSERTION.code): "placed",
    (DRAIN_REMOVAL.system, DRAIN_REMOVAL.code): "removed",
}


@dataclass(slots=True)
class Said:
    """One thing that a resource says.

    `record` is what intake reads, `meant` what its item means where the site file has none of it,
    `original` and `text` are the number and the words as the other site had them.
    """

    record: Record
    meant: Item | None
    part: str = ""
    original: tuple[Decimal, str] | None = None
    text: str | None = None


def read_resource(
    resource: Json, url: str, source: Source, site: Site, others: Others
) -> tuple[list[Said], list[Handled], tuple[tuple[str, str], ...]]:
    """Return what a resource says, what became of its elements, and the names it has elsewhere.

    `url` is its full URL, empty where it has none. Raises `PassedOver` for what is no reading and
    `Refused` for what cannot be understood.
    """
    reader = _Resource(resource, url, source, site, others)
    for element in ("modifierExtension", "implicitRules"):
        if element in resource:
            raise Refused(
                "modifier",
                "something that changes its meaning, and is not understood here",
                column=element,
                hint="FHIR forbids to read it as if it were not there",
            )
    said = getattr(reader, f"_{resource['resourceType'].lower()}")()
    return said, reader.account(), reader.names


class _Resource(Values):
    """Reads a resource of one of the kinds that are read."""

    def _observation(self) -> list[Said]:
        resource = self.resource
        concept = resource.get("code", {})
        codes = codings(concept)
        if _is_calculated(resource):
            raise PassedOver("worked out elsewhere from readings: it is worked out here again")
        key, meant = self._item(concept, "code")
        components = list(enumerate(resource.get("component", ())))
        of_their_own = self._items_among(components, meant)
        valued = any(name.startswith("value") for name in resource)
        silent = not valued and "dataAbsentReason" not in resource
        if silent and "hasMember" in resource:
            raise PassedOver("it holds others together, and says nothing itself")
        whole = meant is not None or not (silent and of_their_own)
        shared = self._shared(meant)
        shared |= self._times(concept, meant)
        parts, original = self._parts(components, meant, of_their_own)
        found = []
        if whole:
            found.append(
                self._one(resource, key, meant, codes, shared, parts, original, "value", "")
            )
        else:
            self.note("code", "lost", "its components are read each by itself")
        for index, component in components:
            if index in of_their_own:
                own_key, own = of_their_own[index]
                where = f"component[{index}]"
                found.append(
                    self._one(
                        component,
                        own_key,
                        own,
                        codings(component.get("code", {})),
                        shared,
                        {},
                        None,
                        f"{where}.value",
                        where,
                    )
                )
        return found

    def _one(
        self,
        holder: Json,
        key: str,
        meant: Item | None,
        codes: Sequence[tuple[str, str]],
        shared: Mapping[str, Cell],
        parts: Mapping[str, Cell],
        original: tuple[Decimal, str] | None,
        where: str,
        part: str,
    ) -> Said:
        """Return what one value says, of the resource or of a component of it."""
        cells = {**shared, "item": Cell("code", key)}
        absent = None
        if "dataAbsentReason" in holder:
            absent = self._absent(holder["dataAbsentReason"], f"{part}." if part else "")
        text, converted = None, None
        if "valueQuantity" in holder:
            quantity = self._quantity(holder["valueQuantity"], f"{where}Quantity")
            meant, quantity, converted = self._as_amount(meant, codes, quantity, cells, where)
            original = converted or original
            cells["value"] = Cell(f"{where}Quantity", quantity[0], exact=True)
            cells["unit"] = Cell(f"{where}Quantity", quantity[1])
            self._note_rate_or_unit(where, holder["valueQuantity"], quantity[1], converted)
        elif "valueCodeableConcept" in holder:
            word, text, how = self._word(holder["valueCodeableConcept"], meant)
            cells["value"] = Cell(f"{where}CodeableConcept", word)
            self.note(f"{where}CodeableConcept", "changed" if how else "carried", how)
        elif absent is None or meant is None:
            name, value = next(
                ((n, v) for n, v in holder.items() if n.startswith("value")), ("value", None)
            )
            cells["value"] = self._plain(name, value, where)
        else:
            cells["value"] = Cell(where, "")
        if meant is not None and meant.number == "output-rate":
            meant = item_of(meant.code, "output", True)  # a rate without a number
        if converted is not None:
            codes = [code for code in codes if code not in RATE_HOURS]
        shared_codes = tuple(
            code
            for code in codes
            if code[0] not in ("", LOCAL) and "|".join(code) not in self.source.items
        )
        if not part:
            self._note_codes(codes, key)
        record = Record(
            cells,
            parts,
            [self._mark(name, values) for name, values in self.source.set_aside],
            absent=absent,
            test=_is_test(self.resource),
            codes=shared_codes,
        )
        return Said(record, meant, part, original, text)

    def _procedure(self) -> list[Said]:
        resource = self.resource
        key, meant = self._item(resource.get("code", {}), "code", _ACTS)
        devices = [d.get("manipulated", {}) for d in resource.get("focalDevice", ())]
        shared = self._shared(meant, devices[0] if devices else {}, "focalDevice")
        shared |= self._moment("performedDateTime", "performedPeriod")
        parts: dict[str, Cell] = {}
        for part, name in (("opening-level", "opening-level"), ("size", "tube-size")):
            stated = self._extension(name)
            if stated is not None:
                number, unit = self._quantity(stated["valueQuantity"], f"extension:{name}")
                parts[part] = Cell(f"extension:{name}", f"{number} {unit}")
        reasons = [r.get("text") for r in resource.get("reasonCode", ()) if r.get("text")]
        if reasons:
            parts["indication"] = Cell("reasonCode", str(reasons[0]))
            self.note("reasonCode", "carried" if len(reasons) == 1 else "changed", "the first")
        if len(devices) > 1:
            parts["tube"] = Cell("focalDevice[1]", self._drain_named(devices[1]))
        word, text, how = DONE, None, ""
        if "category" in resource:
            word, text, how = self._word(resource["category"], meant)
            self.note("category", "changed" if how else "carried", how)
        elif meant is not None and meant.observables in (("joined",), ("parted",), ("placed",)):
            word = ""
        recorded = self._extension("recorded")
        if recorded is not None:
            shared["recorded"] = Cell("extension:recorded", str(recorded["valueDateTime"]))
        actors = [p.get("actor", {}) for p in resource.get("performer", ())]
        shared["performer"] = self._performer(actors)
        cells = {**shared, "item": Cell("code", key), "value": Cell("category", word)}
        if word == "" and not parts:
            # A placing of which nothing more is said is said all the same.
            cells["value"] = Cell("code", DONE)
        self.note("code", "carried")
        return [Said(Record(cells, parts, self._marks()), meant, text=text)]

    def _servicerequest(self) -> list[Said]:
        return self._order(self.resource.get("code", {}), "quantityQuantity")

    def _devicerequest(self) -> list[Said]:
        return self._order(self.resource.get("codeCodeableConcept", {}), "")

    def _order(self, concept: Json, quantity_in: str) -> list[Said]:
        """Return magnitude and mode of an order."""
        resource = self.resource
        suction = (SUCTION_DRAINAGE.system, SUCTION_DRAINAGE.code)
        key, meant = self._item(concept, "code", {suction: "suction-ordered"})
        if meant is None and self.kind == "DeviceRequest" and _parameters(resource):
            key, meant = "|".join(suction), self._known("suction-ordered", "|".join(suction))
        reference = self._extension("ordered-drain")
        device = reference["valueReference"] if reference else resource.get("codeReference", {})
        shared = self._shared(meant, device, "extension[0]" if reference else "codeReference")
        period = resource.get("occurrencePeriod", {})
        start = period.get("start") or resource.get("occurrenceDateTime", "")
        shared["time"] = Cell("occurrencePeriod.start", str(start))
        shared["end"] = Cell("occurrencePeriod.end", str(period.get("end", "")))
        shared["recorded"] = Cell("authoredOn", str(resource.get("authoredOn", "")))
        self.note("occurrencePeriod", "carried")
        self.note("authoredOn", "carried")
        requester = resource.get("requester")
        shared["performer"] = self._performer([requester] if requester else [], "requester")
        stated = self._extension("reading-status")
        status = "entered-in-error" if resource.get("status") == "entered-in-error" else ""
        if not status and resource.get("status") not in ("active", "completed", "revoked"):
            raise Refused("status", "an order that is not in force", column="status")
        status = status or (str(stated["valueCode"]) if stated else "final")
        shared["status"] = Cell("status", status)
        self.note("status", "carried")
        charted = self._extension("charted-quantity")
        parameters = _parameters(resource)
        details = resource.get("orderDetail") or parameters["mode"]
        quantity = resource.get(quantity_in) if quantity_in else parameters["suction"]
        if "replaces" in resource or "priorRequest" in resource:
            for element in ("replaces", "priorRequest"):
                if element in resource:
                    self.note(element, "changed", "a new order replaces the one in force")
        self.note("code", "carried")
        self.note("intent", "carried" if resource.get("intent") == "order" else "lost")
        found = []
        if details:
            mode = meant
            if meant is None or "mode-ordered" not in meant.observables:
                mode = self._known("mode-ordered", key)
            word, text, how = self._word(details[0], mode)
            cells = {**shared, "item": Cell("code", key), "value": Cell("orderDetail", word)}
            self.note("orderDetail", "changed" if how else "carried", how)
            found.append(Said(Record(cells, {}, self._marks()), mode, "mode", text=text))
        if quantity:
            number, unit = self._quantity(quantity, quantity_in or "parameter")
            cells = {
                **shared,
                "item": Cell("code", key),
                "value": Cell(quantity_in or "parameter", number, exact=True),
                "unit": Cell(quantity_in or "parameter", unit),
            }
            self.note(quantity_in or "parameter", "carried")
            original = None
            if charted is not None:
                other = charted["valueQuantity"]
                original = (Decimal(str(other["value"])), str(other["code"]))
            found.append(
                Said(Record(cells, {}, self._marks()), meant, "suction", original=original)
            )
        if not found:
            raise Refused("value", "an order that says neither how much suction nor which mode")
        return found

    def _deviceusestatement(self) -> list[Said]:
        resource = self.resource
        device = resource.get("device", {})
        names = [value for _, value in identifiers(resource)]
        if names and names[0] == device.get("identifier", {}).get("value"):
            raise PassedOver("about the drain as a whole, which the site file tells of")
        place = resource.get("bodySite")
        if not place:
            raise PassedOver("it does not say where the drain lies")
        key = f"{LOCAL}|drain-site"
        meant = self.source.items.get(key) or self._known("drain-site", key)
        shared = self._shared(meant, device, "device")
        start = resource.get("timingPeriod", {}).get("start") or resource.get("timingDateTime", "")
        shared["time"] = Cell("timingPeriod.start", str(start))
        shared["recorded"] = Cell("recordedOn", str(resource.get("recordedOn", "")))
        stated = self._extension("reading-status")
        if resource.get("status") != "entered-in-error":
            status = str(stated["valueCode"]) if stated else "final"
            shared["status"] = Cell("status", status)
        said_by = resource.get("source")
        shared["performer"] = self._performer([said_by] if said_by else [], "source")
        side, space = self._place(place) or ("unknown", "unknown")
        parts = {"side": Cell("bodySite", side), "space": Cell("bodySite", space)}
        if "text" in place:
            parts["position"] = Cell("bodySite.text", str(place["text"]))
        for element in ("timingPeriod", "recordedOn", "bodySite"):
            self.note(element, "carried")
        cells = {**shared, "item": Cell("bodySite", key), "value": Cell("bodySite", "")}
        return [Said(Record(cells, parts, self._marks()), meant)]


def finish(item: SourceItem, said: Said, names: tuple[tuple[str, str], ...]) -> None:
    """Give an item's readings the names, the number and the words that they have elsewhere."""
    changed = []
    for reading in item.readings:
        changed.append(
            replace(
                reading,
                elsewhere=names,
                original=said.original or reading.original,
                text=said.text if isinstance(reading.value, str) and said.text else reading.text,
            )
        )
    item.readings = tuple(changed)


def _parameters(resource: Json) -> dict[str, Any]:
    """Return magnitude and mode in the parameters of a DeviceRequest."""
    found: dict[str, Any] = {"suction": None, "mode": []}
    for parameter in resource.get("parameter", ()):
        if "valueQuantity" in parameter:
            found["suction"] = parameter["valueQuantity"]
        elif "valueCodeableConcept" in parameter:
            found["mode"] = [parameter["valueCodeableConcept"]]
    return found


def _is_calculated(resource: Json) -> bool:
    return (LOCAL, CALCULATED.code) in codings(resource.get("method", {}))


def _is_test(resource: Json) -> bool:
    security = resource.get("meta", {}).get("security", ())
    return any(label.get("code") == "HTEST" for label in security)
