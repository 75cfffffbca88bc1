"""hand off: what is known of a patient's drains at a time, as the sheet for the next nurse.

It is known from FHIR (files, or what a server holds), or from a store, which alone knows what was
told before.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, time, timedelta
from typing import Any

from fhirdrain.bedside.findings import Finding
from fhirdrain.bedside.orders import ORDERED
from fhirdrain.bedside.places import Place, place_at
from fhirdrain.bedside.policy import Figure, Judgement
from fhirdrain.bedside.rates import Asked
from fhirdrain.bedside.reading import Reading
from fhirdrain.bedside.saying import Saying, say
from fhirdrain.bedside.settings import DrainSettings, Settings
from fhirdrain.bedside.windows import fixed
from fhirdrain.errors import ConfigurationError, SourceError
from fhirdrain.exchange.client import Client
from fhirdrain.handoff.bed import Bed, Watched, last_handoff
from fhirdrain.handoff.document import document
from fhirdrain.handoff.drained import amount_of
from fhirdrain.handoff.plain import plain_text
from fhirdrain.handoff.sheet import Sheet, make_sheet
from fhirdrain.intake.item import SourceItem
from fhirdrain.resources.drain import Drain
from fhirdrain.resources.recover import is_ours, places_in, recover
from fhirdrain.site import Site
from fhirdrain.site.durations import duration
from fhirdrain.site.policy import Policy
from fhirdrain.store import Store
from fhirdrain.street.patient import DrainSummary, drains_of, folded, judged, summarise
from fhirdrain.street.reading import Wanted, patient_of, read_drains, refuse_incomplete
from fhirdrain.street.remembering import known_items, with_rows
from fhirdrain.street.sources import read_source, shown_name
from fhirdrain.street.telling import Told, silent
from fhirdrain.vocabulary.jsontext import decode, encode_pretty
from fhirdrain.vocabulary.observables import BESIDE

Json = dict[str, Any]
Sides = Mapping[str, Mapping[str, DrainSettings]]

# Without a site file: common practice, said on the sheet.
_WINDOWS = (time(7), time(19))
# A drain that was removed stays on the sheets of a day.
_SHOWN_AFTER_REMOVAL = timedelta(hours=24)
_OLD = timedelta(hours=24)


@dataclass(frozen=True)
class Known:
    """What is known of patients' drains: their readings by patient, and by whom it was said.

    `told` are the readings as they were known at a time before, None where nothing knows. `places`
    are the sides and spaces that the data itself states, by patient and drain. `notes` stand on
    every sheet.
    """

    readings: Mapping[str, Sequence[Reading]]
    told: Mapping[str, Sequence[Reading]] | None = None
    places: Sides = field(default_factory=dict)
    notes: Sequence[Saying] = ()


@dataclass(frozen=True)
class Rules:
    """What sheets are made by: the site's settings and policy, as far as they are given."""

    settings: Settings | None
    policy: Policy | None = None

    @property
    def figures(self) -> Sequence[Figure]:
        """Return the figures of the policy."""
        return self.policy.read() if self.policy is not None else ()

    @property
    def rates(self) -> Asked | None:
        """Return what the policy asks of rates; None where it says nothing of them."""
        if self.policy is None or self.policy.shortest_interval is None:
            return None
        return Asked(duration(self.policy.shortest_interval))


# -- where it is known from -----------------------------------------------------------------


def known_from_files(names: Sequence[str], patient: tuple[str, str] | None) -> Known:
    """Return what bundles and NDJSON files of our form say, of one patient or of all.

    Raises `SourceError` for what cannot be read, or not be read back: a sheet that leaves it out
    would be a lie.
    """
    resources: list[Json] = []
    for name in names:
        resources += _resources_in(name)
    place = ", ".join(shown_name(name) for name in names)
    if not resources:
        raise SourceError("there is no resource in it", place=place)
    return known_from_resources(resources, place, patient)


def known_from_resources(
    resources: Sequence[Json], place: str, patient: tuple[str, str] | None = None
) -> Known:
    """Return what FHIR resources of our form say; raises as `known_from_files`."""
    if patient is not None:
        wanted = Wanted(patient=patient)
        resources = [r for r in resources if wanted.is_of_patient(r)]
    elif len({system for r in resources if is_ours(r) for system, _ in [patient_of(r)]}) > 1:
        raise SourceError(
            "patients are named by several systems in it, and one number may be two patients'",
            place=place,
            hint="--patient names one of them",
        )
    readings, issues = recover(resources)
    if issues:
        raise SourceError(
            f"{len(issues)} resources cannot be read back; the first: {issues[0].message}",
            place=place,
            hint="fhirdrain check says what is wrong with them",
        )
    return Known(_by_patient(readings), None, places_in(resources))


def known_from_server(
    client: Client, patient: tuple[str, str], at: datetime, progress: Told = silent
) -> Known:
    """Return what a server holds of one patient's drains up to a time; nothing else is asked for.

    Raises `ServerError` rather than give a short answer.
    """
    resources, readings, issues = read_drains(client, Wanted(patient=patient, until=at), progress)
    refuse_incomplete(issues)
    return Known(_by_patient(readings), None, places_in(resources))


def known_from_store(store: Store, site: Site | None, at: datetime, patient: str | None) -> Known:
    """Return what a store knew at a time, and at the hand-off before it.

    Raises `ConfigurationError` for a store made anew from a server, which needs its site file.
    """
    messages = store.messages_by_state()
    left = messages.get("new", 0) + messages.get("held", 0)
    now: dict[str, Sequence[Reading]] = {}
    told: dict[str, Sequence[Reading]] = {}
    for name, items in known_items(store, at, None if patient is None else [patient]):
        if site is None and any(item.rebuilt for item in items):
            raise _needs_site(store)
        now[name] = _readings_of(items, site)
        stated, _ = _as_known(now[name], at)
        if site is None and not stated:
            continue
        settings = site.settings if site is not None else plain_settings(stated)
        for _, before in known_items(store, last_handoff(settings, at), [name]):
            told[name] = _readings_of(before, site)
    return Known(now, told, {}, [say("messages-left", count=left)] if left else [])


def readings_in(store: Store, site: Site | None, patient: str | None = None) -> list[Reading]:
    """Return all that a store knows, of one patient or of all; raises as `known_from_store`."""
    found: list[Reading] = []
    for _, items in known_items(store, None, None if patient is None else [patient]):
        if site is None and any(item.rebuilt for item in items):
            raise _needs_site(store)
        found += _readings_of(items, site)
    return found


def _needs_site(store: Store) -> ConfigurationError:
    return ConfigurationError(
        "this store was made anew from a server, and needs the site file to be read",
        place=str(store.path),
        hint="--site",
    )


def _readings_of(items: Sequence[SourceItem], site: Site | None) -> list[Reading]:
    return folded(with_rows(items, site) if site is not None else items)


def _by_patient(readings: Iterable[Reading]) -> dict[str, list[Reading]]:
    found: dict[str, list[Reading]] = {}
    for reading in readings:
        # Tubes and orders are told apart anew, by all that is known at the time of the sheet.
        known = reading.episode != 1 or reading.order is not None
        plain = replace(reading, episode=1, order=None) if known else reading
        found.setdefault(reading.patient, []).append(plain)
    return found


def _resources_in(name: str) -> Iterable[Json]:
    """Yield the resources of a bundle, a resource, or NDJSON."""
    data, place = read_source(name)
    try:
        try:
            whole = decode(data)
        except ValueError:
            found = [decode(line) for line in data.splitlines() if line.strip()]
        else:
            entries = whole.get("entry", ()) if isinstance(whole, dict) else whole
            bundle = isinstance(whole, dict) and whole.get("resourceType") == "Bundle"
            found = [entry["resource"] for entry in entries] if bundle else [whole]
    except (ValueError, LookupError, TypeError, AttributeError):
        raise SourceError(
            "neither a Bundle nor NDJSON of FHIR", place=place, hint="fhirdrain check says where"
        ) from None
    if not all(isinstance(r, dict) and isinstance(r.get("resourceType"), str) for r in found):
        raise SourceError(
            "not every line or entry is a resource", place=place, hint="fhirdrain check says where"
        )
    return found


# -- how they are written -------------------------------------------------------------------


def written(sheets: Sequence[Sheet], form: str, language: str) -> bytes:
    """Return sheets as html, text or json."""
    if form == "html":
        from fhirdrain.handoff.page import page  # loads what only a page needs

        return page(sheets, language).encode()
    if form == "json":
        return encode_pretty(document(sheets)) + b"\n"
    return plain_text(sheets, language).encode()


# -- what the sheets are of -----------------------------------------------------------------


def sheets_of(known: Known, rules: Rules, at: datetime) -> list[Sheet]:
    """Return a sheet a patient with a drain in place, or out for less than a day, as known `at`."""
    sheets = []
    for patient, readings in sorted(known.readings.items()):
        sheet = _sheet_of(patient, readings, known, rules, at)
        if sheet is not None:
            sheets.append(sheet)
    return sheets


def _sheet_of(
    patient: str, readings: Sequence[Reading], known: Known, rules: Rules, at: datetime
) -> Sheet | None:
    stated, notes = _as_known(readings, at)
    if not stated:
        return None
    settings = rules.settings
    if settings is None:
        settings = replace(plain_settings(stated), drains=known.places.get(patient, {}))
        notes.append(say("no-site", offset=_offset(settings, at)))
    last = last_handoff(settings, at)
    watched, gone, lost = _watched(patient, stated, settings, rules, at)
    if not watched and not lost:
        return None
    told = None
    if known.told is not None:
        before, _ = _as_known(known.told.get(patient, ()), last)
        all_told, *_ = _watched(patient, before, settings, Rules(settings), last)
        told = {drain.key: drain for drain in all_told}
    else:
        notes.append(say("no-versions"))
    standing = [r for r in stated if r.real and r.observable not in (*ORDERED, *BESIDE)]
    newest = max((r.time for r in standing), default=None)
    if newest is not None and at - newest > _OLD:
        notes.insert(0, say("old", length=at - newest))
    tests = sum(r.test for r in stated)
    if tests:
        notes.append(say("test-readings", count=tests))
    notes += (_all_withdrawn(name, told or {}, last) for name in lost)
    bed = Bed(
        patient,
        fixed(at, settings.zone),
        last,
        settings,
        watched,
        told,
        _stays(stated),
        newest,
        rules.policy is not None,
        [*known.notes, *notes],
        gone,
    )
    return make_sheet(bed)


def _all_withdrawn(name: str, told: Mapping[tuple[str, int], Watched], last: datetime) -> Saying:
    """Say that nothing stands of a drain, with what was told of it."""
    before = [t for drain in told.values() if drain.name == name for t in drain.shifts]
    if not before:
        return say("all-withdrawn", name=name)
    total = before[-1]
    return say(
        "all-withdrawn-and-told",
        name=name,
        last=last,
        start=total.window.start,
        end=total.window.end,
        amount=amount_of(total, ()),
    )


def _as_known(readings: Iterable[Reading], at: datetime) -> tuple[list[Reading], list[Saying]]:
    """Return what was stored by a time and is not of later ones, and what is said of the rest.

    Orders may be of later times. Of what was put right or withdrawn later only the last words are
    here, and they were not known then.
    """
    kept: list[Reading] = []
    changed = ahead = 0
    for reading in readings:
        later = reading.recorded is not None and reading.recorded > at
        if later and reading.time <= at and (not reading.counts or reading.status == "corrected"):
            changed += 1
        elif later:
            continue
        elif reading.time > at and reading.observable not in ORDERED:
            ahead += 1
        else:
            kept.append(reading)
    notes = [say("changed-after", count=changed)] if changed else []
    notes += [say("ahead", count=ahead)] if ahead else []
    return kept, notes


def plain_settings(readings: Sequence[Reading]) -> Settings:
    """Return settings of nobody's: the usual shifts, in the offset of the newest reading."""
    zone = max(readings, key=lambda r: r.time).time.tzinfo
    assert zone is not None  # readings have offsets
    return Settings(zone=zone, windows=_WINDOWS, day_starts=_WINDOWS[0])


def _offset(settings: Settings, at: datetime) -> str:
    return at.astimezone(settings.zone).isoformat()[-6:]


def _stays(readings: Sequence[Reading]) -> list[str]:
    """Return the stay of the newest reading that names one."""
    named = [r for r in readings if r.encounter]
    newest = max(named, key=lambda r: r.time, default=None)
    return [newest.encounter] if newest is not None and newest.encounter else []


def _watched(
    patient: str,
    readings: Sequence[Reading],
    settings: Settings,
    rules: Rules,
    at: datetime,
) -> tuple[list[Watched], list[tuple[str, datetime]], list[str]]:
    """Return the drains to be on a sheet, those that are out too long, those all withdrawn."""
    drains = drains_of(patient, readings, settings)
    summaries, findings, _ = summarise(drains, settings, at)
    judgements = judged(drains, rules.figures, settings, at)
    by_key = {(s.drain, s.episode): s for s in summaries}
    watched, gone, lost = [], [], []
    for drain in drains:
        summary = by_key.get((drain.name, drain.episode))
        if drain.ledger is None or summary is None:
            if not all(reading.test for reading in drain.readings):
                lost.append(drain.name)
            continue
        removed = drain.removed
        if removed is not None and at - removed > _SHOWN_AFTER_REMOVAL:
            gone.append((drain.name, removed))
            continue
        watched.append(_one(drain, summary, findings, judgements, settings, rules, at))
    return watched, gone, lost


def _one(
    drain: Drain,
    summary: DrainSummary,
    findings: Sequence[Finding],
    judgements: Sequence[Judgement],
    settings: Settings,
    rules: Rules,
    at: datetime,
) -> Watched:
    assert drain.ledger is not None
    sites = [r for r in drain.readings if r.observable == "drain-site" and r.said]
    place: Place = place_at(sites, settings.drain(drain.name), at)
    key = (drain.name, drain.episode)
    return Watched(
        drain.name,
        drain.episode,
        place,
        drain.readings,
        drain.ledger,
        drain.orders,
        settings,
        at,
        [(join, tube.name) for join, tube in drain.joined],
        [(join, into.name) for join, into in drain.led],
        summary.doubles,
        summary.rates(rules.rates) if rules.rates is not None else (),
        [j for j in judgements if key in j.tubes],
        [f for f in findings if (f.drain, f.episode) == key or _is_about(f, drain)],
    )


def _is_about(finding: Finding, drain: Drain) -> bool:
    """Tell whether a double is about a drain too, though it is asked of another."""
    return finding.kind == "double" and any(r.drain == drain.name for r in finding.readings)
