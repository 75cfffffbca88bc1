"""NDJSON of any length is checked a line at a time."""

from __future__ import annotations

import io
import tracemalloc
from collections.abc import Iterator

from fhirdrain.conformance import check_stream
from tests.conftest import ROOT

LINES = (ROOT / "sample_bundles/valid/rounds.ndjson").read_bytes().splitlines(keepends=True)


class Endless(io.RawIOBase):
    """A stream of so many lines that are made as they are asked for."""

    def __init__(self, count: int) -> None:
        self._lines: Iterator[bytes] = (LINES[n % len(LINES)] for n in range(count))

    def readline(self, size: int | None = -1, /) -> bytes:
        return next(self._lines, b"")

    def readable(self) -> bool:
        return True


def peak(count: int) -> int:
    tracemalloc.start()
    try:
        assert sum(1 for _ in check_stream(Endless(count), "x.ndjson")) == 0
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_memory_does_not_grow_with_the_lines():
    peak(300)  # what is made once is made here
    assert peak(6000) < peak(600) + 1_000_000
