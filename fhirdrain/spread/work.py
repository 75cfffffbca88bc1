"""A folder of work that is under way: what is done is in its manifest, and is not done again."""

from __future__ import annotations

import fcntl
import json
import os
import re
import resource
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, as_completed
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, TypeVar

from fhirdrain import __version__
from fhirdrain.errors import ConfigurationError, FhirdrainError
from fhirdrain.spread.workers import Workers

_MANIFEST = "fhirdrain-work.json"
_LOCK = "lock"
# The files of a piece of work, finished or not (`placing`): nothing else is ever removed.
_OURS = re.compile(r"\.?(part|shard|mended|settled)-[-.\w]*")
# A worker that is lost may have been killed for its memory: not for ever once more.
_ATTEMPTS = 3
_MOST_OPEN = 1024
# What a process has open beside the pieces: the streams, the lock, a database or two.
_OTHERS_OPEN = 32

Job = TypeVar("Job")


class Work:
    """Pieces of work in a folder of their own, each a file that is there whole or not at all.

    Use as a context manager: the folder is removed when it is left without an error. `kind` is the
    command, `job` names what is done (a digest of all that it depends on, as it is now: `digest`),
    and `layout` is how it was dealt out, which is that of the run that began it. A folder of
    another job of the same kind is begun anew (`begun_anew`). Raises `ConfigurationError` for a
    folder that others can write, that holds anything else, or that another run works in.
    """

    def __init__(
        self, folder: Path, kind: str, digest: Callable[[], str], layout: Mapping[str, Any]
    ) -> None:
        self.folder = folder.resolve()
        self.begun_anew = False
        self.layout = layout
        self.done: dict[str, int] = {}
        self.job = digest()
        self._kind = kind
        self._digest = digest

    def __enter__(self) -> Work:
        try:
            self.folder.mkdir(mode=0o700, exist_ok=True)
            known = self._known()
            self.folder.chmod(0o700)
            self._lock = self.folder.joinpath(_LOCK).open("a")
        except OSError as error:
            raise ConfigurationError(
                f"no work can be kept there: {error.strerror}", place=str(self.folder)
            ) from None
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            self._lock.close()
            raise ConfigurationError(
                "another run is at work in it", place=str(self.folder)
            ) from None
        self._take_up(known)
        try:
            self._refuse_too_many()
        except BaseException:
            self._lock.close()
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if kind is None:
            with suppress(OSError):
                for path in self.folder.iterdir():
                    if _OURS.fullmatch(path.name) or path.name in (_MANIFEST, _LOCK):
                        path.unlink(missing_ok=True)
                self.folder.rmdir()
        self._lock.close()

    def _known(self) -> dict[str, Any]:
        """Return what the manifest says; refuse a folder that is not one of unfinished work."""
        state = self.folder.stat()
        if state.st_uid != os.getuid() or state.st_mode & 0o022:
            raise ConfigurationError(
                "others can write there, and what is there is believed",
                place=str(self.folder),
                hint="chmod 700, or name another folder with --work",
            )
        names = {path.name for path in self.folder.iterdir()}
        try:
            known: Any = json.loads(self.folder.joinpath(_MANIFEST).read_bytes())
        except (FileNotFoundError, ValueError):
            known = None
        mine = isinstance(known, dict) and {"kind", "job", "layout", "done"} <= known.keys()
        strange = {n for n in names if not _OURS.fullmatch(n)} - {_MANIFEST, _LOCK}
        if strange or (names - {_LOCK} and not mine):
            raise ConfigurationError(
                "holds something else than unfinished work",
                place=str(self.folder),
                hint="name a folder that is not there yet with --work",
            )
        if mine and known["kind"] != self._kind:
            raise ConfigurationError(
                f"holds unfinished work of {known['kind']}",
                place=str(self.folder),
                hint="name another folder with --work, or remove this one",
            )
        return known if mine else {}

    def _take_up(self, known: dict[str, Any]) -> None:
        """Take up what an earlier run of the same job has done, and remove what else it left."""
        self.begun_anew = bool(known) and known["job"] != self.job
        if known and not self.begun_anew:
            self.layout = known["layout"]
            sizes = {path.name: path.stat().st_size for path in self.folder.iterdir()}
            self.done = {n: size for n, size in known["done"].items() if sizes.get(n) == size}
        for path in self.folder.iterdir():
            if _OURS.fullmatch(path.name) and path.name not in self.done:
                path.unlink()
        self._write_manifest()

    def _refuse_too_many(self) -> None:
        """Refuse more pieces than this process may have open at once, before any is made."""
        pieces = [
            len(found) if isinstance(found, list) else found
            for found in self.layout.values()
            if isinstance(found, (list, int))
        ]
        room = _open_many()
        if room is not None and max(pieces, default=0) + _OTHERS_OPEN > room:
            raise ConfigurationError(
                f"{max(pieces)} pieces of work are too many for a process that may open {room}"
                " files",
                place=str(self.folder),
                hint="ulimit -n says how many; or fewer --shards, with another --work",
            )

    def _write_manifest(self) -> None:
        body = {"kind": self._kind, "job": self.job, "layout": self.layout, "done": self.done}
        with writing(self.folder / _MANIFEST) as stream:
            stream.write(json.dumps(body, indent=1, sort_keys=True).encode())

    def run(
        self,
        workers: Workers,
        job: Job,
        stages: Sequence[tuple[Callable[[Job, int], None], Sequence[Path]]],
        told: Callable[[int], None],
    ) -> None:
        """Do the pieces of work that are not done yet, each stage once the one before is done.

        A stage is a function and files: `function(job, n)` writes files[n]. Where a worker is lost,
        what it had in hand is done once more by another. Raises `ConfigurationError` when what the
        job depends on was changed meanwhile.
        """
        for attempt in range(1, _ATTEMPTS + 1):
            try:
                with workers.executor() as executor:
                    for function, files in stages:
                        left = {n: f.name for n, f in enumerate(files) if f.name not in self.done}
                        futures = {
                            executor.submit(function, job, n): name for n, name in left.items()
                        }
                        self._await(futures, told)
                break
            except FhirdrainError:
                raise
            except Exception as error:
                if not workers.is_loss(error):
                    raise
                if attempt == _ATTEMPTS:
                    raise FhirdrainError(
                        f"workers were lost {attempt} times; what was done is kept",
                        place=str(self.folder),
                        hint="were they short of memory? The same command goes on from there",
                    ) from None
        if self._digest() != self.job:
            raise ConfigurationError(
                "a file that is read was changed while the run was at work",
                hint="run it again: it begins anew",
            )

    def _await(self, futures: Mapping[Future[None], str], told: Callable[[int], None]) -> None:
        for future in as_completed(futures):
            future.result()
            name = futures[future]
            self.done[name] = self.folder.joinpath(name).stat().st_size
            self._write_manifest()
            told(len(self.done))


def _open_many() -> int | None:
    """Let this process have many files open, where it is let; return how many, None for any."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if soft == resource.RLIM_INFINITY:
        return None
    most = _MOST_OPEN if hard == resource.RLIM_INFINITY else min(hard, _MOST_OPEN)
    if soft < most:
        with suppress(ValueError, OSError):
            resource.setrlimit(resource.RLIMIT_NOFILE, (most, hard))
    return resource.getrlimit(resource.RLIMIT_NOFILE)[0]


def piece(folder: Path, job: str, name: str) -> Path:
    """Return where a piece of work goes.

    Its name holds that of the job: a worker of a run that was killed, which is still at it, writes
    beside what a run over other data looks for.
    """
    stem, dot, suffix = name.partition(".")
    return folder / f"{stem}-{job[:12]}{dot}{suffix}"


def refuse_other(version: str) -> None:
    """Refuse to work for a run of another version: it may write other bytes."""
    if version != __version__:
        raise ConfigurationError(
            f"a worker has fhirdrain {__version__}, and the run is of {version}",
            hint="all machines of a cluster need the same",
        )


@contextmanager
def writing(path: Path) -> Iterator[BinaryIO]:
    """Give a stream to write a file with that appears under its name once it is whole."""
    with placing(path) as unfinished, unfinished.open("wb") as stream:
        yield stream


@contextmanager
def placing(path: Path) -> Iterator[Path]:
    """Give a name to write a file under; it gets its own once it is whole and on the disk.

    Raises `ConfigurationError` when it cannot be written: a full disk, or a folder that is not
    there on the machine that does the work.
    """
    if not path.parent.is_dir():
        raise ConfigurationError(
            "is not there where the work is done",
            place=str(path.parent),
            hint="a cluster needs a folder that all of it sees: --work",
        )
    unfinished = path.with_name(f".{path.name}.{uuid.uuid4().hex}")
    try:
        yield unfinished
        with unfinished.open("rb") as stream:
            os.fsync(stream.fileno())
        os.replace(unfinished, path)
    except OSError as error:
        raise ConfigurationError(
            f"cannot be written: {error.strerror}",
            place=str(path.parent),
            hint="what was done is kept: the same command goes on from there",
        ) from None
    finally:
        unfinished.unlink(missing_ok=True)
