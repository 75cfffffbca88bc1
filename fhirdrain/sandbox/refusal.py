"""A request refused: the HTTP status and the issues that go into its OperationOutcome."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from fhirdrain.issues import Issue


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
