"""Source files to items that stand, are refused or are set aside, each counted once."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from fhirdrain.intake.item import SourceItem
from fhirdrain.intake.sources import Records
from fhirdrain.intake.spill import Spill
from fhirdrain.issues import Issue
from fhirdrain.resources.identity import reading_identity
from fhirdrain.site import Site, Source
from fhirdrain.street.report import MapReport
from fhirdrain.street.telling import Told, silent

_MENDED = "refused, and mended in another row"


class Refusing(Protocol):
    """Whatever takes refused items: the rejects file, or what is to become one."""

    def write(self, item: SourceItem, issue: Issue) -> None:
        """Take one refused item with its reason."""


@dataclass(frozen=True, slots=True)
class Intake:
    """Reads files into a spill; refused items go to `refused`.

    `account` hears of every item as it is read, `progress` how many there are. `keep_items` keeps
    items set aside in the report.
    """

    site: Site
    source: Source
    report: MapReport
    spill: Spill
    refused: Refusing
    account: Callable[[SourceItem], None] | None = None
    progress: Told = silent
    keep_items: bool = False

    def read(self, file: Records) -> None:
        """Read one file, rejects files before all others.

        What stands in them takes the place of the rows it was made from, and is held until those
        have been seen.
        """
        for item in file:
            item.source = self.source.name
            self.report.count(item)
            if self.account is not None:
                self.account(item)
            item.handled = ()  # told, and not to be kept
            self.progress("items read", self.report.items)
            if item.origin is not None:
                self.spill.hold_mended(item)
            elif self.spill.is_mended(item):
                self._set_mended_aside(item)
            else:
                self._take(item)

    def note_end(self, file: Records) -> None:
        """Note how a file that was read ended."""
        if file.cut_short:
            self.report.notes.append(
                f"{file.path}: no line end behind the last row: was the file cut short?"
            )

    def settle_mended(self, held: Spill, seen: Iterable[Path] = ()) -> None:
        """Take what was mended once its originals have been `seen`; the last that can be read."""
        for same in held.mended(seen):
            faulty = {_line(item) for item in same if item.issue is not None}
            best = next((line for line in map(_line, reversed(same)) if line not in faulty), None)
            best = best or _line(same[-1])
            for item in same:
                if _line(item) == best:
                    self._take(item)
                else:
                    self._set_mended_aside(item)

    def _set_mended_aside(self, item: SourceItem) -> None:
        if item.counted:
            self.report.set_item_aside(item, _MENDED, keep=self.keep_items)

    def _take(self, item: SourceItem) -> None:
        if item.issue is not None:
            self.report.reject(item.issue)
            self.refused.write(item, item.issue)
        elif item.set_aside or not item.counted:
            if item.counted:
                self.report.set_item_aside(item, item.set_aside, keep=self.keep_items)
            if item.silent:
                self.spill.add(item)
        else:
            self.spill.add(named(item, self.site))


def named(item: SourceItem, site: Site) -> SourceItem:
    """Return an item whose readings have their names."""
    item.readings = tuple(
        reading.named(reading_identity(site, reading)) for reading in item.readings
    )
    return item


def _line(item: SourceItem) -> tuple[str, int]:
    return item.file, item.line
