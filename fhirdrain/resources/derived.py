"""What is worked out from readings as Observations: outputs, rates, totals, rounds."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime
from decimal import Decimal
from fractions import Fraction
from typing import Any

from fhirdrain.bedside.ledger import Output
from fhirdrain.bedside.rates import Rate
from fhirdrain.bedside.reading import WITHDRAWN, Reading
from fhirdrain.bedside.totals import Total
from fhirdrain.resources.drain import Making
from fhirdrain.resources.identity import (
    output_identity,
    rate_identity,
    rolling_identity,
    round_identity,
    total_identity,
)
from fhirdrain.resources.observation import CATEGORIES, codes_of, frame
from fhirdrain.resources.references import identifier
from fhirdrain.resources.values import (
    body_site,
    component_value,
    concept,
    moment,
    quantity,
    without_none,
)
from fhirdrain.vocabulary.codes import ABSENT, Coding, local
from fhirdrain.vocabulary.observables import CALCULATED, OBSERVABLES, RATES
from fhirdrain.vocabulary.units import rounded, significant

Json = dict[str, Any]


def output_of(making: Making, output: Output) -> Json:
    """Return the Observation of an output worked out from levels."""
    closing = output.closing
    return without_none(
        {
            **_frame(making, "output", output_identity(closing.identity), closing.source),
            "status": _status_of(making, [output]),
            "code": concept(*codes_of(making, OBSERVABLES["output"], output.end, output.start)),
            "effectivePeriod": _period(output.start, output.end),
            "issued": closing.recorded and moment(closing.recorded),
            "valueQuantity": quantity(
                significant(output.value, making.site.settings.significant_digits), "mL"
            ),
            "bodySite": body_site(
                making.drain.place_at(making.site, output.end, output.start), whole=False
            ),
            "method": concept(CALCULATED),
            "derivedFrom": [
                making.references.to("Observation", making.site.systems.reading, source.identity)
                for source in output.sources
                if OBSERVABLES[source.observable].form == "Observation"
            ],
        }
    )


def rate_of(making: Making, rate: Rate) -> Json:
    """Return the Observation of a mean rate, by the kilogram too where the patient was weighed.

    Over just so many hours as LOINC has a rate for, it is that rate in that unit; else it has our
    code and is in mL/h.
    """
    observable = OBSERVABLES["output-rate"]
    hours, digits = rate.hours, making.site.settings.significant_digits
    place = making.drain.place_at(making.site, rate.end, rate.start)
    standard = RATES.get(int(hours)) if hours.denominator == 1 else None
    coding = standard and (standard.pericardial if place.space == "pericardial" else standard.chest)
    codes: tuple[Coding, ...]
    if standard and coding:
        value, unit, codes = significant(rate.amount, digits), standard.unit, (coding,)
    else:
        value, unit = rounded(Fraction(rate.amount) / hours, digits), "mL/h"
        codes = observable.codes
    closing, weight = rate.closing, rate.weight
    known = {"by-weight": rate.by_weight(digits), "weight": weight.amount if weight else None}
    named = rolling_identity if rate.rolling else rate_identity
    return without_none(
        {
            **_frame(making, "output-rate", named(closing.identity), closing.source),
            "status": _status_of(making, rate.outputs, [weight] if weight else []),
            "code": concept(*codes),
            "effectivePeriod": _period(rate.start, rate.end),
            "issued": closing.recorded and moment(closing.recorded),
            "valueQuantity": quantity(value, unit),
            "bodySite": body_site(place, whole=False),
            "method": concept(CALCULATED),
            "derivedFrom": [_reference(making, output) for output in rate.outputs],
            "component": _components("output-rate", known),
        }
    )


def total_of(making: Making, total: Total) -> Json:
    """Return the Observation of the total of a shift or a day.

    It has a value only when all of the time is accounted for; what is known in part stands in its
    components, and where nothing is known, it says so.
    """
    digits = making.site.settings.significant_digits
    known: dict[str, Decimal | None] = {
        "covered": rounded(total.covered * 100, digits),
        "at-least": total.at_least if total.value is None else None,
        "at-most": total.at_most if total.value is None else None,
    }
    # An amount counts in the window that it ends in, wherever its start has moved.
    moved = [output for output in total.outputs if output.basis == "levels"]
    sources = [reading for output in total.outputs for reading in output.sources]
    status = _status_of(making, moved, sources)
    nothing = concept(Coding(ABSENT, "unknown"))
    return without_none(
        {
            **_frame(making, "output-total", total_identity(making.device_value, total.window)),
            "status": "preliminary" if total.open else status,
            "code": concept(*OBSERVABLES["output-total"].codes),
            "effectivePeriod": _period(total.window.start, total.window.end),
            "valueQuantity": quantity(total.value, "mL") if total.value is not None else None,
            "dataAbsentReason": nothing if total.at_least is None else None,
            "bodySite": body_site(
                making.drain.place_at(making.site, total.window.end, total.window.start),
                whole=False,
            ),
            "method": concept(CALCULATED),
            "derivedFrom": [_reference(making, output) for output in total.outputs],
            "component": _components("output-total", known),
        }
    )


def rounds_of(making: Making, members: Iterable[Reading]) -> Iterator[Json]:
    """Yield the Observations of the rounds that a drain's readings were taken in.

    The source's own name of the round goes along as a second identifier. A withdrawn reading
    stays a member: it says itself that it was entered in error.
    """
    rounds: dict[tuple[str, str], list[Reading]] = {}
    for reading in members:
        if reading.round is not None:
            rounds.setdefault((reading.source, reading.round), []).append(reading)
    for (source, name), group in rounds.items():
        standing = [reading for reading in group if reading.counts]
        first, last = (pick(reading.time for reading in group) for pick in (min, max))
        identity = round_identity(making.site, making.device_value, group[0])
        resource = {
            **_frame(making, "round", identity, source),
            "status": _status(standing) if standing else WITHDRAWN,
            "code": concept(*OBSERVABLES["round"].codes),
            "hasMember": [
                making.references.to("Observation", making.site.systems.reading, reading.identity)
                for reading in group
            ],
        }
        resource["identifier"] = [*resource["identifier"], {"use": "secondary", "value": name}]
        if first == last:
            resource["effectiveDateTime"] = moment(first)
        else:
            resource["effectivePeriod"] = _period(first, last)
        yield resource


def _frame(making: Making, name: str, identity: str, source: str | None = None) -> Json:
    return {
        **frame(making, OBSERVABLES[name], source),
        "identifier": [identifier(making.site.systems.reading, identity)],
        "category": CATEGORIES,
        "subject": making.subject(),
        "device": making.device(),
    }


def _status(sources: Sequence[Reading]) -> str:
    """Return the status of a number that rests on readings."""
    statuses = {source.status for source in sources}
    if statuses & {"preliminary", "registered"}:
        return "preliminary"
    # What it rests on was put right, so it was, or would have been, another number before.
    return "amended" if statuses & {"corrected", "amended"} else "final"


def _status_of(making: Making, outputs: Sequence[Output], beside: Sequence[Reading] = ()) -> str:
    """Return the status of what rests on outputs: amended where one of them was another before."""
    sources = [reading for output in outputs for reading in output.sources]
    status = _status([*sources, *beside])
    changed = any(map(making.drain.was_otherwise, outputs))
    return "amended" if status == "final" and changed else status


def _components(name: str, known: Mapping[str, Decimal | None]) -> list[Json] | None:
    """Return the components of a derived number, as far as they are known."""
    found = [
        {"code": concept(local(part.name, part.title)), **component_value(part, number)}
        for part in OBSERVABLES[name].components
        if (number := known[part.name]) is not None
    ]
    return found or None


def _period(start: datetime | None, end: datetime) -> Json:
    return without_none({"start": start and moment(start), "end": moment(end)})


def _reference(making: Making, output: Output) -> Json:
    """Return the reference to an output: the charted amount, or what the levels gave."""
    identity = output.closing.identity
    if output.basis == "levels":
        identity = output_identity(identity)
    return making.references.to("Observation", making.site.systems.reading, identity)
