"""A source item as intake hands it on, and the spelling changes made on the way."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator
from dataclasses import dataclass, fields
from datetime import datetime
from operator import attrgetter
from pathlib import Path

from fhirdrain.bedside.reading import Reading
from fhirdrain.issues import Issue

# File name, line, a digest of the record, so that a file that was changed since is noticed, and
# where in the record the item stands, if it holds several.
Origin = tuple[str, int, str, str]


@dataclass(slots=True)
class SourceItem:
    """One long row, non-empty wide cell, element of a JSON line or OBX, with what came of it.

    Exactly one of these holds: `issue` says why it was refused, `set_aside` why it is no reading,
    or `readings` are what it says. `withdraws` marks a withdrawal without content of its own,
    `silent` an item set aside because it says nothing (any more, if it once did). `origin` is the
    place of the refused record that a row of a rejects file was made from.
    `raw` is the record as it stood in the file, so that a refused one can be written out whole, and
    `part` the column or element of a record with several items (`from_part`: the record is one of
    a rejects file and only a part of the one it was made from). An item may stand for what its
    record leaves empty, `blanks`: then it is not `counted`, unless it withdraws a whole record.
    One that is `remembered` came in an earlier run of `source`, and was accepted and counted there;
    one that `repeats` says once more, word for word, what the store has of it; one that is
    `rebuilt` was read back from a server, which knows the names of readings and not of rows.
    `unused` are columns of parts that nothing in the record has. `respelled`, `drawn` and `assumed`
    are what was read as something else: units, words of a list, dates without a time of day.
    Of FHIR `resource` is its type and id, and `handled` what became of each of its elements:
    element, carried, changed or lost, and how.
    """

    file: str
    line: int
    arrival: int
    raw: str
    readings: tuple[Reading, ...] = ()
    withdraws: bool = False
    silent: bool = False
    origin: Origin | None = None
    set_aside: str = ""
    issue: Issue | None = None
    patient: str = ""
    row: str | None = None
    item: str = ""
    recorded: datetime | None = None
    part: str = ""
    from_part: bool = False
    blanks: tuple[str, ...] = ()
    unused: tuple[str, ...] = ()
    counted: bool = True
    remembered: bool = False
    repeats: bool = False
    rebuilt: bool = False
    source: str = ""
    respelled: tuple[tuple[str, str], ...] = ()
    drawn: tuple[tuple[str, str], ...] = ()
    assumed: tuple[str, ...] = ()
    resource: str = ""
    handled: tuple[tuple[str, str, str], ...] = ()

    def __reduce__(self) -> tuple[type[SourceItem], tuple[object, ...]]:
        # What dataclasses do by themselves takes three times as long, and millions are spilled.
        return SourceItem, _VALUES(self)

    def made_from(self, cell: str) -> None:
        """Note what a cell of a rejects file says the record was made from."""
        if not cell:
            return
        self.origin = read_origin(cell, self._part)
        self.from_part = is_in_part(cell)

    @property
    def place(self) -> Origin:
        """Return where the record stands, as an `origin` names it."""
        body = self.raw.rstrip("\r\n").encode("utf-8", "surrogateescape")
        return Path(self.file).name, self.line, hashlib.sha256(body).hexdigest()[:8], self._part

    @property
    def _part(self) -> str:
        # What a record leaves empty is a part of it as well, and is not the whole.
        return f"{self.part}/blanks" if self.blanks else self.part


@dataclass(frozen=True, slots=True)
class Share:
    """Which records of a file are read: of as many readers, each takes every `of`th run of them."""

    turn: int = 0
    of: int = 1

    _RUN = 1000

    def has(self, record: int) -> bool:
        """Tell whether a record is one of these, by its number in the file."""
        return record // self._RUN % self.of == self.turn

    def left_of_run(self, record: int) -> int:
        """Return how many records, from this one on, belong to whoever has it."""
        return self._RUN - record % self._RUN

    def spans(self) -> Iterator[tuple[int, int | None]]:
        """Yield again and again how many records are others', and how many behind them are these.

        None is all that there are.
        """
        if self.of == 1:
            yield 0, None
            return
        yield self.turn * self._RUN, self._RUN
        while True:
            yield (self.of - 1) * self._RUN, self._RUN


WHOLE = Share()

_VALUES = attrgetter(*(field.name for field in fields(SourceItem)))

# Arrival numbers of a record's items are so far apart that those of one mended into several find
# room behind its own, those of the next record so far behind, and of the next file.
ARRIVAL_STEP = 10**6
RECORD_STEP = ARRIVAL_STEP * 10**5
FILE_STEP = RECORD_STEP * 10**12

# Behind the digest of a record of which only what was refused was written out.
_PART_OF_IT = "~"


def write_origin(origin: Origin, *, in_part: bool) -> str:
    """Return an origin as it stands before the reason in a rejects file.

    `in_part` tells that what was not refused of the record is left out there.
    """
    name, line, digest, _ = origin
    return f"{name}:{line}:{digest}{_PART_OF_IT if in_part else ''}: "


def is_in_part(cell: str) -> bool:
    """Tell whether what stands beside an origin is only a part of the record it was made from."""
    return re.match(rf"(.+):(\d+):([0-9a-f]{{8}}){_PART_OF_IT}: ", cell, re.DOTALL) is not None


def read_origin(cell: str, part: str = "") -> Origin | None:
    """Return the origin in a cell of a rejects file, None when it was taken away.

    `part` is where the item stands in its record, which the cell does not say.
    """
    match = re.match(rf"(.+):(\d+):([0-9a-f]{{8}}){_PART_OF_IT}?: ", cell, re.DOTALL)
    return (match[1], int(match[2]), match[3], part) if match else None
