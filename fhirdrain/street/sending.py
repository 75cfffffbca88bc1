"""One patient's turn in a run of map: from its items to what is written, kept and counted."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from fhirdrain.bedside.policy import Figure
from fhirdrain.bedside.reading import Reading
from fhirdrain.bedside.sums import SumCheck
from fhirdrain.intake.item import SourceItem
from fhirdrain.issues import Issue
from fhirdrain.resources.bundle import Resource
from fhirdrain.resources.drain import Drain
from fhirdrain.resources.provenance import Sources, lines_of, provenance_of
from fhirdrain.resources.references import Form
from fhirdrain.site import Site, Source
from fhirdrain.store import Store
from fhirdrain.street.following import Taken, changed_of
from fhirdrain.street.patient import (
    Wanted,
    accepted,
    checks_of,
    drains_of,
    folded,
    half_timed,
    judged,
    summarise,
    to_send,
)
from fhirdrain.street.remembering import with_remembered
from fhirdrain.street.report import MapReport
from fhirdrain.street.taking_in import Refusing
from fhirdrain.vocabulary.observables import BESIDE, PATIENT_WEIGHT


@dataclass(frozen=True, slots=True)
class Outgo:
    """What is to be made of each patient of a run.

    `figures` are those of the site's policy; `told` is what a Provenance tells, None where nobody
    asks for one. With a `store` the numbers are those of all that it knows of the patient, and it
    keeps what came in. `keep_items` keeps readings and drains in the report.
    """

    site: Site
    source: Source
    form: Form
    wanted: Wanted
    figures: Sequence[Figure] = ()
    told: Sources | None = None
    store: Store | None = None
    keep_items: bool = False

    def send(
        self,
        patient: str,
        items: Sequence[SourceItem],
        write: Callable[[Resource], None],
        refused: Refusing,
    ) -> MapReport:
        """Write a patient's resources and return what there is to report of it."""
        report, site = MapReport(), self.site

        def refuse(item: SourceItem, issue: Issue) -> None:
            report.reject(issue)
            refused.write(item, issue)

        if self.store is not None:
            items = with_remembered(self.store, patient, items, site)
        # Messages come one after the other: of one minute the last one stands.
        stand = list(accepted(items, refuse, in_order=self.source.kind == "hl7v2"))
        report.half_timed = half_timed(stand)
        drains = drains_of(patient, folded(stand), site.settings)
        summaries, report.findings, sums = summarise(drains, site.settings)
        _count(stand, drains, sums, report)
        if self.store is not None:
            sending = to_send(drains, summaries, site, "transaction", self.wanted)
            changed = list(changed_of(patient, stand, sending, site, self.store))
            with self.store.commit():
                report.versions = Taken(patient, stand, changed).keep(self.store)
        written = []
        for _, resource in to_send(drains, summaries, site, self.form, self.wanted):
            write(resource)
            if self.told is not None:
                written.append(_name_only(resource))
        lines = lines_of(item for item in stand if not item.remembered)
        if self.told is not None and written and lines:
            write(provenance_of(self.told, patient, lines, written, self.form))
        answers = judged(drains, self.figures, site.settings)
        report.answers.update(one.answer for one in answers)
        report.judgements = [one for one in answers if one.answer == "met"]
        if self.keep_items:
            report.readings = [r for drain in drains for r in drain.readings]
            report.drains = summaries
        return report


def _name_only(resource: Resource) -> Resource:
    """Return as much of a resource as names it."""
    return {key: resource[key] for key in ("resourceType", "id", "identifier") if key in resource}


def _count(
    stand: Sequence[SourceItem],
    drains: Sequence[Drain],
    sums: Sequence[SumCheck],
    report: MapReport,
) -> None:
    """Count a patient's items as mapped, or as set aside where they only check others."""
    checks = {check.amount.identity: check for check in checks_of(drains)}
    verdicts = {check.charted.identity: check.verdict for check in sums}
    for item in stand:
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
