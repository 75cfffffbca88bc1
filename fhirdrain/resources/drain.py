"""One drain of one patient as the resources are made from: its readings and what follows."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

from fhirdrain.bedside.ledger import Ledger
from fhirdrain.bedside.orders import Order
from fhirdrain.bedside.reading import Reading
from fhirdrain.resources.identity import device_identifier
from fhirdrain.resources.references import References
from fhirdrain.site import Site
from fhirdrain.vocabulary.codes import BASE


@dataclass(frozen=True, slots=True)
class Place:
    """Where a drain lies: side, space, and the position in words if any."""

    side: str
    space: str
    position: str | None = None


@dataclass(frozen=True)
class Drain:
    """One drain (one episode) with its readings in order, ledger and orders.

    `ledger` is None when every reading was withdrawn.
    """

    patient: str
    name: str
    episode: int
    readings: Sequence[Reading]
    ledger: Ledger | None
    orders: Sequence[Order]

    @cached_property
    def _sites(self) -> list[Reading]:
        return [r for r in self.readings if r.observable == "drain-site" and r.said]

    def place_at(self, site: Site, at: datetime) -> Place:
        """Return where it lay at a time: by the last drain-site reading, else by the site file.

        What a reading leaves open is taken from the site file, never from an earlier reading.
        """
        settings = site.settings.drain(self.name)
        place = bisect_right(self._sites, at, key=lambda reading: reading.time)
        if not place:
            return Place(settings.side, settings.space)
        parts = self._sites[place - 1].parts
        position = parts.get("position")
        return Place(
            str(parts.get("side", settings.side)),
            str(parts.get("space", settings.space)),
            None if position is None else str(position),
        )


@dataclass(frozen=True, slots=True)
class Making:
    """What every builder needs: the site, the form of references, and whose drain it is."""

    site: Site
    references: References
    drain: Drain
    base: str = BASE
    profiles: bool = True

    @property
    def device_value(self) -> str:
        """Return the identifier value of the drain's Device."""
        return device_identifier(self.site, self.drain.patient, self.drain.name, self.drain.episode)

    def device(self) -> dict[str, object]:
        """Return the reference to the drain's Device, with the drain id to be read."""
        reference = self.references.to("Device", self.site.systems.device, self.device_value)
        return {**reference, "display": self.drain.name}

    def subject(self) -> dict[str, object]:
        """Return the reference to the patient."""
        return self.references.patient(self.site.systems.patient, self.drain.patient)

    def meta(self, profile: str | None, source: str | None) -> dict[str, object]:
        """Return `meta` with the profile and the source a resource comes from."""
        meta: dict[str, object] = {}
        if source is not None:
            meta["source"] = f"{self.site.systems.reading}#{source}"
        if profile is not None and self.profiles:
            meta["profile"] = [f"{self.base}/StructureDefinition/{profile}"]
        return meta

    @property
    def order_system(self) -> str:
        """Return the identifier system of orders; that of readings where the site has none."""
        return self.site.systems.order or self.site.systems.reading
