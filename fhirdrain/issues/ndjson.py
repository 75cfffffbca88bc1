"""Issues as NDJSON: an object a line, for programs that take them one by one."""

from __future__ import annotations

import json
from collections.abc import Iterable

from fhirdrain.issues.issue import Issue
from fhirdrain.issues.rules import rule


def render_ndjson(issues: Iterable[Issue], *, show_values: bool = False) -> str:
    """Return a line for each issue, with the same keys in every one; what is not known is null.

    The text is ASCII: other characters stand as JSON escapes, so that no terminal's encoding and
    no reader's idea of a line end can break it.
    """
    return "".join(f"{json.dumps(_entry(issue, show_values))}\n" for issue in issues)


def _entry(issue: Issue, show_values: bool) -> dict[str, str | int | None]:
    known = rule(issue.rule)
    entry: dict[str, str | int | None] = {
        "severity": issue.severity,
        "code": issue.code,
        "rule": issue.rule,
        "message": issue.message,
        "hint": issue.hint or None,
        "file": issue.file or None,
        "line": issue.line or None,
        "column": issue.column or None,
        "location": issue.location or None,
        "link": (known.link or None) if known else None,
    }
    if show_values:
        entry["value"] = issue.value or None
    return entry
