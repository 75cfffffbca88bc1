"""map, dealt out: files are read by many into shards of patients, shards are sent by many.

Every output byte is what one process would write: patients are in one order wherever they were
worked out, and what was refused is in the order in which it came.
"""

from __future__ import annotations

import heapq
import pickle
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from datetime import datetime
from functools import lru_cache
from operator import itemgetter
from pathlib import Path
from typing import Any, BinaryIO

from fhirdrain import __version__
from fhirdrain.intake.item import FILE_STEP, RECORD_STEP, Share, SourceItem
from fhirdrain.intake.rejects import Rejects
from fhirdrain.intake.sources import Records, open_source
from fhirdrain.intake.spill import Spill, Spilled
from fhirdrain.issues import Issue
from fhirdrain.resources.bundle import PieceWriter, Writer
from fhirdrain.resources.provenance import Sources
from fhirdrain.resources.references import Form
from fhirdrain.site import Site, Source, load_site
from fhirdrain.site.destination import Destination
from fhirdrain.site.policy import load_policy
from fhirdrain.spread import Deal, Spreading, Work, deal, piece, placing, refuse_other, writing
from fhirdrain.street.mapping import close, sources_of
from fhirdrain.street.patient import Wanted
from fhirdrain.street.report import MapReport
from fhirdrain.street.sending import Outgo
from fhirdrain.street.taking_in import Intake
from fhirdrain.street.telling import Told, silent


@dataclass(frozen=True, slots=True)
class MapJob:
    """All that a piece of work has to know: names, no patient's data and nothing secret.

    `reading` are the files, or shares of them, of each piece that reads; `shards` is how many
    pieces send. `first` are rejects files, by index: they are read before all others. `told` is
    what a Provenance tells; `key` changes with anything that is read or asked.
    """

    folder: Path
    files: tuple[Path, ...]
    site: Path
    source: str
    destination: Destination | None
    form: Form
    by_type: bool
    wanted: Wanted
    reading: tuple[Deal, ...]
    first: tuple[int, ...]
    shards: int
    told: Sources | None
    key: str
    version: str = __version__

    def part(self, number: int) -> Path:
        """Return where a piece that reads puts what it read."""
        return piece(self.folder, self.key, f"part-{number:04}.sqlite")

    def shard(self, number: int) -> Path:
        """Return where a piece that sends puts what it sends."""
        return piece(self.folder, self.key, f"shard-{number:04}")

    @property
    def held(self) -> Path:
        """Return where what was mended is held until its originals have been seen."""
        return piece(self.folder, self.key, "mended.sqlite")

    @property
    def settled(self) -> Path:
        """Return where it is once they have been."""
        return piece(self.folder, self.key, "settled.sqlite")

    @property
    def parts(self) -> list[Path]:
        """Return all that was read, in the order in which one process would read it."""
        parts = [self.part(number) for number in range(len(self.reading))]
        return [self.held, *parts, self.settled] if self.first else parts


# -- pieces of work, each from what lies on disk to a file ------------------------------------


def read_mended(job: MapJob, _: int) -> None:
    """Read the rejects files."""
    with placing(job.held) as path, Spill(path, job.shards) as spill:
        _read(job, spill, [(index, 0, 1) for index in job.first])


def read_part(job: MapJob, number: int) -> None:
    """Read files, or shares of them, into shards of patients."""
    with placing(job.part(number)) as path, Spill(path, job.shards) as spill:
        if job.first:
            spill.look_for(job.held)
        _read(job, spill, job.reading[number])


def settle_mended(job: MapJob, _: int) -> None:
    """Take what was mended, now that its originals have been seen by all."""
    with placing(job.settled) as path, Spill(path, job.shards) as spill:
        spill.hold_those_of(job.held)
        intake = _intake(job, spill)
        seen = [job.held, *(job.part(number) for number in range(len(job.reading)))]
        intake.settle_mended(spill, seen)
        _finish(intake)


def send_shard(job: MapJob, shard: int) -> None:
    """Send the patients of a shard: to a file, patient by patient, with what there is to report."""
    site = _site(job)
    source = site.source(job.source)
    figures = load_policy(site.policy).read() if site.policy is not None else []
    outgo = Outgo(site, source, job.form, job.wanted, figures, job.told)
    spilled, writer = Spilled(job.parts), PieceWriter(job.form, by_type=job.by_type)
    with writing(job.shard(shard)) as stream:
        pickle.dump(spilled.rows_said_of_several(shard), stream)
        for patient, items in spilled.patients(shard):
            refused = _Kept()
            report = outgo.send(patient, items, writer.write, refused)
            report.issues.clear()  # they are with what was refused
            pieces = writer.taken()
            lengths = [(counts, len(text)) for counts, text in pieces]
            pickle.dump((patient, report, refused.items, lengths), stream)
            for _, text in pieces:
                stream.write(text)


class _Kept:
    """Takes what is refused of one patient."""

    def __init__(self) -> None:
        self.items: list[tuple[SourceItem, Issue]] = []

    def write(self, item: SourceItem, issue: Issue) -> None:
        """Take one refused item with its reason."""
        self.items.append((item, issue))


def _read(job: MapJob, spill: Spill, files: Deal) -> None:
    intake = _intake(job, spill)
    for index, turn, of in files:
        file = open_source(
            job.files[index],
            intake.source,
            intake.site,
            first=index * FILE_STEP,
            share=Share(turn, of),
        )
        intake.read(file)
        if turn == 0:  # the others came to the same end
            intake.note_end(file)
    _finish(intake)


def _intake(job: MapJob, spill: Spill) -> Intake:
    site = _site(job)
    return Intake(site, site.source(job.source), MapReport(), spill, spill)


def _finish(intake: Intake) -> None:
    intake.report.issues.clear()  # they are with what was refused
    intake.spill.finish(intake.report)


def _site(job: MapJob) -> Site:
    refuse_other(job.version)
    return replace(_loaded(job.site, job.key), destination=job.destination)


@lru_cache(maxsize=1)
def _loaded(path: Path, key: str) -> Site:
    return load_site(path)  # once a process and a run


# -- the run ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class MapSpread:
    """A run of map that is dealt out; it writes the bytes that `map_sources` writes.

    `files` are the sources, opened, of the `source` of a `site` that stands in `site_file`; `form`,
    `by_type` and `wanted` say what is written.
    """

    files: Sequence[Records]
    site_file: Path
    site: Site
    source: Source
    form: Form
    by_type: bool
    wanted: Wanted
    spreading: Spreading

    def work(self, now: datetime | None = None) -> Work:
        """Return the work: that of an earlier run that was stopped, if it was the same."""
        asked = {
            "files": [str(file.path) for file in self.files],
            "site": self.site.digest.hex(),
            "source": self.source.name,
            "destination": repr(self.site.destination),
            "form": self.form,
            "by type": self.by_type,
            "wanted": repr(self.wanted),
        }
        sizes = {n: f.path.stat().st_size for n, f in enumerate(self.files) if not f.is_rejects}
        spreading = self.spreading
        layout = {
            "reading": deal(sizes, spreading.pieces, spreading.smallest),
            "shards": spreading.shards or spreading.pieces,
            "now": (now or datetime.now().astimezone()).isoformat(),
        }
        paths = [file.path.absolute() for file in self.files]
        read = [*paths, self.site_file, *self.site.beside]
        return spreading.work("map", asked, read, layout)

    def map(
        self,
        work: Work,
        opened: Callable[[], Writer],
        *,
        rejects: Path,
        progress: Told = silent,
        protected: Sequence[Path] = (),
    ) -> MapReport:
        """Do the work, and write what comes of it; returns the account of the run.

        What it is written with is `opened` only then.
        """
        job = self._job(work)
        report = MapReport()
        with ExitStack() as stack:
            refused = stack.enter_context(Rejects(rejects, self.source, self.files, protected))
            reading = [job.part(number) for number in range(len(job.reading))]
            sending = [job.shard(number) for number in range(job.shards)]
            stages = [(read_part, reading), (send_shard, sending)]
            if job.first:
                stages = [
                    (read_mended, [job.held]),
                    (read_part, reading),
                    (settle_mended, [job.settled]),
                    (send_shard, sending),
                ]
            work.run(
                self.spreading.workers,
                job,
                stages,
                lambda done: progress("pieces of work done", done),
            )
            # A worker may be in another folder, and was told where the files are from the root on.
            given = {str(file.path.absolute()): str(file.path) for file in self.files}
            names = _Names(given, report, refused)
            _gather_read(job, report, names)
            writer = stack.enter_context(opened())
            _gather_sent(job, report, names, writer, progress)
            report.resources = writer.counts
            close(report, refused)
        return report

    def _job(self, work: Work) -> MapJob:
        paths = tuple(file.path.absolute() for file in self.files)
        return MapJob(
            work.folder,
            paths,
            self.site_file,
            self.source.name,
            self.site.destination,
            self.form,
            self.by_type,
            self.wanted,
            tuple([(f[0], f[1], f[2]) for f in piece] for piece in work.layout["reading"]),
            tuple(index for index, file in enumerate(self.files) if file.is_rejects),
            work.layout["shards"],
            sources_of(paths, self.site, datetime.fromisoformat(work.layout["now"])),
            work.job,
        )


@dataclass(frozen=True, slots=True)
class _Names:
    """Reports what was refused, under the names of files that were given."""

    given: Mapping[str, str]
    report: MapReport
    refused: Rejects

    def refuse(self, item: SourceItem, issue: Issue) -> None:
        """Report and write a refused item."""
        item.file = self.given[item.file]
        issue = replace(issue, file=self.given.get(issue.file, issue.file))
        self.report.issues.append(issue)
        self.refused.write(item, issue)

    def of_report(self, report: MapReport) -> MapReport:
        """Return a report whose notes name files as they were given."""
        for path, name in self.given.items():
            report.notes = [note.replace(f"{path}: ", f"{name}: ", 1) for note in report.notes]
        return report


def _gather_read(job: MapJob, report: MapReport, names: _Names) -> None:
    """Report what was read, and write what was refused on the way, in the order it came."""
    spilled = Spilled(job.parts)
    for path in job.parts:
        report.add(names.of_report(spilled.report(path)))
    parts = [job.part(number) for number in range(len(job.reading))]
    before, behind = ([job.held], [job.settled]) if job.first else ([], [])
    for together in (before, parts, behind):
        found = (spilled.refused(path) for path in together)
        for item, issue in heapq.merge(*found, key=_record):
            names.refuse(item, issue)


def _record(refused: tuple[SourceItem, Issue]) -> int:
    # Of one record nothing changes places: they were all read together.
    return refused[0].arrival // RECORD_STEP


def _gather_sent(
    job: MapJob, report: MapReport, names: _Names, writer: Writer, progress: Told
) -> None:
    """Write what was sent, all patients in their order."""
    with ExitStack() as stack:
        streams = [
            stack.enter_context(job.shard(number).open("rb")) for number in range(job.shards)
        ]
        for stream in streams:
            report.said_of_several += pickle.load(stream)
        for _, one, items, lengths, texts in heapq.merge(
            *map(_patients, streams), key=itemgetter(0)
        ):
            progress("resources written", sum(writer.counts.values()))
            report.add(one)
            for item, issue in items:
                names.refuse(item, issue)
            for counts, length in lengths:
                writer.put_from(counts, texts, length)


def _patients(stream: BinaryIO) -> Iterator[tuple[str, MapReport, list[Any], list[Any], BinaryIO]]:
    """Yield a shard's patients; behind each the stream stands at its texts, which must be read."""
    while True:
        try:
            found = pickle.load(stream)
        except EOFError:
            return
        yield *found, stream
