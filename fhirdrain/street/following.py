"""What follows from items that came in beside what a store knows: what is kept and goes out."""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import count

from fhirdrain.bedside.reading import WITHDRAWN
from fhirdrain.intake.item import SourceItem
from fhirdrain.issues import Issue
from fhirdrain.resources.bundle import Resource
from fhirdrain.resources.drain import Making
from fhirdrain.resources.identity import device_identifier, name_of
from fhirdrain.site import Site
from fhirdrain.store import Store
from fhirdrain.street.patient import Wanted, accepted, drains_of, folded, summarise, to_send
from fhirdrain.street.remembering import keep_items, with_remembered
from fhirdrain.street.taking_in import named


@dataclass(frozen=True, slots=True)
class Taken:
    """A patient's items, with what came to be another because of them and has to go out, by lane.

    `held` are those that cannot be settled yet, each with the reason.
    """

    patient: str
    accepted: Sequence[SourceItem]
    changed: Sequence[tuple[str, Resource]]
    held: Sequence[tuple[SourceItem, Issue]] = ()

    def keep(self, store: Store, cause: str = "") -> int:
        """Keep all of it; returns how many versions are new. Use inside the store's `commit`."""
        keep_items(store, self.patient, self.accepted)
        versions = store.put_versions(
            reading for item in self.accepted for reading in item.readings if not item.remembered
        )
        for lane, resource in self.changed:
            store.put_outgoing([resource], lane, cause)
        return versions


def changed_of(
    patient: str,
    stand: Sequence[SourceItem],
    sending: Iterable[tuple[Making, Resource]],
    site: Site,
    store: Store,
) -> Iterator[tuple[str, Resource]]:
    """Yield what is not as it was put out last, or is not there any more, with its lane."""
    standing: set[tuple[str, str, str]] = set()
    lanes: set[str] = set()
    for making, resource in sending:
        if not store.is_last(resource):
            yield making.device_value, resource
        standing.add(name_of(resource))
        lanes.add(making.device_value)
    for lane in sorted(lanes | set(_lanes_before(patient, stand, site, store))):
        for resource in _vanished(store.latest(lane), standing):
            yield lane, resource


def take_items(
    patient: str, items: Sequence[SourceItem], site: Site, store: Store, wanted: Wanted
) -> Taken:
    """Work out what follows from items of a patient, beside all that the store knows of them."""
    held: list[tuple[SourceItem, Issue]] = []

    def hold(item: SourceItem, issue: Issue) -> None:
        held.append((item, issue))

    items = [named(item, site) for item in items]
    together = with_remembered(store, patient, items, site)
    stand = list(accepted(together, hold, in_order=True))
    drains = drains_of(patient, folded(stand), site.settings)
    summaries, *_ = summarise(drains, site.settings)
    sending = to_send(drains, summaries, site, "transaction", wanted)
    changed = list(changed_of(patient, stand, sending, site, store))
    return Taken(patient, stand, changed, held)


def _lanes_before(
    patient: str, items: Iterable[SourceItem], site: Site, store: Store
) -> Iterator[str]:
    """Yield the lanes of all drains that ever went out for a patient.

    A drain may be there no longer: when a removal is withdrawn, what was taken for another tube
    under its label was the same one; when a row is put right, its drain is another.
    """
    readings = [reading for item in items for reading in item.readings]
    labels = {reading.drain for reading in readings}
    labels |= {str(reading.parts["tube"]) for reading in readings if "tube" in reading.parts}
    for label in sorted(labels):
        for episode in count(1):
            lane = device_identifier(site, patient, label, episode)
            if not store.has_lane(lane):
                break
            yield lane


def _vanished(
    before: Iterable[Resource], standing: Container[tuple[str, str, str]]
) -> Iterator[Resource]:
    """Yield what went out once and is not there any more, as entered in error.

    A reading that was withdrawn still goes out, and says so. What is gone is a drain that was none,
    a number that nothing gives any more, an amount that only checks levels which came later.
    """
    for resource in before:
        if name_of(resource) not in standing and resource["status"] != WITHDRAWN:
            yield {**resource, "status": WITHDRAWN}
