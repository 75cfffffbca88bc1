"""One version of a resource, as it is stored and as HTTP speaks of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from fhirdrain.sandbox.dates import to_instant
from fhirdrain.vocabulary.jsontext import decode

COLUMNS = "seq, place, type, id, version, method, moment, body"


@dataclass(frozen=True, slots=True)
class Stored:
    """One version of a resource: the change that made it, and its content.

    `seq` is the number of the change, `place` that of the change that first made the resource,
    `method` the HTTP method it came by, `moment` microseconds since 1970. A deletion is a version
    with an empty body.
    """

    seq: int
    place: int
    kind: str
    id: str
    version: int
    method: str
    moment: int
    body: dict[str, Any]

    @property
    def deleted(self) -> bool:
        """Tell whether this version is a deletion."""
        return self.method == "DELETE"

    @property
    def location(self) -> str:
        """Return its versioned relative URL."""
        return f"{self.kind}/{self.id}/_history/{self.version}"

    @property
    def etag(self) -> str:
        """Return its entity tag."""
        return f'W/"{self.version}"'

    def is_named_by(self, tags: str, *, weakly: bool = False) -> bool:
        """Tell whether a header's list of entity tags names this version (RFC 9110, 13.1).

        The asterisk names whatever is there; a deletion is not. Compared weakly, a tag may lack
        the mark of a weak one.
        """
        named = {tag.strip() for tag in tags.split(",")}
        weak = weakly and self.etag.removeprefix("W/") in named
        return self.etag in named or weak or ("*" in named and not self.deleted)

    @property
    def last_updated(self) -> str:
        """Return its moment as a FHIR instant."""
        return to_instant(self.moment)


def stored_of(row: tuple[Any, ...]) -> Stored:
    """Return the version that a row of `COLUMNS` holds."""
    seq, place, kind, id_, version, method, moment, body = row
    content = decode(body) if body is not None else {}
    return Stored(seq, place, kind, id_, version, method, moment, content)
