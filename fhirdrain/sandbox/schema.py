"""The tables of the sandbox's file, and bringing a file of an earlier form up to date."""

from __future__ import annotations

import sqlite3
from typing import Any

from fhirdrain.errors import ConfigurationError
from fhirdrain.sandbox.dates import span_of
from fhirdrain.sandbox.parameters import index_rows
from fhirdrain.vocabulary.jsontext import decode

# Raised with every change of the tables or of what is indexed.
FORM = 2

# Every version stays. `seq` numbers all changes, `ended` is the change that replaced a version, and
# `place` the change that first made the resource. What held at a change can so be asked for later,
# which keeps the pages of a search together while data arrive. A deletion is a version of no body.
_TABLES = (
    """CREATE TABLE version (
    seq INTEGER PRIMARY KEY, place INTEGER NOT NULL, type TEXT NOT NULL, id TEXT NOT NULL,
    version INTEGER NOT NULL, method TEXT NOT NULL, moment INTEGER NOT NULL, body BLOB,
    ended INTEGER, UNIQUE (type, id, version))""",
    "CREATE UNIQUE INDEX latest ON version (type, id) WHERE ended IS NULL",
    "CREATE INDEX by_place ON version (type, place)",
    """CREATE TABLE found_by (
    seq INTEGER NOT NULL, type TEXT NOT NULL, parameter TEXT NOT NULL, kind TEXT NOT NULL,
    first, second)""",
    "CREATE INDEX by_value ON found_by (type, parameter, kind, second, first)",
    "CREATE INDEX by_version ON found_by (seq)",
)


def prepare(base: sqlite3.Connection, path: str) -> None:
    """Make the tables, or bring them up to date; raises `ConfigurationError`.

    A file of the first form, which kept no history, goes on with what it holds as the versions
    they are; the versions before are not known.
    """
    form = base.execute("PRAGMA user_version").fetchone()[0]
    tables = {name for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type='table'")}
    tables -= {"sqlite_sequence"}
    if form == FORM and {"version", "found_by"} <= tables:
        return
    old = form == 0 and tables == {"resource", "found_by"}
    if tables and not old:
        why = "was written by a later version" if form > FORM else "is not a file of the sandbox"
        raise ConfigurationError(why, place=path, hint="name another file, or a new one")
    base.execute("BEGIN EXCLUSIVE")
    try:
        if old:
            base.execute("ALTER TABLE resource RENAME TO old_resource")
            base.execute("DROP TABLE found_by")
        for statement in _TABLES:
            base.execute(statement)
        if old:
            _take_over(base)
        base.execute(f"PRAGMA user_version = {FORM}")
        base.execute("COMMIT")
    except BaseException:
        base.execute("ROLLBACK")
        raise


def _take_over(base: sqlite3.Connection) -> None:
    rows = base.execute("SELECT seq, type, id, version, body FROM old_resource ORDER BY seq")
    for seq, kind, id_, version, body in rows:
        resource = decode(body)
        moment = span_of(resource["meta"]["lastUpdated"])[0]
        insert_version(base, (seq, seq, kind, id_, version, "PUT", moment, body))
        insert_index(base, seq, resource, "")
    base.execute("DROP TABLE old_resource")


def insert_version(base: sqlite3.Connection, row: tuple[Any, ...]) -> None:
    """Add a version: seq, place, type, id, version, method, moment, body."""
    base.execute(
        "INSERT INTO version (seq, place, type, id, version, method, moment, body)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        row,
    )


def insert_index(
    base: sqlite3.Connection, seq: int, resource: dict[str, Any], base_url: str
) -> None:
    """Add what a version can be found by."""
    kind = resource["resourceType"]
    base.executemany(
        "INSERT INTO found_by VALUES (?, ?, ?, ?, ?, ?)",
        [(seq, kind, *row) for row in index_rows(resource, base_url)],
    )
