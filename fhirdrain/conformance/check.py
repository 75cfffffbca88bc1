"""The way in: a file, a text or a resource goes through all layers and comes out as issues."""

from __future__ import annotations

import codecs
import io
import traceback
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from decimal import Decimal
from functools import cache, partial
from itertools import chain, islice
from math import isfinite
from pathlib import Path
from typing import Any, BinaryIO

from fhirdrain.conformance import raw
from fhirdrain.conformance.checker import Checker, Options
from fhirdrain.conformance.definitions import Definitions
from fhirdrain.conformance.walk import Run, root
from fhirdrain.errors import SourceError
from fhirdrain.issues import Issue
from fhirdrain.packed import open_plain, plain_name

Told = Callable[[int], None]


def check_file(path: Path, checker: Checker | None = None) -> list[Issue]:
    """Return what is wrong in a file of one resource, a bundle, or NDJSON; raises `SourceError`."""
    try:
        with open_plain(path) as stream:
            return list(check_stream(stream, str(path), checker=checker))
    except OSError as error:
        raise SourceError(f"cannot be read: {error.strerror}", place=str(path)) from None


def check_bytes(
    data: bytes, file: str = "", told: Told | None = None, checker: Checker | None = None
) -> list[Issue]:
    """Return what is wrong in a text: one resource, a bundle, or NDJSON (a resource a line).

    `told` is called with how many resources have been looked at.
    """
    return list(check_stream(io.BytesIO(data), file, told, checker))


def check_stream(
    stream: BinaryIO, file: str = "", told: Told | None = None, checker: Checker | None = None
) -> Iterator[Issue]:
    """Yield what is wrong in a stream; of NDJSON only one line is held at a time."""
    told, checker = told or _silent, checker or standard_checker()
    applied: set[str] = set()
    read = True
    for issue in check_share(stream, file, told, checker, applied, [(0, None)]):
        read = read and issue.severity != "fatal"
        yield issue
    if read:
        yield from unapplied(file, checker, applied, line=1)


def check_share(
    stream: BinaryIO,
    file: str,
    told: Told,
    checker: Checker,
    applied: set[str],
    spans: Iterable[tuple[int, int | None]],
) -> Iterator[Issue]:
    """Yield what is wrong in some lines of NDJSON: in each of the `spans` so many are passed over,
    and so many looked at (None: all).

    What is not NDJSON is one document, the first. The profiles asked for that were `applied` are
    added to those: `unapplied` says of a whole file which were not.
    """
    blank, head = _head(stream)
    start = b"".join(head)
    unmarked = start.removeprefix(codecs.BOM_UTF8)
    if not is_ndjson(unmarked, file):
        if next(iter(spans))[0]:
            return
        data = start + stream.read(raw.MOST_BYTES + 1)
        before = (blank if data.strip() else 0) or None
        yield from _document(data, file, before, checker, told, applied)
        return
    if head:
        head[0] = head[0].removeprefix(codecs.BOM_UTF8)
    lines = chain(head, _lines(stream))
    number = blank
    for passed, looked_at in spans:
        number += passed
        deque(islice(lines, passed), maxlen=0)
        before = number
        for line in islice(lines, looked_at):
            number += 1
            told(number)
            if line.strip():
                text = line.rstrip(b"\r\n")
                yield from _document(text, file, number - 1, checker, _silent, applied)
        if number == before:
            return


def unapplied(file: str, checker: Checker, applied: set[str], line: int = 0) -> Iterator[Issue]:
    """Yield that a profile was asked for and there was nothing to hold against it."""
    for url in checker.options.profiles:
        if url not in applied:
            yield Issue(
                "warning",
                "not-found",
                "profile-unused",
                "a profile that was asked for was applied to nothing: nothing here is of its type",
                hint=f"{url} is of {checker.type_of(url) or 'no known type'}",
                file=file,
                line=line,
                value=url,
            )


def _head(stream: BinaryIO) -> tuple[int, list[bytes]]:
    """Return how many blank lines a stream begins with, and those to the second that is filled.

    That is enough to know its form; blank lines, of which there may be any number, are not kept.
    """
    blank, filled = 0, 0
    head: list[bytes] = []
    while filled < 2 and (line := stream.readline(raw.MOST_BYTES + 1)):
        content = line.strip(b" \t\r\n" + codecs.BOM_UTF8)
        filled += bool(content)
        if content or codecs.BOM_UTF8 in line:
            head.append(line)
        elif head:
            head.append(b"\n")  # which is one object, however many there are
        else:
            blank += 1
    return blank, head


def _lines(stream: BinaryIO) -> Iterator[bytes]:
    return iter(partial(stream.readline, raw.MOST_BYTES + 1), b"")


def _silent(count: int) -> None:
    """Tell nobody."""


def is_ndjson(data: bytes, file: str = "") -> bool:
    """Tell whether a text is NDJSON: by its name, or because its first line is a whole resource."""
    if plain_name(file).lower().endswith(".ndjson"):
        return bool(data.strip())
    first, _, rest = data.lstrip().partition(b"\n")
    if not (first.startswith(b"{") and first.rstrip().endswith(b"}") and rest.lstrip()[:1] == b"{"):
        return False
    value, _, issues = raw.parse(first)
    return isinstance(value, dict) and not any(i.severity == "fatal" for i in issues)


def check_resource(
    resource: Any, *, base_only: bool = False, checker: Checker | None = None
) -> list[Issue]:
    """Return what is wrong in a decoded resource; `base_only` leaves it at base R4.

    A float counts as the shortest decimal that it stands for; what JSON itself said is not known.
    """
    checker = checker or (_base_checker() if base_only else standard_checker())
    applied: set[str] = set()
    found = [issue for issue, _ in _walked(resource, "", checker, _silent, applied)]
    # Most that is checked holds no float: only where something is wrong it is looked for.
    if found and (exact := _exact(resource)) is not resource:
        found = [issue for issue, _ in _walked(exact, "", checker, _silent, applied)]
    return [*found, *unapplied("", checker, applied)] if checker.options.profiles else found


def _exact(value: Any) -> Any:
    """Return a value with decimals in the place of its floats; itself where it holds none."""
    if isinstance(value, float) and isfinite(value):
        return Decimal(repr(value))
    if isinstance(value, dict):
        members = {key: _exact(item) for key, item in value.items()}
        return members if any(members[key] is not value[key] for key in value) else value
    if isinstance(value, list):
        items = [_exact(item) for item in value]
        return items if any(a is not b for a, b in zip(items, value, strict=True)) else value
    return value


@cache
def standard_checker() -> Checker:
    """Return the checker of R4, our profiles and our rules, made once."""
    return Checker()


@cache
def _base_checker() -> Checker:
    return Checker(Definitions(), Options(base_only=True))


def _document(
    data: bytes,
    file: str,
    lines_before: int | None,
    checker: Checker,
    told: Told,
    applied: set[str],
) -> list[Issue]:
    value, text, issues = raw.parse(data, file)
    if not any(issue.severity == "fatal" for issue in issues):
        found = _walked(value, file, checker, told, applied)
        if found:
            where, lines = raw.positions(text), raw.Lines(text)
            for issue, path in found:
                line, column = lines.of(_nearest(where, path))
                issues.append(replace(issue, line=line, column=column))
    if lines_before is not None:
        issues = [replace(i, line=i.line + lines_before if i.line else 0) for i in issues]
        issues = [i if i.line else replace(i, line=lines_before + 1) for i in issues]
    return issues


def _walked(
    value: Any, file: str, checker: Checker, told: Told, applied: set[str]
) -> list[tuple[Issue, raw.JsonPath]]:
    """Return what is wrong in a decoded document, each thing once.

    The profiles asked for that were `applied` are added to those.
    """
    run = Run(file, told=told, applied=applied)
    try:
        checker.walk(value, run)
    except RecursionError:
        run.add(root("$this"), "depth", f"nested more than {raw.MOST_DEPTH} deep", code="too-long")
    except Exception as error:
        _say_our_fault(error, run)
    return list(dict.fromkeys(run.found)) if run.found else []


def _say_our_fault(error: Exception, run: Run) -> None:
    """Report that we fell over a document: it must not end the run, nor pass as looked at.

    The error's own words may hold a patient's values.
    """
    place = traceback.extract_tb(error.__traceback__)[-1]
    run.add(
        root("$this"),
        "not-judged",
        "a fault of fhirdrain kept the rest of this from being judged",
        code="exception",
        hint=f"{type(error).__name__} at {Path(place.filename).name}:{place.lineno}",
    )


def _nearest(where: dict[raw.JsonPath, int], path: raw.JsonPath) -> int:
    while path and path not in where:
        path = path[:-1]
    return where.get(path, 0)
