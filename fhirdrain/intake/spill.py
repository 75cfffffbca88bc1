"""Source items of any number, sorted by patient, drain and time through files on disk."""

from __future__ import annotations

import heapq
import pickle
import sqlite3
import tempfile
import zlib
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack, closing, contextmanager
from itertools import groupby
from operator import itemgetter
from pathlib import Path
from types import TracebackType
from typing import Any

from fhirdrain.errors import ConfigurationError
from fhirdrain.intake.item import Origin, SourceItem
from fhirdrain.issues import Issue

_BATCH = 2000


def shard_of(name: str, shards: int) -> int:
    """Return in which of so many shards a patient is: the same on every machine and in every run.

    By the CRC-32 of the UTF-8 text (RFC 1952, 8.1), which is no secret and needs to be none.
    """
    return zlib.crc32(name.encode("utf-8", "surrogatepass")) % shards if shards > 1 else 0


class Spill:
    """Takes items in any order, to be given back a patient at a time, in order.

    Memory holds one batch. Without a `path` the file is in a private temporary folder and is
    removed when the spill is closed; it holds patient data until then. Items are kept by the shard
    of their patient, so that each of `shards` is read without the rest.
    """

    def __init__(self, path: Path | None = None, shards: int = 1) -> None:
        self._folder = None if path else tempfile.TemporaryDirectory(prefix="fhirdrain-")
        self.path = path or Path(self._folder.name if self._folder else "") / "spill.sqlite"
        self._shards = shards
        self._base = sqlite3.connect(self.path)
        self._base.executescript(
            "PRAGMA journal_mode = OFF; PRAGMA synchronous = OFF;"
            # What came of a patient together is one row: it is written and read in one go.
            "CREATE TABLE item (shard INTEGER, patient TEXT, batch INTEGER, body BLOB,"
            " PRIMARY KEY (shard, patient, batch)) WITHOUT ROWID;"
            "CREATE TABLE mended (origin TEXT, record TEXT, body BLOB);"
            # Arrival numbers are too large for the integers of this file.
            "CREATE TABLE original (origin TEXT PRIMARY KEY, arrival TEXT);"
            "CREATE TABLE row (shard INTEGER, id TEXT, patient TEXT, item TEXT,"
            " PRIMARY KEY (shard, id, patient, item)) WITHOUT ROWID;"
            "CREATE TABLE refused (body BLOB);"
            "CREATE TABLE report (body BLOB);"
        )
        self._waiting: dict[str, list[SourceItem]] = {}
        self._held = self._batch = 0
        self._rows: list[tuple[int, str, str, str]] = []
        self._refused: list[tuple[SourceItem, Issue]] = []
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
        if self._folder is not None:
            self._folder.cleanup()
        if isinstance(error, sqlite3.Error):
            raise _unwritable(error, self.path) from None

    def add(self, item: SourceItem) -> None:
        """Keep an item."""
        self._waiting.setdefault(item.patient, []).append(item)
        self._held += 1
        if item.row is not None and item.readings:
            # A record that holds several items has one id for all of them.
            part = "" if item.part else item.item
            self._rows.append((shard_of(item.row, self._shards), item.row, item.patient, part))
        if self._held >= _BATCH:
            self._flush()

    def write(self, item: SourceItem, issue: Issue) -> None:
        """Keep a refused item with its reason, for whoever writes the rejects file."""
        self._refused.append((item, issue))
        if len(self._refused) >= _BATCH:
            self._flush()

    def finish(self, report: object) -> None:
        """Write all of it out, with what there is to say of it."""
        self._flush()
        self._base.execute("INSERT INTO report VALUES (?)", (_packed(report),))
        self._base.commit()

    # -- what was mended --------------------------------------------------------------------

    def hold_mended(self, item: SourceItem) -> None:
        """Keep an item of a rejects file until its original has been seen."""
        assert item.origin is not None
        keys = (repr(item.origin), _record(item.origin))
        self._base.execute("INSERT INTO mended VALUES (?, ?, ?)", (*keys, _packed(item)))
        self._mended.update(keys)

    def look_for(self, path: Path) -> None:
        """Look for the originals of what another spill holds as mended."""
        with _reading(path) as base:
            for keys in base.execute("SELECT origin, record FROM mended"):
                self._mended.update(keys)

    def hold_those_of(self, path: Path) -> None:
        """Hold as mended what another spill holds."""
        with _reading(path) as base:
            self._base.executemany(
                "INSERT INTO mended VALUES (?, ?, ?)",
                base.execute("SELECT origin, record, body FROM mended ORDER BY rowid"),
            )

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
            "INSERT OR IGNORE INTO original VALUES (?, ?)", (repr(item.place), str(item.arrival))
        )
        return True

    def mended(self, seen: Iterable[Path] = ()) -> Iterator[list[SourceItem]]:
        """Yield the rows of each origin, in the order they came, with the original's arrival.

        The originals were met by this spill and by those at `seen`.
        """
        for path in seen:
            with _reading(path) as base:
                self._base.executemany(
                    "INSERT OR IGNORE INTO original VALUES (?, ?)",
                    base.execute("SELECT origin, arrival FROM original ORDER BY rowid"),
                )
        rows = self._base.execute(
            "SELECT m.origin, m.record, m.body, coalesce(o.arrival, r.arrival) FROM mended m"
            " LEFT JOIN original o ON o.origin = m.origin"
            " LEFT JOIN original r ON r.origin = m.record ORDER BY m.origin, m.rowid"
        )
        placed: Counter[str] = Counter()
        for _, group in groupby(rows, key=itemgetter(0)):
            items = []
            for _, record, body, arrival in group:
                item: SourceItem = pickle.loads(body)
                if arrival is not None:
                    # A record that was one item may have become several: one behind the other.
                    item.arrival = int(arrival) + placed[record]
                    placed[record] += 1
                items.append(item)
            yield items

    # -- what is read back ------------------------------------------------------------------

    def _flush(self) -> None:
        self._batch += 1
        self._base.executemany(
            "INSERT INTO item VALUES (?, ?, ?, ?)",
            (
                (shard_of(patient, self._shards), patient, self._batch, _packed(items))
                for patient, items in self._waiting.items()
            ),
        )
        self._waiting.clear()
        self._held = 0
        self._base.executemany("INSERT OR IGNORE INTO row VALUES (?, ?, ?, ?)", self._rows)
        self._rows.clear()
        self._base.executemany(
            "INSERT INTO refused VALUES (?)", ((_packed(one),) for one in self._refused)
        )
        self._refused.clear()

    def rows_said_of_several(self) -> int:
        """Return how many row ids were charted for several patients, or under several items."""
        self._flush()
        return _count_several(self._base)

    def patients(self) -> Iterator[tuple[str, list[SourceItem]]]:
        """Yield each patient with its items, sorted by drain and time."""
        self._flush()
        rows = self._base.execute("SELECT patient, body FROM item ORDER BY shard, patient, batch")
        return _by_patient(rows)


class Spilled:
    """What several spills hold together, once they are finished; each shard of it is read alone."""

    def __init__(self, paths: Sequence[Path]) -> None:
        self._paths = paths

    def patients(self, shard: int) -> Iterator[tuple[str, list[SourceItem]]]:
        """Yield each patient of a shard with its items, sorted by drain and time."""
        with ExitStack() as stack, _told():
            found = [
                stack.enter_context(_reading(path)).execute(
                    "SELECT patient, body FROM item WHERE shard = ? ORDER BY patient, batch",
                    (shard,),
                )
                for path in self._paths
            ]
            # The file's order of texts is that of their UTF-8, which is that of Python's.
            yield from _by_patient(heapq.merge(*found, key=itemgetter(0)))

    def rows_said_of_several(self, shard: int) -> int:
        """Return how many row ids of a shard were charted for several patients, or items."""
        with tempfile.TemporaryDirectory(prefix="fhirdrain-") as folder, _told(Path(folder)):
            uri = (Path(folder) / "rows.sqlite").as_uri()
            base = sqlite3.connect(uri, uri=True, isolation_level=None)
            with closing(base):
                base.executescript(
                    "PRAGMA journal_mode = OFF; PRAGMA synchronous = OFF;"
                    "CREATE TABLE row (id TEXT, patient TEXT, item TEXT,"
                    " PRIMARY KEY (id, patient, item)) WITHOUT ROWID;"
                )
                for path in self._paths:
                    base.execute("ATTACH ? AS part", (_uri(path),))
                    base.execute(
                        "INSERT OR IGNORE INTO row"
                        " SELECT id, patient, item FROM part.row WHERE shard = ?",
                        (shard,),
                    )
                    base.execute("DETACH part")
                return _count_several(base)

    def refused(self, path: Path) -> Iterator[tuple[SourceItem, Issue]]:
        """Yield what was refused into one of the spills, in order."""
        with _reading(path) as base:
            for (body,) in base.execute("SELECT body FROM refused ORDER BY rowid"):
                yield pickle.loads(body)

    def report(self, path: Path) -> Any:
        """Return what one of the spills was finished with."""
        with _reading(path) as base:
            (body,) = base.execute("SELECT body FROM report").fetchone()
        return pickle.loads(body)


@contextmanager
def _told(path: Path | None = None) -> Iterator[None]:
    try:
        yield
    except sqlite3.Error as error:
        raise _unwritable(error, path) from None


def _unwritable(error: sqlite3.Error, path: Path | None) -> ConfigurationError:
    return ConfigurationError(
        f"what is sorted on disk cannot be kept or read: {error}",
        place=str(path.parent) if path else "",
        hint="is there room? TMPDIR names the folder",
    )


def _count_several(base: sqlite3.Connection) -> int:
    counted = base.execute(
        "SELECT count(*) FROM (SELECT id FROM row GROUP BY id HAVING count(*) > 1)"
    ).fetchone()
    return int(counted[0])


def _by_patient(rows: Iterable[tuple[str, bytes]]) -> Iterator[tuple[str, list[SourceItem]]]:
    for patient, group in groupby(rows, key=itemgetter(0)):
        items = [item for _, body in group for item in pickle.loads(body)]
        yield patient, sorted(items, key=_order)


def _reading(path: Path) -> closing[sqlite3.Connection]:
    """Open a finished spill; nobody writes it any more, so nothing is locked."""
    return closing(sqlite3.connect(_uri(path), uri=True))


def _uri(path: Path) -> str:
    return f"{path.absolute().as_uri()}?mode=ro&immutable=1"


def _packed(value: object) -> bytes:
    # Our own objects, in files that only the user who wrote them can write.
    return pickle.dumps(value, protocol=pickle.HIGHEST_PROTOCOL)


def _order(item: SourceItem) -> tuple[str, float, int]:
    first = item.readings[0] if item.readings else None
    if first is None:
        return "", 0.0, item.arrival
    return first.drain, first.time.timestamp(), item.arrival


def _record(origin: Origin) -> str:
    """Return the place of a whole record."""
    return repr((*origin[:3], ""))
