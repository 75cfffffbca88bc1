"""Files as they lie on disk, read and written alike: plain, gzip (RFC 1952), Zstandard (RFC 8878).

What a file is, is told by its first bytes when it is read and by its name when it is written.
"""

from __future__ import annotations

import gzip
import io
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import ModuleType
from typing import Any, BinaryIO, Literal, TextIO, cast

from fhirdrain.errors import ConfigurationError, SourceError

Packing = Literal["gzip", "zstd"]

SUFFIXES: dict[Packing, str] = {"gzip": ".gz", "zstd": ".zst"}
_MARKS: dict[Packing, bytes] = {"gzip": b"\x1f\x8b", "zstd": b"\x28\xb5\x2f\xfd"}
_READ_AHEAD = 1 << 20
_FRAME_PIECE = 1 << 13  # packed bytes at once: each can stand for very many


def packing_of(name: str) -> Packing | None:
    """Return how a file of this name is packed; None for a plain one."""
    return next((p for p, suffix in SUFFIXES.items() if name.lower().endswith(suffix)), None)


def plain_name(name: str) -> str:
    """Return the name that a file has when it is not packed."""
    packing = packing_of(name)
    return name[: -len(SUFFIXES[packing])] if packing else name


def open_plain(path: Path) -> BinaryIO:
    """Open a file and return its bytes as they were before it was packed.

    Raises `OSError` as `open` does. What breaks off or is damaged raises `SourceError` when it is
    read to there.
    """
    stream = path.open("rb")
    try:
        return unpacked(stream, str(path))
    except BaseException:
        stream.close()
        raise


def unpacked(stream: BinaryIO, place: str = "") -> BinaryIO:
    """Return a stream's bytes as they were before they were packed; closing it closes the other."""
    buffered = stream if hasattr(stream, "peek") else io.BufferedReader(cast(Any, stream))
    start = buffered.peek(4)[:4]
    for packing, mark in _MARKS.items():
        if start.startswith(mark):
            raw = _Unpacked(buffered, packing, place)
            return cast(BinaryIO, io.BufferedReader(raw, _READ_AHEAD))
    return buffered


def open_text(
    path: Path, encoding: str, *, errors: str | None = None, newline: str | None = None
) -> TextIO:
    """Open a file as text, packed or not."""
    return io.TextIOWrapper(open_plain(path), encoding, errors, newline)


@contextmanager
def packed(stream: BinaryIO, packing: Packing | None) -> Iterator[BinaryIO]:
    """Give a stream whose bytes are packed into another, which stays open behind it.

    The same bytes are packed the same: no name and no time is written beside them.
    """
    if packing is None:
        yield stream
    elif packing == "gzip":
        with gzip.GzipFile(
            filename="", mode="wb", fileobj=stream, compresslevel=6, mtime=0
        ) as into:
            yield cast(BinaryIO, into)
    else:
        with (
            _zstandard()
            .ZstdCompressor(write_checksum=True)
            .stream_writer(stream, closefd=False) as into
        ):
            yield cast(BinaryIO, into)


def require(packing: Packing | None) -> None:
    """Raise `ConfigurationError` when the library that packs so is not there."""
    if packing == "zstd":
        _zstandard()


class _Unpacked(io.RawIOBase):
    """Reads a packed stream and says so when it breaks off: a part must not pass for the whole."""

    def __init__(self, stream: BinaryIO, packing: Packing, place: str) -> None:
        self._below = stream
        self._place = place
        self._packing = packing
        self._fault: type[Exception] = zlib.error
        if packing == "gzip":
            self._stream: Any = gzip.GzipFile(fileobj=stream)
        else:
            library = _zstandard(place)
            self._fault = library.ZstdError
            self._stream = _Frames(stream, library)

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        try:
            data = self._stream.read(len(buffer))
        except (EOFError, OSError, zlib.error, self._fault) as error:
            why = "breaks off" if isinstance(error, EOFError) else "is damaged"
            raise SourceError(
                f"the {self._packing} file {why}",
                place=self._place,
                hint="was it copied whole? Nothing behind that place could be read",
            ) from None
        buffer[: len(data)] = data
        return len(data)

    def close(self) -> None:
        if not self.closed:
            self._below.close()
        super().close()


class _Frames:
    """Zstandard frames one behind the other; the last one must be whole."""

    def __init__(self, stream: BinaryIO, library: ModuleType) -> None:
        self._stream = stream
        self._library = library
        self._frame: Any = None
        self._left = b""

    def read(self, size: int) -> bytes:
        """Return some bytes, at most so many, none at the end."""
        while not self._left:
            data = b""
            if self._frame is not None and self._frame.eof:
                data, self._frame = self._frame.unused_data, None
            data = data or self._stream.read(_FRAME_PIECE)
            if not data:
                if self._frame is not None:
                    raise EOFError
                return b""
            if self._frame is None:
                self._frame = self._library.ZstdDecompressor().decompressobj()
            self._left = self._frame.decompress(data)
        found, self._left = self._left[:size], self._left[size:]
        return found


def _zstandard(place: str = "") -> ModuleType:
    try:
        import zstandard
    except ImportError:
        raise ConfigurationError(
            "Zstandard needs the library zstandard",
            place=place,
            hint="pip install 'fhirdrain[zstd]'",
        ) from None
    return zstandard
