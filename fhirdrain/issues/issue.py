"""One thing that is wrong in data: what, where, why, and what to do about it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

Severity = Literal["fatal", "error", "warning", "information"]

SEVERITIES: tuple[Severity, ...] = ("fatal", "error", "warning", "information")


@dataclass(frozen=True, slots=True)
class Issue:
    """State one thing that is wrong; rendering it is somebody else's work.

    `code` is a code of the FHIR IssueType value set, `rule` the name of our rule, `location`
    a FHIRPath expression inside a resource, `line` and `column` count from 1 in `file`.
    `value` is what stood there: it may be a patient's, so renderers show it only when asked.
    """

    severity: Severity
    code: str
    rule: str
    message: str
    hint: str = ""
    file: str = ""
    line: int = 0
    column: int = 0
    location: str = ""
    value: str = ""

    @property
    def is_error(self) -> bool:
        """Tell whether the data is wrong rather than only worth a look."""
        return self.severity in ("fatal", "error")

    @property
    def place(self) -> str:
        """Return file, line and column as far as they are known, joined by colons."""
        parts = [self.file] if self.file else []
        if self.line:
            parts.append(str(self.line))
            if self.column:
                parts.append(str(self.column))
        return ":".join(parts)


def printable(text: str) -> str:
    """Return a text that cannot move the cursor, break the line or fail to be encoded."""
    return "".join(
        c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text
    )


def count_by_severity(issues: Iterable[Issue]) -> dict[Severity, int]:
    """Return how many issues there are of each severity, those without any left out."""
    counts: dict[Severity, int] = {}
    for issue in issues:
        counts[issue.severity] = counts.get(issue.severity, 0) + 1
    return {severity: counts[severity] for severity in SEVERITIES if severity in counts}
