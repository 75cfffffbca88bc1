"""A derived number of a drain held against what it was derived from."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from itertools import combinations, groupby, pairwise, permutations, product
from typing import Any, Literal

from fhirdrain.conformance.drainbook import (
    Book,
    Key,
    Seen,
    closing_of,
    is_total,
    opening_of,
    same_unit,
    when,
)
from fhirdrain.conformance.walk import At, Run
from fhirdrain.vocabulary.units import UnitError, unit_of


def hold_derived(seen: Seen, book: Book, run: Run) -> None:
    """Report a derived number that is not what it was derived from."""
    if not seen.stands or not seen.rests_on or seen.name not in _ARITHMETIC:
        return
    known, rest = book.sources(seen)
    if rest or not known:
        _undecided(seen, run)  # the rest is not in this bundle, which `references` speaks of
        return
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


def _first_opening(seen: Seen, last: Seen, closing: Decimal, book: Book) -> Decimal | None:
    """Return the level at which the first unit was opened, where only its first mark is named.

    Of a unit that began empty nothing but the mark is at hand; None where neither is known, or
    where of several said to be of that minute none fits.
    """
    if seen.drain is not None and seen.start is not None:
        then = seen.drain, seen.start
        # The level itself, where it was read in the minute the unit was placed, is no opening.
        others = [
            other.number
            for other in book.by_drain().get(seen.drain, ())
            if other.name == "level" and other.end == seen.start and other is not last
        ]
        levels = book.opened.get(then) or {number for number in others if number is not None}
        fitting = [level for level in levels if closing - level == seen.number]
        if len(levels) == 1 or fitting:
            return (fitting or [*levels])[0]
        if levels:
            return None
    return Decimal(0) if closing == seen.number else None


def _of_levels(seen: Seen, sources: Sequence[Seen], book: Book) -> None:
    """Hold an output against the levels it is the difference of, over changes of unit too."""
    if any(source.name == "output" for source in sources):
        _of_outputs(seen, sources, book)
        return
    if seen.number is None:
        return
    rule: _Rule = "total-differs" if seen.name == "output-total" else "output-differs"
    ordered = sorted(sources, key=when)
    first, last = ordered[0], ordered[-1]
    exact = set(_differences(seen, ordered, book))
    if any(book.equal(number, seen.number) for number in exact):
        begins = (None, first.end) if len(ordered) > 1 else (seen.start,)
        if None in (first.end, last.end):
            _undecided(seen, book.run)
        elif seen.end != last.end or seen.start not in begins:
            what = "its time is not that between the levels it was derived from"
            _says(seen, rule, what, book.run, (seen.at, "effectivePeriod", "effective"))
    elif exact:
        _differs(seen, exact.pop(), rule, "the levels it was derived from", book.run)
    elif len(ordered) > 1 and _plain(first, last) == seen.number:
        what = "it is the difference of levels of two units, which is no output"
        _says(seen, rule, what, book.run, seen.place)
    else:
        _undecided(seen, book.run)


_MOST_OF_ONE_MINUTE = 4


def _differences(seen: Seen, ordered: Sequence[Seen], book: Book) -> Iterator[Decimal]:
    """Yield what a unit's levels may rise by, from the first one named to the last.

    A change of unit that lies between them counts, named or not. What was charted in one minute may
    have come in any order, and a level of the minute of a change may be of either unit.
    """
    first, last = ordered[0], ordered[-1]
    if len(ordered) == 1:
        closing = closing_of(last)
        opening = _first_opening(seen, last, closing, book) if closing is not None else None
        if closing is not None and opening is not None:
            yield closing - opening
        return
    others = [c for c in book.changes(seen.drain, first, last) if not any(c is s for s in ordered)]
    edges = [c for c in others if c.end in (first.end, last.end)]
    between = [c for c in others if c.end not in (first.end, last.end)]
    for count in range(len(edges[:_MOST_OF_ONE_MINUTE]) + 1):
        for chosen in combinations(edges, count):
            steps = sorted([*ordered, *between, *chosen], key=when)
            minutes = [list(group) for _, group in groupby(steps, key=lambda s: s.end)]
            if any(len(minute) > _MOST_OF_ONE_MINUTE for minute in minutes):
                return
            for orders in product(*(permutations(minute) for minute in minutes)):
                row = [step for minute in orders for step in minute]
                named = any(row[0] is s for s in ordered) and any(row[-1] is s for s in ordered)
                rises = [_rise(before, after) for before, after in pairwise(row)]
                if named and None not in rises:
                    yield sum(filter(None, rises), Decimal(0))


def _plain(first: Seen, last: Seen) -> Decimal | None:
    """Return the plain difference of two levels, whichever units they are of."""
    opened, closed = opening_of(first), closing_of(last)
    return None if opened is None or closed is None else closed - opened


def _rise(before: Seen, after: Seen) -> Decimal | None:
    """Return by how much a unit rose from one step to the next; None where it is not known."""
    opening, closing = opening_of(before), closing_of(after)
    if opening is None or closing is None:
        return None
    levels = before.name == after.name == "level"
    return closing - opening if not levels or same_unit(before, after) else None


def _of_outputs(seen: Seen, sources: Sequence[Seen], book: Book) -> None:
    """Hold a total against the outputs it is the sum of, whole or as far as they are in it."""
    if all(source.name in ("level", "unit-change") for source in sources):
        _of_levels(seen, sources, book)
        return
    numbers = [source.number for source in sources]
    if None in numbers:
        _undecided(seen, book.run)
        return
    whole = sum((n for n in numbers if n is not None), Decimal(0))
    slack = book.slack(sources)
    for number in (seen.number, seen.parts.get("at-most")):
        if not isinstance(number, Decimal) or book.equal(whole, number, slack):
            continue
        split = _split(seen, sources)
        if split is None or not book.equal(split, number, slack):
            _differs(seen, whole, "total-differs", "the sum of its parts", book.run)
            return
    least = seen.parts.get("at-least")
    if isinstance(least, Decimal) and least > whole and not book.equal(whole, least, slack):
        _differs(seen, whole, "total-differs", "at most the sum of its parts", book.run)
    elif any(_is_outside(source, seen) for source in sources):
        what = "a part of it is of another time"
        at = (seen.at, "effectivePeriod", "effective")
        book.run.add(at, "total-differs", what, code="business-rule")
    elif seen.parts.get("covered") == 100 and _is_left_out(seen, sources, book):
        what = "all of its time is said to be covered, and an amount of it is not among its parts"
        book.run.add(seen.place, "total-differs", what, code="business-rule")


def _is_left_out(total: Seen, parts: Sequence[Seen], book: Book) -> bool:
    """Tell whether an amount lies in a total's time and beside all of its parts."""
    if total.drain is None or total.start is None or total.end is None:
        return False
    known = [(p.start, p.end) for p in parts if p.start is not None and p.end is not None]
    for other in book.by_drain().get(total.drain, ()):
        if other.name != "output" or not other.done or not other.number:
            continue
        if other.start is None or other.end is None or other.start >= other.end:
            continue
        inside = total.start <= other.start and other.end <= total.end
        inside = inside and not is_total(other, book)
        if inside and all(other.end <= start or end <= other.start for start, end in known):
            return True
    return False


def _is_outside(part: Seen, total: Seen) -> bool:
    """Tell whether nothing of a part can be in a total's time, whichever ends belong to it."""
    if total.start is None or total.end is None or part.end is None:
        return False
    return part.end < total.start or (part.start or part.end) > total.end


def _of_rate(seen: Seen, sources: Sequence[Seen], book: Book) -> None:
    """Hold a rate against the amounts it spreads over their hours, and by the kilogram too."""
    stated, unit = _stated_rate(seen.resource.get("valueQuantity"))
    ordered = sorted(sources, key=when)
    amounts = [source.number for source in ordered if source.number is not None]
    start, end = ordered[0].start, ordered[-1].end
    in_a_row = all(a.end == b.start for a, b in pairwise(ordered))
    if start is None or end is None or start >= end or len(amounts) < len(ordered) or not in_a_row:
        _undecided(seen, book.run)
        return
    hours = Fraction((end - start) // _TICK, timedelta(hours=1) // _TICK)
    exact = Fraction(sum(amounts)) / hours
    slack = book.slack(ordered) / hours
    if stated is None:
        _undecided(seen, book.run)
    elif not book.equal(exact / unit, stated, slack / unit) or _is_by_the_clock(
        Fraction(sum(amounts)) / unit, Fraction(stated), start, end
    ):
        _differs(seen, exact / unit, "rate-differs", "its amount over its true hours", book.run)
    elif (seen.start, seen.end) != (start, end):
        what = "its time is not that of the amounts it was derived from"
        at = (seen.at, "effectivePeriod", "effective")
        book.run.add(at, "rate-differs", what, code="business-rule")
    by_weight, weight = seen.parts.get("by-weight"), seen.parts.get("weight")
    if isinstance(by_weight, Decimal) and isinstance(weight, Decimal) and weight:
        exact /= Fraction(weight)
        if not book.equal(exact, by_weight, slack / Fraction(weight)):
            what = "its amount over its true hours and the weight"
            _differs(seen, exact, "rate-differs", what, book.run)


def _is_by_the_clock(amount: Fraction, stated: Fraction, start: datetime, end: datetime) -> bool:
    """Tell whether a rate is just that over the hours that clocks showed, and not the true ones."""
    shown = end.replace(tzinfo=None) - start.replace(tzinfo=None)
    if shown == end - start or shown <= timedelta(0):
        return False
    return stated == amount / Fraction(shown // _TICK, timedelta(hours=1) // _TICK)


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


def _split(seen: Seen, sources: Sequence[Seen]) -> Fraction | None:
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


_Rule = Literal["output-differs", "total-differs"]


def _says(seen: Seen, rule: _Rule, what: str, run: Run, place: At) -> None:
    if rule == "total-differs":
        run.add(place, "total-differs", what, code="business-rule")
    else:
        run.add(place, "output-differs", what, code="business-rule")


def _differs(seen: Seen, exact: Decimal | Fraction, rule: str, of: str, run: Run) -> None:
    run.add(
        seen.place,
        rule,
        f"the number is not {of}",
        code="business-rule",
        hint="work it out again, or state it as charted (without derivedFrom)",
        value=f"worked out {exact if isinstance(exact, Decimal) else float(exact)}",
    )


def _undecided(seen: Seen, run: Run) -> None:
    run.add(
        seen.place,
        "not-judged",
        "whether the number is what it was derived from cannot be known from this bundle",
        code="not-supported",
        severity="information",
    )


_ARITHMETIC: dict[str, Callable[[Seen, Sequence[Seen], Book], None]] = {
    "output": _of_levels,
    "output-total": _of_outputs,
    "output-rate": _of_rate,
}
