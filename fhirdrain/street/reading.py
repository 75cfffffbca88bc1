"""read: a server's drains back to readings, or to the FHIR they came as."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

from fhirdrain.bedside.reading import Reading
from fhirdrain.errors import ConfigurationError, ServerError
from fhirdrain.exchange.client import Client
from fhirdrain.exchange.retrieval import Query, fetch, patients_of, referring_to
from fhirdrain.issues import Issue
from fhirdrain.resources.recover import in_rounds, is_derived, is_ours, recover, rounds_in
from fhirdrain.street.telling import Told, silent
from fhirdrain.vocabulary.codes import CHEST_DRAIN, LOCAL, SUCTION_DRAINAGE, search_token
from fhirdrain.vocabulary.observables import CATEGORY_CODE, OBSERVABLES

Json = dict[str, Any]

ROW_COLUMNS = (
    "patient",
    "drain",
    "episode",
    "observable",
    "time",
    "start",
    "value",
    "unit",
    "parts",
    "absent",
    "status",
    "recorded",
    "performer",
    "note",
    "order",
    "round",
)
# What holds from its time on matters to a reader who asks for later hours, too.
_HOLDING = ("suction-ordered", "mode-ordered", "drain-site", "placed")


@dataclass(frozen=True, slots=True)
class Wanted:
    """Whose readings: a patient (system, value), a drain id, an interval (since, until]."""

    patient: tuple[str, str] | None = None
    drain: str | None = None
    since: datetime | None = None
    until: datetime | None = None

    def __post_init__(self) -> None:
        if self.since is not None and self.until is not None and self.since > self.until:
            raise ConfigurationError("--since is after --until")

    def holds(self, reading: Reading) -> bool:
        """Tell whether a reading is wanted: it ended in (since, until]."""
        return self._here(reading) and (self.since is None or reading.time > self.since)

    def rests_on(self, reading: Reading) -> bool:
        """Tell whether a reading still holds in the time that is wanted, as an order does."""
        return self._here(reading) and reading.observable in _HOLDING

    def _here(self, reading: Reading) -> bool:
        drain = self.drain is None or reading.drain == self.drain
        return drain and (self.until is None or reading.time <= self.until)

    def is_of_patient(self, resource: Json) -> bool:
        """Tell whether a resource is of the patient that is wanted, by system and value."""
        if self.patient is None:
            return True
        return patient_of(resource) == self.patient


def patient_of(resource: Json) -> tuple[object, object]:
    """Return system and value of a resource's patient, None for what it does not say."""
    subject = resource.get("subject") or resource.get("patient")
    identifier = subject.get("identifier") if isinstance(subject, dict) else None
    if not isinstance(identifier, dict):
        return None, None
    return identifier.get("system"), identifier.get("value")


def moment(text: str) -> datetime:
    """Return the instant a command's time means; raises `ConfigurationError`."""
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        raise ConfigurationError(
            f'"{text}" is not a time', hint="as 2025-10-26T07:00+01:00"
        ) from None
    if found.utcoffset() is None:
        raise ConfigurationError(f'"{text}" has no offset', hint="as 2025-10-26T07:00+01:00")
    return found


def patient_token(text: str) -> tuple[str, str]:
    """Return system and value of SYSTEM|VALUE; raises `ConfigurationError`."""
    system, mark, value = text.partition("|")
    if not mark or not value:
        raise ConfigurationError("a patient is named as SYSTEM|VALUE")
    return system, value


def read_drains(
    client: Client, wanted: Wanted, progress: Told = silent
) -> tuple[list[Json], list[Reading], list[Issue]]:
    """Return the drains' resources, the readings in them, and what could not be read back.

    Among the resources are orders and sites from before the time that is wanted which still hold
    in it; the readings are only those that ended in it. Searches broadly and chooses here, since
    servers differ in how they search. Raises `ServerError` rather than give a short answer.
    """
    client.release()
    resources: list[Json] = []
    for resource in fetch(client, _queries(wanted, _whose(client, wanted))):
        resources.append(resource)
        progress("resources read", len(resources))
    devices = [f"Device/{r['id']}" for r in resources if r["resourceType"] == "Device"]
    resources += fetch(client, referring_to(devices, "DeviceUseStatement", "device"))
    if client.serves("DeviceRequest"):  # a destination may have asked for orders as these
        known = {(r["resourceType"], r["id"]) for r in resources}
        orders = fetch(client, referring_to(devices, "DeviceRequest", "device"))
        resources += [r for r in orders if (r["resourceType"], r["id"]) not in known]
    kept: list[Json] = []
    readings: list[Reading] = []
    issues: list[Issue] = []
    rounds: dict[str, str] = {}
    for resource in resources:
        if not wanted.is_of_patient(resource):
            # A server may pass over what it cannot search by; what is ours must say whose it is.
            if is_ours(resource) and patient_of(resource) == (None, None):
                issues.append(
                    Issue("error", "structure", "recover", "a resource does not say whose it is")
                )
            continue
        found, faults = recover([resource])
        issues += faults
        rounds |= rounds_in(resource) if not faults else {}
        readings += [reading for reading in found if wanted.holds(reading)]
        if found:
            belongs = any(wanted.holds(r) or wanted.rests_on(r) for r in found)
        else:
            belongs = _belongs(resource, wanted)
        if belongs:
            kept.append(resource)
    readings = in_rounds(readings, rounds)
    readings.sort(key=lambda r: (r.patient, r.drain, r.episode, *r.sort_key))
    return kept, readings, issues


def _whose(client: Client, wanted: Wanted) -> list[tuple[str, str]]:
    """Return the search parameter that asks for the patient who is wanted.

    Not every server searches through a reference to what it leads to, and one that does not may
    simply find nothing; so the patient is looked up first. Where the server holds no such patient,
    its resources can still name one by identifier alone.
    """
    if wanted.patient is None:
        return []
    known = patients_of(client, *wanted.patient)
    if not known:
        return [("patient.identifier", search_token(*wanted.patient))]
    return [("patient", ",".join(known))]


def _queries(wanted: Wanted, whose: Sequence[tuple[str, str]]) -> Iterator[Query]:
    yield "Device", [("type", f"{CHEST_DRAIN.system}|{CHEST_DRAIN.code}"), *whose]
    yield "ServiceRequest", [("code", f"{SUCTION_DRAINAGE.system}|{SUCTION_DRAINAGE.code}"), *whose]
    events = [o.codes[0].code for o in OBSERVABLES.values() if o.form == "Procedure"]
    yield "Procedure", [("code", ",".join(f"{LOCAL}|{code}" for code in events)), *whose]
    dates = []
    # A day more on either side: servers differ in how they compare a Period with a date.
    if wanted.since is not None and wanted.since.year > 1:
        dates.append(("date", f"ge{(wanted.since - timedelta(days=1)).date().isoformat()}"))
    if wanted.until is not None and wanted.until.year < 9999:
        dates.append(("date", f"le{(wanted.until + timedelta(days=1)).date().isoformat()}"))
    yield (
        "Observation",
        [
            ("category", f"{LOCAL}|{CATEGORY_CODE.code}"),
            *whose,
            *dates,
            ("_include", "Observation:device"),
            ("_include", "Observation:based-on"),
        ],
    )


def _belongs(resource: Json, wanted: Wanted) -> bool:
    """Tell whether a resource that carries no reading belongs to the answer."""
    device = resource.get("device", resource)
    name = device.get("display") or next(
        (n.get("name") for n in resource.get("deviceName", ())), None
    )
    if wanted.drain is not None and name not in (None, wanted.drain):
        return False
    if is_derived(resource):
        end = resource.get("effectiveDateTime") or resource.get("effectivePeriod", {}).get("end")
        if end is not None:
            time = datetime.fromisoformat(end)
            late = wanted.until is not None and time > wanted.until
            return not late and (wanted.since is None or time > wanted.since)
    return True


def rows_of(readings: list[Reading]) -> str:
    """Return readings as CSV, a row each."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(ROW_COLUMNS)
    for reading in readings:
        row = []
        for name in ROW_COLUMNS:
            value = getattr(reading, name)
            if isinstance(value, datetime):
                value = value.isoformat()
            elif isinstance(value, Decimal):
                value = format(value, "f")
            elif name == "parts":
                value = "; ".join(f"{key} {part}" for key, part in value.items())
            row.append("" if value is None else value)
        writer.writerow(row)
    return stream.getvalue()


def collection_of(resources: list[Json], base: str) -> Json:
    """Return the resources as a collection Bundle, each under the URL it has on its server."""
    entries = [
        {"fullUrl": f"{base}/{r['resourceType']}/{r['id']}", "resource": r} for r in resources
    ]
    bundle: Json = {"resourceType": "Bundle", "type": "collection"}
    return {**bundle, "entry": entries} if entries else bundle


def refuse_incomplete(issues: list[Issue]) -> None:
    """Raise `ServerError` when something could not be read back: a short answer is no answer."""
    if issues:
        raise ServerError(
            f"{len(issues)} resources could not be read back; the first: {issues[0].message}"
        )
