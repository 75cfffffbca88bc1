"""A source item as intake hands it on, and the spelling changes made on the way."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

from fhirdrain.bedside.reading import Reading
from fhirdrain.issues import Issue


@dataclass(slots=True)
class SourceItem:
    """One long row, non-empty wide cell or OBX, with what came of it.

    Exactly one of these holds: `issue` says why it was refused, `set_aside` why it is no reading,
    or `readings` are what it says. `withdraws` marks a withdrawal without content of its own,
    `silent` an item set aside because it says nothing (any more, if it once did). `mended` items
    come from a rejects file; `stored` is the recorded time as it was written.
    `raw` is the record as it stood in the file, so that a refused one can be written out whole.
    """

    file: str
    line: int
    arrival: int
    raw: str
    readings: tuple[Reading, ...] = ()
    withdraws: bool = False
    silent: bool = False
    stored: str = ""
    mended: bool = False
    set_aside: str = ""
    issue: Issue | None = None
    patient: str = ""
    row: str | None = None
    item: str = ""
    recorded: datetime | None = None
    respelled: tuple[tuple[str, str], ...] = field(default_factory=tuple)
