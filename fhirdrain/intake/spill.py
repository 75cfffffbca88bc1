"""Source items of any number, sorted by patient, drain and time through a temporary file."""

from __future__ import annotations

import pickle
import sqlite3
import tempfile
from collections import Counter
from collections.abc import Iterator
from itertools import groupby
from pathlib import Path
from types import TracebackType

from fhirdrain.intake.item import Origin, SourceItem

_BATCH = 2000


class Spill:
    """Takes items in any order and gives them back a patient at a time, in order.

    Memory holds one batch and one patient. The file is in a private temporary folder and is
    removed when the spill is closed; it holds patient data until then.
    """

    def __init__(self) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="fhirdrain-")
        self._base = sqlite3.connect(Path(self._folder.name) / "spill.sqlite")
        self._base.executescript(
            "PRAGMA journal_mode = OFF; PRAGMA synchronous = OFF;"
            # What came of a patient together is one row: it is written and read in one go.
            "CREATE TABLE item (patient TEXT, batch INTEGER, body BLOB,"
            " PRIMARY KEY (patient, batch)) WITHOUT ROWID;"
            "CREATE TABLE mended (origin TEXT, record TEXT, body BLOB);"
            "CREATE TABLE original (origin TEXT PRIMARY KEY, arrival INTEGER);"
            "CREATE TABLE row (id TEXT, patient TEXT, item TEXT,"
            " PRIMARY KEY (id, patient, item)) WITHOUT ROWID;"
        )
        self._waiting: dict[str, list[SourceItem]] = {}
        self._held = self._batch = 0
        self._rows: list[tuple[str, str, str]] = []
        self._mended: set[str] = set()

    def __enter__(self) -> Spill:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._base.close()
        self._folder.cleanup()

    def add(self, item: SourceItem) -> None:
        """Keep an item."""
        self._waiting.setdefault(item.patient, []).append(item)
        self._held += 1
        if item.row is not None and item.readings:
            # A record that holds several items has one id for all of them.
            self._rows.append((item.row, item.patient, "" if item.part else item.item))
        if self._held >= _BATCH:
            self._flush()

    def hold_mended(self, item: SourceItem) -> None:
        """Keep an item of a rejects file until its original has been seen."""
        assert item.origin is not None
        body = pickle.dumps(item, protocol=pickle.HIGHEST_PROTOCOL)
        keys = (repr(item.origin), _record(item.origin))
        self._base.execute("INSERT INTO mended VALUES (?, ?, ?)", (*keys, body))
        self._mended.update(keys)

    def is_mended(self, item: SourceItem) -> bool:
        """Tell whether an item stands in a rejects file too, and remember its place if it does.

        A record that could not be read at all was one item, whatever it holds now; and what was
        refused of one may have been cleared, or have moved to another place in it.
        """
        if not self._mended:
            return False
        place = _record(item.place) if item.issue is not None else repr(item.place)
        if place not in self._mended:
            return False
        self._base.execute(
            "INSERT OR IGNORE INTO original VALUES (?, ?)", (repr(item.place), item.arrival)
        )
        return True

    def mended(self) -> Iterator[list[SourceItem]]:
        """Yield the rows of each origin, in the order they came, with the original's arrival."""
        rows = self._base.execute(
            "SELECT m.origin, m.record, m.body, coalesce(o.arrival, r.arrival) FROM mended m"
            " LEFT JOIN original o ON o.origin = m.origin"
            " LEFT JOIN original r ON r.origin = m.record ORDER BY m.origin, m.rowid"
        )
        placed: Counter[str] = Counter()
        for _, group in groupby(rows, key=lambda row: row[0]):
            items = []
            for _, record, body, arrival in group:
                item: SourceItem = pickle.loads(body)
                if arrival is not None:
                    # A record that was one item may have become several: one behind the other.
                    item.arrival = arrival + placed[record]
                    placed[record] += 1
                items.append(item)
            yield items

    def _flush(self) -> None:
        self._batch += 1
        self._base.executemany(
            "INSERT INTO item VALUES (?, ?, ?)",
            # Our own objects, written and read by this process alone.
            (
                (patient, self._batch, pickle.dumps(items, protocol=pickle.HIGHEST_PROTOCOL))
                for patient, items in self._waiting.items()
            ),
        )
        self._waiting.clear()
        self._held = 0
        self._base.executemany("INSERT OR IGNORE INTO row VALUES (?, ?, ?)", self._rows)
        self._rows.clear()

    def rows_said_of_several(self) -> int:
        """Return how many row ids were charted for several patients, or under several items."""
        self._flush()
        counted = self._base.execute(
            "SELECT count(*) FROM (SELECT id FROM row GROUP BY id HAVING count(*) > 1)"
        ).fetchone()
        return int(counted[0])

    def patients(self) -> Iterator[tuple[str, list[SourceItem]]]:
        """Yield each patient with its items, sorted by drain and time."""
        self._flush()
        rows = self._base.execute("SELECT patient, body FROM item ORDER BY patient, batch")
        for patient, group in groupby(rows, key=lambda row: row[0]):
            items = [item for _, body in group for item in pickle.loads(body)]
            yield patient, sorted(items, key=_order)


def _order(item: SourceItem) -> tuple[str, float, int]:
    first = item.readings[0] if item.readings else None
    if first is None:
        return "", 0.0, item.arrival
    return first.drain, first.time.timestamp(), item.arrival


def _record(origin: Origin) -> str:
    """Return the place of a whole record."""
    return repr((*origin[:3], ""))
