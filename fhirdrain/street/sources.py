"""Reading what a command was given: a file, or standard input for `-`."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO

from fhirdrain.errors import SourceError
from fhirdrain.packed import open_plain, plain_name, unpacked
from fhirdrain.resources.bundle import MANIFEST, Run
from fhirdrain.resources.identity import uuid_of


def shown_name(name: str) -> str:
    """Return how a file is named in what is said of it."""
    return "<stdin>" if name == "-" else name


@contextmanager
def opened(name: str) -> Iterator[tuple[BinaryIO, str]]:
    """Open a file, or standard input, with the name to show for it; raises `SourceError`."""
    if name == "-":
        if sys.stdin is None:
            raise SourceError("standard input is closed")
        yield unpacked(sys.stdin.buffer, shown_name(name)), shown_name(name)
        return
    try:
        with open_plain(Path(name)) as stream:
            yield stream, name
    except OSError as error:
        raise SourceError(f"cannot be read: {error.strerror}", place=name) from None


def read_source(name: str) -> tuple[bytes, str]:
    """Return the bytes of a file and the name to show for it; raises `SourceError`."""
    with opened(name) as (stream, shown):
        return stream.read(), shown


def files_of(
    names: Iterable[str], wanted: Callable[[Path], bool], apart: Iterable[Path] = ()
) -> list[str]:
    """Return names with the files of a folder in its place, by name, those that are `wanted`.

    Folders in it are looked into; what is hidden, or kept `apart`, is passed over. Raises
    `SourceError` for a folder that cannot be looked into, for one without such a file, and for what
    is no file: a link to a folder is not followed.
    """
    aside = {path.resolve() for path in apart}
    found: list[str] = []
    for name in names:
        if name == "-" or not Path(name).is_dir():
            found.append(name)
            continue
        inside = [p for p in _inside(Path(name)) if wanted(p) and p.resolve() not in aside]
        if not inside:
            raise SourceError("the folder holds no such file", place=name)
        found += map(str, sorted(inside))
    return found


def _inside(folder: Path) -> Iterator[Path]:
    """Yield the files of a folder, and of the folders in it."""
    try:
        entries = sorted(folder.iterdir())
    except OSError as error:
        raise SourceError(f"cannot be read: {error.strerror}", place=str(folder)) from None
    for path in entries:
        if path.name.startswith("."):
            continue
        if path.is_dir() and not path.is_symlink():
            yield from _inside(path)
        elif path.is_file():
            yield path
        else:
            raise SourceError(
                "is a link to a folder, or no file",
                place=str(path),
                hint="name what is to be read of it",
            )


def is_fhir(path: Path) -> bool:
    """Tell whether a file in a folder is FHIR JSON, packed or not, by its name.

    The manifest that stands beside NDJSON is none.
    """
    if path.name == MANIFEST:
        return b'"resourceType"' in path.read_bytes()
    return plain_name(path.name).lower().endswith((".json", ".ndjson"))


def made_from(paths: Sequence[Path]) -> Run:
    """Return what names a run: up to when its files say something, and a name made of them."""
    states = [path.stat() for path in paths]
    last = max((state.st_mtime for state in states), default=0.0)
    names = "|".join(f"{p.name}:{s.st_size}" for p, s in zip(paths, states, strict=True))
    return Run(datetime.fromtimestamp(last, UTC), uuid_of("map", f"{last}|{names}"))
