"""check: FHIR JSON to issues, from files or standard input."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path

from fhirdrain.conformance import check_bytes, check_file
from fhirdrain.errors import RefusedError, SourceError
from fhirdrain.issues import Issue


def check_sources(names: Iterable[str]) -> list[Issue]:
    """Return what is wrong in files; `-` is standard input. Raises `SourceError`."""
    issues: list[Issue] = []
    for name in names:
        if name == "-" and sys.stdin is None:
            raise SourceError("standard input is closed")
        if name == "-":
            issues += check_bytes(sys.stdin.buffer.read(), "<stdin>")
        else:
            issues += check_file(Path(name))
    return issues


def refuse_errors(issues: Iterable[Issue], file: str) -> None:
    """Raise `RefusedError` when there are errors among the issues, naming the first."""
    errors = [issue for issue in issues if issue.is_error]
    if errors:
        first = errors[0]
        where = f"{first.place}: " if first.place else ""
        raise RefusedError(
            f"{len(errors)} errors, nothing was sent; the first: {where}{first.message}",
            place="" if first.place else file,
            hint=f"fhirdrain check {file} lists them",
        )
