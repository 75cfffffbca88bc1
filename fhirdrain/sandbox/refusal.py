"""A request refused: the HTTP status and the issues that go into its OperationOutcome."""

from __future__ import annotations

from collections.abc import Sequence

from fhirdrain.issues import Issue


class Refusal(Exception):
    """The request cannot be done; `status` is the HTTP status, `issues` say why."""

    def __init__(self, status: int, code: str, message: str, issues: Sequence[Issue] = ()) -> None:
        super().__init__(message)
        self.status = status
        self.issues = list(issues) or [Issue("error", code, "sandbox", message)]
