"""A folder of work that is under way: what is done is in its manifest, and is not done again."""

from __future__ import annotations

import fcntl
import json
import os
import shutil
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, as_completed
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, TypeVar

from fhirdrain.errors import ConfigurationError, FhirdrainError
from fhirdrain.spread.workers import Workers

_MANIFEST = "manifest.json"
_LOCK = "lock"
# A worker that is lost may have been killed for its memory: not for ever once more.
_ATTEMPTS = 3

Job = TypeVar("Job")


class Work:
    """Pieces of work in a folder of their own, each a file that is there whole or not at all.

    Use as a context manager: the folder is removed when it is left without an error. `job` names
    what is done (a digest of all that it depends on); `layout` is how it was dealt out, and is
    that of the run that began it. A folder of another job is begun anew (`begun_anew`). Raises
    `ConfigurationError` for a folder that is somebody else's, holds something else, or that another
    run works in.
    """

    def __init__(self, folder: Path, job: str, layout: Mapping[str, Any]) -> None:
        self.folder = folder
        self.begun_anew = False
        self.job = job
        self.layout = layout
        self.done: dict[str, int] = {}

    def __enter__(self) -> Work:
        try:
            self.folder.mkdir(mode=0o700, parents=False, exist_ok=True)
            self._refuse_strange()
            self._lock = self.folder.joinpath(_LOCK).open("w")
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
        self._take_up()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if kind is None:
            shutil.rmtree(self.folder, ignore_errors=True)
        self._lock.close()

    def _refuse_strange(self) -> None:
        """Refuse a folder that is not ours: what is in it would be believed, or removed."""
        state = self.folder.stat()
        if state.st_uid != os.getuid() or state.st_mode & 0o022:
            raise ConfigurationError(
                "others can write there, and what is there is believed",
                place=str(self.folder),
                hint="chmod 700, or name another folder with --work",
            )
        names = {path.name for path in self.folder.iterdir()} - {_LOCK}
        if names and _MANIFEST not in names:
            raise ConfigurationError(
                "holds something else than unfinished work",
                place=str(self.folder),
                hint="name a folder that is not there yet with --work",
            )

    def _take_up(self) -> None:
        """Take up what an earlier run of the same job has done, and remove all else."""
        manifest = self.folder / _MANIFEST
        known: Any = {}
        if manifest.exists():
            with suppress(ValueError):  # damaged, it names nothing that can be believed
                known = json.loads(manifest.read_bytes())
            self.begun_anew = known.get("job") != self.job
        if known and not self.begun_anew:
            self.layout = known["layout"]
            sizes = {p.name: p.stat().st_size for p in self.folder.iterdir()}
            self.done = {n: size for n, size in known["done"].items() if sizes.get(n) == size}
        for path in self.folder.iterdir():
            if path.name not in (*self.done, _MANIFEST, _LOCK):
                path.unlink()
        self._write_manifest()

    def _write_manifest(self) -> None:
        body = {"job": self.job, "layout": self.layout, "done": self.done}
        with writing(self.folder / _MANIFEST) as stream:
            stream.write(json.dumps(body, indent=1, sort_keys=True).encode())

    def run(
        self,
        workers: Workers,
        job: Job,
        stages: Sequence[tuple[Callable[[Job, int], None], Sequence[str]]],
        told: Callable[[int], None],
    ) -> None:
        """Do the pieces of work that are not done yet, each stage once the one before is done.

        A stage is a function and names of files: `function(job, n)` writes the file names[n].
        Where a worker is lost, what it had in hand is done once more by another.
        """
        for attempt in range(1, _ATTEMPTS + 1):
            try:
                with workers.executor() as executor:
                    for function, names in stages:
                        left = {n: name for n, name in enumerate(names) if name not in self.done}
                        futures = {
                            executor.submit(function, job, n): name for n, name in left.items()
                        }
                        self._await(futures, told)
                return
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

    def _await(self, futures: Mapping[Future[None], str], told: Callable[[int], None]) -> None:
        for future in as_completed(futures):
            future.result()
            name = futures[future]
            self.done[name] = self.folder.joinpath(name).stat().st_size
            self._write_manifest()
            told(len(self.done))


@contextmanager
def writing(path: Path) -> Iterator[BinaryIO]:
    """Give a stream to write a file with that appears under its name once it is whole."""
    with placing(path) as unfinished, unfinished.open("wb") as stream:
        yield stream


@contextmanager
def placing(path: Path) -> Iterator[Path]:
    """Give a name to write a file under; it gets its own once it is whole and on the disk."""
    unfinished = path.with_name(f".{path.name}.{uuid.uuid4().hex}")
    try:
        yield unfinished
        with unfinished.open("rb") as stream:
            os.fsync(stream.fileno())
        os.replace(unfinished, path)
    finally:
        unfinished.unlink(missing_ok=True)
