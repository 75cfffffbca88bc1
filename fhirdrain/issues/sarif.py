"""Issues as a SARIF 2.1.0 log, for code review and pipelines.

SARIF is the OASIS standard "Static Analysis Results Interchange Format"; section numbers are of
version 2.1.0, from memory, and the tests hold a log against its published schema.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any
from urllib.parse import quote

from fhirdrain import __version__
from fhirdrain.issues.issue import Issue, Severity
from fhirdrain.issues.rules import rule

SCHEMA = (
    "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json"
)

# 3.27.10: SARIF has nothing above an error.
_LEVELS: dict[Severity, str] = {
    "fatal": "error",
    "error": "error",
    "warning": "warning",
    "information": "note",
}


def to_sarif(issues: Iterable[Issue], *, show_values: bool = False) -> dict[str, Any]:
    """Return a log of one run that describes the rules which were broken, in order of name."""
    issues = list(issues)
    names = sorted({issue.rule for issue in issues})
    index = {name: number for number, name in enumerate(names)}
    driver = {
        "name": "fhirdrain",
        "version": __version__,
        "rules": [_descriptor(name) for name in names],
    }
    run = {
        "tool": {"driver": driver},
        "columnKind": "unicodeCodePoints",
        "results": [_result(issue, index[issue.rule], show_values) for issue in issues],
    }
    return {"$schema": SCHEMA, "version": "2.1.0", "runs": [run]}


def _descriptor(name: str) -> dict[str, Any]:
    known = rule(name)
    descriptor: dict[str, Any] = {"id": name}
    if known is not None:
        descriptor["shortDescription"] = {"text": _literal(known.title)}
        descriptor["fullDescription"] = {"text": _literal(known.explanation)}
        if known.link:
            descriptor["helpUri"] = known.link
    return descriptor


def _result(issue: Issue, index: int, show_values: bool) -> dict[str, Any]:
    said = f"{issue.message} (hint: {issue.hint})" if issue.hint else issue.message
    properties = {"code": issue.code}
    if show_values and issue.value:
        properties["value"] = issue.value
    result: dict[str, Any] = {
        "ruleId": issue.rule,
        "ruleIndex": index,
        "level": _LEVELS[issue.severity],
        "message": {"text": _literal(said)},
        "properties": properties,
    }
    location: dict[str, Any] = {}
    if issue.file:
        location["physicalLocation"] = _physical(issue)
    if issue.location:
        location["logicalLocations"] = [{"fullyQualifiedName": issue.location}]
    if location:
        result["locations"] = [location]
    return result


def _physical(issue: Issue) -> dict[str, Any]:
    physical: dict[str, Any] = {"artifactLocation": {"uri": _uri(issue.file)}}
    if issue.line:
        region = {"startLine": issue.line}
        if issue.column:
            region["startColumn"] = issue.column
        physical["region"] = region
    return physical


# What stands in an archive has no URI of its own, and its name may lead anywhere.
_PACKED = re.compile(r"(.+?\.(?:tgz|tar\.gz))!", re.DOTALL)


def _uri(file: str) -> str:
    """Return a file's URI: relative as it was given, unless that leads up and out (3.10, 3.4)."""
    packed = _PACKED.match(file)
    path = Path(packed[1] if packed else file)
    if path.is_absolute() or ".." in path.parts:
        return Path(os.path.abspath(path)).as_uri()
    return quote(os.fsencode(path.as_posix()))


def _literal(text: str) -> str:
    """Return a text for a message, where braces would stand for an argument (3.11.5)."""
    return text.replace("{", "{{").replace("}", "}}")
