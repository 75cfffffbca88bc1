"""check, dealt out: files, and shares of the lines of large ones, are checked by many.

What is said is what one process would say, in the same order.
"""

from __future__ import annotations

import heapq
import pickle
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from functools import lru_cache
from operator import attrgetter
from pathlib import Path
from typing import BinaryIO

from fhirdrain import __version__
from fhirdrain.conformance import Checker
from fhirdrain.conformance.check import check_share, unapplied
from fhirdrain.errors import ConfigurationError, SourceError
from fhirdrain.intake.item import Share
from fhirdrain.issues import Issue
from fhirdrain.spread import Deal, Spreading, Work, Workers, deal, piece, refuse_other, writing
from fhirdrain.street.checking import Against, raise_first
from fhirdrain.street.sources import opened
from fhirdrain.street.telling import Told, silent


@dataclass(frozen=True, slots=True)
class CheckJob:
    """All that a piece of work has to know; `reading` are the files, or shares, of each."""

    folder: Path
    files: tuple[str, ...]
    against: Against
    reading: tuple[Deal, ...]
    key: str
    version: str = __version__

    def part(self, number: int) -> Path:
        """Return where a piece of work puts what it found."""
        return piece(self.folder, self.key, f"part-{number:04}")


@dataclass(frozen=True, slots=True)
class _End:
    """What there is to say of a file, or a share of it, behind its issues.

    `applied` are the profiles asked for that were applied; `read` whether all could be read.
    """

    applied: frozenset[str]
    read: bool
    failure: SourceError | None


def check_part(job: CheckJob, number: int) -> None:
    """Check files, or shares of them."""
    refuse_other(job.version)
    checker = _checker(job.against, job.key)
    with writing(job.part(number)) as stream:
        for index, turn, of in job.reading[number]:
            applied: set[str] = set()
            read, failure = True, None
            try:
                with opened(job.files[index]) as (data, file):
                    spans = Share(turn, of).spans()
                    for issue in check_share(data, file, _nobody, checker, applied, spans):
                        read = read and issue.severity != "fatal"
                        pickle.dump(issue, stream)
            except SourceError as error:
                failure = error
            pickle.dump(_End(frozenset(applied), read, failure), stream)


def _nobody(count: int) -> None:
    """Tell nobody."""


@lru_cache(maxsize=1)
def _checker(against: Against, key: str) -> Checker:
    return against.checker()[0]  # once a process and a run


def check_spread(
    files: Sequence[str],
    against: Against,
    checker: Checker,
    workers: Workers,
    work: Work,
    progress: Told = silent,
) -> Iterator[Issue]:
    """Yield what is wrong in files as `check_sources` does, dealt out to workers.

    `work` is what `begun` returned of the same, entered; `checker` is that of `against`.
    """
    reading = tuple([(f[0], f[1], f[2]) for f in piece] for piece in work.layout["reading"])
    # A worker may be in another folder, and is told where the files are from the root on.
    places = tuple(str(Path(file).absolute()) for file in files)
    job = CheckJob(work.folder, places, against.anywhere(), reading, work.job)
    parts = [job.part(number) for number in range(len(reading))]
    work.run(
        workers,
        job,
        [(check_part, parts)],
        lambda done: progress("pieces of work done", done),
    )
    failures: list[SourceError] = []
    with ExitStack() as stack:
        streams = [stack.enter_context(part.open("rb")) for part in parts]
        for index, file in enumerate(files):
            # A file that is shared is alone in each of its pieces; others come one after the other.
            shares = [
                stream
                for stream, piece in zip(streams, reading, strict=True)
                if any(one[0] == index for one in piece)
            ]
            ends: list[_End] = []
            found = [_issues(stream, ends) for stream in shares]
            merged = heapq.merge(*found, key=attrgetter("line")) if len(found) > 1 else found[0]
            for issue in merged:
                yield replace(issue, file=file) if issue.file == places[index] else issue
            failed = [end.failure for end in ends if end.failure is not None]
            if failed:
                failed[0].place = failed[0].place.replace(places[index], file)
                failures.append(failed[0])
            elif all(end.read for end in ends):
                applied = {url for end in ends for url in end.applied}
                yield from unapplied(file, checker, applied, line=1)
    raise_first(failures)


def _issues(stream: BinaryIO, ends: list[_End]) -> Iterator[Issue]:
    while not isinstance(found := pickle.load(stream), _End):
        yield found
    ends.append(found)


def begun(files: Sequence[str], against: Against, spreading: Spreading) -> Work:
    """Return the work of a run: that of an earlier one that was stopped, if it was the same."""
    if "-" in files:
        raise ConfigurationError(
            "what comes from standard input is checked by one process",
            hint="leave out --workers and --cluster, or name a file",
        )
    paths = [Path(name) for name in files]
    for path in paths:
        if path.exists() and not path.is_file():
            raise ConfigurationError(
                "a pipe is checked by one process",
                place=str(path),
                hint="leave out --workers and --cluster",
            )
    given = [Path(name) for name in against.paths]
    beside = [file for path in given for file in (path, *sorted(path.rglob("*")))]
    sites = [against.site] if against.site is not None else []
    sizes = {n: path.stat().st_size if path.is_file() else 0 for n, path in enumerate(paths)}
    layout = {"reading": deal(sizes, spreading.pieces, spreading.smallest)}
    asked = {"files": list(files), "against": repr(against)}
    return spreading.work("check", asked, [*paths, *beside, *sites], layout)
