"""Where data goes: a file written whole or not at all, or standard output."""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

import click

from fhirdrain.errors import ConfigurationError


@contextmanager
def output(name: str) -> Iterator[BinaryIO]:
    """Give a stream to write to; `-` is standard output.

    A file appears under its name only once it is complete, so a run that stops half-way leaves
    what was there before.
    """
    if name == "-":
        if sys.stdout is None:
            raise ConfigurationError("standard output is closed")
        yield sys.stdout.buffer
        sys.stdout.buffer.flush()
        return
    path = Path(name)
    if path.is_dir():
        raise ConfigurationError("is a folder", place=name)
    if path.exists() and not path.is_file():  # a pipe, a terminal, /dev/null
        with path.open("wb") as stream:
            yield stream
        return
    try:
        handle, unfinished = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    except OSError as error:
        raise ConfigurationError(f"cannot be written: {error.strerror}", place=name) from None
    try:
        with os.fdopen(handle, "wb") as stream:
            yield stream
        # mkstemp makes files private; an old file keeps its rights, a new one gets the umask's.
        mode = path.stat().st_mode & 0o777 if path.exists() else 0o666 & ~_umask()
        os.chmod(unfinished, mode)
        os.replace(unfinished, path)
    except BaseException:
        os.unlink(unfinished)
        raise


@contextmanager
def output_folder(name: str) -> Iterator[Path]:
    """Give a folder to write into, which gets its name only once all of it is complete.

    Raises `ConfigurationError` when there is something already: it would be mixed with that.
    """
    path = Path(name).resolve()
    _refuse_filled(path, name)
    try:
        unfinished = tempfile.mkdtemp(prefix=f".{path.name}.", dir=path.absolute().parent)
    except OSError as error:
        raise ConfigurationError(f"cannot be written: {error.strerror}", place=name) from None
    try:
        yield Path(unfinished)
        os.chmod(unfinished, 0o777 & ~_umask())
        os.replace(unfinished, path)
    except BaseException:
        shutil.rmtree(unfinished, ignore_errors=True)
        raise


def _umask() -> int:
    umask = os.umask(0)
    os.umask(umask)
    return umask


def refuse_inside(folders: Iterable[Path], outgoing: Iterable[Path]) -> None:
    """Raise `ConfigurationError` when something lies in a folder that is read, written or removed."""
    outgoing = list(outgoing)
    for folder in folders:
        whole = folder.resolve()
        for path in outgoing:
            if (folder.is_dir() or not folder.exists()) and path.resolve().is_relative_to(whole):
                raise ConfigurationError(
                    f"lies in {folder}, a folder of this run",
                    place=str(path),
                    hint="name a place beside it",
                )


def refuse_unwritable(name: str, *, into_folder: bool) -> None:
    """Raise `ConfigurationError` when an output cannot be written, before the work is done."""
    path = Path(name).resolve()
    if name == "-" or (path.exists() and not path.is_file() and not path.is_dir()):
        return
    if not os.access(path.parent, os.W_OK | os.X_OK):
        why = "Permission denied" if path.parent.is_dir() else "No such file or directory"
        raise ConfigurationError(f"cannot be written: {why}", place=name)
    if into_folder:
        _refuse_filled(path, name)


def _refuse_filled(path: Path, name: str) -> None:
    if path.exists() and (not path.is_dir() or any(path.iterdir())):
        raise ConfigurationError(
            "is there already", place=name, hint="name a folder that is new, or empty"
        )


class Progress:
    """Tells on stderr how far long work has come, in place; silent where it is no terminal.

    It is silent, too, where the data itself goes to the terminal (`out` is `-`). Call it with what is done and how much of it; use as a context manager, so that its line is
    cleared before anything else is said.
    """

    _pause = 0.2  # seconds between two tellings, and before the first

    def __init__(self, out: str = "") -> None:
        beside = out == "-" and sys.stdout is not None and sys.stdout.isatty()
        self._shown = sys.stderr is not None and sys.stderr.isatty() and not beside
        self._last = time.monotonic()
        self._width = 0

    def __call__(self, what: str, done: int) -> None:
        """Tell how much of something is done."""
        now = time.monotonic()
        if not self._shown or now - self._last < self._pause:
            return
        self._last = now
        text = f"{what}: {done:,}"
        click.echo("\r" + text.ljust(self._width), err=True, nl=False)
        self._width = len(text)

    def clear(self) -> None:
        """Clear its line."""
        if self._width:
            click.echo("\r" + " " * self._width + "\r", err=True, nl=False)
            self._width = 0

    def __enter__(self) -> Progress:
        return self

    def __exit__(self, *_: object) -> None:
        self.clear()


def say(text: str = "") -> None:
    """Tell the person at the terminal; data alone goes to standard output."""
    click.echo(text, err=True)
