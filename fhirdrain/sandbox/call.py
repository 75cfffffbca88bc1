"""One interaction asked for and its answer, the same for a request and for an entry of a bundle."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import parse_qsl, urlencode

from fhirdrain.sandbox.storage import Storage
from fhirdrain.sandbox.stored import Stored

# R4, "General parameters": they may stand in any URL and choose the form of the answer alone.
GENERAL = ("_format", "_pretty")


@dataclass(frozen=True, slots=True)
class Service:
    """What every interaction needs of the server it is done on."""

    storage: Storage
    version: str
    read_only: bool = False
    needs_token: bool = False


@dataclass(frozen=True, slots=True)
class Call:
    """One interaction asked for.

    `path` are the parts below the base URL, `headers` have lower-case names, `body` gives the
    resource that was sent and raises `Refusal`; `sent` says whether anything was.
    """

    service: Service
    base: str
    method: str
    path: tuple[str, ...]
    query: Sequence[tuple[str, str]] = ()
    headers: Mapping[str, str] = field(default_factory=dict)
    body: Callable[[], Any] = dict
    sent: bool = True

    @property
    def storage(self) -> Storage:
        """Return the store."""
        return self.service.storage

    @property
    def preferences(self) -> set[str]:
        """Return what the Prefer header asks for, in lower case."""
        text = self.headers.get("prefer", "").lower().replace(";", ",")
        return {part.replace(" ", "") for part in text.split(",")}

    def url(self, query: Sequence[tuple[str, str]], *more: str) -> str:
        """Return the absolute URL of this path, or of other parts, with a query."""
        path = "/".join([self.base, *(more or self.path)])
        return f"{path}?{urlencode(query)}" if query else path


@dataclass(frozen=True, slots=True)
class Answer:
    """What came of an interaction; without a body there is nothing to say."""

    status: int = 200
    body: Any = None
    stored: Stored | None = None
    located: bool = False


def pairs_of(query: str) -> list[tuple[str, str]]:
    """Return the parameters of a query string."""
    return parse_qsl(query.removeprefix("?"), keep_blank_values=True)
