"""map: source files to FHIR, with every source item accounted for."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import ExitStack
from datetime import datetime
from pathlib import Path
from typing import BinaryIO

from fhirdrain.intake.item import FILE_STEP, SourceItem
from fhirdrain.intake.rejects import Rejects
from fhirdrain.intake.sources import Records, open_source
from fhirdrain.intake.spill import Spill
from fhirdrain.resources.bundle import Writer
from fhirdrain.resources.provenance import Sources, digest_of
from fhirdrain.resources.references import Form
from fhirdrain.site import Site, Source
from fhirdrain.site.policy import load_policy
from fhirdrain.store import Store
from fhirdrain.street.patient import NOTHING_MORE, Wanted
from fhirdrain.street.report import MapReport
from fhirdrain.street.sending import Outgo
from fhirdrain.street.taking_in import Intake
from fhirdrain.street.telling import Told, silent


def map_sources(
    paths: Sequence[Path],
    site: Site,
    source: Source,
    stream: BinaryIO | Writer,
    *,
    form: Form = "transaction",
    rejects: Path,
    store: Store | None = None,
    keep_items: bool = False,
    wanted: Wanted = NOTHING_MORE,
    progress: Told = silent,
    protected: Sequence[Path] = (),
    account: Callable[[SourceItem], None] | None = None,
    now: datetime | None = None,
) -> MapReport:
    """Map source files to FHIR, in one process; returns the account of the run.

    It goes to a stream in a `form`, or to a writer, which has its own.

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
    files = opened_sources(paths, source, site)
    with ExitStack() as stack:
        spill = stack.enter_context(Spill())
        refused = stack.enter_context(Rejects(rejects, source, files, protected))
        intake = Intake(site, source, report, spill, refused, account, progress, keep_items)
        for file in sorted(files, key=lambda file: not file.is_rejects):
            intake.read(file)
            intake.note_end(file)
        intake.settle_mended(spill)
        report.said_of_several = spill.rows_said_of_several()
        told = sources_of(paths, site, now)
        writer = stack.enter_context(stream if isinstance(stream, Writer) else Writer(stream, form))
        outgo = Outgo(site, source, writer.form, wanted, figures, told, store, keep_items)
        for patient, items in spill.patients():
            progress("resources written", sum(writer.counts.values()))
            report.add(outgo.send(patient, items, writer.write, refused))
        report.resources = writer.counts
        close(report, refused)
        report.outgoing = store.outgoing_by_state() if store is not None else {}
    return report


def opened_sources(paths: Sequence[Path], source: Source, site: Site) -> list[Records]:
    """Return files ready to be read, all of them; raises `SourceError`."""
    # Arrival numbers of a file begin behind all of the file before it.
    return [
        open_source(path, source, site, first=index * FILE_STEP) for index, path in enumerate(paths)
    ]


def close(report: MapReport, refused: Rejects) -> None:
    """Say what can only be said at the end of a run."""
    report.conclude()
    report.rejects = refused.written
    report.notes += (
        f"{path} is from an earlier run: this one refused nothing into it"
        for path in refused.left_over()
    )


def sources_of(paths: Sequence[Path], site: Site, now: datetime | None) -> Sources | None:
    """Return what is told of where the resources come from, None where nobody asks for it."""
    if site.destination is None or not site.destination.provenance:
        return None
    digests = {str(path): digest_of(path) for path in paths}
    return Sources(digests, site.id, site.digest, now or datetime.now().astimezone())
