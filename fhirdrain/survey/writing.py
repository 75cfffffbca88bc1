"""A survey as text, CSV and JSON."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from itertools import groupby
from typing import Any

from fhirdrain.survey.judging import FAULTS, VERDICTS, Row
from fhirdrain.survey.survey import Survey
from fhirdrain.vocabulary.codes import LOCAL, LOINC, MDC, SNOMED
from fhirdrain.vocabulary.jsontext import encode_pretty

COLUMNS = (
    "system", "code", "observable", "of", "what", "count", "first", "last", "verdict", "write",
    "why",
)  # fmt: skip
_SHORT = {LOINC: "LOINC", SNOMED: "SNOMED CT", MDC: "MDC", LOCAL: "fhirdrain", "": ""}


def as_csv(rows: Sequence[Row]) -> bytes:
    """Return a survey's lines as CSV."""
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(COLUMNS)
    writer.writerows([getattr(row, name) for name in COLUMNS] for row in rows)
    return stream.getvalue().encode()


def as_json(survey: Survey, rows: Sequence[Row]) -> bytes:
    """Return a survey as JSON."""
    body: dict[str, Any] = {
        "records": survey.records,
        "others": dict(sorted(survey.others.items())),
        "unreadable": dict(sorted(survey.unreadable.items())),
        "not_followed": survey.not_followed,
        "verdicts": VERDICTS,
        "rows": [asdict(row) for row in rows],
    }
    return encode_pretty(body) + b"\n"


def as_text(survey: Survey, rows: Sequence[Row]) -> bytes:
    """Return a survey as text: a block a code, what to look at marked by its verdict."""
    lines: list[str] = []
    for (system, code), group in groupby(rows, key=lambda row: (row.system, row.code)):
        of_code = list(group)
        meant = of_code[0].observable
        head = f"{named(system)} {code}".strip() or "(no code)"
        lines.append(f"{head}{f', {meant}' if meant else ''}")
        lines += (f"  {line}" for row in of_code for line in _lines(row))
    lines += ["", *_summary(survey, rows)] if rows else _summary(survey, rows)
    return "\n".join(lines).encode() + b"\n"


def named(system: str) -> str:
    """Return a short name of a code system."""
    return _SHORT.get(system, system)


def _lines(row: Row) -> Iterator[str]:
    what = f"{row.of} {row.what}".strip()
    when = f", {row.first} to {row.last}" if row.first else ""
    mark = "look: " if row.verdict in FAULTS else ""
    yield f"{row.count:>8}  {what}: {mark}{row.verdict}{when}"
    if row.write:
        yield f"{'':>10}write: {row.write}"
    if row.why:
        yield f"{'':>10}{row.why}"


def _summary(survey: Survey, rows: Sequence[Row]) -> list[str]:
    counts: dict[str, int] = {}
    for row in rows:
        counts[row.verdict] = counts.get(row.verdict, 0) + 1
    lines = [f"{survey.records} records; lines by verdict:"]
    lines += [
        f"{counts[verdict]:>8}  {verdict}: {text}"
        for verdict, text in VERDICTS.items()
        if verdict in counts
    ]
    lines += [
        f"{count:>8}  {kind}: no observation" for kind, count in sorted(survey.others.items())
    ]
    for why, count in sorted(survey.unreadable.items()):
        lines.append(f"{count:>8}  look: could not be read: {why}")
    if survey.not_followed:
        lines.append(
            f"{survey.not_followed:>8}  values of series that were too many to be followed"
        )
    return lines
