"""A request refused: the HTTP status and the issues that go into its OperationOutcome."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from fhirdrain.issues import SEVERITIES, Issue, to_operation_outcome

_MOST_ISSUES = 100


class Refusal(Exception):
    """The request cannot be done; `status` is the HTTP status, `issues` say why."""

    def __init__(
        self,
        status: int,
        code: str,
        message: str,
        issues: Sequence[Issue] = (),
        headers: Mapping[str, str] | None = None,
    ) -> None:
        super().__init__(message)
        self.status = status
        self.issues = list(issues) or [Issue("error", code, "sandbox", message)]
        self.headers = dict(headers or {})

    def at(self, location: str) -> Refusal:
        """Return the same refusal with its issues placed, where they have no place yet."""
        issues = [i if i.location else replace(i, location=location) for i in self.issues]
        return Refusal(self.status, "", str(self), issues, self.headers)


class UnknownParameter(Refusal):
    """A search asks for a parameter that is not known here; a lenient search goes on without it."""

    def __init__(self, message: str) -> None:
        super().__init__(400, "not-supported", message)


def outcome_of(issues: Sequence[Issue]) -> dict[str, Any]:
    """Return issues as an OperationOutcome; of very many the worst, and how many more there are."""
    if len(issues) > _MOST_ISSUES:
        worst = sorted(issues, key=lambda issue: SEVERITIES.index(issue.severity))[:_MOST_ISSUES]
        more = f"and {len(issues) - _MOST_ISSUES} more"
        issues = [*worst, Issue("information", "informational", "sandbox", more)]
    return to_operation_outcome(issues)
