"""Issues and rules as text for a person at a terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

from fhirdrain.issues.issue import SEVERITIES, Issue, count_by_severity, printable
from fhirdrain.issues.rules import Invariant, Rule

# Of one thing that is wrong in many places so many are shown; the others are counted.
MOST_PLACES = 3
_WIDTH = 88


def render_issue(issue: Issue, *, show_values: bool = False) -> str:
    """Return one line: place, severity, message, FHIRPath location, hint, rule."""
    parts = [
        f"{issue.place}: " if issue.place else "",
        f"{issue.severity}: {printable(issue.message)}",
    ]
    if show_values and issue.value:
        parts.append(f" [{printable(issue.value)}]")
    if issue.location:
        parts.append(f" at {issue.location}")
    if issue.hint:
        parts.append(f" (hint: {printable(issue.hint)})")
    parts.append(f" <{issue.rule}>")
    return "".join(parts)


def render_text(issues: Iterable[Issue], *, show_values: bool = False) -> str:
    """Return issues file by file, the worst first, and a last line that counts them.

    What is wrong in the same way in many places is said once, with the first places and one hint.
    """
    issues = list(issues)
    by_file: dict[str, list[Issue]] = {}
    for issue in sorted(issues, key=_rank):
        by_file.setdefault(issue.file, []).append(issue)
    lines: list[str] = []
    for file, found in by_file.items():
        if file:
            lines.append(printable(file))
        alike: dict[tuple[str, ...], list[Issue]] = {}
        for issue in found:
            key = (issue.severity, issue.rule, issue.message, issue.hint)
            alike.setdefault(key, []).append(issue)
        for same in alike.values():
            lines += _folded(same, show_values)
        lines.append("")
    counts = count_by_severity(issues)
    lines.append(", ".join(f"{n} {severity}" for severity, n in counts.items()) or "no issues")
    return "\n".join(lines) + "\n"


def render_rule(rule: Rule) -> str:
    """Return what a rule demands, why, a good and a bad example, and where it is published."""
    return "\n".join(
        [
            f"{rule.name}: {rule.title}",
            "",
            *textwrap.wrap(rule.explanation, _WIDTH),
            "",
            *([f"the examples are checked with {rule.needs}", ""] if rule.needs else []),
            "good:",
            textwrap.indent(rule.good, "  "),
            "bad:",
            textwrap.indent(rule.bad, "  "),
            "",
            rule.link or "a rule of our own: README.md, What the check holds data against",
            "",
        ]
    )


def render_invariant(stated: Sequence[Invariant], rule: Rule) -> str:
    """Return what is stated under one key, and the rule by whose name it is reported.

    The expression stands on one line, as it is there to be copied.
    """
    lines = [
        f"{stated[0].key}: an invariant of {stated[0].of}, reported by the rule {rule.name}",
        "",
    ]
    for one in stated:
        where = ", ".join(one.places) or "a profile of R4"
        asked = ", only with --recommended" if one.best_practice else ""
        lines += [f"stands on {where}, as {one.severity}{asked}:", f"  {one.expression}", ""]
    return "\n".join([*lines, render_rule(rule)])


def _rank(issue: Issue) -> int:
    return SEVERITIES.index(issue.severity)


def _folded(same: list[Issue], show_values: bool) -> list[str]:
    first = same[0]
    lines = [f"  {first.severity}: {printable(first.message)} <{first.rule}>"]
    places = [text for issue in same if (text := _where(issue, show_values))]
    lines += [f"    {place}" for place in places[:MOST_PLACES]]
    more = len(same) - max(len(places[:MOST_PLACES]), 1)
    if more:
        lines.append(f"    and {more} more")
    if first.hint:
        lines.append(f"    hint: {printable(first.hint)}")
    return lines


def _where(issue: Issue, show_values: bool) -> str:
    """Return the place of an issue, in a form that terminals and editors take one to."""
    place = printable(issue.place) if issue.line else ""
    value = f"[{printable(issue.value)}]" if show_values and issue.value else ""
    return " ".join(part for part in (place, issue.location, value) if part)
