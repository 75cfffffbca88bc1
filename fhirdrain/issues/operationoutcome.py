"""Issues as a FHIR R4 OperationOutcome."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

from fhirdrain.issues.issue import SEVERITIES, Issue, printable
from fhirdrain.issues.rules import rule

# R4's own extensions of an issue: the file it is in, and where its rule is published.
SOURCE = "http://hl7.org/fhir/StructureDefinition/operationoutcome-issue-source"
AUTHORITY = "http://hl7.org/fhir/StructureDefinition/operationoutcome-authority"


def _entry(issue: Issue, show_values: bool) -> dict[str, Any]:
    entry: dict[str, Any] = {}
    extensions: list[dict[str, Any]] = []
    if issue.file:
        # The name of a file may be no UTF-8; FHIR's texts are nothing else.
        name = printable(issue.file).encode("utf-8", "backslashreplace").decode("utf-8")
        extensions.append({"url": SOURCE, "valueString": name})
    known = rule(issue.rule)
    if known is not None and known.link:
        extensions.append({"url": AUTHORITY, "valueUri": known.link})
    if extensions:
        entry["extension"] = extensions
    entry["severity"] = issue.severity
    entry["code"] = issue.code
    entry["details"] = {
        "coding": [{"system": RULES, "code": issue.rule}],
        "text": printable(issue.message),
    }
    diagnostics = [f"line {issue.line}, column {issue.column}"] if issue.line else []
    diagnostics += [printable(issue.hint)] if issue.hint else []
    if show_values and issue.value:
        diagnostics.append(f"value: {issue.value}")
    if diagnostics:
        entry["diagnostics"] = "; ".join(diagnostics)
    if issue.location:
        entry["expression"] = [issue.location]
    return entry


# Rule names are codes of this system; it names them and is not published as a CodeSystem.
RULES = "https://fhirdrain.example/fhir/rules"


def to_operation_outcome(issues: Iterable[Issue], *, show_values: bool = False) -> dict[str, Any]:
    """Return an OperationOutcome; without issues it holds one that says all was well."""
    entries = [_entry(issue, show_values) for issue in issues]
    if not entries:
        entries = [
            {"severity": "information", "code": "informational", "details": {"text": "no issues"}}
        ]
    return {"resourceType": "OperationOutcome", "issue": entries}


def from_operation_outcome(outcome: Any) -> list[Issue]:
    """Return the issues somebody else's OperationOutcome states, as far as they can be read.

    What they say in words may hold a patient's values, so it is the issues' `value`.
    """
    issues = []
    entries = outcome.get("issue") if isinstance(outcome, dict) else None
    for entry in entries if isinstance(entries, list) else ():
        if not isinstance(entry, dict):
            continue
        details = entry.get("details")
        text = details.get("text") if isinstance(details, dict) else None
        severity = entry.get("severity")
        places = entry.get("expression") or entry.get("location")
        code = str(entry.get("code"))
        if not re.fullmatch(r"[a-z]{1,20}(-[a-z]{1,20})*", code):
            code = "processing"
        place = str(places[0]) if isinstance(places, list) and places else ""
        said = [text or entry.get("diagnostics") or ""]
        if not re.fullmatch(r"[A-Za-z0-9.\[\]]{0,200}", place):
            said, place = [*said, place], ""
        issues.append(
            Issue(
                severity=severity if severity in SEVERITIES else "error",
                code=code,
                rule="server",
                message=f"the server says: {code}",
                location=place,
                value=" ".join(" ".join(map(str, said)).split()),
            )
        )
    return issues
