"""The rejects file: refused records as they stood, with reasons, to be mended and run again."""

from __future__ import annotations

import codecs
import os
import re
import uuid
from collections.abc import Iterable, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import BinaryIO

from fhirdrain.errors import ConfigurationError
from fhirdrain.intake.item import SourceItem, write_origin
from fhirdrain.intake.sources import Records
from fhirdrain.issues import Issue
from fhirdrain.packed import packed, packing_of
from fhirdrain.site import Source


class Rejects:
    """Writes refused records as they stood, each with its reasons in a place of ours.

    Tables with another header go to a file of their own: `NAME-2.csv`, ... A file appears only
    when there is something to refuse, and once the run has come to its end. Of a record with
    several items one is written, with those that were refused.
    """

    def __init__(
        self, path: Path, source: Source, files: Sequence[Records], protected: Sequence[Path]
    ) -> None:
        self._source = source
        self._files = {str(file.path): file for file in files}
        heads = dict.fromkeys(file.head for file in files)
        self._paths = {
            head: path.with_name(f"{path.stem}-{number}{path.suffix}") if number > 1 else path
            for number, head in enumerate(heads, 1)
        }
        self._streams: dict[str, _AsTheyStood] = {}
        self._unfinished: dict[str, Path] = {}
        self._stack = ExitStack()
        self._waiting: list[tuple[SourceItem, str]] = []
        refuse_overwriting(self._paths.values(), [*(file.path for file in files), *protected])

    @property
    def written(self) -> list[Path]:
        """Return the files that hold something."""
        self._flush()
        return [self._paths[head] for head in self._streams]

    def left_over(self) -> list[Path]:
        """Return the files of these names that this run did not write."""
        return [p for p in self._paths.values() if p.is_file() and p not in self.written]

    def __enter__(self) -> Rejects:
        return self

    def __exit__(self, kind: object, error: object, trace: object) -> None:
        with self._stack:
            if kind is None:
                self._flush()
        for head, unfinished in self._unfinished.items():
            if kind is None:
                os.replace(unfinished, self._paths[head])
            else:
                unfinished.unlink(missing_ok=True)

    def write(self, item: SourceItem, issue: Issue) -> None:
        """Write one refused item with its reason."""
        if self._waiting and _record(self._waiting[0][0]) != _record(item):
            self._flush()
        reason = f"{issue.message}; {issue.hint}" if issue.hint else issue.message
        self._waiting.append((item, reason))

    def _flush(self) -> None:
        if not self._waiting:
            return
        items = [item for item, _ in self._waiting]
        reasons = "; ".join(dict.fromkeys(reason for _, reason in self._waiting))
        self._waiting.clear()
        file = self._files[items[0].file]
        stream = self._streams.get(file.head)
        if stream is None:
            stream = self._streams[file.head] = self._open(file.head)
            stream.write(file.rejects_head())
        origin = items[0].origin or items[0].place
        in_part = any(item.from_part for item in items) or file.leaves_out(items)
        reason = write_origin(origin, in_part=in_part) + reasons
        stream.write(file.rejected(items, reason))

    def _open(self, head: str) -> _AsTheyStood:
        path = self._paths[head]
        try:
            if path.exists() and not path.is_file():  # a pipe, a terminal, /dev/null
                stream = path.open("wb")
            else:
                unfinished = path.with_name(f".{path.name}.{uuid.uuid4().hex}")
                stream = unfinished.open("wb")
                self._unfinished[head] = unfinished
            self._stack.enter_context(stream)
            into = self._stack.enter_context(packed(stream, packing_of(path.name)))
            return _AsTheyStood(into, self._source.encoding)
        except OSError as error:
            raise ConfigurationError(
                f"the rejects cannot be written: {error.strerror}", place=str(path)
            ) from None


class _AsTheyStood:
    """Writes text in an encoding, and bytes that it does not know as the bytes they were."""

    def __init__(self, stream: BinaryIO, encoding: str) -> None:
        self._stream = stream
        self._encoder = codecs.getincrementalencoder(encoding)(errors="backslashreplace")

    def write(self, text: str) -> None:
        """Write a text that was decoded with `surrogateescape`."""
        for piece in re.split("([\udc80-\udcff]+)", text):
            if piece[:1] and "\udc80" <= piece[0] <= "\udcff":
                self._stream.write(bytes(ord(character) - 0xDC00 for character in piece))
            elif piece:
                self._stream.write(self._encoder.encode(piece))


def _record(item: SourceItem) -> tuple[str, int]:
    return item.file, item.line


def refuse_overwriting(outgoing: Iterable[Path], given: Iterable[Path]) -> None:
    """Raise `ConfigurationError` when an outgoing file is one that was given, or another's name."""
    taken = {path.resolve() for path in given}
    for path in outgoing:
        if path.exists() and not path.is_file():
            continue  # a terminal, a pipe: nothing there can be lost
        if path.resolve() in taken:
            raise ConfigurationError(
                "it would be overwritten by what this run writes", place=str(path)
            )
        taken.add(path.resolve())
