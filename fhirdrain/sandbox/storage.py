"""Resources in SQLite: every version as the JSON it is, beside an index for searches."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from typing import Any
from uuid import uuid4

from fhirdrain.errors import ConfigurationError
from fhirdrain.sandbox.criteria import LIVE, Criterion, Finder, SortKey, order_of
from fhirdrain.sandbox.dates import now, to_instant
from fhirdrain.sandbox.schema import insert_index, insert_version, prepare
from fhirdrain.sandbox.stored import COLUMNS, Stored, stored_of
from fhirdrain.vocabulary.jsontext import encode


class Storage:
    """The sandbox's store. One writer at a time; `atomic` makes several writes one.

    Raises `ConfigurationError` for a file that is not the sandbox's. What `atomic` has left is on
    the disk: a process killed at any moment leaves whole changes or none.
    """

    def __init__(self, path: str = ":memory:") -> None:
        self._lock = threading.RLock()
        try:
            self._base = sqlite3.connect(path, check_same_thread=False, isolation_level=None)
        except sqlite3.Error as error:
            raise ConfigurationError(f"cannot be opened: {error}", place=path) from None
        try:
            prepare(self._base, path)
            self._base.execute("PRAGMA journal_mode = WAL")
            self._base.execute("PRAGMA synchronous = FULL")
        except (sqlite3.Error, ValueError, LookupError) as error:
            self._base.close()
            raise ConfigurationError(
                f"not a file of the sandbox: {error}", place=path, hint="name another file"
            ) from None
        except ConfigurationError:
            self._base.close()
            raise

    def close(self) -> None:
        """Close the file."""
        self._base.close()

    @contextmanager
    def atomic(self) -> Iterator[None]:
        """Do everything inside, or on any error nothing of it."""
        with self._lock:
            self._base.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._base.execute("COMMIT")
            except BaseException:
                if self._base.in_transaction:  # a full disk may have ended it already
                    self._base.execute("ROLLBACK")
                raise

    @contextmanager
    def at_rest(self) -> Iterator[None]:
        """Keep writers out while several reads are to see one state."""
        with self._lock:
            yield

    def _rows(self, sql: str, values: Sequence[Any]) -> list[tuple[Any, ...]]:
        with self._lock:
            return self._base.execute(sql, values).fetchall()

    # -- single resources -------------------------------------------------------------------

    def latest(self, kind: str, id_: str) -> Stored | None:
        """Return the latest version of a resource, which may be its deletion."""
        rows = self._rows(
            f"SELECT {COLUMNS} FROM version WHERE type = ? AND id = ? AND ended IS NULL",
            (kind, id_),
        )
        return stored_of(rows[0]) if rows else None

    def read(self, kind: str, id_: str) -> Stored | None:
        """Return a resource by type and id, None where there is none or no longer."""
        there = self.latest(kind, id_)
        return None if there is None or there.deleted else there

    def version(self, kind: str, id_: str, version: int) -> Stored | None:
        """Return one version of a resource."""
        rows = self._rows(
            f"SELECT {COLUMNS} FROM version WHERE type = ? AND id = ? AND version = ?",
            (kind, id_, version),
        )
        return stored_of(rows[0]) if rows else None

    def is_new(self, stored: Stored) -> bool:
        """Tell whether a version made its resource, or brought it back after a deletion."""
        rows = self._rows(
            "SELECT method FROM version WHERE type = ? AND id = ? AND version = ?",
            (stored.kind, stored.id, stored.version - 1),
        )
        return stored.version == 1 or rows == [("DELETE",)]

    def write(
        self, resource: dict[str, Any], id_: str | None = None, method: str = "POST", base: str = ""
    ) -> tuple[Stored, bool]:
        """Store a resource and tell whether it is new. Use inside `atomic`.

        References below the URL `base` are to ourselves.
        """
        kind, id_ = resource["resourceType"], id_ or str(uuid4())
        before = self.latest(kind, id_)
        version, moment = before.version + 1 if before else 1, now()
        meta = {
            **resource.get("meta", {}),
            "versionId": str(version),
            "lastUpdated": to_instant(moment),
        }
        rest = {k: v for k, v in resource.items() if k not in ("resourceType", "id", "meta")}
        body = {"resourceType": kind, "id": id_, "meta": meta, **rest}
        stored = self._append(before, kind, id_, method, moment, body)
        insert_index(self._base, stored.seq, body, base)
        return stored, before is None or before.deleted

    def amend(self, stored: Stored, body: dict[str, Any], base: str = "") -> Stored:
        """Give the version just written another body. Use inside the `atomic` that wrote it."""
        self._base.execute("UPDATE version SET body = ? WHERE seq = ?", (encode(body), stored.seq))
        self._base.execute("DELETE FROM found_by WHERE seq = ?", (stored.seq,))
        insert_index(self._base, stored.seq, body, base)
        return replace(stored, body=body)

    def delete(self, kind: str, id_: str) -> Stored | None:
        """Delete a resource; returns its deletion, None where there never was one."""
        before = self.latest(kind, id_)
        if before is None or before.deleted:
            return before
        return self._append(before, kind, id_, "DELETE", now(), {})

    def _append(
        self,
        before: Stored | None,
        kind: str,
        id_: str,
        method: str,
        moment: int,
        body: dict[str, Any],
    ) -> Stored:
        seq = self.newest() + 1
        if before:
            self._base.execute("UPDATE version SET ended = ? WHERE seq = ?", (seq, before.seq))
        stored = Stored(
            seq=seq,
            place=before.place if before else seq,
            kind=kind,
            id=id_,
            version=before.version + 1 if before else 1,
            method=method,
            moment=moment,
            body=body,
        )
        facts = (seq, stored.place, kind, id_, stored.version, method, moment)
        insert_version(self._base, (*facts, encode(body) if body else None))
        return stored

    # -- many -------------------------------------------------------------------------------

    def newest(self) -> int:
        """Return the number of the newest change."""
        return int(self._rows("SELECT coalesce(max(seq), 0) FROM version", ())[0][0])

    def search(
        self,
        kind: str,
        criteria: Sequence[Criterion],
        *,
        base: str = "",
        sort: Sequence[SortKey] = (),
        upto: int | None = None,
        skip: int = 0,
        count: int | None = None,
    ) -> list[Stored]:
        """Return what matched after the change `upto`, in order of creation unless sorted.

        Raises `Refusal` for what cannot be searched by.
        """
        with self._lock:
            finder = Finder(base, self.newest() if upto is None else upto)
            where, values = finder.where(kind, criteria)
            order, more = order_of(sort)
            limits = (-1 if count is None else count, skip)
            found = self._rows(
                f"SELECT v.seq FROM version v WHERE {where} ORDER BY {order} LIMIT ? OFFSET ?",
                [*values, *more, *limits],
            )
            return [self._change(seq) for (seq,) in found]

    def _change(self, seq: int) -> Stored:
        return stored_of(self._rows(f"SELECT {COLUMNS} FROM version WHERE seq = ?", (seq,))[0])

    def count(
        self,
        kind: str,
        criteria: Sequence[Criterion],
        *,
        base: str = "",
        upto: int | None = None,
    ) -> int:
        """Return how many matched after the change `upto`."""
        with self._lock:
            finder = Finder(base, self.newest() if upto is None else upto)
            where, values = finder.where(kind, criteria)
            return int(self._rows(f"SELECT count(*) FROM version v WHERE {where}", values)[0][0])

    def referred_to(
        self, page: Sequence[Stored], parameter: str, target: str, upto: int
    ) -> list[Stored]:
        """Return what resources of one type refer to by a parameter, of any type for an empty one.

        None twice, in the order of the page.
        """
        kind = page[0].kind if page else ""
        rows = self._rows(
            f"SELECT DISTINCT v.seq FROM found_by f JOIN version v ON v.type = f.first"
            f" AND v.id = f.second WHERE f.seq IN ({_marks(page)}) AND f.type = ?"
            f" AND f.parameter = ? AND f.kind = 'reference' AND ? IN ('', f.first) AND {LIVE}"
            " ORDER BY f.seq",
            [*(one.seq for one in page), kind, parameter, target, upto, upto],
        )
        return [self._change(seq) for (seq,) in rows]

    def referring_to(
        self, page: Sequence[Stored], kind: str, parameter: str, upto: int
    ) -> list[Stored]:
        """Return the resources of a type that refer to any of a page by a parameter."""
        rows = self._rows(
            f"SELECT DISTINCT v.seq FROM found_by f JOIN version v ON v.seq = f.seq WHERE"
            f" f.type = ? AND f.parameter = ? AND f.kind = 'reference' AND f.first = ?"
            f" AND f.second IN ({_marks(page)}) AND {LIVE} ORDER BY v.place",
            [kind, parameter, page[0].kind if page else "", *(o.id for o in page), upto, upto],
        )
        return [self._change(seq) for (seq,) in rows]

    def history(
        self,
        kind: str,
        id_: str,
        *,
        since: int = 0,
        before: int | None = None,
        count: int | None = None,
    ) -> list[Stored]:
        """Return versions, the newest first: of a resource, a type, or of all for empty names.

        `since` is a moment, `before` a change.
        """
        where, values = self._past(kind, id_, since, before)
        rows = self._rows(
            f"SELECT {COLUMNS} FROM version WHERE {where} ORDER BY seq DESC LIMIT ?",
            [*values, -1 if count is None else count],
        )
        return [stored_of(row) for row in rows]

    def history_count(self, kind: str, id_: str, *, since: int, before: int) -> int:
        """Return how many versions `history` has."""
        where, values = self._past(kind, id_, since, before)
        return int(self._rows(f"SELECT count(*) FROM version WHERE {where}", values)[0][0])

    def _past(self, kind: str, id_: str, since: int, before: int | None) -> tuple[str, list[Any]]:
        parts: list[str] = ["moment >= ?"]
        values: list[Any] = [since]
        for column, value in (("type", kind), ("id", id_)):
            if value:
                parts.append(f"{column} = ?")
                values.append(value)
        if before is not None:
            parts.append("seq < ?")
            values.append(before)
        return " AND ".join(parts), values


def _marks(items: Sequence[Any]) -> str:
    return ", ".join("?" * len(items))
