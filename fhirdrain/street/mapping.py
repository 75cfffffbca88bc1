"""map: source files to FHIR, with every source item accounted for."""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import BinaryIO

from fhirdrain.bedside.episodes import assign_episodes
from fhirdrain.bedside.findings import Finding, double_finding, doubtful, suspected_doubles
from fhirdrain.bedside.ledger import Total, keep_ledger, totals
from fhirdrain.bedside.orders import link_orders, orders_of
from fhirdrain.bedside.reading import Reading
from fhirdrain.bedside.settings import Settings
from fhirdrain.bedside.versions import Version, fold
from fhirdrain.bedside.windows import Windows
from fhirdrain.errors import ConfigurationError
from fhirdrain.intake.item import SourceItem
from fhirdrain.intake.spill import Spill
from fhirdrain.intake.table import WHY_COLUMN, Table, open_table
from fhirdrain.issues import Issue
from fhirdrain.resources.bundle import Writer, resources_of
from fhirdrain.resources.drain import Drain, Making
from fhirdrain.resources.identity import reading_identity
from fhirdrain.resources.references import Form, References
from fhirdrain.site import Site, Source
from fhirdrain.store import Store


@dataclass(slots=True)
class DrainSummary:
    """What a run says of one drain: its totals by window and by day, and its findings."""

    patient: str
    drain: str
    episode: int
    windows: list[Total]
    days: list[Total]
    removed: datetime | None
    baseline: Reading | None
    withdrawn: list[Reading]


@dataclass(slots=True)
class MapReport:
    """What came of a run: items in = mapped + rejected + set aside, always."""

    items: int = 0
    mapped: int = 0
    rejected: int = 0
    set_aside: Counter[str] = field(default_factory=Counter)
    respelled: Counter[tuple[str, str]] = field(default_factory=Counter)
    issues: list[Issue] = field(default_factory=list)
    set_aside_items: list[SourceItem] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    drains: list[DrainSummary] = field(default_factory=list)
    resources: dict[str, int] = field(default_factory=dict)
    versions: int = 0
    rejects: list[Path] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    @property
    def balanced(self) -> bool:
        """Tell whether every item is accounted for."""
        return self.items == self.mapped + self.rejected + self.set_aside.total()


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
) -> MapReport:
    """Map source files to a stream of FHIR; returns the account of the run.

    Readings are sorted by patient, drain and time on disk: memory holds one patient at a time.
    Refused items go whole to the rejects file. `keep_items` keeps readings and items set aside
    in the report, for showing and comparing them. Raises `SourceError` for a file that cannot be
    read at all, before anything is written.
    """
    report = MapReport()
    tables = _opened(paths, source, site)
    with ExitStack() as stack:
        spill = stack.enter_context(Spill())
        refused = stack.enter_context(_Rejects(rejects, source, tables))
        for table in tables:
            for item in table:
                _take(item, site, report, spill, refused, keep_items)
            if table.cut_short:
                report.notes.append(
                    f"{table.path}: no line end behind the last row: was the file cut short?"
                )
        writer = stack.enter_context(Writer(stream, form))
        for patient, items in spill.patients():
            drains = _patient(patient, items, site, form, report, writer, refused, store)
            if keep_items:
                report.readings += (r for drain in drains for r in drain.readings)
        report.resources = writer.counts
        report.rejects = refused.written
    return report


def _opened(paths: Sequence[Path], source: Source, site: Site) -> list[Table]:
    tables: list[Table] = []
    for index, path in enumerate(paths):
        # Arrival numbers of a file begin behind all of the file before it.
        tables.append(open_table(path, source, site, first=index * 10**12))
    return tables


def _take(
    item: SourceItem,
    site: Site,
    report: MapReport,
    spill: Spill,
    refused: _Rejects,
    keep_items: bool,
) -> None:
    report.items += 1
    report.respelled.update(item.respelled)
    if item.issue is not None:
        _reject(item, item.issue, report, refused)
    elif item.set_aside:
        _set_aside(item, item.set_aside, report, keep_items)
    else:
        item.readings = tuple(
            replace(reading, identity=reading_identity(site, reading)) for reading in item.readings
        )
        spill.add(item)


def _reject(item: SourceItem, issue: Issue, report: MapReport, refused: _Rejects) -> None:
    report.rejected += 1
    report.issues.append(issue)
    refused.write(item, issue)


def _set_aside(item: SourceItem, why: str, report: MapReport, keep: bool) -> None:
    report.set_aside[why] += 1
    if keep:
        item.set_aside = why
        report.set_aside_items.append(item)


# -- one patient ----------------------------------------------------------------------------


def _patient(
    patient: str,
    items: Sequence[SourceItem],
    site: Site,
    form: Form,
    report: MapReport,
    writer: Writer,
    refused: _Rejects,
    store: Store | None,
) -> list[Drain]:
    accepted = list(_accepted(items, report, refused))
    readings = folded(accepted)
    report.mapped += len(accepted)
    drains = drains_of(patient, readings, site.settings)
    checking = _checking(drains)
    if checking:
        # They were counted as mapped a moment ago; compared and not sent, they are set aside.
        checks = {reading.identity for reading in checking}
        held_back = sum(1 for i in accepted if any(r.identity in checks for r in i.readings))
        report.mapped -= held_back
        report.set_aside["an amount that only checks the levels"] += held_back
    if store is not None:
        with store.commit():
            report.versions += store.put_versions(
                reading for item in accepted for reading in item.readings
            )
            for drain in drains:
                making = Making(site, References("transaction"), drain)
                store.put_outgoing(resources_of(making, checking), making.device_value)
    for drain in drains:
        making = Making(site, References(form), drain)
        for resource in resources_of(making, checking):
            writer.write(resource)
    summaries, findings = summarise(drains, site.settings)
    report.drains += summaries
    report.findings += findings
    return drains


def _accepted(
    items: Sequence[SourceItem], report: MapReport, refused: _Rejects
) -> Iterator[SourceItem]:
    """Yield the items that stand; refuse ties without a row id, and withdrawals of nothing."""
    without_row = Counter(r.identity for i in items if i.row is None for r in i.readings)
    known = {(i.row, i.item) for i in items if i.readings}
    for item in items:
        if item.row is None and any(without_row[r.identity] > 1 for r in item.readings):
            issue = _item_issue(
                item,
                "tie",
                "another row says the same thing of the same drain at the same time",
                "a column with the source's own row id would tell them apart",
            )
            _reject(item, issue, report, refused)
        elif item.withdraws and (item.row, item.item) not in known:
            issue = _item_issue(
                item,
                "withdrawal",
                "it withdraws a row that is not in these files",
                "run it together with the file that holds the row",
            )
            _reject(item, issue, report, refused)
        else:
            yield item


def _item_issue(item: SourceItem, rule: str, message: str, hint: str) -> Issue:
    return Issue("error", "duplicate", rule, message, hint=hint, file=item.file, line=item.line)


def folded(items: Iterable[SourceItem]) -> list[Reading]:
    """Return one patient's readings with the versions of each item folded into one."""
    versions: dict[tuple[object, ...], list[Version]] = {}
    for item in items:
        key = (item.row, item.item) if item.row is not None else (item.arrival,)
        versions.setdefault(key, []).append(
            Version(item.arrival, item.recorded, item.readings, item.withdraws)
        )
    return [reading for group in versions.values() for reading in fold(group)]


def drains_of(patient: str, readings: Iterable[Reading], settings: Settings) -> list[Drain]:
    """Return a patient's drains with their readings in order, ledgers and orders."""
    by_label: dict[str, list[Reading]] = {}
    for reading in readings:
        by_label.setdefault(reading.drain, []).append(reading)
    drains = []
    for label in sorted(by_label):
        by_episode: dict[int, list[Reading]] = {}
        for reading in assign_episodes(by_label[label]):
            by_episode.setdefault(reading.episode, []).append(reading)
        for episode, own in by_episode.items():
            linked = sorted(link_orders(own), key=lambda r: r.sort_key)
            standing = any(reading.counts for reading in linked)
            drains.append(
                Drain(
                    patient=patient,
                    name=label,
                    episode=episode,
                    readings=linked,
                    ledger=keep_ledger(linked, settings) if standing else None,
                    orders=orders_of(linked),
                )
            )
    return drains


def _checking(drains: Iterable[Drain]) -> list[Reading]:
    return [c.amount for d in drains if d.ledger is not None for c in d.ledger.checks]


def summarise(
    drains: Sequence[Drain], settings: Settings
) -> tuple[list[DrainSummary], list[Finding]]:
    """Return the totals and findings of one patient's drains, as known at the last reading."""
    ledgers = [drain.ledger for drain in drains if drain.ledger is not None]
    if not ledgers:
        return [], []
    now = max(ledger.last for ledger in ledgers if ledger.last is not None)
    # Amounts that only check the levels are in no total, so they cannot be counted twice.
    checking = {reading.identity for reading in _checking(drains)}
    counted = [r for d in drains for r in d.readings if r.counts and r.identity not in checking]
    pairs = suspected_doubles(counted, settings.double_within)
    repeats = doubtful(pairs)
    shifts = Windows(settings.zone, settings.windows)
    days = Windows(settings.zone, [settings.day_starts])
    summaries = [
        DrainSummary(
            patient=drain.patient,
            drain=drain.name,
            episode=drain.episode,
            windows=totals(drain.ledger, shifts, settings, now=now, doubles=repeats),
            days=totals(drain.ledger, days, settings, now=now, doubles=repeats),
            removed=drain.ledger.removed,
            baseline=drain.ledger.baseline,
            withdrawn=[r for r in drain.readings if not r.counts],
        )
        for drain in drains
        if drain.ledger is not None
    ]
    findings = [finding for ledger in ledgers for finding in ledger.findings]
    return summaries, [*findings, *(double_finding(pair) for pair in pairs)]


# -- rejects --------------------------------------------------------------------------------


class _Rejects:
    """Writes refused records as they stood, each with its reason in a last column of ours.

    Files with another header go to a file of their own: `NAME-2.csv`, ...
    """

    def __init__(self, path: Path, source: Source, tables: Sequence[Table]) -> None:
        self._path = path
        self._source = source
        self._tables = {str(table.path): table for table in tables}
        self._streams: dict[str, io.TextIOWrapper] = {}
        self.written: list[Path] = []
        given = {Path(table.path).resolve() for table in tables}
        if path.resolve() in given:
            raise ConfigurationError(
                "the rejects file is one of the sources: it would be overwritten", place=str(path)
            )

    def __enter__(self) -> _Rejects:
        return self

    def __exit__(self, *_: object) -> None:
        for stream in self._streams.values():
            stream.close()

    def write(self, item: SourceItem, issue: Issue) -> None:
        """Write one refused record with its reason."""
        table = self._tables[item.file]
        stream = self._streams.get(table.header_line)
        if stream is None:
            number = len(self._streams) + 1
            path = self._path
            if number > 1:
                path = path.with_name(f"{path.stem}-{number}{path.suffix}")
            stream = path.open(
                "w", encoding=self._source.encoding, errors="surrogateescape", newline=""
            )
            self._streams[table.header_line] = stream
            self.written.append(path)
            stream.write(self._with_cell(table.header_line, WHY_COLUMN, table))
        reason = f"{issue.message}; {issue.hint}" if issue.hint else issue.message
        stream.write(self._with_cell(item.raw, reason, table))

    def _with_cell(self, record: str, cell: str, table: Table) -> str:
        """Return a record with one cell more, or with our cell replaced on a second run."""
        body = record.rstrip("\r\n")
        end = record[len(body) :] or "\n"
        delimiter = self._source.delimiter
        if table.header and table.header[-1] == WHY_COLUMN:
            body = _without_last_cell(body, delimiter)
        line = io.StringIO()
        csv.writer(line, delimiter=delimiter, lineterminator="").writerow([cell])
        return f"{body}{delimiter}{line.getvalue()}{end}"


def _without_last_cell(record: str, delimiter: str) -> str:
    quoted, last = False, None
    for place, character in enumerate(record):
        if character == '"':
            quoted = not quoted
        elif character == delimiter and not quoted:
            last = place
    return record if last is None else record[:last]
