"""check: FHIR JSON to issues, from files or standard input."""

from __future__ import annotations

from collections.abc import Iterable

from fhirdrain.conformance import check_bytes
from fhirdrain.errors import RefusedError
from fhirdrain.issues import Issue
from fhirdrain.street.sources import read_source
from fhirdrain.street.telling import Told, silent


def check_sources(names: Iterable[str], progress: Told = silent) -> list[Issue]:
    """Return what is wrong in files; `-` is standard input. Raises `SourceError`."""
    issues: list[Issue] = []
    for name in names:
        data, file = read_source(name)
        issues += check_bytes(data, file, lambda count: progress("resources checked", count))
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
