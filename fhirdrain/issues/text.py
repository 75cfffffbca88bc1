"""Issues as lines for a person at a terminal."""

from __future__ import annotations

from collections.abc import Iterable

from fhirdrain.issues.issue import Issue, count_by_severity


def render_issue(issue: Issue, *, show_values: bool = False) -> str:
    """Return one line: place, severity, message, FHIRPath location, hint, rule."""
    parts = [f"{issue.place}: " if issue.place else "", f"{issue.severity}: {issue.message}"]
    if show_values and issue.value:
        parts.append(f" [{issue.value}]")
    if issue.location:
        parts.append(f" at {issue.location}")
    if issue.hint:
        parts.append(f" (hint: {issue.hint})")
    parts.append(f" <{issue.rule}>")
    return "".join(parts)


def render_text(issues: Iterable[Issue], *, show_values: bool = False) -> str:
    """Return all issues a line each, and a last line that counts them."""
    issues = list(issues)
    lines = [render_issue(issue, show_values=show_values) for issue in issues]
    counts = count_by_severity(issues)
    lines.append(", ".join(f"{n} {severity}" for severity, n in counts.items()) or "no issues")
    return "\n".join(lines) + "\n"
