"""map: source files to FHIR, with every source item accounted for."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Container, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from datetime import datetime, time
from functools import cached_property
from itertools import chain, count
from pathlib import Path
from typing import BinaryIO

from fhirdrain.bedside.episodes import assign_episodes
from fhirdrain.bedside.findings import Finding, double_finding, doubles_in, suspected_doubles
from fhirdrain.bedside.joins import Join
from fhirdrain.bedside.ledger import Check, Ledger, keep_ledger
from fhirdrain.bedside.orders import ORDERED, link_orders, orders_of
from fhirdrain.bedside.policy import Drained, Figure, Judgement, judge
from fhirdrain.bedside.rates import Asked, Rate, rates, weights_in
from fhirdrain.bedside.reading import WITHDRAWN, Reading
from fhirdrain.bedside.settings import Settings
from fhirdrain.bedside.sums import SumCheck, check_sums, sums_in
from fhirdrain.bedside.totals import Total, totals, without
from fhirdrain.bedside.versions import Version, fold, stage_of
from fhirdrain.bedside.windows import Windows
from fhirdrain.errors import ConfigurationError
from fhirdrain.intake.item import FILE_STEP, SourceItem
from fhirdrain.intake.rejects import Rejects
from fhirdrain.intake.sources import Records, open_source
from fhirdrain.intake.spill import Spill
from fhirdrain.issues import Issue
from fhirdrain.resources.bundle import Extras, Resource, Writer, resources_of
from fhirdrain.resources.destination import adapted
from fhirdrain.resources.device import device_of
from fhirdrain.resources.drain import Drain, Making, link_tubes
from fhirdrain.resources.identity import device_identifier, name_of, reading_identity
from fhirdrain.resources.provenance import Sources, digest_of, lines_of, provenance_of
from fhirdrain.resources.references import Form, References
from fhirdrain.site import Site, Source
from fhirdrain.site.durations import duration
from fhirdrain.site.policy import load_policy
from fhirdrain.store import Store
from fhirdrain.street.remembering import keep_items, with_remembered, words_of
from fhirdrain.street.telling import Told, silent
from fhirdrain.vocabulary.codes import BASE
from fhirdrain.vocabulary.observables import BESIDE, PATIENT_WEIGHT


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is sent beside readings: totals, and rates as the site's policy asks for them."""

    totals: bool = False
    rates: Asked | None = None


def wanted_of(names: Sequence[str], site: Site) -> Wanted:
    """Return what a run was asked to send; raises `ConfigurationError` for rates without a policy.

    A rate over a few minutes says nothing; how short an interval may be is the site's figure.
    """
    if "rates" not in names:
        return Wanted("totals" in names)
    policy = load_policy(site.policy) if site.policy is not None else None
    if policy is None or policy.shortest_interval is None:
        raise ConfigurationError(
            "rates need the shortest interval they may be worked out over",
            place=str(site.policy or ""),
            hint='shortest_interval = "1h" in the policy file that the site file names',
        )
    try:
        shortest = duration(policy.shortest_interval)
        return Wanted("totals" in names, Asked(shortest, policy.rolling_hour))
    except ValueError as error:
        raise ConfigurationError(str(error), place=str(site.policy)) from None


@dataclass
class DrainSummary:
    """What a run says of one drain, as known `now`; totals are worked out when asked for.

    `away` is when it was a tube led into another drain's unit: what drained then counts there.
    `weights` are the patient's, in order of time.
    """

    patient: str
    drain: str
    episode: int
    ledger: Ledger
    settings: Settings
    now: datetime
    doubles: Sequence[Sequence[Reading]]
    away: Sequence[Join] = ()
    weights: Sequence[Reading] = ()

    @property
    def removed(self) -> datetime | None:
        """Return when the drain was removed, if it was."""
        return self.ledger.removed

    @cached_property
    def windows(self) -> list[Total]:
        """Return the totals of its shifts, every one from first reading to last."""
        return self._totals(self.settings.windows)

    @cached_property
    def days(self) -> list[Total]:
        """Return the totals of its days."""
        return self._totals([self.settings.day_starts])

    def extras(self, wanted: Wanted) -> Extras:
        """Return its totals and the outputs with rates, as far as they are wanted."""
        made = self.rates(wanted.rates) if wanted.rates is not None else ()
        return Extras([*self.windows, *self.days] if wanted.totals else (), made)

    def rates(self, asked: Asked) -> tuple[Rate, ...]:
        """Return its rates, as far as they can be known."""
        unsure = [*chain.from_iterable(self.doubles), *self.ledger.doubtful]
        return tuple(
            rates(self.ledger, asked, unsure=unsure, weights=self.weights, away=self._is_away)
        )

    def _is_away(self, start: datetime, end: datetime) -> bool:
        return any(join.overlaps(start, end) for join in self.away)

    def _totals(self, starts: Sequence[time]) -> list[Total]:
        windows = Windows(self.settings.zone, starts)
        found = totals(self.ledger, windows, self.settings, now=self.now, doubles=self.doubles)
        return [without(total, self.away) for total in found]


@dataclass(slots=True)
class MapReport:
    """What came of a run: items in = mapped + rejected + set aside, always.

    `respelled`, `drawn` and `assumed` count what was read as something else: units, words of a
    list, dates without a time, `handled` what FHIR elements of others were changed or lost.
    `unused` are parts that an item does not have. `ahead` are items
    stored before the time they speak of. `judgements` are the answers to the figures of the site's
    policy, as known at each patient's last reading.
    """

    items: int = 0
    mapped: int = 0
    rejected: int = 0
    set_aside: Counter[str] = field(default_factory=Counter)
    respelled: Counter[tuple[str, str]] = field(default_factory=Counter)
    drawn: Counter[tuple[str, str]] = field(default_factory=Counter)
    assumed: Counter[str] = field(default_factory=Counter)
    unused: Counter[tuple[str, str]] = field(default_factory=Counter)
    handled: Counter[tuple[str, str, str]] = field(default_factory=Counter)
    ahead: int = 0
    issues: list[Issue] = field(default_factory=list)
    set_aside_items: list[SourceItem] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    judgements: list[Judgement] = field(default_factory=list)
    drains: list[DrainSummary] = field(default_factory=list)
    resources: dict[str, int] = field(default_factory=dict)
    versions: int = 0
    outgoing: dict[str, int] = field(default_factory=dict)
    rejects: list[Path] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    @property
    def balanced(self) -> bool:
        """Tell whether every item is accounted for."""
        return self.items == self.mapped + self.rejected + self.set_aside.total()

    def count(self, item: SourceItem) -> None:
        """Count an item that came in, and what in it was read as something else than it says."""
        self.items += item.counted
        for element, became, how in item.handled:
            if became != "carried" and item.issue is None and not item.set_aside:
                self.handled[became, re.sub(r"\[\d+\]", "", element), how] += 1
        if item.issue is not None:
            return
        if item.respelled or item.drawn or item.assumed or item.unused:  # which is seldom
            self.respelled.update(item.respelled)
            self.drawn.update(item.drawn)
            self.assumed.update(item.assumed)
            self.unused.update((column, item.item) for column in item.unused)
        recorded = item.recorded
        self.ahead += recorded is not None and any(recorded < r.time for r in item.readings)


def map_sources(
    paths: Sequence[Path],
    site: Site,
    source: Source,
    stream: BinaryIO,
    *,
    form: Form = "transaction",
    rejects: Path,
    store: Store | None = None,
    keep_items: bool = False,
    wanted: Wanted = Wanted(),
    progress: Told = silent,
    protected: Sequence[Path] = (),
    account: Callable[[SourceItem], None] | None = None,
    now: datetime | None = None,
) -> MapReport:
    """Map source files to a stream of FHIR; returns the account of the run.

    Readings are sorted by patient, drain and time on disk: memory holds one patient at a time.
    Refused items go whole to the rejects file. `wanted` are derived numbers that are sent too,
    `progress` is told how far it has come. `keep_items` keeps readings, drains and items set aside
    in the report, for showing and comparing them. Raises `SourceError` for a file that cannot be
    read at all, before anything is written, and `ConfigurationError` when the rejects would
    overwrite a source or a `protected` file. `account` hears of every item as
    it is read. With a `store` the numbers are those of all that it
    knows of the patients that come in, and it keeps what comes in.
    """
    report = MapReport()
    figures = load_policy(site.policy).read() if site.policy is not None else []
    files: list[Records] = []
    with ExitStack() as stack:
        for index, path in enumerate(paths):
            # Arrival numbers of a file begin behind all of the file before it.
            files.append(open_source(path, source, site, first=index * FILE_STEP))
            stack.callback(files[-1].close)
        spill = stack.enter_context(Spill())
        refused = stack.enter_context(Rejects(rejects, source, files, protected))
        # Rejects files first: what stands in them takes the place of the rows it was made from.
        for file in sorted(files, key=lambda file: not file.is_rejects):
            for item in file:
                item.source = source.name
                report.count(item)
                if account is not None:
                    account(item)
                item.handled = ()  # told, and not to be kept
                progress("items read", report.items)
                if item.origin is not None:
                    spill.hold_mended(item)
                elif spill.is_mended(item):
                    if item.counted:
                        _set_aside(item, _MENDED, report, keep_items)
                else:
                    _take(item, site, report, spill, refused, keep_items)
            if file.cut_short:
                report.notes.append(
                    f"{file.path}: no line end behind the last row: was the file cut short?"
                )
        for same in spill.mended():
            # Mended more than once, the last one that can be read stands.
            faulty = {_line(item) for item in same if item.issue is not None}
            best = next((line for line in map(_line, reversed(same)) if line not in faulty), None)
            best = best or _line(same[-1])
            for item in same:
                if _line(item) == best:
                    _take(item, site, report, spill, refused, keep_items)
                elif item.counted:
                    _set_aside(item, _MENDED, report, keep_items)
        several = spill.rows_said_of_several()
        if several:
            report.notes.append(
                f"{several} row ids were charted for several patients or under several items:"
                " each stands until the source withdraws it"
            )
        told = _sources(paths, site, now)
        writer = stack.enter_context(Writer(stream, form))
        half_timed = 0
        for patient, items in spill.patients():
            progress("resources written", sum(writer.counts.values()))
            if store is not None:
                items = with_remembered(store, patient, items, site)
            # Messages come one after the other: of one minute the last one stands.
            in_order = source.kind == "hl7v2"
            accepted = list(_accepted(items, report, refused, in_order=in_order))
            half_timed += _half_timed(accepted)
            drains = drains_of(patient, folded(accepted), site.settings)
            summaries, findings, sums = summarise(drains, site.settings)
            _count(accepted, drains, sums, report)
            if store is not None:
                sending = to_send(drains, summaries, site, "transaction", wanted)
                changed = list(_changed(patient, accepted, sending, site, store))
                with store.commit():
                    report.versions += Taken(patient, accepted, changed).keep(store)
            written = []
            for _, resource in to_send(drains, summaries, site, form, wanted):
                writer.write(resource)
                if told is not None:
                    written.append(_name_only(resource))
            lines = lines_of(item for item in accepted if not item.remembered)
            if told is not None and written and lines:
                writer.write(provenance_of(told, patient, lines, written, form))
            report.findings += findings
            report.judgements += judged(drains, figures, site.settings)
            if keep_items:
                report.readings += (r for drain in drains for r in drain.readings)
                report.drains += summaries
        if half_timed:
            report.notes.append(
                f"{half_timed} rows have versions with a stored time and without one:"
                " of those the last that came stands"
            )
        report.resources = writer.counts
        report.rejects = refused.written
        report.notes += (
            f"{path} is from an earlier run: this one refused nothing into it"
            for path in refused.left_over()
        )
        report.outgoing = store.outgoing_by_state() if store is not None else {}
    return report


_MENDED = "refused, and mended in another row"


def _sources(paths: Sequence[Path], site: Site, now: datetime | None) -> Sources | None:
    """Return what is told of where the resources come from, None where nobody asks for it."""
    if site.destination is None or not site.destination.provenance:
        return None
    digests = {str(path): digest_of(path) for path in paths}
    return Sources(digests, site.id, site.digest, now or datetime.now().astimezone())


def _name_only(resource: Resource) -> Resource:
    """Return as much of a resource as names it."""
    return {key: resource[key] for key in ("resourceType", "id", "identifier") if key in resource}


def _line(item: SourceItem) -> tuple[str, int]:
    return item.file, item.line


def _take(
    item: SourceItem,
    site: Site,
    report: MapReport,
    spill: Spill,
    refused: Rejects,
    keep_items: bool,
) -> None:
    if item.issue is not None:
        _reject(item, item.issue, report, refused)
    elif item.set_aside or not item.counted:
        if item.counted:
            _set_aside(item, item.set_aside, report, keep_items)
        if item.silent:
            spill.add(item)
    else:
        spill.add(_named(item, site))


def _named(item: SourceItem, site: Site) -> SourceItem:
    """Return an item whose readings have their names."""
    item.readings = tuple(
        reading.named(reading_identity(site, reading)) for reading in item.readings
    )
    return item


def _reject(item: SourceItem, issue: Issue, report: MapReport, refused: Rejects | _Held) -> None:
    report.rejected += 1
    report.issues.append(issue)
    refused.write(item, issue)


def _set_aside(item: SourceItem, why: str, report: MapReport, keep: bool) -> None:
    report.set_aside[why] += 1
    if keep:
        report.set_aside_items.append(item)


# -- one patient ----------------------------------------------------------------------------


def _count(
    accepted: Sequence[SourceItem],
    drains: Sequence[Drain],
    sums: Sequence[SumCheck],
    report: MapReport,
) -> None:
    """Count a patient's items as mapped, or as set aside where they only check others."""
    checks = {check.amount.identity: check for check in _checks(drains)}
    verdicts = {check.charted.identity: check.verdict for check in sums}
    for item in accepted:
        if item.silent or item.remembered:
            continue  # counted when it was set aside, or in the run that it came in
        compared = [checks[r.identity] for r in item.readings if r.identity in checks]
        if compared and len(compared) == len(item.readings):
            report.set_aside[f"an amount that {compared[0].verdict} the levels, not sent"] += 1
        elif item.readings and item.readings[0].observable in BESIDE:
            report.set_aside[_beside(item.readings[0], verdicts)] += 1
        else:
            report.mapped += 1


def _beside(reading: Reading, verdicts: Mapping[str, str]) -> str:
    """Return why what is charted beside a drain's readings is not sent."""
    if reading.observable == PATIENT_WEIGHT.name:
        return "a weight, for what is said by the kilogram, not sent"
    verdict = verdicts.get(reading.identity)
    if verdict is None:
        return "a charted sum that was put right or withdrawn, not sent"
    return f"a charted sum that {verdict} its parts, not sent"


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


def _changed(
    patient: str,
    accepted: Sequence[SourceItem],
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
    for lane in sorted(lanes | set(_lanes_before(patient, accepted, site, store))):
        for resource in _vanished(store.latest(lane), standing):
            yield lane, resource


def take_items(
    patient: str, items: Sequence[SourceItem], site: Site, store: Store, wanted: Wanted
) -> Taken:
    """Work out what follows from items of a patient, beside all that the store knows of them."""
    held = _Held()
    named = [_named(item, site) for item in items]
    together = with_remembered(store, patient, named, site)
    accepted = list(_accepted(together, MapReport(), held, in_order=True))
    drains = drains_of(patient, folded(accepted), site.settings)
    summaries, *_ = summarise(drains, site.settings)
    sending = to_send(drains, summaries, site, "transaction", wanted)
    changed = list(_changed(patient, accepted, sending, site, store))
    return Taken(patient, accepted, changed, held.items)


class _Held:
    """Takes what is refused, in place of a rejects file."""

    def __init__(self) -> None:
        self.items: list[tuple[SourceItem, Issue]] = []

    def write(self, item: SourceItem, issue: Issue) -> None:
        """Take one refused item with its reason."""
        self.items.append((item, issue))


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


def to_send(
    drains: Sequence[Drain],
    summaries: Sequence[DrainSummary],
    site: Site,
    form: Form,
    wanted: Wanted,
) -> Iterator[tuple[Making, Resource]]:
    """Yield a patient's resources with the making of each, all Devices before the rest."""
    checking = [check.amount for check in _checks(drains)]
    # Of a drain that nothing but a sum is charted of, and nothing refers to, nothing is sent.
    referred = [tube for drain in drains for tube in drain.tubes.values()]
    sent = [drain for drain in drains if drain.readings or drain in referred]
    asked = site.destination
    base = asked.profile_base if asked is not None else BASE
    makings = [Making(site, References(form), drain, base) for drain in sent]
    extras = {(s.drain, s.episode): s.extras(wanted) for s in summaries}
    made = chain(
        ((making, device_of(making)) for making in makings),
        (
            (making, resource)
            for making in makings
            for resource in resources_of(
                making, checking, extras.get((making.drain.name, making.drain.episode))
            )
        ),
    )
    for making, resource in made:
        yield making, resource if asked is None else adapted(resource, asked)


def _accepted(
    items: Sequence[SourceItem],
    report: MapReport,
    refused: Rejects | _Held,
    *,
    in_order: bool = False,
) -> Iterator[SourceItem]:
    """Yield the items that stand; refuse ties without a row id, and withdrawals of nothing."""
    items = _told_once(items)
    told = Counter(
        key
        for item in {i.arrival: i for i in items if i.row is None}.values()
        for key in {(reading.identity, reading.observable) for reading in item.readings}
    )
    known = {
        key
        for i in items
        if i.readings
        for key in ((i.source, i.row, i.item), (i.source, i.row, ""))
    }
    contents: dict[tuple[object, ...], set[object]] = {}
    for item in items:
        if item.rebuilt:
            continue  # a server tells the last status of a row, not that of its version
        if item.row is not None and item.recorded is not None and item.readings:
            said = tuple((r.observable, r.status, *r.content) for r in item.readings)
            contents.setdefault(_version(item), set()).add(said)
    for item in items:
        if item.remembered:
            yield item
        elif item.row is None and any(told[r.identity, r.observable] > 1 for r in item.readings):
            issue = _item_issue(
                item,
                "tie",
                "another row says something of the same drain at the same time",
                "without a row id the two cannot be told apart: mend it in the source itself",
            )
            _reject(item, issue, report, refused)
        elif not in_order and item.readings and len(contents.get(_version(item), ())) > 1:
            issue = _item_issue(
                item,
                "tie",
                "the same row id, stored at the same time, says something else in another row",
                "is the row column an id of the row, and not of a round or a form?",
            )
            _reject(item, issue, report, refused)
        elif item.withdraws and (item.source, item.row, item.item) not in known:
            issue = _item_issue(
                item,
                "withdrawal",
                "it withdraws a row that is not in these files",
                "run it together with the file that holds the row, or with a store that knows it",
            )
            _reject(item, issue, report, refused)
        else:
            yield item


def _told_once(items: Sequence[SourceItem]) -> list[SourceItem]:
    """Return items of which one without a row id that says just what another says has its place."""
    places: dict[bytes, int] = {}
    result = []
    for item in items:
        if item.row is None and item.readings:
            place = places.setdefault(words_of(item), item.arrival)
            item = item if place == item.arrival else replace(item, arrival=place)
        result.append(item)
    return result


def _half_timed(items: Iterable[SourceItem]) -> int:
    """Count the rows of whose versions only some say when they were stored."""
    timed: dict[tuple[object, ...], set[bool]] = {}
    for item in items:
        if item.row is not None and not item.rebuilt:
            said = timed.setdefault((item.source, item.row, item.item), set())
            said.add(item.recorded is not None)
    return sum(len(said) > 1 for said in timed.values())


def _version(item: SourceItem) -> tuple[object, ...]:
    # What was put right within the minute it was charted in is told by its status.
    return item.source, item.row, item.item, item.recorded, _stage(item)


def _stage(item: SourceItem) -> int:
    # A server tells the last status that a row had, not that of its version.
    return -1 if item.rebuilt else stage_of(item.readings, withdraws=item.withdraws)


def _item_issue(item: SourceItem, rule: str, message: str, hint: str) -> Issue:
    return Issue("error", "duplicate", rule, message, hint=hint, file=item.file, line=item.line)


def folded(items: Iterable[SourceItem]) -> list[Reading]:
    """Return one patient's readings with the versions of each item folded into one.

    An item that a later version of its row leaves empty is withdrawn by it; one that was mended
    from that very row is not.
    """
    said: dict[tuple[object, ...], list[SourceItem]] = {}
    items = list(items)
    for item in items:
        if not item.blanks:
            key = (item.source, item.row, item.item) if item.row is not None else (item.arrival,)
            said.setdefault(key, []).append(item)
    blanked: dict[tuple[object, ...], list[SourceItem]] = {}
    for item in items:
        for blank in item.blanks:
            others = said.get((item.source, item.row, blank), ())
            if others and all(o.origin is None or o.origin[:3] != item.place[:3] for o in others):
                blanked.setdefault((item.source, item.row, blank), []).append(item)
    return [
        reading
        for key, group in said.items()
        for reading in fold(
            Version(item.arrival, item.recorded, item.readings, item.withdraws, _stage(item))
            for item in (*group, *blanked.get(key, ()))
        )
    ]


def drains_of(patient: str, readings: Iterable[Reading], settings: Settings) -> list[Drain]:
    """Return a patient's drains with their readings in order, ledgers and orders."""
    by_label: dict[str, list[Reading]] = {}
    weights: list[Reading] = []
    readings = list(readings)
    ordered = {r.identity: r.drain for r in readings if r.counts and r.observable in ORDERED}
    for reading in readings:
        if reading.observable == PATIENT_WEIGHT.name:
            weights.append(reading)
        elif reading.counts or ordered.get(reading.identity, reading.drain) == reading.drain:
            # An order that was moved to another drain stands there, whatever of it was left out.
            by_label.setdefault(reading.drain, []).append(reading)
    weights = weights_in(weights)
    drains = []
    for label in sorted(by_label):
        by_episode: dict[int, list[Reading]] = {}
        for reading in assign_episodes(by_label[label]):
            by_episode.setdefault(reading.episode, []).append(reading)
        for episode, together in by_episode.items():
            own = [reading for reading in together if reading.observable not in BESIDE]
            linked = sorted(link_orders(own), key=lambda r: r.sort_key)
            standing = any(reading.real for reading in linked)
            drains.append(
                Drain(
                    patient=patient,
                    name=label,
                    episode=episode,
                    readings=linked,
                    ledger=keep_ledger(linked, settings) if standing else None,
                    orders=orders_of(linked),
                    sums=sums_in(together),
                    weights=weights,
                )
            )
    return link_tubes(drains)


def judged(
    drains: Sequence[Drain],
    figures: Sequence[Figure],
    settings: Settings,
    now: datetime | None = None,
) -> list[Judgement]:
    """Return the answers to a policy's figures for one patient, `now` or at the last reading."""
    doubles = [*chain.from_iterable(_doubles(drains, settings))]
    held = [
        Drained(
            drain.name,
            drain.readings,
            drain.ledger,
            drain.orders,
            drain.weights,
            [join for join, _ in drain.led],
            [into.name for _, into in drain.led],
            doubles,
            drain.episode,
        )
        for drain in drains
        if drain.ledger is not None
    ]
    ends = [drain.ledger.last for drain in held if drain.ledger.last is not None]
    if not ends:
        return []
    return judge(figures, held, settings, now=now or max(ends))


def _doubles(drains: Sequence[Drain], settings: Settings) -> list[tuple[Reading, Reading]]:
    """Return the pairs of one patient's amounts that may be one amount charted twice."""
    # Amounts that only check the levels are in no total, so they cannot be counted twice.
    checking = {check.amount.identity for check in _checks(drains)}
    counted = [r for d in drains for r in d.readings if r.counts and r.identity not in checking]
    return suspected_doubles(counted, settings.double_within)


def _checks(drains: Iterable[Drain]) -> list[Check]:
    return [c for drain in drains if drain.ledger is not None for c in drain.ledger.checks]


def summarise(
    drains: Sequence[Drain], settings: Settings, now: datetime | None = None
) -> tuple[list[DrainSummary], list[Finding], list[SumCheck]]:
    """Return one patient's totals, findings and charted sums, `now` or at the last reading."""
    ledgers = [drain.ledger for drain in drains if drain.ledger is not None]
    ends = [ledger.last for ledger in ledgers if ledger.last is not None]
    # A sum is no reading: behind the last reading nothing is known, whatever is added up there.
    ends = ends or [reading.time for drain in drains for reading in drain.sums]
    if not ends:
        return [], [], []
    now = now or max(ends)
    pairs = _doubles(drains, settings)
    repeats = doubles_in(pairs)
    summaries = [
        DrainSummary(
            drain.patient,
            drain.name,
            drain.episode,
            drain.ledger,
            settings,
            now,
            repeats,
            [join for join, _ in drain.led],
            drain.weights,
        )
        for drain in drains
        if drain.ledger is not None
    ]
    sums = [
        check
        for drain in drains
        for check in check_sums(drain.sums, drain.ledger, settings, now=now, doubles=repeats)
    ]
    findings = [finding for ledger in ledgers for finding in ledger.findings]
    findings += [double_finding(pair) for pair in pairs]
    findings += [finding for check in sums if (finding := check.finding()) is not None]
    return summaries, findings, sums
