"""What a drain obeys from one observation to the next: a second opinion on the ledger.

It reads a bundle as it stands, ours or foreign, and does its own plain arithmetic: it shares
nothing with `bedside`. What a bedside can truly chart (a level that falls, a suction that is not as
ordered) is a warning; only a derived number that is not what it was derived from is an error. What
belongs to no drain that is named is said so, and not compared.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise
from typing import Any

from fhirdrain.conformance.walk import At, Node, Run, codings_of, root
from fhirdrain.vocabulary.codes import BODY_SITES, LOCAL, LOINC, SNOMED
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
_WITHDRAWN = ("entered-in-error", "cancelled", "revoked", "draft")
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
class _Seen:
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
        return self.resource.get("status") not in _WITHDRAWN

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
class _Order:
    """An order of suction, in cm[H2O], from `start` to `end` if that is stated."""

    drain: Key
    start: datetime
    end: datetime | None
    number: Decimal | None


def check(bundle: Any, run: Run, bounds: Bounds) -> None:
    """Hold the observations of drains in a bundle against each other."""
    if not isinstance(bundle, dict) or bundle.get("resourceType") != "Bundle":
        return
    book = _Book(run, bounds)
    for entry in Node(bundle, root("Bundle"), "Bundle").items("entry"):
        for resource in entry.objects("resource"):
            book.enter(resource)
    for group in book.by_drain().values():
        group.sort(key=_when)
        _levels(group, run)
        _overlaps(group, book, run)
        _suction(group, book.orders, bounds, run)
    _sides(book, run)
    _doubles(book, bounds, run)
    for seen in book.seen:
        _derived(seen, book, run)
    lost = [s for s in book.seen if s.drain is None and s.stands and s.name in ("output", "level")]
    if len(lost) > 1:
        run.add(
            lost[0].at,
            "not-judged",
            f"{len(lost)} levels or amounts do not say of which drain they are, and were not held"
            " against each other",
            code="not-supported",
            severity="information",
        )


def _when(seen: _Seen) -> tuple[bool, float]:
    return seen.end is None, seen.end.timestamp() if seen.end else 0.0


# -- reading --------------------------------------------------------------------------------


class _Book:
    """The observations and orders of a bundle, and how references lead to them."""

    def __init__(self, run: Run, bounds: Bounds) -> None:
        self.run = run
        self.bounds = bounds
        self.seen: list[_Seen] = []
        self.orders: list[_Order] = []
        self._by_id: dict[int, _Seen] = {}
        self.used: list[tuple[At, Key, str]] = []
        self.opened: dict[tuple[Key, datetime], set[Decimal]] = {}
        self._levels: dict[tuple[Key, datetime], set[Decimal]] | None = None
        self._by_drain: dict[Key, list[_Seen]] | None = None

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
        elif kind == "ServiceRequest" and resource.get("status") not in _WITHDRAWN:
            self._order(resource)
        elif kind == "Procedure" and resource.get("status") not in _WITHDRAWN:
            self._placing(resource)
        elif kind == "DeviceUseStatement":
            drain = self._drain(resource.get("device"), resource)
            side = _side(resource)
            if drain is not None and side and resource.get("status") not in _WITHDRAWN:
                self.used.append((node.at, drain, side))

    def _observation(self, node: Node, name: str) -> _Seen:
        resource = node.value
        period = resource.get("effectivePeriod")
        period = period if isinstance(period, dict) else {}
        seen = _Seen(
            node.at,
            resource,
            name,
            self._drain(resource.get("device"), resource),
            self._whose(resource.get("subject"), resource),
            _time(period.get("start")),
            _time(period.get("end") or resource.get("effectiveDateTime")),
            _number(resource.get("valueQuantity")),
            _word(resource.get("valueCodeableConcept")),
        )
        for part in node.items("component"):
            for system, code in codings_of(part.value.get("code")):
                if system == LOCAL:
                    number = part.value.get(
                        "valueInteger", _number(part.value.get("valueQuantity"))
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
                    number = _number(resource.get("quantityQuantity"))
                    end = _time(period.get("end"))
                    self.orders.append(_Order(drain, start, end, number))

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
            level = _number(extension.get("valueQuantity")) if isinstance(url, str) else None
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

    def equal(self, exact: Decimal | Fraction, stated: Decimal) -> bool:
        """Tell whether a number is another one, rounded to as many digits as it has.

        1230 may be 1234, rounded to three digits, where a site rounds to so few.
        """
        exact = Fraction(exact)
        exponent = stated.as_tuple().exponent
        assert isinstance(exponent, int)
        step = Fraction(10) ** exponent
        if exact:
            coarse = Fraction(10) ** (stated.adjusted() - self.bounds.significant_digits + 1)
            if not Fraction(stated) % coarse:
                step = max(step, coarse)
        return abs(exact - Fraction(stated)) <= step / 2

    def levels(self) -> dict[tuple[Key, datetime], set[Decimal]]:
        """Return the levels that stand, by drain and time."""
        if self._levels is None:
            self._levels = {}
            for seen in self.seen:
                if seen.name != "level" or not seen.stands or seen.number is None:
                    continue
                if seen.drain is not None and seen.end is not None:
                    known = self._levels.setdefault((seen.drain, seen.end), set())
                    known.add(seen.number)
        return self._levels

    def changes(self, drain: Key | None, start: _Seen, end: _Seen) -> list[_Seen]:
        """Return the changes of a drain's unit that lie between two readings of it."""
        if drain is None or start.end is None or end.end is None:
            return []
        return [
            seen
            for seen in self.by_drain().get(drain, ())
            if seen.name == "unit-change" and seen.done
            if seen.end is not None and start.end < seen.end < end.end
        ]

    def leads_to(self, reference: Any, holder: Json) -> _Seen | None:
        """Return the observation of a drain that a reference leads to."""
        text = reference.get("reference") if isinstance(reference, dict) else None
        target = self.run.index.resolve(text, holder) if isinstance(text, str) else None
        return self._by_id.get(id(target))

    def by_drain(self) -> dict[Key, list[_Seen]]:
        """Return what stands of each drain that is named."""
        if self._by_drain is None:
            self._by_drain = {}
            for seen in self.seen:
                if seen.drain is not None and seen.stands:
                    self._by_drain.setdefault(seen.drain, []).append(seen)
        return self._by_drain


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
    "rate by weight": "mL/kg/h",
}


def _number(quantity: Any) -> Decimal | None:
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


def _text(number: Decimal) -> str:
    return f"{number:f}"


def _word(concept: Any) -> str:
    return next((code for system, code in codings_of(concept) if system == LOCAL), "")


def _side(resource: Json) -> str:
    found = {_SIDES[c] for c in codings_of(resource.get("bodySite")) if c in _SIDES}
    return found.pop() if len(found) == 1 else ""


# -- one drain ------------------------------------------------------------------------------


def _levels(group: Sequence[_Seen], run: Run) -> None:
    """Report a level that is below the one before on the same unit."""
    mark: _Seen | None = None
    for instant in _instants(s for s in group if s.name in _STEPS and s.done):
        levels = sorted(
            (s for s in instant if s.name == "level" and s.number is not None), key=_height
        )
        changes = [s for s in instant if s.name != "level"]
        for change in changes:
            closing = change.parts.get("closing-level")
            if mark is not None and isinstance(closing, Decimal):
                _fall(mark, change, closing, change.at, run)
        if changes:
            mark = None  # a level of this minute may be of either unit
            continue
        for low in levels:
            if mark is not None and _same_unit(mark, low):
                _fall(mark, low, _height(low), low.place, run)
        mark = levels[-1] if levels else mark


_STEPS = ("level", "unit-change", "placed")


def _height(level: _Seen) -> Decimal:
    return level.number or Decimal(0)


def _same_unit(one: _Seen, other: _Seen) -> bool:
    numbers = one.parts.get("unit-number"), other.parts.get("unit-number")
    return None in numbers or numbers[0] == numbers[1]


def _fall(before: _Seen, after: _Seen, level: Decimal, place: At, run: Run) -> None:
    if before.number is not None and level < before.number:
        run.add(
            place,
            "level-falls",
            "the level is below the one before, and no change of unit lies between",
            code="business-rule",
            severity="warning",
            hint="a change not charted, a unit knocked over, a slip? what drained is not known",
            value=f"{_text(before.number)} then {_text(level)}",
        )


def _overlaps(group: Sequence[_Seen], book: _Book, run: Run) -> None:
    """Report amounts whose times overlap: some of it would be counted twice."""
    amounts = [
        s
        for s in group
        if s.name == "output" and s.start and s.end and not _is_total(s, book) and s.start < s.end
    ]
    amounts.sort(key=lambda s: (_instant(s.start), _instant(s.end)))
    reach: datetime | None = None
    for amount in amounts:
        if reach is not None and _instant(amount.start) < _instant(reach):
            run.add(
                (amount.at, "effectivePeriod", "effective"),
                "output-overlap",
                "the time of this amount overlaps that of another one of the same drain",
                code="business-rule",
                severity="warning",
                hint="together they count the time twice: is one of them a total?",
            )
        reach = amount.end if reach is None or _instant(amount.end) > _instant(reach) else reach


def _instant(moment: datetime | None) -> float:
    return moment.timestamp() if moment is not None else 0.0


def _is_total(seen: _Seen, book: _Book) -> bool:
    """Tell whether an output sums others up, as a destination may want it coded."""
    sources = [book.leads_to(reference, seen.resource) for reference in seen.rests_on]
    return any(source is not None and source.name == "output" for source in sources)


def _suction(group: Sequence[_Seen], orders: Sequence[_Order], bounds: Bounds, run: Run) -> None:
    """Report suction that was really on and set to other than what was ordered."""
    mode = source = ""
    for instant in _instants(group):
        for seen in instant:
            mode = seen.word or mode if seen.name == "mode" else mode
            source = seen.word or source if seen.name == "suction-source" else source
        for seen in instant:
            if seen.name != "suction-set" or seen.number is None or seen.end is None:
                continue
            ordered = _in_force([o for o in orders if o.drain == seen.drain], seen.end)
            if mode != "suction" or source != "connected-on" or ordered is None:
                continue
            if abs(ordered - seen.number) > bounds.suction_tolerance:
                run.add(
                    seen.place,
                    "suction-differs",
                    "the suction that is set is not what the order in force says",
                    code="business-rule",
                    severity="warning",
                    hint="a person compares the two at the bedside",
                    value=f"ordered {_text(ordered)}, set {_text(seen.number)}",
                )


def _instants(group: Iterable[_Seen]) -> Iterator[list[_Seen]]:
    """Yield what was seen of a drain together, in time."""
    together: list[_Seen] = []
    for seen in group:
        if seen.end is None:
            continue
        if together and together[0].end != seen.end:
            yield together
            together = []
        together.append(seen)
    if together:
        yield together


def _in_force(orders: Iterable[_Order], at: datetime) -> Decimal | None:
    """Return the magnitude of the newest order that has begun, if it still holds; None for none."""
    begun = sorted((o for o in orders if o.start <= at), key=lambda o: o.start)
    if not begun:
        return None
    newest = [o for o in begun if o.start == begun[-1].start and (o.end is None or at <= o.end)]
    numbers = {o.number for o in newest if o.number is not None}
    return numbers.pop() if len(numbers) == 1 else None


# -- several --------------------------------------------------------------------------------


def _sides(book: _Book, run: Run) -> None:
    """Report where a drain is said to be on another side than before."""
    last: dict[Key, str] = {}
    said = [(s.at, s.drain, _side(s.resource)) for s in sorted(book.seen, key=_when) if s.stands]
    for at, drain, side in [*book.used, *said]:
        if drain is None or not side:
            continue
        if last.setdefault(drain, side) != side:
            run.add(
                (at, "bodySite", "bodySite"),
                "side-changes",
                "the drain is on the other side than before",
                code="business-rule",
                severity="warning",
                hint="a side is the patient's drain's: is one of them wrong?",
            )
            last[drain] = side


def _doubles(book: _Book, bounds: Bounds, run: Run) -> None:
    """Report amounts that may be one amount, charted twice."""
    amounts = [
        s
        for s in book.seen
        if s.name == "output" and s.number and s.end and s.stands and not s.rests_on
    ]
    amounts.sort(key=lambda s: _instant(s.end))
    alike: dict[tuple[Key, Decimal], list[_Seen]] = {}
    for seen in amounts:
        if seen.patient is not None and seen.drain is not None and seen.number is not None:
            alike.setdefault((seen.patient, seen.number), []).append(seen)
    for group in alike.values():
        # Of those of one item and one time only one need be looked at.
        near: dict[tuple[Key | None, frozenset[Key], datetime | None], _Seen] = {}
        for second in group:
            since = _instant(second.end) - bounds.double_within.total_seconds()
            near = {key: seen for key, seen in near.items() if _instant(seen.end) >= since}
            if any(_may_be_one(first, second) for first in near.values()):
                run.add(
                    second.place,
                    "double-charted",
                    "the same amount stands a few minutes before: one amount charted twice?",
                    code="business-rule",
                    severity="warning",
                    hint="both count until a person withdraws one",
                )
            near[second.drain, _item(second), second.end] = second


def _may_be_one(first: _Seen, second: _Seen) -> bool:
    """Tell whether equal amounts may be one: under two items of a drain, or on two drains.

    At one time two drains are simply read together.
    """
    if first.drain == second.drain:
        return _item(first) != _item(second)
    return first.end != second.end


def _item(seen: _Seen) -> frozenset[tuple[str, str]]:
    """Return the codes of the source itself."""
    codings = codings_of(seen.resource.get("code"))
    return frozenset(c for c in codings if c[0] not in (LOCAL, LOINC, SNOMED))


# -- derived numbers ------------------------------------------------------------------------


def _derived(seen: _Seen, book: _Book, run: Run) -> None:
    """Report a derived number that is not what it was derived from."""
    if not seen.stands or not seen.rests_on or seen.name not in _ARITHMETIC:
        return
    sources = [book.leads_to(reference, seen.resource) for reference in seen.rests_on]
    known = [source for source in sources if source is not None]
    if len(known) < len(sources):
        return  # the rest is not in this bundle, which `references` speaks of
    for index, source in enumerate(known):
        if not source.stands:
            run.add(
                ((seen.at, "derivedFrom", "derivedFrom"), index, ""),
                "rests-on-withdrawn",
                "it was derived from a reading that was withdrawn",
                code="business-rule",
                hint="work it out again from what stands",
            )
            return
    others = [s for s in known if _are_two(s.drain, seen.drain)]
    if (
        others
        or len({id(source) for source in known}) < len(known)
        or any(s is seen for s in known)
    ):
        what = "what it was derived from is of another drain, or is named twice"
        if seen.name == "output":
            run.add(seen.place, "output-differs", what, code="business-rule")
        elif seen.name == "output-total":
            run.add(seen.place, "total-differs", what, code="business-rule")
        else:
            run.add(seen.place, "rate-differs", what, code="business-rule")
        return
    _ARITHMETIC[seen.name](seen, known, book)


def _are_two(one: Key | None, other: Key | None) -> bool:
    """Tell whether two drains are surely not one: by device or patient, named in the same way."""
    if one is None or other is None:
        return False
    named = ((one[:2], other[:2]), (one[2:], other[2:]))
    return any(a and b and (a[0] is None) == (b[0] is None) and a != b for a, b in named)


def _first_opening(seen: _Seen, closing: Decimal, book: _Book) -> Decimal | None:
    """Return the level at which the first unit was opened, where only its first mark is named.

    Of a unit that began empty nothing but the mark is at hand; None where neither is known, or
    where of several said to be of that minute none fits.
    """
    if seen.drain is not None and seen.start is not None:
        then = seen.drain, seen.start
        levels = book.opened.get(then) or book.levels().get(then) or set()
        fitting = [level for level in levels if closing - level == seen.number]
        if len(levels) == 1 or fitting:
            return (fitting or [*levels])[0]
        if levels:
            return None
    return Decimal(0) if closing == seen.number else None


def _of_levels(seen: _Seen, sources: Sequence[_Seen], book: _Book) -> None:
    """Hold an output against the levels it is the difference of, over changes of unit too."""
    if any(source.name == "output" for source in sources):
        _of_outputs(seen, sources, book)
        return
    if seen.number is None:
        return
    ordered = sorted(sources, key=_when)
    first, last = ordered[0], ordered[-1]
    if len(ordered) > 1:
        between = [c for c in book.changes(seen.drain, first, last) if c not in ordered]
        steps = sorted([*ordered, *between], key=_when)
        rises = [_rise(before, after) for before, after in pairwise(steps)]
        exact = sum(filter(None, rises), Decimal(0)) if None not in rises else None
    else:
        closing = _closing(last)
        opening = _first_opening(seen, closing, book) if closing is not None else None
        exact = closing - opening if closing is not None and opening is not None else None
    if exact is None:
        opened, closed = _opening(first), _closing(last)
        if len(ordered) < 2 or opened is None or closed is None or closed - opened != seen.number:
            _undecided(seen, book.run)
        else:
            what = "it is the difference of levels of two units, which is no output"
            book.run.add(seen.place, "output-differs", what, code="business-rule")
    elif not book.equal(exact, seen.number):
        _differs(seen, exact, "output-differs", "the levels it was derived from", book.run)
    elif seen.end != last.end or (len(ordered) > 1 and seen.start not in (None, first.end)):
        book.run.add(
            (seen.at, "effectivePeriod", "effective"),
            "output-differs",
            "its time is not that between the levels it was derived from",
            code="business-rule",
        )


def _closing(step: _Seen) -> Decimal | None:
    """Return the level at which a unit stood when this was seen."""
    level = step.parts.get("closing-level") if step.name == "unit-change" else step.number
    return level if isinstance(level, Decimal) else None


def _opening(step: _Seen) -> Decimal | None:
    """Return the level from which a unit rose after this was seen."""
    level = step.number if step.name == "level" else step.parts.get("opening-level")
    return level if isinstance(level, Decimal) else None


def _rise(before: _Seen, after: _Seen) -> Decimal | None:
    """Return by how much a unit rose from one step to the next; None where it is not known."""
    opening, closing = _opening(before), _closing(after)
    if opening is None or closing is None:
        return None
    levels = before.name == after.name == "level"
    return closing - opening if not levels or _same_unit(before, after) else None


def _of_outputs(seen: _Seen, sources: Sequence[_Seen], book: _Book) -> None:
    """Hold a total against the outputs it is the sum of, whole or as far as they are in it."""
    numbers = [source.number for source in sources]
    if None in numbers:
        _undecided(seen, book.run)
        return
    whole = sum((n for n in numbers if n is not None), Decimal(0))
    for number in (seen.number, seen.parts.get("at-most")):
        if not isinstance(number, Decimal) or book.equal(whole, number):
            continue
        split = _split(seen, sources)
        if split is None or not book.equal(split, number):
            _differs(seen, whole, "total-differs", "the sum of its parts", book.run)
            return
    least = seen.parts.get("at-least")
    if isinstance(least, Decimal) and least > whole and not book.equal(whole, least):
        _differs(seen, whole, "total-differs", "at most the sum of its parts", book.run)
    elif any(_is_outside(source, seen) for source in sources):
        what = "a part of it is of another time"
        at = (seen.at, "effectivePeriod", "effective")
        book.run.add(at, "total-differs", what, code="business-rule")


def _is_outside(part: _Seen, total: _Seen) -> bool:
    """Tell whether nothing of a part can be in a total's time, whichever ends belong to it."""
    if total.start is None or total.end is None or part.end is None:
        return False
    return part.end < total.start or (part.start or part.end) > total.end


def _of_rate(seen: _Seen, sources: Sequence[_Seen], book: _Book) -> None:
    """Hold a rate against the amounts it spreads over their hours, and by the kilogram too."""
    stated, unit = _stated_rate(seen.resource.get("valueQuantity"))
    ordered = sorted(sources, key=_when)
    amounts = [source.number for source in ordered if source.number is not None]
    start, end = ordered[0].start, ordered[-1].end
    in_a_row = all(a.end == b.start for a, b in pairwise(ordered))
    if start is None or end is None or start >= end or len(amounts) < len(ordered) or not in_a_row:
        _undecided(seen, book.run)
        return
    hours = Fraction((end - start) // _TICK, timedelta(hours=1) // _TICK)
    exact = Fraction(sum(amounts)) / hours
    if stated is None:
        _undecided(seen, book.run)
    elif not book.equal(exact / unit, stated):
        _differs(seen, exact / unit, "rate-differs", "its amount over its true hours", book.run)
    elif (seen.start, seen.end) != (start, end):
        what = "its time is not that of the amounts it was derived from"
        at = (seen.at, "effectivePeriod", "effective")
        book.run.add(at, "rate-differs", what, code="business-rule")
    by_weight, weight = seen.parts.get("by-weight"), seen.parts.get("weight")
    if isinstance(by_weight, Decimal) and isinstance(weight, Decimal) and weight:
        exact /= Fraction(weight)
        if not book.equal(exact, by_weight):
            what = "its amount over its true hours and the weight"
            _differs(seen, exact, "rate-differs", what, book.run)


def _stated_rate(quantity: Any) -> tuple[Decimal | None, Fraction]:
    """Return a rate in its own unit, and how many mL/h that unit is."""
    value = quantity.get("value") if isinstance(quantity, dict) else None
    if not isinstance(value, int | Decimal) or isinstance(value, bool):
        return None, Fraction(1)
    try:
        unit, _ = unit_of(str(quantity.get("code")))
    except UnitError:
        return None, Fraction(1)
    return (Decimal(value) if unit.kind == "rate" else None), unit.factor


def _split(seen: _Seen, sources: Sequence[_Seen]) -> Fraction | None:
    """Return the sum of what of each part is in a total's time, by the share of its time."""
    if seen.start is None or seen.end is None:
        return None
    total = Fraction(0)
    for source in sources:
        if source.end is None or source.number is None:
            return None
        if source.start is None or source.start == source.end:
            total += Fraction(source.number) if seen.start < source.end <= seen.end else 0
            continue
        start, end = max(source.start, seen.start), min(source.end, seen.end)
        length = source.end - source.start
        if end <= start:
            return None
        total += Fraction(source.number) * Fraction((end - start) // _TICK, length // _TICK)
    return total


_TICK = timedelta(microseconds=1)


def _differs(seen: _Seen, exact: Decimal | Fraction, rule: str, of: str, run: Run) -> None:
    run.add(
        seen.place,
        rule,
        f"the number is not {of}",
        code="business-rule",
        hint="work it out again, or state it as charted (without derivedFrom)",
        value=f"worked out {exact if isinstance(exact, Decimal) else float(exact)}",
    )


def _undecided(seen: _Seen, run: Run) -> None:
    run.add(
        seen.place,
        "not-judged",
        "whether the number is what it was derived from cannot be known from this bundle",
        code="not-supported",
        severity="information",
    )


_ARITHMETIC: dict[str, Callable[[_Seen, Sequence[_Seen], _Book], None]] = {
    "output": _of_levels,
    "output-total": _of_outputs,
    "output-rate": _of_rate,
}
