"""tour: the whole street on an invented ward, from charted rows to a server and back."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from fhirdrain import __version__
from fhirdrain.bedside.reading import Reading
from fhirdrain.bedside.totals import Total
from fhirdrain.conformance import check_file
from fhirdrain.exchange.auth import Bearer
from fhirdrain.exchange.client import Client
from fhirdrain.exchange.delivery import Delivery
from fhirdrain.sandbox.server import running
from fhirdrain.site import Site, load_site
from fhirdrain.site.policy import load_policy
from fhirdrain.street.handing_over import Rules, known_from_resources, sheets_of, written
from fhirdrain.street.mapping import map_sources
from fhirdrain.street.patient import DrainSummary, drains_of, summarise
from fhirdrain.street.posting import post, prepare
from fhirdrain.street.reading import Wanted, read_drains
from fhirdrain.street.report import MapReport
from fhirdrain.street.samples import samples_folder
from fhirdrain.vocabulary.jsontext import decode, encode

_SOURCES = (("rounds", "rounds.csv"), ("surgery", "surgery.tsv"))

_LAST_HANDOFF = datetime.fromisoformat("2025-10-27T07:05+01:00")

Json = dict[str, Any]

# What must come back as it was mapped.
SAME = (
    "patient",
    "drain",
    "episode",
    "observable",
    "value",
    "unit",
    "parts",
    "absent",
    "time",
    "status",
    "performer",
    "note",
    "order",
    "recorded",
    "encounter",
    "text",
    "original",
    "end",
    "source",
)


@dataclass(slots=True)
class Tour:
    """One tour: writes its files into a folder, tells its lines, and knows whether all came out."""

    folder: Path
    faults: list[str] = field(default_factory=list)

    def lines(self) -> Iterator[str]:
        """Yield the lines of the tour as it walks."""
        samples = samples_folder() / "scenario"
        site = load_site(samples / "site.toml")
        yield "an invented ward: three drains, three days, one clock change; no network"
        reports, bundles = [], []
        for name, file in _SOURCES:
            bundle = self.folder / f"{Path(file).stem}.json"
            report = _mapped(samples / file, site, name, bundle)
            reports.append(report)
            bundles.append(bundle)
            yield _came_in(file, report)
            self.expect(report.balanced, f"{file}: items are not accounted for")
            for item in report.set_aside_items:
                yield f"  set aside   {file} line {item.line}: {item.set_aside}"
            for issue in report.issues:
                yield f"  refused     {file} line {issue.line}: {issue.message} [{issue.value}]"
        issues = [issue for bundle in bundles for issue in check_file(bundle)]
        errors = sum(issue.is_error for issue in issues)
        self.expect(not errors, f"the check found {errors} errors")
        # On Saturday the order said 10 from 11:30 on, and suction stood at 20 until the evening.
        self.expect(
            [issue.rule for issue in issues] == ["suction-differs"] * 2,
            "the check did not find the suction that was not as ordered",
        )
        made = sum(sum(report.resources.values()) for report in reports)
        yield f"checked       {made} resources against R4 and the drain rules: {errors} errors"
        for issue in issues:
            yield f"  look        {issue.message} [{issue.value}]"
        with running(__version__) as base:
            yield from self._there_and_back(base, site, bundles, reports)
        yield from self._totals(samples / "totals.csv", reports)
        for fault in self.faults:
            yield f"WRONG         {fault}"
        yield f"files         bundles and refused rows: {self.folder}; sources: {samples}"
        yield (
            "not a medical device: compare with the bedside; local policy and licensed clinicians"
            " decide"
        )

    def expect(self, holds: bool, fault: str) -> None:
        """Note a fault unless something holds."""
        if not holds:
            self.faults.append(fault)

    def _there_and_back(
        self, base: str, site: Site, bundles: Sequence[Path], reports: Sequence[MapReport]
    ) -> Iterator[str]:
        client = Client(base, Bearer(None))
        parcels = [prepare(str(bundle)) for bundle in bundles]
        first = [post(client, parcel, create_patients=True) for parcel in parcels]
        yield f"sent          {_became(first)}"
        again = [post(client, parcel) for parcel in parcels]
        yield f"sent again    {_became(again)}"
        made = sum(sum(report.resources.values()) for report in reports)
        self.expect(sum(len(d.created) for d in first) == made, "not everything was created")
        self.expect(sum(len(d.present) for d in again) == made, "a second post changed something")
        changed = prepare(str(_with_one_value_changed(bundles[0], self.folder / "changed.json")))
        delivery = post(client, changed)
        found = "; ".join(text for _, texts in delivery.different for text in texts)
        yield f"one changed   {_became([delivery])}: {found}"
        self.expect(len(delivery.different) == 1, "a changed value was not reported")
        resources, readings, faults = read_drains(client, Wanted())
        client.close()
        mapped = [reading for report in reports for reading in report.readings]
        same = _by_identity(readings) == _by_identity(mapped)
        self.expect(same and not faults, "what was read back is not what was mapped")
        withdrawn = sum(1 for reading in readings if not reading.counts)
        yield (
            f"read back     {len(readings)} readings, {withdrawn} of them withdrawn:"
            f" {'the same as mapped' if same else 'NOT the same as mapped'}"
        )
        yield self._handed_over(resources, base, site)
        told = {(s.patient, s.drain): s for report in reports for s in report.drains}
        for summary in _summaries_of(readings, site):
            before = told[summary.patient, summary.drain]
            self.expect(
                [_said(t) for t in (*before.windows, *before.days)]
                == [_said(t) for t in (*summary.windows, *summary.days)],
                f"{summary.drain}: the ledger of what was read back differs",
            )

    def _handed_over(self, resources: Sequence[Json], base: str, site: Site) -> str:
        """Write the last hand-off's sheets from what was read back, and hold them to the table."""
        rules = Rules(site.settings, load_policy(site.policy) if site.policy else None)
        sheets = sheets_of(known_from_resources(resources, base), rules, _LAST_HANDOFF)
        path = self.folder / "sheet.html"
        path.write_bytes(written(sheets, "html", "en"))
        with (samples_folder() / "scenario" / "totals.csv").open(encoding="utf-8") as stream:
            rows = {row["window"]: row for row in csv.DictReader(stream)}
        blocks = [block for sheet in sheets for block in sheet.blocks]
        for block in blocks:
            total = block.drained.shift
            said = _amount(total) if total.place is not None else "drain out"
            wanted = rows[f"{total.window.start:%Y-%m-%d %H:%M}"][block.drain.name]
            self.expect(said == wanted, f"the sheet says {said} of {block.drain.name}")
        self.expect(len(blocks) == 3, "a drain is missing from the sheets")
        return f"handed over   {len(sheets)} sheets of {len(blocks)} drains: {path}"

    def _totals(self, expected: Path, reports: Sequence[MapReport]) -> Iterator[str]:
        drains = {s.drain: s for report in reports for s in report.drains}
        with expected.open(encoding="utf-8", newline="") as stream:
            rows = list(csv.DictReader(stream))
        names = [name for name in rows[0] if name not in ("window", "hours")]
        yield f"{'drained, mL':<30}" + "".join(f"{name:>14}" for name in names)
        for row in rows:
            cells = {name: _cell(drains[name], row["window"]) for name in names}
            hours = row["hours"]
            label = f"{row['window']}, {hours} h"
            yield f"{label:<30}" + "".join(f"{cells[name][0]:>14}" for name in names)
            for name in names:
                text, length = cells[name]
                self.expect(
                    text == row[name] and length in (None, int(hours)),
                    f"{name}, {row['window']}: {text}, expected {row[name]} in {hours} h",
                )


def _mapped(path: Path, site: Site, source: str, bundle: Path) -> MapReport:
    rejects = bundle.with_suffix(f".rejects{path.suffix}")
    with bundle.open("wb") as stream:
        return map_sources(
            [path], site, site.source(source), stream, rejects=rejects, keep_items=True
        )


def _came_in(file: str, report: MapReport) -> str:
    return (
        f"came in       {file}: {report.items} items = {report.mapped} mapped"
        f" + {report.rejected} refused + {report.set_aside.total()} set aside"
    )


def _became(deliveries: Sequence[Delivery]) -> str:
    created = sum(len(d.created) for d in deliveries)
    present = sum(len(d.present) for d in deliveries)
    different = sum(len(d.different) for d in deliveries)
    lost = sum(
        len(d.refused) + len(d.parked) + len(d.waiting) + len(d.uncompared) for d in deliveries
    )
    return (
        f"{created} created, {present} there already and the same, {different} different,"
        f" {lost} not delivered"
    )


def _with_one_value_changed(bundle: Path, target: Path) -> Path:
    """Write a copy of a bundle in which the first number that none was derived from is 1 higher."""
    data = decode(bundle.read_bytes())
    entries = data["entry"]
    used = {r["reference"] for e in entries for r in e["resource"].get("derivedFrom", ())}
    for entry in entries:
        value = entry["resource"].get("valueQuantity")
        if value and "derivedFrom" not in entry["resource"] and entry["fullUrl"] not in used:
            value["value"] += 1
            break
    target.write_bytes(encode(data))
    return target


def _by_identity(readings: Sequence[Reading]) -> dict[tuple[str, str], tuple[object, ...]]:
    return {
        (reading.identity, reading.observable): tuple(
            str(value) if name == "value" else value
            for name, value in ((name, getattr(reading, name)) for name in SAME)
        )
        for reading in readings
    }


def _summaries_of(readings: Sequence[Reading], site: Site) -> Iterator[DrainSummary]:
    for patient in sorted({reading.patient for reading in readings}):
        own = [reading for reading in readings if reading.patient == patient]
        summaries, *_ = summarise(drains_of(patient, own, site.settings), site.settings)
        yield from summaries


def _said(total: Total) -> tuple[object, ...]:
    return total.window, total.value, total.at_least, total.at_most


def _cell(summary: DrainSummary, window: str) -> tuple[str, int | None]:
    """Return what is said of a drain in a window, and the window's true hours."""
    is_day = window.startswith("day ")
    for total in summary.days if is_day else summary.windows:
        if f"{total.window.start:%Y-%m-%d %H:%M}" == window.removeprefix("day "):
            return _amount(total), int(total.window.hours)
    return ("drain out" if summary.removed is not None else "not charted"), None


def _amount(total: Total) -> str:
    if total.value is not None:
        return str(total.value)
    if total.at_least is None:
        return "not charted"
    if total.at_most is not None:
        return f"{total.at_least} to {total.at_most}"
    return f"at least {total.at_least}"
