"""One drain of one patient as the resources are made from: its readings and what follows."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cached_property

from fhirdrain.bedside.joins import JOINING, Join, joins_of
from fhirdrain.bedside.ledger import Ledger, Output
from fhirdrain.bedside.orders import Order
from fhirdrain.bedside.places import Place, place_at
from fhirdrain.bedside.reading import Reading
from fhirdrain.resources.identity import device_identifier
from fhirdrain.resources.references import References, identifier
from fhirdrain.site import Site
from fhirdrain.vocabulary.codes import BASE

# What the arithmetic of a unit goes by.
_MARKS = ("level", "unit-change")


@dataclass(frozen=True, eq=False)
class Drain:
    """One drain (one episode) with its readings in order, ledger and orders.

    `ledger` is None when every reading was withdrawn, or when there is none: the drain is known
    only as a tube joined to another. `joined` are the tubes that were led into its unit, `led`
    the drains into whose units it was led itself, `tubes` the tube each joining or parting is of
    (by its identity): `link_tubes` fills them. `sums` are charted beside its readings, `weights`
    are the patient's, in order of time: neither is a reading of the drain.
    """

    patient: str
    name: str
    episode: int
    readings: Sequence[Reading]
    ledger: Ledger | None
    orders: Sequence[Order]
    joined: list[tuple[Join, Drain]] = field(default_factory=list)
    led: list[tuple[Join, Drain]] = field(default_factory=list)
    sums: Sequence[Reading] = ()
    weights: Sequence[Reading] = ()
    tubes: dict[str, Drain] = field(default_factory=dict)

    @cached_property
    def _sites(self) -> list[Reading]:
        return [r for r in self.readings if r.observable == "drain-site" and r.said]

    @property
    def removed(self) -> datetime | None:
        """Return when it was removed, if it was."""
        return self.ledger.removed if self.ledger is not None else None

    @cached_property
    def _withdrawn(self) -> list[Reading]:
        return [r for r in self.readings if not r.counts and r.observable in _MARKS]

    @cached_property
    def _amounts(self) -> list[Reading]:
        return [r for r in self.readings if r.observable == "output" and r.absent is None]

    def was_otherwise(self, output: Output) -> bool:
        """Tell whether an output was another one when the reading that ends it was stored.

        So it is where the one it begins at came later, or one between them was withdrawn later.
        Of a charted amount it is the time that was another one: its start, unless that is stated.
        """
        told = output.closing.recorded
        if told is None:
            return False
        if output.basis == "amount":
            return self._began_otherwise(output, told)
        start = output.start
        if start is None:
            return False
        if any(source.recorded is not None and source.recorded > told for source in output.sources):
            return True
        return _withdrawn_since(self._withdrawn, start, output.end, told)

    def _began_otherwise(self, output: Output, told: datetime) -> bool:
        """Tell whether the amount before an amount was another one when that was stored."""
        if output.closing.start is not None:
            return False
        start = output.start
        first = bisect_left(self._amounts, start, key=lambda r: r.time) if start is not None else 0
        last = bisect_left(self._amounts, output.end, key=lambda r: r.time)
        since = self._amounts[first:last]
        # When it was first charted for this time; a value put right later moved nothing.
        before = [r.first_recorded or r.recorded for r in since if r.counts and r.time == start]
        late = bool(before) and all(stored is not None and stored > told for stored in before)
        return late or _withdrawn_since(since, start, output.end, told)

    @property
    def parent(self) -> Drain | None:
        """Return the drain into whose unit it is led now, None for a unit of its own."""
        above = self._led_now()
        seen: list[Drain] = []
        while above is not None and above not in seen:
            if above is self:
                return None  # tubes led into each other in a ring: none stands above the others
            seen.append(above)
            above = above._led_now()
        return self._led_now()

    def _led_now(self) -> Drain | None:
        now = [drain for join, drain in self.led if join.end is None]
        return now[-1] if now and self.removed is None else None

    def place_at(self, site: Site, at: datetime, since: datetime | None = None) -> Place:
        """Return the one place that what empties into its unit came from at a time, or since one.

        With tubes of several places joined there is none.
        """
        if not self.joined and not self._sites:
            return self.own_place_at(site, at)  # it lay nowhere else, and nothing else came in
        since = at if since is None else since
        tubes = [self]
        tubes += [
            tube
            for join, tube in self.joined
            if (join.holds(at) if since == at else join.overlaps(since, at))
        ]
        places = {place for tube in tubes for place in tube._places(site, since, at)}
        if len(places) == 1:
            return places.pop()
        unknown = Place("unknown", "unknown")
        known = {Place(place.side, place.space) for place in places} - {unknown}
        return known.pop() if len(known) == 1 else unknown

    def _places(self, site: Site, since: datetime, at: datetime) -> set[Place]:
        """Return where the tube lay from a time until another."""
        times = [reading.time for reading in self._sites if since < reading.time < at]
        return {self.own_place_at(site, time) for time in (since, *times, at)}

    def site_until(self, reading: Reading) -> datetime | None:
        """Return until when a drain-site reading holds: the next one, or the removal."""
        ends = [site.time for site in self._sites if site.time > reading.time]
        if self.removed is not None and self.removed >= reading.time:
            ends.append(self.removed)
        return min(ends, default=None)

    def own_place_at(self, site: Site, at: datetime) -> Place:
        """Return where the tube lay at a time."""
        return place_at(self._sites, site.settings.drain(self.name), at)


def _withdrawn_since(
    readings: Sequence[Reading], start: datetime | None, end: datetime, told: datetime
) -> bool:
    """Tell whether one of the readings between two times, in order, was withdrawn after `told`."""
    first = bisect_right(readings, start, key=lambda r: r.time) if start is not None else 0
    last = bisect_left(readings, end, key=lambda r: r.time)
    return any(
        not gone.counts and gone.recorded is not None and gone.recorded > told
        for gone in readings[first:last]
    )


def link_tubes(drains: Iterable[Drain]) -> list[Drain]:
    """Link one patient's drains where tubes share a unit, and return them, parents first.

    A tube of which nothing else is known becomes a drain without readings.
    """
    known = list(drains)
    for drain in list(known):
        for reading in drain.readings:
            if reading.observable in JOINING and "tube" in reading.parts:
                tube = _tube_at(known, str(reading.parts["tube"]), reading.time)
                if tube is None:
                    tube = Drain(drain.patient, str(reading.parts["tube"]), 1, (), None, ())
                    known.append(tube)
                drain.tubes[reading.identity] = tube
        for join in joins_of(drain.readings):
            tube = _tube_at(known, join.tube, join.start)
            assert tube is not None  # made above, if it was not there
            if tube.removed is not None and (join.end is None or tube.removed < join.end):
                join = replace(join, end=max(tube.removed, join.start))
            drain.joined.append((join, tube))
            tube.led.append((join, drain))
        for reading in drain.readings:
            # What is taken off is what was led in, though the label may be another tube's by now.
            ended = [
                tube
                for join, tube in drain.joined
                if reading.observable == "parted"
                and join.tube == reading.parts.get("tube")
                and join.start <= reading.time
            ]
            if ended:
                drain.tubes[reading.identity] = ended[-1]
    return sorted(known, key=lambda drain: (_depth(drain), drain.name, drain.episode))


def _tube_at(drains: Sequence[Drain], name: str, at: datetime) -> Drain | None:
    """Return the episode of a tube that was there at a time, else its first."""
    episodes = [drain for drain in drains if drain.name == name]
    there = [d for d in episodes if d.readings and d.readings[0].time <= at]
    return next(iter(there[-1:] or episodes[:1]), None)


def _depth(drain: Drain) -> int:
    depth = 0
    while drain.parent is not None:  # a ring has none
        drain, depth = drain.parent, depth + 1
    return depth


@dataclass(frozen=True, slots=True)
class Making:
    """What every builder needs: the site, the form of references, and whose drain it is."""

    site: Site
    references: References
    drain: Drain
    base: str = BASE
    # What is the same in all resources of a drain is made once, and is never changed in one.
    _made: dict[object, dict[str, object]] = field(default_factory=dict, compare=False)

    @property
    def device_value(self) -> str:
        """Return the identifier value of the drain's Device."""
        return self._value_of(self.drain)

    def _value_of(self, drain: Drain) -> str:
        return device_identifier(self.site, drain.patient, drain.name, drain.episode)

    def device(self, drain: Drain | None = None) -> dict[str, object]:
        """Return the reference to the Device of this drain or another, with its id to be read."""
        drain = drain or self.drain
        key = (drain.name, drain.episode)
        if key not in self._made:
            value = self._value_of(drain)
            reference = self.references.to("Device", self.site.systems.device, value)
            self._made[key] = {**reference, "display": drain.name}
        return self._made[key]

    def subject(self) -> dict[str, object]:
        """Return the reference to the patient."""
        if "subject" not in self._made:
            system = self.site.systems.patient
            self._made["subject"] = self.references.patient(system, self.drain.patient)
        return self._made["subject"]

    def meta(self, profile: str | None, source: str | None) -> dict[str, object]:
        """Return `meta` with the profile and the source a resource comes from."""
        key = ("meta", profile, source)
        if key not in self._made:
            self._made[key] = self._meta(profile, source)
        return self._made[key]

    def _meta(self, profile: str | None, source: str | None) -> dict[str, object]:
        meta: dict[str, object] = {}
        if source is not None:
            meta["source"] = f"{self.site.systems.reading}#{source}"
        if profile is not None and self.site.profiles:
            meta["profile"] = [f"{self.base}/StructureDefinition/{profile}"]
        return meta

    def names(self, reading: Reading, system: str = "", identity: str = "") -> list[dict[str, str]]:
        """Return the identifiers of a reading: ours, then those it has where it was said first.

        An order has a system and an identity of its own.
        """
        ours = identifier(system or self.site.systems.reading, identity or reading.identity)
        theirs = ({"use": "secondary", "system": s, "value": v} for s, v in reading.elsewhere)
        return [ours, *({k: v for k, v in name.items() if v} for name in theirs)]

    @property
    def order_system(self) -> str:
        """Return the identifier system of orders; that of readings where the site has none."""
        return self.site.systems.order or self.site.systems.reading
