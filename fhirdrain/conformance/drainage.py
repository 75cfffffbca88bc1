"""What a drain obeys from one observation to the next: a second opinion on the ledger.

It reads a bundle as it stands, ours or foreign, and does its own plain arithmetic: it shares
nothing with `bedside`. What a bedside can truly chart (a level that falls, a suction that is not as
ordered) is a warning; only a derived number that is not what it was derived from is an error. What
belongs to no drain that is named is said so, and not compared.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any

from fhirdrain.conformance.derived import hold_derived
from fhirdrain.conformance.drainbook import (
    Book,
    Bounds,
    Key,
    OrderOf,
    Seen,
    is_total,
    opening_of,
    plain_text,
    same_unit,
    side_of,
    when,
)
from fhirdrain.conformance.walk import At, Node, Run, codings_of, root
from fhirdrain.vocabulary.codes import LOCAL, LOINC, SNOMED


def check(bundle: Any, run: Run, bounds: Bounds) -> None:
    """Hold the observations of drains in a bundle against each other."""
    if not isinstance(bundle, dict) or bundle.get("resourceType") != "Bundle":
        return
    book = Book(run, bounds)
    for entry in Node(bundle, root("Bundle"), "Bundle").items("entry"):
        for resource in entry.objects("resource"):
            book.enter(resource)
    for group in book.by_drain().values():
        group.sort(key=when)
        _levels(group, run)
        _overlaps(group, book, run)
        _suction(group, book, bounds, run)
    _sides(book, run)
    _doubles(book, bounds, run)
    for seen in book.seen:
        hold_derived(seen, book, run)
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


# -- one drain ------------------------------------------------------------------------------


def _levels(group: Sequence[Seen], run: Run) -> None:
    """Report a level that is below the one before on the same unit."""
    mark: Seen | None = None
    opened: Decimal | None = None  # the level that a change says the unit began with
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
            # A level of this minute may be of either unit.
            mark, opened = None, opening_of(changes[-1]) if len(changes) == 1 else None
            continue
        if opened is not None and levels and _height(levels[0]) < opened:
            what = "the level is below that at which its unit was opened"
            _falls(
                levels[0].place,
                what,
                f"{plain_text(opened)} then {plain_text(_height(levels[0]))}",
                run,
            )
        opened = None if levels else opened
        for low in levels:
            if mark is not None and same_unit(mark, low):
                _fall(mark, low, _height(low), low.place, run)
        mark = levels[-1] if levels else mark


_STEPS = ("level", "unit-change", "placed")


def _height(level: Seen) -> Decimal:
    return level.number or Decimal(0)


def _fall(before: Seen, after: Seen, level: Decimal, place: At, run: Run) -> None:
    if before.number is not None and level < before.number:
        what = "the level is below the one before, and no change of unit lies between"
        _falls(place, what, f"{plain_text(before.number)} then {plain_text(level)}", run)


def _falls(place: At, what: str, value: str, run: Run) -> None:
    run.add(
        place,
        "level-falls",
        what,
        code="business-rule",
        severity="warning",
        hint="a change not charted, a unit knocked over, a slip? what drained is not known",
        value=value,
    )


def _overlaps(group: Sequence[Seen], book: Book, run: Run) -> None:
    """Report amounts whose times overlap: some of it would be counted twice."""
    amounts = [
        s
        for s in group
        if s.name == "output" and s.start and s.end and not is_total(s, book) and s.start < s.end
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


def _suction(group: Sequence[Seen], book: Book, bounds: Bounds, run: Run) -> None:
    """Report suction that was really on and set to other than what was ordered."""
    orders = book.orders
    mode = source = ""
    for instant in _instants(group):
        for seen in instant:
            mode = seen.word or mode if seen.name == "mode" else mode
            source = seen.word or source if seen.name == "suction-source" else source
        for seen in instant:
            if seen.name != "suction-set" or seen.number is None or seen.end is None:
                continue
            ordered = _in_force([o for o in orders if o.drain == seen.drain], seen.end)
            ordered = book.named_order(seen) if ordered is None else ordered
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
                    value=f"ordered {plain_text(ordered)}, set {plain_text(seen.number)}",
                )


def _instants(group: Iterable[Seen]) -> Iterator[list[Seen]]:
    """Yield what was seen of a drain together, in time."""
    together: list[Seen] = []
    for seen in group:
        if seen.end is None:
            continue
        if together and together[0].end != seen.end:
            yield together
            together = []
        together.append(seen)
    if together:
        yield together


def _in_force(orders: Iterable[OrderOf], at: datetime) -> Decimal | None:
    """Return the magnitude of the newest order that has begun, if it still holds; None for none."""
    begun = sorted((o for o in orders if o.start <= at), key=lambda o: o.start)
    if not begun:
        return None
    newest = [o for o in begun if o.start == begun[-1].start and (o.end is None or at <= o.end)]
    numbers = {o.number for o in newest if o.number is not None}
    return numbers.pop() if len(numbers) == 1 else None


# -- several --------------------------------------------------------------------------------


def _sides(book: Book, run: Run) -> None:
    """Report where a drain is said to be on another side than before."""
    last: dict[Key, str] = {}
    said = [(s.at, s.drain, side_of(s.resource)) for s in sorted(book.seen, key=when) if s.stands]
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


def _doubles(book: Book, bounds: Bounds, run: Run) -> None:
    """Report amounts that may be one amount, charted twice."""
    amounts = [
        s
        for s in book.seen
        if s.name == "output" and s.number and s.end and s.stands and not s.rests_on
    ]
    amounts.sort(key=lambda s: _instant(s.end))
    alike: dict[tuple[Key, Decimal], list[Seen]] = {}
    for seen in amounts:
        if seen.patient is not None and seen.drain is not None and seen.number is not None:
            alike.setdefault((seen.patient, seen.number), []).append(seen)
    for group in alike.values():
        # Of those of one item and one time only one need be looked at.
        near: dict[tuple[Key | None, frozenset[Key], datetime | None], Seen] = {}
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


def _may_be_one(first: Seen, second: Seen) -> bool:
    """Tell whether equal amounts may be one: under two items of a drain, or on two drains.

    At one time two drains are simply read together.
    """
    if first.drain == second.drain:
        return _item(first) != _item(second)
    return first.end != second.end


def _item(seen: Seen) -> frozenset[tuple[str, str]]:
    """Return the codes of the source itself."""
    codings = codings_of(seen.resource.get("code"))
    return frozenset(c for c in codings if c[0] not in (LOCAL, LOINC, SNOMED))
