"""Reading what a command was given: a file, or standard input for `-`."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from fhirdrain.errors import SourceError
from fhirdrain.packed import open_plain, unpacked


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
