"""Whose a resource is: patient, drain, stay, who saw it and when."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import parse_qs, unquote

from fhirdrain.intake.foreign.elements import Elements, Handled, Json, codings, identifiers
from fhirdrain.intake.record import Cell, Refused
from fhirdrain.site import Item, Site, Source
from fhirdrain.vocabulary.codes import BODY_SITES, LOCAL
from fhirdrain.vocabulary.observables import CHARTED

_PLACES: dict[tuple[str, str], tuple[str, str]] = {}
for _place, _coding in BODY_SITES.items():
    _PLACES.setdefault((_coding.system, _coding.code), _place)


@dataclass(slots=True)
class Others:
    """What a file says beside: who its patients are, which drains its devices, which rounds."""

    patients: dict[str, list[tuple[str, str]]] = field(default_factory=dict)
    devices: dict[str, list[str]] = field(default_factory=dict)
    rounds: dict[str, str] = field(default_factory=dict)

    def add(self, resource: Json, url: str = "") -> None:
        """Take what a resource says of others."""
        kind = resource.get("resourceType")
        keys = [key for key in (url, f"{kind}/{resource['id']}" if "id" in resource else "") if key]
        if kind == "Patient":
            self.patients |= dict.fromkeys(keys, identifiers(resource))
        elif kind == "Device":
            self.devices |= {key: list(_device_names(resource)) for key in keys}
        elif resource.get("hasMember"):
            names = [value for _, value in identifiers(resource)]
            for member in resource["hasMember"]:
                if "reference" in member:
                    self.rounds[str(member["reference"])] = (names or keys)[-1]


class Whose(Elements):
    """Reads whose a resource is; `others` are what its file says of patients, drains and rounds."""

    def __init__(
        self, resource: Json, url: str, source: Source, site: Site, others: Others
    ) -> None:
        super().__init__(resource, url, source, site)
        self.others = others

    def _shared(
        self, meant: Item | None, device: Json | None = None, element: str = "device"
    ) -> dict[str, Cell]:
        """Return the cells that all that a resource says have in common."""
        resource = self.resource
        cells = {"row": Cell("identifier", self._row()), "patient": self._patient()}
        device = resource.get("device", {}) if device is None else device
        cells["drain"] = self._drain(device, element)
        cells["status"] = self._status()
        cells["performer"] = self._performer(resource.get("performer", ()))
        encounter = resource.get("encounter", {})
        stay = encounter.get("identifier", {}).get("value") or encounter.get("reference", "")
        cells["encounter"] = Cell("encounter", str(stay))
        if encounter:
            self.note("encounter", "carried")
        notes = [n["text"] for n in resource.get("note", ()) if "text" in n]
        cells["note"] = Cell("note", "\n".join(notes))
        if notes:
            self.note("note", "carried", "its words alone")
        if self.kind == "Observation" and "issued" in resource:
            cells["recorded"] = Cell("issued", str(resource["issued"]))
            self.note("issued", "carried")
        taken_in = self.others.rounds.get(self.url) or self.others.rounds.get(
            f"{self.kind}/{resource.get('id')}"
        )
        cells["round"] = Cell("hasMember", taken_in or "")
        return cells

    def _row(self) -> str:
        return "|".join(self.names[0]) if self.names else ""

    def _patient(self) -> Cell:
        """Return the number of the patient here."""
        subject = self.resource.get("subject", {})
        reference = str(subject.get("reference", ""))
        element = "subject"
        if self.source.patient_from == "reference":
            number = reference
        else:
            authority = self.source.patient_authority or self.site.systems.patient
            known = self._patients(subject, reference)
            number = next((value for system, value in known if system == authority), "")
            if not number and subject:
                raise Refused(
                    "no-patient",
                    "its patient is not named by a number of the system that is read",
                    column=element,
                    hint="patient_authority in the site file names the system of their numbers;"
                    ' patient_from = "reference" takes the reference itself',
                )
        if number and self.source.patient_numbers is not None:
            if number not in self.source.patient_numbers:
                raise Refused(
                    "no-patient",
                    "this patient is not among those of patient_numbers",
                    column=element,
                    value=number,
                )
            self.note("subject", "changed", "by patient_numbers of the site file")
            return Cell(element, self.source.patient_numbers[number])
        self.note("subject", "carried", "by its number")
        return Cell(element, number)

    def _patients(self, subject: Json, reference: str) -> list[tuple[str, str]]:
        """Return the numbers of a patient: beside the reference, in it, or in what it leads to."""
        known = []
        stated = subject.get("identifier", {})
        if "value" in stated:
            known.append((str(stated.get("system", "")), str(stated["value"])))
        if reference.startswith("Patient?"):
            for token in parse_qs(reference.partition("?")[2]).get("identifier", ()):
                system, _, value = unquote(token).partition("|")
                known.append((system, value))
        for contained in self.resource.get("contained", ()):
            if reference == f"#{contained.get('id')}":
                known += identifiers(contained)
        return known + _looked_up(self.others.patients, reference)

    def _drain(self, device: Json, element: str) -> Cell:
        """Return what names the drain: the device, else the body site, as the site file labels."""
        names = self._device_names(device)
        sites = [n for n in self._site_names() if n in self.site.labels]
        known = [name for name in names if name in self.site.labels]
        if known:
            self.note(element, "carried", "as the drain")
        elif sites:
            self.note("bodySite", "carried", "as the drain")
        place = self._place(self.resource.get("bodySite", {}))
        chosen = (known or sites or names or [""])[0]
        if place is not None and chosen in self.site.labels and self.kind == "Observation":
            here = self.site.settings.drain(self.site.labels[chosen])
            for theirs, ours in zip(place, (here.side, here.space), strict=True):
                if "unknown" not in (theirs, ours) and theirs != ours:
                    raise Refused(
                        "side",
                        f"its body site says {theirs}, and the site file that the drain is {ours}",
                        column="bodySite",
                    )
            self.handled.setdefault(
                "bodySite", Handled("bodySite", "changed", "the site file says where the drain is")
            )
        # What the site file does not label is left to the item, which may name the drain.
        return Cell(element, chosen if known or sites else "")

    def _device_names(self, device: Json) -> list[str]:
        reference = str(device.get("reference", ""))
        names = [str(device.get("identifier", {}).get("value", "")), str(device.get("display", ""))]
        for contained in self.resource.get("contained", ()):
            if reference == f"#{contained.get('id')}":
                names += _device_names(contained)
        names += _looked_up(self.others.devices, reference)
        names += [name.rsplit(".", 2)[0] for name in names if name.count(".") >= 2]
        return list(dict.fromkeys(name for name in (*names, reference) if name))

    def _drain_named(self, device: Json) -> str:
        names = self._device_names(device)
        return next((name for name in names if name in self.site.labels), (names or [""])[0])

    def _site_names(self) -> list[str]:
        site = self.resource.get("bodySite", {})
        names = [n for s, c in codings(site) for n in (f"{s}|{c}", c)]
        names += [str(c["display"]) for c in site.get("coding", ()) if "display" in c]
        return names + ([str(site["text"])] if "text" in site else [])

    def _place(self, concept: Json) -> tuple[str, str] | None:
        """Return side and space of a body site, None where it is not known."""
        for system, code in codings(concept):
            if system == LOCAL and "-" in code:
                side, space = code.split("-", 1)
                return side, space
            if (system, code) in _PLACES:
                side, space = _PLACES[system, code]
                return ("unknown" if side == "midline" else side), space
        return None

    def _status(self) -> Cell:
        stated = self._extension("reading-status")
        status = str(self.resource.get("status", ""))
        if stated is not None and status != "entered-in-error":
            status = str(stated["valueCode"])
        elif self.kind == "Procedure" and status == "completed":
            status = "final"
        self.note("status", "carried")
        return Cell("status", status)

    def _performer(self, references: Sequence[Json], element: str = "performer") -> Cell:
        for reference in references:
            name = (
                reference.get("identifier", {}).get("value")
                or reference.get("display")
                or reference.get("reference")
            )
            if name:
                several = len(references) > 1
                self.note(element, "changed" if several else "carried", "the first" * several)
                return Cell(element, str(name))
        return Cell(element, "")

    def _times(self, concept: Json, meant: Item | None) -> dict[str, Cell]:
        """Return when it was seen, and since when."""
        period = self.resource.get("effectivePeriod", {})
        cells = self._moment("effectiveDateTime", "effectivePeriod", "effectiveInstant")
        key = next(iter(f"{s}|{c}" for s, c in codings(concept)), "")
        item = self._meant(key, meant)
        interval = item is None or any(
            name not in CHARTED or CHARTED[name].timing == "interval" for name in item.observables
        )
        if "start" in period and interval:
            cells["start"] = Cell("effectivePeriod.start", str(period["start"]))
        elif "start" in period and period["start"] != period.get("end"):
            self.note("effectivePeriod", "changed", "its end alone: it is of one moment")
        return cells

    def _moment(self, plain: str, period: str, other: str = "") -> dict[str, Cell]:
        resource = self.resource
        for element in (plain, other):
            if element in resource:
                self.note(element, "carried")
                return {"time": Cell(element, str(resource[element]))}
        end = resource.get(period, {}).get("end")
        if end is None:
            raise Refused(
                "time",
                "it does not say when it was seen, or is not over yet",
                column=period if period in resource else plain,
            )
        self.note(period, "carried")
        return {"time": Cell(f"{period}.end", str(end))}


def _device_names(device: Json) -> Iterable[str]:
    yield from (value for _, value in identifiers(device))
    for name in (*device.get("deviceName", ()), *device.get("name", ())):
        if isinstance(name, Mapping):  # R4 has deviceName.name, R5 name.value
            yield str(name.get("name") or name.get("value") or "")


def _looked_up(known: Mapping[str, list[Any]], reference: str) -> list[Any]:
    """Return what is known by a reference, relative or absolute, with or without a version."""
    plain = reference.partition("/_history/")[0]
    tail = "/".join(plain.split("/")[-2:])
    return known.get(plain) or known.get(tail) or []
