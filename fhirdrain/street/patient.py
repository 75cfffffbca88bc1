"""One patient: source items to readings, drains, ledgers, totals, and the resources of all that."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, time
from functools import cached_property
from itertools import chain

from fhirdrain.bedside.episodes import assign_episodes
from fhirdrain.bedside.findings import Finding, double_finding, doubles_in, suspected_doubles
from fhirdrain.bedside.joins import Join
from fhirdrain.bedside.ledger import Check, Ledger, keep_ledger
from fhirdrain.bedside.orders import ORDERED, link_orders, orders_of
from fhirdrain.bedside.policy import Drained, Figure, Judgement, judge
from fhirdrain.bedside.rates import Asked, Rate, rates, weights_in
from fhirdrain.bedside.reading import Reading
from fhirdrain.bedside.settings import Settings
from fhirdrain.bedside.sums import SumCheck, check_sums, sums_in
from fhirdrain.bedside.totals import Total, totals, without
from fhirdrain.bedside.versions import Version, fold, stage_of
from fhirdrain.bedside.windows import Windows
from fhirdrain.errors import ConfigurationError
from fhirdrain.intake.item import SourceItem
from fhirdrain.issues import Issue
from fhirdrain.resources.bundle import Extras, Resource, resources_of
from fhirdrain.resources.destination import adapted
from fhirdrain.resources.device import device_of
from fhirdrain.resources.drain import Drain, Making, link_tubes
from fhirdrain.resources.references import Form, References
from fhirdrain.site import Site
from fhirdrain.site.durations import duration
from fhirdrain.site.policy import load_policy
from fhirdrain.street.remembering import words_of
from fhirdrain.vocabulary.codes import BASE
from fhirdrain.vocabulary.observables import BESIDE, PATIENT_WEIGHT


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is sent beside readings: totals, and rates as the site's policy asks for them."""

    totals: bool = False
    rates: Asked | None = None


NOTHING_MORE = Wanted()


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


def accepted(
    items: Sequence[SourceItem],
    refuse: Callable[[SourceItem, Issue], None],
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
            refuse(item, issue)
        elif not in_order and item.readings and len(contents.get(_version(item), ())) > 1:
            issue = _item_issue(
                item,
                "tie",
                "the same row id, stored at the same time, says something else in another row",
                "is the row column an id of the row, and not of a round or a form?",
            )
            refuse(item, issue)
        elif item.withdraws and (item.source, item.row, item.item) not in known:
            issue = _item_issue(
                item,
                "withdrawal",
                "it withdraws a row that is not in these files",
                "run it together with the file that holds the row, or with a store that knows it",
            )
            refuse(item, issue)
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


def half_timed(items: Iterable[SourceItem]) -> int:
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
    pairs = doubles_of(drains, settings)
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


def judged(
    drains: Sequence[Drain],
    figures: Sequence[Figure],
    settings: Settings,
    now: datetime | None = None,
) -> list[Judgement]:
    """Return the answers to a policy's figures for one patient, `now` or at the last reading."""
    doubles = [*chain.from_iterable(doubles_of(drains, settings))]
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


def doubles_of(drains: Sequence[Drain], settings: Settings) -> list[tuple[Reading, Reading]]:
    """Return the pairs of one patient's amounts that may be one amount charted twice."""
    # Amounts that only check the levels are in no total, so they cannot be counted twice.
    checking = {check.amount.identity for check in checks_of(drains)}
    counted = [r for d in drains for r in d.readings if r.counts and r.identity not in checking]
    return suspected_doubles(counted, settings.double_within)


def checks_of(drains: Iterable[Drain]) -> list[Check]:
    """Return what amounts that only check the levels came to."""
    return [c for drain in drains if drain.ledger is not None for c in drain.ledger.checks]


def to_send(
    drains: Sequence[Drain],
    summaries: Sequence[DrainSummary],
    site: Site,
    form: Form,
    wanted: Wanted,
) -> Iterator[tuple[Making, Resource]]:
    """Yield a patient's resources with the making of each, all Devices before the rest."""
    checking = [check.amount for check in checks_of(drains)]
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
