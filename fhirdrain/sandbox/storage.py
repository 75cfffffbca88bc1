"""Resources in SQLite: stored as the JSON they are, beside an index of what searches ask for."""

from __future__ import annotations

import re
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from uuid import uuid4

from fhirdrain.conformance.definitions import is_resource
from fhirdrain.sandbox.parameters import Parameter, index_rows, parameters_of, span_of
from fhirdrain.sandbox.refusal import Refusal
from fhirdrain.vocabulary.jsontext import decode, encode

_SCHEMA = """
CREATE TABLE IF NOT EXISTS resource (
    seq INTEGER PRIMARY KEY AUTOINCREMENT, type TEXT NOT NULL, id TEXT NOT NULL,
    version INTEGER NOT NULL, body BLOB NOT NULL, UNIQUE (type, id));
CREATE TABLE IF NOT EXISTS found_by (
    seq INTEGER NOT NULL, type TEXT NOT NULL, parameter TEXT NOT NULL, kind TEXT NOT NULL,
    first, second);
CREATE INDEX IF NOT EXISTS by_value ON found_by (type, parameter, kind, second, first);
CREATE INDEX IF NOT EXISTS by_resource ON found_by (seq);
"""

Criterion = tuple[str, str]

_MOST_ALTERNATIVES = 200


@dataclass(frozen=True, slots=True)
class Stored:
    """A stored resource: its place in the order of creation, its version and its content."""

    seq: int
    version: int
    body: dict[str, Any]

    @property
    def location(self) -> str:
        """Return its versioned relative URL."""
        return f"{self.body['resourceType']}/{self.body['id']}/_history/{self.version}"

    @property
    def etag(self) -> str:
        """Return its entity tag."""
        return f'W/"{self.version}"'


class Storage:
    """The sandbox's store. One writer at a time; `atomic` makes several writes one."""

    def __init__(self, path: str = ":memory:") -> None:
        self._base = sqlite3.connect(path, check_same_thread=False, isolation_level=None)
        self._base.execute("PRAGMA journal_mode = WAL")
        self._base.execute("PRAGMA synchronous = FULL")
        self._base.executescript(_SCHEMA)
        self._lock = threading.RLock()

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
            except BaseException:
                self._base.execute("ROLLBACK")
                raise
            self._base.execute("COMMIT")

    def read(self, kind: str, id_: str) -> Stored | None:
        """Return a resource by type and id."""
        with self._lock:
            row = self._base.execute(
                "SELECT seq, version, body FROM resource WHERE type = ? AND id = ?", (kind, id_)
            ).fetchone()
        return Stored(row[0], row[1], decode(row[2])) if row else None

    def write(self, resource: dict[str, Any], id_: str | None = None) -> tuple[Stored, bool]:
        """Store a resource and tell whether it is new. Use inside `atomic`."""
        kind = resource["resourceType"]
        id_ = id_ or str(uuid4())
        before = self.read(kind, id_)
        version = before.version + 1 if before else 1
        meta = {
            **resource.get("meta", {}),
            "versionId": str(version),
            "lastUpdated": datetime.now(UTC).isoformat(timespec="milliseconds"),
        }
        rest = {k: v for k, v in resource.items() if k not in ("resourceType", "id", "meta")}
        body = {"resourceType": kind, "id": id_, "meta": meta, **rest}
        text = encode(body)
        if before:
            seq = before.seq
            self._base.execute(
                "UPDATE resource SET version = ?, body = ? WHERE seq = ?", (version, text, seq)
            )
            self._base.execute("DELETE FROM found_by WHERE seq = ?", (seq,))
        else:
            cursor = self._base.execute(
                "INSERT INTO resource (type, id, version, body) VALUES (?, ?, ?, ?)",
                (kind, id_, version, text),
            )
            seq = int(cursor.lastrowid or 0)
        self._base.executemany(
            "INSERT INTO found_by VALUES (?, ?, ?, ?, ?, ?)",
            [(seq, kind, *row) for row in index_rows(body)],
        )
        return Stored(seq, version, body), before is None

    def search(
        self,
        kind: str,
        criteria: Sequence[Criterion],
        *,
        after: int = 0,
        upto: int | None = None,
        count: int | None = None,
    ) -> list[Stored]:
        """Return what matches, in order of creation; raises `Refusal` for what it cannot search."""
        where, values = self._where(kind, criteria)
        limit = "" if count is None else f" LIMIT {int(count)}"
        bound = "" if upto is None else f" AND resource.seq <= {int(upto)}"
        with self._lock:
            rows = self._base.execute(
                f"SELECT seq, version, body FROM resource WHERE {where}"
                f" AND resource.seq > {int(after)}{bound} ORDER BY seq{limit}",
                values,
            ).fetchall()
        return [Stored(seq, version, decode(body)) for seq, version, body in rows]

    def count(self, kind: str, criteria: Sequence[Criterion], upto: int) -> int:
        """Return how many match."""
        where, values = self._where(kind, criteria)
        with self._lock:
            row = self._base.execute(
                f"SELECT count(*) FROM resource WHERE {where} AND resource.seq <= {int(upto)}",
                values,
            ).fetchone()
        return int(row[0])

    def newest(self) -> int:
        """Return the place of the newest resource."""
        with self._lock:
            row = self._base.execute("SELECT max(seq) FROM resource").fetchone()
        return int(row[0] or 0)

    def _where(self, kind: str, criteria: Sequence[Criterion]) -> tuple[str, list[Any]]:
        if not is_resource(kind):
            raise Refusal(404, "not-supported", f"{kind} is not an R4 resource type")
        parts, values = ["resource.type = ?"], [kind]
        for name, text in criteria:
            sql, more = _criterion(kind, name, text)
            parts.append(sql)
            values += more
        return " AND ".join(parts), values


def split_escaped(text: str, mark: str) -> list[str]:
    """Split at a mark that is not escaped with a backslash."""
    return re.split(rf"(?<!\\){re.escape(mark)}", text)


def _plain(text: str) -> str:
    return re.sub(r"\\([\\,|$])", r"\1", text)


def _criterion(kind: str, name: str, text: str) -> tuple[str, list[Any]]:
    if name == "_id":
        ids = text.split(",")
        return f"resource.id IN ({', '.join('?' * len(ids))})", ids
    name, _, chained = name.partition(".")
    if ":" in name:
        raise Refusal(400, "not-supported", f"modifiers are not supported: {name}")
    parameter = parameters_of(kind).get(name)
    if parameter is None:
        known = ", ".join(sorted(parameters_of(kind)))
        raise Refusal(400, "not-supported", f"{kind} has no search parameter {name} here: {known}")
    alternatives, values = [], []
    wanted = split_escaped(text, ",")
    if len(wanted) > _MOST_ALTERNATIVES:
        raise Refusal(400, "too-costly", f"more than {_MOST_ALTERNATIVES} alternatives")
    for one in wanted:
        sql, more = _alternative(parameter, chained, one)
        alternatives.append(sql)
        values += more
    sql = (
        "resource.seq IN (SELECT seq FROM found_by WHERE type = ? AND parameter = ?"
        f" AND ({' OR '.join(alternatives)}))"
    )
    return sql, [kind, parameter.name, *values]


def _alternative(parameter: Parameter, chained: str, text: str) -> tuple[str, list[Any]]:
    if parameter.kind == "reference":
        return _reference(parameter, chained, text)
    if chained:
        raise Refusal(400, "not-supported", f"{parameter.name} cannot be chained")
    if parameter.kind == "token":
        token, values = _token(text, "kind = 'token'")
        return f"({token} OR (kind = 'code' AND second = ?))", [
            *values,
            _plain(text.split("|")[-1]),
        ]
    match = re.fullmatch(r"(eq|ne|gt|lt|ge|le|sa|eb)?(\d.*)", text)
    try:
        low, high = span_of(match[2] if match else "")
    except ValueError:
        raise Refusal(400, "value", f"{parameter.name}: not a date") from None
    # R4, "Search", prefixes on ranges: first and second are the target's first and last moment.
    sql, values = {
        "eq": ("first >= ? AND second <= ?", [low, high]),
        "ne": ("NOT (first >= ? AND second <= ?)", [low, high]),
        "gt": ("second > ?", [high]),
        "lt": ("first < ?", [low]),
        "ge": ("second >= ?", [low]),
        "le": ("first <= ?", [high]),
        "sa": ("first > ?", [high]),
        "eb": ("second < ?", [low]),
    }[(match[1] if match else None) or "eq"]
    return f"(kind = 'date' AND {sql})", list(values)


def _token(text: str, kind: str) -> tuple[str, list[Any]]:
    parts = split_escaped(text, "|")
    if len(parts) == 1:
        return f"({kind} AND second = ?)", [_plain(text)]
    system, code = _plain(parts[0]), _plain("|".join(parts[1:]))
    if not code:
        return f"({kind} AND first = ?)", [system]
    return f"({kind} AND second = ? AND first = ?)", [code, system]


def _reference(parameter: Parameter, chained: str, text: str) -> tuple[str, list[Any]]:
    if chained == "identifier":
        # What the target itself is known by, or what the reference says of it.
        target, values = _token(text, "t.kind = 'token' AND t.parameter = 'identifier'")
        target = target.replace("second", "t.second").replace("first", "t.first")
        logical, more = _token(text, "kind = 'logical'")
        sql = (
            f"({logical} OR (kind = 'reference' AND EXISTS (SELECT 1 FROM found_by t"
            " JOIN resource r ON r.seq = t.seq WHERE r.type = found_by.first"
            f" AND r.id = found_by.second AND {target})))"
        )
        return sql, [*more, *values]
    if chained:
        raise Refusal(400, "not-supported", "only .identifier can be chained")
    if "://" in text or text.startswith("urn:"):
        return "(kind = 'url' AND second = ?)", [text]
    match = re.fullmatch(r"(?:([A-Z][A-Za-z]+)/)?([A-Za-z0-9\-.]{1,64})", text)
    if match is None:
        raise Refusal(400, "value", f"{parameter.name}: not a reference")
    kind = match[1] or ("Patient" if parameter.name == "patient" else None)
    if kind is None:
        return "(kind = 'reference' AND second = ?)", [match[2]]
    return "(kind = 'reference' AND second = ? AND first = ?)", [match[2], kind]
