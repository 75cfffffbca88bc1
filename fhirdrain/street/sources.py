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


def files_of(names: Iterable[str], wanted: Callable[[str], bool]) -> list[str]:
    """Return names with the files of a folder in its place, by name, those that are `wanted`.

    Folders in it are looked into; what is hidden is passed over. Raises `SourceError` for a folder
    without such a file.
    """
    found: list[str] = []
    for name in names:
        path = Path(name)
        if name == "-" or not path.is_dir():
            found.append(name)
            continue
        inside = sorted(p for p in path.rglob("*") if p.is_file() and wanted(p.name))
        visible = [
            str(p) for p in inside if not any(s.startswith(".") for s in p.relative_to(path).parts)
        ]
        if not visible:
            raise SourceError("the folder holds no such file", place=name)
        found += visible
    return found


def is_fhir(name: str) -> bool:
    """Tell whether a file in a folder is FHIR JSON by its name, packed or not."""
    return name != MANIFEST and plain_name(name).lower().endswith((".json", ".ndjson"))


def made_from(paths: Sequence[Path]) -> Run:
    """Return what names a run: up to when its files say something, and a name made of them."""
    states = [path.stat() for path in paths]
    last = max((state.st_mtime for state in states), default=0.0)
    names = "|".join(f"{p.name}:{s.st_size}" for p, s in zip(paths, states, strict=True))
    return Run(datetime.fromtimestamp(last, UTC), uuid_of("map", f"{last}|{names}"))
