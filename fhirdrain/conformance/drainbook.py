"""The observations and orders of drains in a bundle, with plain numbers, and how they refer."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from typing import Any

from fhirdrain.conformance.walk import At, Node, Run, codings_of
from fhirdrain.vocabulary.codes import BODY_SITES, LOCAL
from fhirdrain.vocabulary.localcodes import LOCAL_CODES
from fhirdrain.vocabulary.observables import by_code
from fhirdrain.vocabulary.units import UCUM, UNITS, Unit, UnitError, convert, unit_of

Json = dict[str, Any]
# What names a thing: the system and value of an identifier, or None and a reference; for a drain
# that of its patient as well, since a ward may well call two patients' drains alike.
Key = tuple[str | None, ...]

_BY_CODE = by_code()
_ORDERED_DRAIN = "/ordered-drain"
_OPENING_LEVEL = "/opening-level"
WITHDRAWN = ("entered-in-error", "cancelled", "revoked", "draft")
_SIDES = {
    (site.system, site.code): side
    for (side, _), site in BODY_SITES.items()
    if side in ("left", "right")
} | {
    (LOCAL, code): code.partition("-")[0]
    for code in LOCAL_CODES
    if code.startswith(("left-", "right-"))
}


@dataclass(frozen=True, slots=True)
class Bounds:
    """What a site decides of comparing: how near two equal amounts may be one, charted twice, by
    how much (cm[H2O]) suction may be other than ordered, to how many digits numbers are rounded.
    """

    double_within: timedelta = timedelta(minutes=10)
    suction_tolerance: Decimal = Decimal(0)
    significant_digits: int = 6


USUAL = Bounds()


@dataclass(slots=True)
class Seen:
    """An Observation of a drain: times are aware, numbers in mL or cm[H2O]; None where not known.

    `drain` is whose it is, None where that is not said. `number` is its value, `word` its word of
    ours, `parts` the numbers and words of its components.
    """

    at: At
    resource: Json
    name: str
    drain: Key | None
    patient: Key | None
    start: datetime | None
    end: datetime | None
    number: Decimal | None
    word: str
    parts: dict[str, Any] = field(default_factory=dict)

    @property
    def place(self) -> At:
        """Return the place of its value."""
        return (self.at, "valueQuantity", "value") if "valueQuantity" in self.resource else self.at

    @property
    def stands(self) -> bool:
        """Tell whether it was not withdrawn."""
        return self.resource.get("status") not in WITHDRAWN

    @property
    def done(self) -> bool:
        """Tell whether it says what was seen or done, and not that it was not."""
        return self.stands and "dataAbsentReason" not in self.resource

    @property
    def rests_on(self) -> list[Any]:
        """Return the references to what it was derived from."""
        found = self.resource.get("derivedFrom")
        return found if isinstance(found, list) else []


@dataclass(frozen=True, slots=True)
class OrderOf:
    """An order of suction, in cm[H2O], from `start` to `end` if that is stated."""

    drain: Key
    start: datetime
    end: datetime | None
    number: Decimal | None


class Book:
    """The observations and orders of a bundle, and how references lead to them."""

    def __init__(self, run: Run, bounds: Bounds) -> None:
        self.run = run
        self.bounds = bounds
        self.seen: list[Seen] = []
        self.orders: list[OrderOf] = []
        self._by_id: dict[int, Seen] = {}
        self._by_name: dict[Key, Seen] = {}
        self.used: list[tuple[At, Key, str]] = []
        self.opened: dict[tuple[Key, datetime], set[Decimal]] = {}
        self._by_drain: dict[Key, list[Seen]] | None = None

    def enter(self, node: Node) -> None:
        """Take up a resource, if it is of a drain."""
        resource = node.value
        kind = resource.get("resourceType")
        if kind == "Observation":
            names = {_BY_CODE[c].name for c in codings_of(resource.get("code")) if c in _BY_CODE}
            if len(names) == 1:
                seen = self._observation(node, names.pop())
                self.seen.append(seen)
                self._by_id[id(resource)] = seen
                for identifier in _identifiers(resource):
                    self._by_name[_name(identifier)] = seen
        elif kind == "ServiceRequest" and resource.get("status") not in WITHDRAWN:
            self._order(resource)
        elif kind == "DeviceRequest" and resource.get("status") not in WITHDRAWN:
            self._order_of_device(resource)
        elif kind == "Procedure" and resource.get("status") not in WITHDRAWN:
            self._placing(resource)
        elif kind == "DeviceUseStatement":
            drain = self._drain(resource.get("device"), resource)
            side = side_of(resource)
            if drain is not None and side and resource.get("status") not in WITHDRAWN:
                self.used.append((node.at, drain, side))

    def _observation(self, node: Node, name: str) -> Seen:
        resource = node.value
        period = resource.get("effectivePeriod")
        period = period if isinstance(period, dict) else {}
        seen = Seen(
            node.at,
            resource,
            name,
            self._drain(resource.get("device"), resource),
            self._whose(resource.get("subject"), resource),
            _time(period.get("start")),
            _time(period.get("end") or resource.get("effectiveDateTime")),
            number_of(resource.get("valueQuantity")),
            _word(resource.get("valueCodeableConcept")),
        )
        for part in node.items("component"):
            for system, code in codings_of(part.value.get("code")):
                if system == LOCAL:
                    number = part.value.get(
                        "valueInteger", number_of(part.value.get("valueQuantity"))
                    )
                    word = _word(part.value.get("valueCodeableConcept"))
                    seen.parts[code] = number if number is not None else word
        return seen

    def _order(self, resource: Json) -> None:
        period = resource.get("occurrencePeriod")
        period = period if isinstance(period, dict) else {}
        start, extensions = _time(period.get("start")), resource.get("extension")
        for extension in extensions if isinstance(extensions, list) else ():
            if not isinstance(extension, dict) or start is None:
                continue
            if str(extension.get("url", "")).endswith(_ORDERED_DRAIN):
                drain = self._drain(extension.get("valueReference"), resource)
                if drain is not None:
                    number = number_of(resource.get("quantityQuantity"))
                    end = _time(period.get("end"))
                    self.orders.append(OrderOf(drain, start, end, number))

    def _order_of_device(self, resource: Json) -> None:
        """Note an order that a destination takes as a DeviceRequest of the drain."""
        period = resource.get("occurrencePeriod")
        period = period if isinstance(period, dict) else {}
        drain, start = (
            self._drain(resource.get("codeReference"), resource),
            _time(period.get("start")),
        )
        if drain is None or start is None:
            return
        parameters = resource.get("parameter")
        numbers = [
            number_of(parameter.get("valueQuantity"))
            for parameter in (parameters if isinstance(parameters, list) else [])
            if isinstance(parameter, dict)
        ]
        number = next((n for n in numbers if n is not None), None)
        self.orders.append(OrderOf(drain, start, _time(period.get("end")), number))

    def _placing(self, resource: Json) -> None:
        """Note at which level a drain's first unit was opened, where its placing says it."""
        when, devices = _time(resource.get("performedDateTime")), resource.get("focalDevice")
        if when is None or not isinstance(devices, list) or not devices:
            return
        if not isinstance(devices[0], dict):
            return
        drain = self._drain(devices[0].get("manipulated"), resource)
        extensions = resource.get("extension")
        for extension in extensions if isinstance(extensions, list) else ():
            url = extension.get("url") if isinstance(extension, dict) else None
            level = number_of(extension.get("valueQuantity")) if isinstance(url, str) else None
            if drain is not None and level is not None and str(url).endswith(_OPENING_LEVEL):
                self.opened.setdefault((drain, when), set()).add(level)

    def _drain(self, reference: Any, holder: Json) -> Key | None:
        """Return which drain of which patient a resource names, as far as it says so."""
        drain = self._whose(reference, holder)
        patient = self._whose(holder.get("subject"), holder)
        return None if drain is None else (*drain, *(patient or ()))

    def _whose(self, reference: Any, holder: Json) -> Key | None:
        """Return what a reference names: by its identifier, by that of its target, by itself."""
        if not isinstance(reference, dict):
            return None
        text = reference.get("reference")
        target = self.run.index.resolve(text, holder) if isinstance(text, str) else None
        for identifier in (reference.get("identifier"), *_identifiers(target)):
            if isinstance(identifier, dict) and isinstance(identifier.get("value"), str):
                return str(identifier.get("system", "")), identifier["value"]
        return (None, text) if isinstance(text, str) else None

    def slack(self, parts: Iterable[Seen]) -> Fraction:
        """Return by how much a sum of parts may be off: those that were derived are rounded."""
        off = Fraction(0)
        for part in parts:
            if part.rests_on and part.number:
                place = part.number.adjusted() - self.bounds.significant_digits + 1
                coarse = Fraction(10) ** place
                off += coarse / 2 if not Fraction(part.number) % coarse else 0
        return off

    def equal(
        self, exact: Decimal | Fraction, stated: Decimal, slack: Fraction = Fraction(0)
    ) -> bool:
        """Tell whether a number is another one, rounded to as many digits as it has.

        1230 may be 1234, rounded to three digits, where a site rounds to so few. `slack` is by how
        much what it was worked out from may be off.
        """
        exact = Fraction(exact)
        exponent = stated.as_tuple().exponent
        assert isinstance(exponent, int)
        step = Fraction(10) ** exponent
        if exact:
            coarse = Fraction(10) ** (stated.adjusted() - self.bounds.significant_digits + 1)
            if not Fraction(stated) % coarse:
                step = max(step, coarse)
        return abs(exact - Fraction(stated)) <= step / 2 + slack

    def changes(self, drain: Key | None, start: Seen, end: Seen) -> list[Seen]:
        """Return the changes of a drain's unit that lie between two readings of it."""
        if drain is None or start.end is None or end.end is None:
            return []
        return [
            seen
            for seen in self.by_drain().get(drain, ())
            if seen.name == "unit-change" and seen.done
            if seen.end is not None and start.end <= seen.end <= end.end
        ]

    def named_order(self, seen: Seen) -> Decimal | None:
        """Return the suction that the order says which an observation names itself."""
        named = seen.resource.get("basedOn")
        for reference in named if isinstance(named, list) else ():
            text = reference.get("reference") if isinstance(reference, dict) else None
            target = self.run.index.resolve(text, seen.resource) if isinstance(text, str) else None
            if isinstance(target, dict) and target.get("status") not in WITHDRAWN:
                return number_of(target.get("quantityQuantity"))
        return None

    def sources(self, seen: Seen) -> tuple[list[Seen], bool]:
        """Return what an observation rests on of drains, and whether some of it is not at hand.

        What is at hand and not of a drain (a weight, say) is left out.
        """
        known = []
        rest = False
        for reference in seen.rests_on:
            source = self.leads_to(reference, seen.resource)
            if source is not None:
                known.append(source)
            else:
                text = reference.get("reference") if isinstance(reference, dict) else None
                at_hand = isinstance(text, str) and self.run.index.resolve(text, seen.resource)
                rest = rest or not at_hand
        return known, rest

    def leads_to(self, reference: Any, holder: Json) -> Seen | None:
        """Return the observation of a drain that a reference leads to."""
        if not isinstance(reference, dict):
            return None
        text = reference.get("reference")
        if isinstance(text, str):
            return self._by_id.get(id(self.run.index.resolve(text, holder)))
        return self._by_name.get(_name(reference.get("identifier")))

    def by_drain(self) -> dict[Key, list[Seen]]:
        """Return what stands of each drain that is named."""
        if self._by_drain is None:
            self._by_drain = {}
            for seen in self.seen:
                if seen.drain is not None and seen.stands:
                    self._by_drain.setdefault(seen.drain, []).append(seen)
        return self._by_drain


def _name(identifier: Any) -> Key:
    """Return what an identifier names; nothing has the empty name."""
    if not isinstance(identifier, dict) or not isinstance(identifier.get("value"), str):
        return ()
    return str(identifier.get("system", "")), identifier["value"]


def _identifiers(target: Any) -> list[Any]:
    found = target.get("identifier") if isinstance(target, dict) else None
    return found if isinstance(found, list) else []


def _time(text: Any) -> datetime | None:
    """Return an instant; None for a date alone, which names none, and for what is no time."""
    if not isinstance(text, str) or "T" not in text:
        return None
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return None
    return moment if moment.utcoffset() is not None else None


_COMPARED_IN = {
    "volume": "mL",
    "pressure": "cm[H2O]",
    "weight": "kg",
    "share": "%",
    "rate by weight": "mL/kg/h",
}


def number_of(quantity: Any) -> Decimal | None:
    """Return a number in the unit its kind is compared in; None without one, or an exact number."""
    if not isinstance(quantity, dict) or "comparator" in quantity:
        return None
    value, code = quantity.get("value"), quantity.get("code")
    if isinstance(value, bool) or not isinstance(value, int | Decimal):
        return None
    if quantity.get("system") != UCUM or not isinstance(code, str):
        return None
    try:
        unit, _ = unit_of(code)
        wanted = _COMPARED_IN.get(unit.kind)
        return _as_exact(Decimal(value), unit, UNITS[wanted]) if wanted else None
    except UnitError:
        return None


def _as_exact(value: Decimal, unit: Unit, wanted: Unit) -> Decimal:
    """Return a number in another unit; 0.14 L become 1.4E+2 mL, no more exact than they were."""
    for power in range(-9, 10):
        if unit.factor == wanted.factor * Fraction(10) ** power:
            return value.scaleb(power)
    return convert(value, unit.code, wanted.code, 28)


def plain_text(number: Decimal) -> str:
    """Return a number without an exponent."""
    return f"{number:f}"


def _word(concept: Any) -> str:
    return next((code for system, code in codings_of(concept) if system == LOCAL), "")


def side_of(resource: Json) -> str:
    """Return the side that a body site is on, empty where it is not just one."""
    found = {_SIDES[c] for c in codings_of(resource.get("bodySite")) if c in _SIDES}
    return found.pop() if len(found) == 1 else ""


def when(seen: Seen) -> tuple[bool, float]:
    """Order observations by time, those without one last."""
    return seen.end is None, seen.end.timestamp() if seen.end else 0.0


def same_unit(one: Seen, other: Seen) -> bool:
    """Tell whether two levels may be of one unit, by its number."""
    numbers = one.parts.get("unit-number"), other.parts.get("unit-number")
    return None in numbers or numbers[0] == numbers[1]


def closing_of(step: Seen) -> Decimal | None:
    """Return the level at which a unit stood when this was seen."""
    level = step.parts.get("closing-level") if step.name == "unit-change" else step.number
    return level if isinstance(level, Decimal) else None


def opening_of(step: Seen) -> Decimal | None:
    """Return the level from which a unit rose after this was seen."""
    level = step.number if step.name == "level" else step.parts.get("opening-level")
    return level if isinstance(level, Decimal) else None


def is_total(seen: Seen, book: Book) -> bool:
    """Tell whether an output sums others up, as a destination may want it coded."""
    return any(source.name == "output" for source in book.sources(seen)[0])
