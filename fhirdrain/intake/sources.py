"""A source's files, whatever their form: opened by what the site file says they are."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Protocol

from fhirdrain.errors import SourceError
from fhirdrain.intake.fhir import Fhir
from fhirdrain.intake.hl7v2 import Hl7v2
from fhirdrain.intake.item import WHOLE, Share, SourceItem
from fhirdrain.intake.jsonlines import JsonLines
from fhirdrain.intake.table import Table
from fhirdrain.site import Site, Source

__all__ = ["KINDS", "Records", "open_source"]


class Records(Protocol):
    """One file of a source: its items as a stream, and how its refused records are written.

    `head` is what its rejects files have in common; `cut_short` holds after the last item. The
    file is open only while it is read.
    """

    path: Path
    cut_short: bool

    @property
    def head(self) -> str:
        """Return what comes before the first record."""

    @property
    def is_rejects(self) -> bool:
        """Tell whether the file is a rejects file of an earlier run."""

    def __iter__(self) -> Iterator[SourceItem]:
        """Yield the items."""

    def rejects_head(self) -> str:
        """Return what a file of its refused records begins with."""

    def leaves_out(self, items: Sequence[SourceItem]) -> bool:
        """Tell whether some of what a record says was not refused, and is not written out."""

    def rejected(self, items: Sequence[SourceItem], reason: str) -> str:
        """Return one record with those of its items that were refused, and the reason."""


KINDS: Mapping[str, Callable[[Path, Source, Site, int, Share], Records]] = {
    "table": Table,
    "jsonlines": JsonLines,
    "hl7v2": Hl7v2,
    "fhir": Fhir,
}


def open_source(
    path: Path, source: Source, site: Site, first: int = 0, share: Share = WHOLE
) -> Records:
    """Return a file ready to be read; raises `SourceError`.

    Arrival numbers of its items begin behind `first`, whatever `share` of them is read.
    """
    if str(path) == "-":
        raise SourceError("map reads files, not standard input")
    if path.is_dir():
        raise SourceError("is a folder", place=str(path), hint="name the files in it")
    if not path.exists():
        raise SourceError("there is no such file", place=str(path), hint="is the name right?")
    return KINDS[source.kind](path, source, site, first, share)
