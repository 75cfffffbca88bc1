"""rebuild: a store made anew from what a server holds, so that the next run goes on from there.

A server is not told everything: what was set aside (amounts and sums that only check, weights)
and the versions before the last are not in it, and so not in the store. What the source still has
can be mapped into the store again: it is known by the same names.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from fhirdrain.bedside.reading import WITHDRAWN, Reading
from fhirdrain.errors import ConfigurationError
from fhirdrain.exchange.differences import differences
from fhirdrain.intake.item import SourceItem
from fhirdrain.resources.identity import name_of
from fhirdrain.resources.recover import is_ours, recover
from fhirdrain.site import Site
from fhirdrain.store import Store
from fhirdrain.street.patient import Wanted, drains_of, folded, summarise, to_send, wanted_of
from fhirdrain.street.remembering import keep_items
from fhirdrain.vocabulary.observables import by_code

Json = dict[str, Any]
Name = tuple[str, str, str]

_BY_CODE = by_code()
_ASKED_FOR = {"output-total": "totals", "output-rate": "rates"}


@dataclass(slots=True)
class Rebuilt:
    """What came of it: readings and drains, and resources as they stand on the server.

    `confirmed` stand there as they would go out, `waiting` do not, or not at all. `others` are of
    another site and were passed over. `by_weight` are rates whose weight the store does not know.
    `without_items` are amounts of which the server was not told the item: two of them that are
    alike may be one.
    """

    readings: int = 0
    drains: int = 0
    confirmed: int = 0
    waiting: int = 0
    others: int = 0
    by_weight: int = 0
    without_rates: bool = False
    without_items: int = 0


def rebuild(store: Store, site: Site, resources: Iterable[Json], server: str) -> Rebuilt:
    """Fill an empty store with what a server holds of a site's drains.

    Raises `ConfigurationError` for a store that holds something already, or for resources that are
    not to be read back.
    """
    if store.patients() or store.outgoing_by_state():
        raise ConfigurationError(
            "the store holds something already",
            place=str(store.path),
            hint="name a file that is not there yet",
        )
    report = Rebuilt()
    own: list[Json] = []
    for resource in resources:
        if name_of(resource)[1] in _systems(site):
            own.append(resource)
        else:
            report.others += is_ours(resource)
    readings, issues = recover(own)
    if issues:
        raise ConfigurationError(f"{len(issues)} resources cannot be read back", place=server)
    wanted, report.without_rates = _wanted(own, site)
    store.want(
        name for name, asked in (("totals", wanted.totals), ("rates", wanted.rates)) if asked
    )
    held = {name_of(resource): resource for resource in own}
    by_patient: dict[str, list[Reading]] = {}
    moved = {name_of(resource)[2] for resource in own if _is_moved(resource)}
    for reading in _as_charted(readings, site, moved):
        by_patient.setdefault(reading.patient, []).append(reading)
    for patient, charted in sorted(by_patient.items()):
        with store.commit():
            _of_patient(patient, charted, held, store, site, wanted, server, report)
    return report


def _of_patient(
    patient: str,
    readings: Sequence[Reading],
    held: Mapping[Name, Json],
    store: Store,
    site: Site,
    wanted: Wanted,
    server: str,
    report: Rebuilt,
) -> None:
    items = [
        SourceItem(
            "",
            0,
            number,
            "",
            readings=(reading,),
            patient=patient,
            item=reading.item or "",
            recorded=reading.recorded,
            rebuilt=True,
            source=reading.source,
        )
        for number, reading in enumerate(readings)
    ]
    keep_items(store, patient, items)
    store.put_versions(readings)
    report.without_items += sum(r.observable == "output" and r.item is None for r in readings)
    drains = drains_of(patient, folded(items), site.settings)
    summaries, *_ = summarise(drains, site.settings)
    report.readings += len(readings)
    report.drains += len(drains)
    made = {
        name_of(resource): (making.device_value, resource)
        for making, resource in to_send(drains, summaries, site, "transaction", wanted)
    }
    for lane, resource in made.values():
        there = held.get(name_of(resource))
        if there is not None and "component" in there and _observable(there) == "output-rate":
            # A server is told of no weight, so what rests on one is taken from there.
            report.by_weight += 1
            known = {key: there[key] for key in ("component", "status")}
            resource = {**resource, **known}
        if there is not None and _is_moved(there) and resource["status"] == "final":
            # It began with an amount that only checks, of which a server is not told.
            resource = _moved(resource, there)
        found = ["not there"] if there is None else differences(resource, there)
        derived = there is not None and "method" in resource and found == ["status differs"]
        if there is not None and derived and there["status"] == "amended":
            # It was another number once, by what the server was not told the whole of.
            resource, found = {**resource, "status": "amended"}, []
        if there is not None and there["status"] == resource["status"] == WITHDRAWN and found:
            resource, found = _plain(there), []  # taken back, it says the last of what it said
        store.put_outgoing([resource], lane)
        if there is not None and not found:
            version = there.get("meta", {}).get("versionId")
            store.confirm(server, resource, f"{there['resourceType']}/{there['id']}", version)
            report.confirmed += 1
        else:
            report.waiting += 1
    lanes = {lane for lane, _ in made.values()}
    for name, resource in held.items():
        lane = resource.get("device", {}).get("identifier", {}).get("value")
        if name in made or lane not in lanes or "method" not in resource:
            continue
        left_alone = report.without_rates and _observable(resource) == "output-rate"
        if resource["status"] != WITHDRAWN and not left_alone:
            # It was worked out once, and what is known now does not give it.
            store.put_outgoing([{**_plain(resource), "status": WITHDRAWN}], lane)
            report.waiting += 1


def _as_charted(readings: Iterable[Reading], site: Site, moved: Collection[str]) -> list[Reading]:
    """Return readings as they were charted: without what was worked out of their neighbours.

    An amount goes out with the start that it was worked out to have: where that is the time of the
    amount before, it is taken for worked out, as it will be again. `moved` are the amounts whose
    start has moved since; of any other the one before was stored first, whenever it was put right.
    """
    readings = list(readings)
    # Beside levels an amount may have no start that anything works out.
    by_levels = {(r.patient, r.drain) for r in readings if r.observable == "level" and r.said}
    gone: dict[tuple[str, str], list[datetime]] = {}
    for reading in readings:
        if reading.observable == "removed" and reading.said:
            gone.setdefault((reading.patient, reading.drain), []).append(reading.time)
    result: list[Reading] = []
    amounts: dict[tuple[str, str], list[int]] = {}
    for reading in sorted(readings, key=lambda r: (r.patient, r.drain, *r.sort_key)):
        reading = replace(reading, episode=1, order=None)
        if reading.observable == "output":
            before = amounts.setdefault((reading.patient, reading.drain), [])
            earlier = [n for n in before if result[n].said and result[n].time < reading.time]
            start = result[earlier[-1]].time if earlier else None
            plain = reading.counts and (reading.patient, reading.drain) not in by_levels
            # Nothing is worked out over a removal.
            plain = plain and not (start is not None and _is_between(gone, start, reading))
            if reading.start is not None and reading.start == start and plain:
                if _reaches(reading, site.settings.longest_interval):
                    reading = replace(reading, start=None)
                if reading.status == "final" and reading.identity not in moved:
                    for number in earlier:
                        if result[number].time == start:
                            result[number] = _stored_by(result[number], reading.recorded)
            before.append(len(result))
        result.append(reading)
    return result


def _is_between(
    removals: Mapping[tuple[str, str], Sequence[datetime]], start: datetime, amount: Reading
) -> bool:
    times = removals.get((amount.patient, amount.drain), ())
    return any(start <= when < amount.time for when in times)


def _stored_by(reading: Reading, when: datetime | None) -> Reading:
    first = reading.first_recorded or reading.recorded
    if when is None or first is None or first <= when:
        return reading
    return replace(reading, first_recorded=when)


def _reaches(amount: Reading, limit: timedelta | None) -> bool:
    assert amount.start is not None
    return limit is None or amount.time - amount.start <= limit


def _wanted(resources: Iterable[Json], site: Site) -> tuple[Wanted, bool]:
    """Return what a server holds beside readings, and whether its rates cannot be worked out."""
    derived = {_observable(resource) for resource in resources if "method" in resource}
    names = {asked for name, asked in _ASKED_FOR.items() if name in derived}
    try:
        return wanted_of(sorted(names), site), False
    except ConfigurationError:
        return wanted_of(sorted(names - {"rates"}), site), True


def _is_moved(resource: Json) -> bool:
    """Tell whether it is an amount whose start has moved since it was stored."""
    amended = resource["resourceType"] == "Observation" and resource.get("status") == "amended"
    return amended and "extension" in resource


def _moved(resource: Json, there: Json) -> Json:
    status = {"extension": there["extension"], "status": there["status"]}
    pairs: list[tuple[str, Any]] = []
    for key, value in resource.items():
        pairs += status.items() if key == "status" else [(key, value)]
    return dict(pairs)


def _observable(resource: Json) -> str:
    """Return which observable an Observation is of, empty where it is of none of ours."""
    codings = resource.get("code", {}).get("coding", ())
    known = (_BY_CODE.get((coding.get("system"), coding.get("code"))) for coding in codings)
    return next((one.name for one in known if one is not None), "")


def _plain(resource: Json) -> Json:
    meta = {
        key: value
        for key, value in resource.get("meta", {}).items()
        if key not in ("versionId", "lastUpdated")
    }
    plain = {key: value for key, value in resource.items() if key not in ("id", "text", "meta")}
    return {**plain, **({"meta": meta} if meta else {})}


def _systems(site: Site) -> set[str]:
    systems = site.systems
    return {systems.reading, systems.device, systems.order or systems.reading}
