"""The JSON files of a folder or of a FHIR package (.tgz), read with care.

Nothing in an archive is ever written to disk, no link is followed, and what unpacks without end
is stopped. Source: the FHIR NPM package specification (from memory).
"""

from __future__ import annotations

import gzip
import re
import tarfile
import zlib
from collections.abc import Iterator
from pathlib import Path, PurePosixPath
from typing import IO

from fhirdrain.errors import SourceError
from fhirdrain.issues import Issue, Severity

# Bounds of ours. R4's own package has 4 600 files, 40 MB in all, packed 8 to 1.
MOST_FILES = 50_000
MOST_FILE_BYTES = 128 * 1024 * 1024
MOST_BYTES = 256 * 1024 * 1024
MOST_RATIO = 200
RATIO_COUNTS_FROM = 16 * 1024 * 1024

_GZIP = b"\x1f\x8b"
_READ_AT_ONCE = 1024 * 1024
_BROKEN = (
    tarfile.TarError,
    EOFError,
    zlib.error,
    gzip.BadGzipFile,
    ValueError,
    ArithmeticError,
    RecursionError,
)


def definition_issue(
    message: str,
    file: str,
    severity: Severity = "error",
    rule: str = "definition",
    hint: str = "",
    location: str = "",
) -> Issue:
    """Return what is wrong with something that was supplied."""
    code = "not-supported" if rule == "not-supported" else "invalid"
    return Issue(severity, code, rule, message, hint=hint, file=file, location=location)


def printable(name: object) -> str:
    """Return a name from a file so that it can stand in a message: short, and printable."""
    return "".join(c if c.isprintable() else "?" for c in str(name)[:200])


def files_of(path: Path, issues: list[Issue]) -> Iterator[tuple[str, str, bytes]]:
    """Yield name, place and content of each JSON file that belongs to a path."""
    if path.is_dir():
        yield from _of_folder(path, issues)
    elif not path.exists():
        raise SourceError("is not there", place=str(path))
    elif not path.is_file():
        raise SourceError("is neither a file nor a folder", place=str(path))
    elif path.name.lower().endswith(".json"):
        # A single file is not bounded as those of an archive are: `parse` has a bound of its own.
        yield "", str(path), path.read_bytes()
    elif path.name.lower().endswith((".tgz", ".tar.gz")):
        yield from _of_archive(path, issues)
    else:
        hint = "supply a folder, a .json file or a package (.tgz)"
        raise SourceError("is no definition in JSON", place=str(path), hint=hint)


def _of_folder(folder: Path, issues: list[Issue]) -> Iterator[tuple[str, str, bytes]]:
    root = folder.resolve()
    next(folder.iterdir(), None)  # `glob` says nothing of a folder that it may not read
    count = 0
    for path in sorted([*folder.glob("*.json"), *folder.glob("package/*.json")]):
        if path.name.startswith("."):
            continue  # .index.json repeats what the files say
        count += 1
        if not path.resolve().is_relative_to(root):
            issues.append(
                definition_issue("it is a link to outside the folder, and is not read", str(path))
            )
        elif not path.is_file():
            issues.append(definition_issue("it is no file that can be read", str(path)))
        elif path.stat().st_size > MOST_FILE_BYTES:
            issues.append(
                definition_issue(f"it is larger than {MOST_FILE_BYTES >> 20} MiB", str(path))
            )
        else:
            yield path.name, str(path), path.read_bytes()
        if count >= MOST_FILES:
            issues.append(definition_issue(f"it has more than {MOST_FILES} files", str(folder)))
            return
    if not count:
        hint = "name each package (.tgz) itself"
        raise SourceError(
            "has no .json files, nor has package/ in it", place=str(folder), hint=hint
        )


class _BeyondBounds(Exception):
    """An archive unpacks to more than is sane; the message says how."""


class _Bounded:
    """Unpacks a gzip file as it is read, and stops where that goes on and on."""

    def __init__(self, packed: IO[bytes]) -> None:
        self._packed = packed
        self._stream = gzip.GzipFile(fileobj=packed)
        self._count = 0
        self.filled = 0  # up to where something other than zeros stands

    def read(self, size: int) -> bytes:
        """Return the next bytes, as `tarfile` asks for them."""
        data = self._stream.read(size)
        if content := data.rstrip(b"\0"):
            self.filled = self._count + len(content)
        self._count += len(data)
        if self._count > MOST_BYTES:
            raise _BeyondBounds(f"it unpacks to more than {MOST_BYTES >> 20} MiB")
        if self._count > max(RATIO_COUNTS_FROM, MOST_RATIO * self._packed.tell()):
            raise _BeyondBounds(f"it unpacks to more than {MOST_RATIO} times its size")
        return data


def _of_archive(path: Path, issues: list[Issue]) -> Iterator[tuple[str, str, bytes]]:
    with path.open("rb") as packed:
        if packed.read(2) != _GZIP:
            raise SourceError("is not a package: it is not packed with gzip", place=str(path))
        packed.seek(0)
        try:
            stream = _Bounded(packed)
            # Read as a stream, in which no header can send the reader back and round in circles.
            with tarfile.open(fileobj=stream, mode="r|") as archive:  # type: ignore[call-overload]
                yield from _members(archive, path, issues)
                while stream.read(_READ_AT_ONCE):
                    pass
                # A broken header in the middle ends the archive without a word from `tarfile`.
                if stream.filled > archive.offset:
                    raise tarfile.ReadError
        except _BeyondBounds as error:
            issues.append(definition_issue(f"{error}, and is read no further", str(path)))
        except _BROKEN:
            what = "the archive is broken, and is read no further"
            issues.append(definition_issue(what, str(path), hint="was the file cut short?"))


def _members(
    archive: tarfile.TarFile, path: Path, issues: list[Issue]
) -> Iterator[tuple[str, str, bytes]]:
    seen: set[str] = set()
    for count, member in enumerate(archive, 1):
        place = f"{path}!{printable(member.name)}"
        fault = _fault(member)
        if count > MOST_FILES:
            raise _BeyondBounds(f"it has more than {MOST_FILES} files")
        if member.size > MOST_BYTES:
            # To get past it would be to read to where its header says that it ends.
            raise _BeyondBounds(f"a file in it is said to have more than {MOST_BYTES >> 20} MiB")
        if fault:
            issues.append(definition_issue(f"{fault}, and is not read", place))
            continue
        parts = PurePosixPath(member.name).parts
        if not (member.isreg() and len(parts) == 2 and parts[0] == "package"):
            continue
        name = parts[1]
        if not name.endswith(".json") or name.startswith("."):
            continue
        if name in seen:
            issues.append(
                definition_issue("it stands twice in the archive; the first is read", place)
            )
        elif member.size > MOST_FILE_BYTES:
            issues.append(definition_issue(f"it is larger than {MOST_FILE_BYTES >> 20} MiB", place))
        else:
            stream = archive.extractfile(member)
            assert stream is not None  # it is a regular file
            yield name, place, stream.read()
        seen.add(name)


def _fault(member: tarfile.TarInfo) -> str:
    """Return what makes a member of an archive one that is not to be touched."""
    parts = PurePosixPath(member.name).parts
    if member.issym() or member.islnk():
        return "it is a link"
    if member.issparse():
        return "it is a sparse file"
    if not (member.isreg() or member.isdir()):
        return "it is neither a file nor a folder"
    if (
        ".." in parts
        or member.name.startswith("/")
        or re.search(r"[\\\x00]|^[A-Za-z]:", member.name)
    ):
        return "its name leads out of the archive"
    return ""
