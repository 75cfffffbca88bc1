"""What can stop a command, as a tree whose branches carry the exit codes.

    FhirdrainError              2
    ├── ConfigurationError      2   a site file, policy file, setting or argument is wrong
    ├── SourceError             2   a source file cannot be read at all
    ├── RefusedError            1   the data was refused: by a check, or by the server
    ├── ServerError             3   the server answered something that is not usable
    │   ├── UnreachableError    3   nothing answered
    │   └── SignInError         3   the server does not know us
    └── PartlyDeliveredError    4   some of it is on the server, the rest is not

Data that is wrong in places is not an exception: it becomes `fhirdrain.issues.Issue`s.
"""

from __future__ import annotations

__all__ = [
    "ConfigurationError",
    "FhirdrainError",
    "PartlyDeliveredError",
    "RefusedError",
    "ServerError",
    "SignInError",
    "SourceError",
    "UnreachableError",
]


class FhirdrainError(Exception):
    """Say in one line what stopped the command, where, and what to do about it.

    `place` is a file with an optional line and column (`rounds.csv:12:4`) or a URL; neither
    it nor the message may hold a patient's values.
    """

    exit_code = 2

    def __init__(self, message: str, *, place: str = "", hint: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.place = place
        self.hint = hint

    def __str__(self) -> str:
        line = f"{self.place}: {self.message}" if self.place else self.message
        return f"{line} (hint: {self.hint})" if self.hint else line


class ConfigurationError(FhirdrainError):
    """A site file, policy file, setting or argument is wrong."""


class SourceError(FhirdrainError):
    """A source file cannot be read: not there, empty, binary, too large, without its columns."""


class RefusedError(FhirdrainError):
    """The data was refused, by a check of ours or by the server."""

    exit_code = 1


class ServerError(FhirdrainError):
    """The server answered something that cannot be used."""

    exit_code = 3


class UnreachableError(ServerError):
    """Nothing answered at the server's address."""


class SignInError(ServerError):
    """The server does not know us, or does not let us do this."""


class PartlyDeliveredError(FhirdrainError):
    """Some of it is on the server and the rest is not."""

    exit_code = 4
