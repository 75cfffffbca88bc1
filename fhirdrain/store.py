"""The store: every version of every reading with its recorded time, and what the server confirmed.

One SQLite file is store and outbox, so that a reading and what goes out because of it are one
commit. A reading is accepted at that commit, and said when the server confirms it.
"""

from __future__ import annotations

import hashlib
import os
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any, NamedTuple

from fhirdrain.bedside.reading import Reading
from fhirdrain.errors import ConfigurationError
from fhirdrain.storefile import Base, Lock, StoreError
from fhirdrain.vocabulary.jsontext import decode, encode

FORMAT = 6

_SCHEMA = """
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL);
-- Every version of every reading. `digest` is of the content, status and recorded time, so that
-- the same version told twice is kept once, in whatever order versions come.
CREATE TABLE version (
    identity TEXT NOT NULL, observable TEXT NOT NULL, digest TEXT NOT NULL,
    patient TEXT NOT NULL, drain TEXT NOT NULL, time TEXT NOT NULL, recorded TEXT,
    body TEXT NOT NULL, arrived TEXT NOT NULL,
    PRIMARY KEY (identity, observable, digest));
CREATE INDEX version_by_drain ON version (patient, drain, time);
-- Every source item that was accepted, in the order it came, as intake read it: what a later run
-- has to know to come to the same numbers. `known` is when its source stored it, else when it came.
CREATE TABLE item (
    seq INTEGER PRIMARY KEY AUTOINCREMENT, patient TEXT NOT NULL,
    known TEXT NOT NULL, body TEXT NOT NULL);
CREATE INDEX item_by_patient ON item (patient);
-- What goes out, in the order it was put in; `lane` keeps the order of one drain.
CREATE TABLE outgoing (
    seq INTEGER PRIMARY KEY AUTOINCREMENT, system TEXT NOT NULL, value TEXT NOT NULL,
    type TEXT NOT NULL, lane TEXT NOT NULL, digest TEXT NOT NULL, body TEXT NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('waiting', 'sent', 'refused', 'parked')),
    reason TEXT, put TEXT NOT NULL, cause TEXT NOT NULL);
CREATE INDEX outgoing_by_name ON outgoing (type, system, value);
CREATE INDEX outgoing_by_lane ON outgoing (lane);
CREATE INDEX outgoing_by_state ON outgoing (state);
-- Every message that was acknowledged, as it came: `key` is of its sender, its id and its content,
-- so that a resend is known. One that is `held` says something that is not settled yet.
CREATE TABLE message (
    seq INTEGER PRIMARY KEY AUTOINCREMENT, key TEXT NOT NULL UNIQUE, body BLOB NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('new', 'done', 'held')),
    reason TEXT, cause TEXT NOT NULL, received TEXT NOT NULL);
CREATE INDEX message_by_state ON message (state);
-- What a server confirmed that it holds.
CREATE TABLE said (
    server TEXT NOT NULL, type TEXT NOT NULL, system TEXT NOT NULL, value TEXT NOT NULL,
    digest TEXT NOT NULL, location TEXT, version TEXT, confirmed TEXT NOT NULL,
    PRIMARY KEY (server, type, system, value));
"""

# Of the contents that were put out under one identity, the last.
_NEWEST = (
    "NOT EXISTS (SELECT 1 FROM outgoing n WHERE n.type = o.type AND n.system = o.system"
    " AND n.value = o.value AND n.seq > o.seq)"
)

_TIMES = ("time", "start", "end", "recorded", "first_recorded")


@dataclass(frozen=True, slots=True)
class Outgoing:
    """What is, or was, to go out: its number, lane, state, why it is in it, when it was put.

    `cause` is the correlation id of what it was put out because of.
    """

    number: int
    lane: str
    state: str
    reason: str
    put: datetime
    resource: dict[str, Any]
    cause: str = ""


class Said(NamedTuple):
    """Where a server has what it confirmed, and in which version, as far as it told."""

    location: str | None
    version: str | None


@dataclass(frozen=True, slots=True)
class Received:
    """A message as it came: its number, correlation id, state with its reason, and when it came."""

    number: int
    body: bytes
    state: str
    reason: str
    cause: str
    received: datetime


class Store:
    """A store file, made where it is not there. Only its owner can read it.

    One process works with a store at a time; `shared` opens it beside that one, to look at it or to
    change a few states. Raises `ConfigurationError` for what is no store, or cannot be used.
    """

    def __init__(self, path: Path, site_id: str | None = None, *, shared: bool = False) -> None:
        self.path = path
        self._lock = None if shared else Lock(path)
        try:
            self._begin(path, site_id)
        except BaseException:
            self._unlock()
            raise

    def _unlock(self) -> None:
        if self._lock is not None:
            self._lock.release()
            self._lock = None

    def _begin(self, path: Path, site_id: str | None) -> None:
        new = not path.exists()
        if new:
            try:
                os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
            except OSError as error:
                raise ConfigurationError(
                    f"the store cannot be made: {error.strerror}", place=str(path)
                ) from None
        if not path.is_file():
            raise ConfigurationError("not a store of fhirdrain: it is no file", place=str(path))
        self._base = Base(path)
        try:
            self._open(new, site_id)
        except BaseException:
            self._base.close()
            raise

    def _open(self, new: bool, site_id: str | None) -> None:
        place = str(self.path)
        try:
            if not new:
                # Before anything is written: what is no store is left as it is.
                self._base.execute("SELECT 1 FROM meta")
            self._base.execute("PRAGMA journal_mode = WAL")
            self._base.execute("PRAGMA synchronous = FULL")
            if new:
                self._base.executescript(f"BEGIN; {_SCHEMA} COMMIT;")
                self._base.execute("INSERT INTO meta VALUES ('format', ?)", (str(FORMAT),))
                self._base.execute("INSERT INTO meta VALUES ('site', ?)", (site_id or "",))
            meta = dict(self._base.execute("SELECT key, value FROM meta").fetchall())
        except (sqlite3.Error, StoreError) as error:
            why = error.__cause__ or error
            raise ConfigurationError(f"not a store of fhirdrain: {why}", place=place) from None
        if meta.get("format") != str(FORMAT):
            found = meta.get("format")
            raise ConfigurationError(
                f"the store has format {found}, this version reads {FORMAT}", place=place
            )
        if site_id is not None and meta.get("site") not in ("", site_id):
            raise ConfigurationError(f'the store belongs to site "{meta.get("site")}"', place=place)

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._base.close()
        self._unlock()

    @contextmanager
    def commit(self) -> Iterator[None]:
        """Keep everything put inside together, or none of it."""
        self._base.execute("BEGIN IMMEDIATE")
        try:
            yield
            self._base.execute("COMMIT")
        except BaseException:
            self._base.roll_back()
            raise

    def want(self, names: Iterable[str]) -> set[str]:
        """Note what is sent beside readings, and return all that any run has asked for.

        What was said once has to be kept right.
        """
        found = self._base.execute("SELECT value FROM meta WHERE key = 'with'").fetchone()
        known = set(found[0].split() if found else ())
        wanted = known | set(names)
        if wanted != known:
            self._base.execute(
                "INSERT OR REPLACE INTO meta VALUES ('with', ?)", (" ".join(sorted(wanted)),)
            )
        return wanted

    def put_versions(self, readings: Iterable[Reading]) -> int:
        """Keep versions of readings; returns how many were new. Use inside `commit`."""
        before = self._base.total_changes
        self._base.executemany(
            "INSERT OR IGNORE INTO version VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [
                (
                    reading.identity,
                    reading.observable,
                    _digest(to_json(reading)),
                    reading.patient,
                    reading.drain,
                    _utc(reading.time),
                    _utc(reading.recorded) if reading.recorded else None,
                    encode(to_json(reading)).decode(),
                    _utc(datetime.now(UTC)),
                )
                for reading in readings
            ],
        )
        return self._base.total_changes - before

    def versions(self, identity: str) -> list[Reading]:
        """Return every version of a reading, by recorded time."""
        rows = self._base.execute(
            "SELECT body FROM version WHERE identity = ? ORDER BY recorded, arrived",
            (identity,),
        )
        return [from_json(decode(body)) for (body,) in rows.fetchall()]

    def put_items(
        self, patient: str, items: Iterable[tuple[Mapping[str, Any], datetime | None]]
    ) -> int:
        """Keep a patient's source items, each with when it was stored; returns how many.

        Which of them it knows already is for the caller to tell. Use inside `commit`.
        """
        before = self._base.total_changes
        now = datetime.now(UTC)
        self._base.executemany(
            "INSERT INTO item (patient, known, body) VALUES (?, ?, ?)",
            [(patient, _utc(known or now), encode(body).decode()) for body, known in items],
        )
        return self._base.total_changes - before

    def items(self, patient: str, until: datetime | None = None) -> Iterator[tuple[int, Any]]:
        """Yield a patient's items with their numbers, in the order they came, as known then."""
        rows = self._base.execute(
            "SELECT seq, body FROM item WHERE patient = ? AND known <= ? ORDER BY seq",
            (patient, _utc(until) if until is not None else "9999"),
        )
        for seq, body in rows.fetchall():
            yield seq, decode(body)

    def patients(self) -> list[str]:
        """Return the patients of whom items are kept."""
        rows = self._base.execute("SELECT DISTINCT patient FROM item ORDER BY patient")
        return [patient for (patient,) in rows.fetchall()]

    def put_outgoing(
        self, resources: Iterable[Mapping[str, Any]], lane: str, cause: str = ""
    ) -> int:
        """Put out resources that are not as they were put out last; returns how many those are.

        What still waits of the same identity is overtaken: it is kept, since a server may hold it
        without having said so, and goes out no more.
        """
        new = 0
        for resource in resources:
            if self.is_last(resource):
                continue
            identifier = resource["identifier"][0]
            self._base.execute(
                "INSERT INTO outgoing"
                " (system, value, type, lane, digest, body, state, put, cause)"
                " VALUES (?, ?, ?, ?, ?, ?, 'waiting', ?, ?)",
                (
                    identifier["system"],
                    identifier["value"],
                    resource["resourceType"],
                    lane,
                    _digest(resource),
                    encode(resource).decode(),
                    _utc(datetime.now(UTC)),
                    cause,
                ),
            )
            new += 1
        return new

    def is_last(self, resource: Mapping[str, Any]) -> bool:
        """Tell whether a resource is just as it was put out last."""
        identifier = resource["identifier"][0]
        last = self._base.execute(
            "SELECT digest FROM outgoing WHERE type = ? AND system = ? AND value = ?"
            " ORDER BY seq DESC LIMIT 1",
            (resource["resourceType"], identifier["system"], identifier["value"]),
        ).fetchone()
        return bool(last == (_digest(resource),))

    def latest(self, lane: str) -> list[dict[str, Any]]:
        """Return the last content of each identity that was last put out in a lane."""
        rows = self._base.execute(
            f"SELECT body FROM outgoing o WHERE lane = ? AND {_NEWEST} ORDER BY seq", (lane,)
        )
        return [decode(body) for (body,) in rows.fetchall()]

    def has_lane(self, lane: str) -> bool:
        """Tell whether anything was ever put out in a lane."""
        found = self._base.execute("SELECT 1 FROM outgoing WHERE lane = ? LIMIT 1", (lane,))
        return found.fetchone() is not None

    def outgoing(self, *states: str) -> Iterator[Outgoing]:
        """Yield the last content of each identity that is in one of the states, as it was put."""
        rows = self._base.execute(
            "SELECT seq, lane, state, reason, put, body, cause FROM outgoing o"
            f" WHERE state IN ({', '.join('?' * len(states))}) AND {_NEWEST} ORDER BY seq",
            states,
        )
        for number, lane, state, reason, put, body, cause in rows.fetchall():
            when = datetime.fromisoformat(put)
            yield Outgoing(number, lane, state, reason or "", when, decode(body), cause)

    def unsaid(self, server: str) -> Iterator[Outgoing]:
        """Yield what another server confirmed, and this one did not, as it was put out last."""
        rows = self._base.execute(
            "SELECT seq, lane, state, reason, put, body, cause FROM outgoing o"
            f" WHERE state = 'sent' AND {_NEWEST} AND NOT EXISTS (SELECT 1 FROM said s"
            " WHERE s.server = ? AND s.type = o.type AND s.system = o.system"
            " AND s.value = o.value AND s.digest = o.digest) ORDER BY seq",
            (server,),
        )
        for number, lane, state, reason, put, body, cause in rows.fetchall():
            when = datetime.fromisoformat(put)
            yield Outgoing(number, lane, state, reason or "", when, decode(body), cause)

    def unsay(self, server: str, resource: Mapping[str, Any]) -> None:
        """Note that a server does not hold any more what it once confirmed. Use inside `commit`."""
        identifier = resource["identifier"][0]
        self._base.execute(
            "DELETE FROM said WHERE server = ? AND type = ? AND system = ? AND value = ?",
            (server, resource["resourceType"], identifier["system"], identifier["value"]),
        )

    def retry(self, numbers: Iterable[int]) -> int:
        """Let what was refused or parked wait again; returns how many. Use inside `commit`."""
        before = self._base.total_changes
        self._base.executemany(
            "UPDATE outgoing SET state = 'waiting', reason = NULL"
            " WHERE seq = ? AND state IN ('refused', 'parked')",
            [(number,) for number in numbers],
        )
        return self._base.total_changes - before

    def put_before(self, resource: Mapping[str, Any]) -> list[dict[str, Any]]:
        """Return all contents that were put out under a resource's identity."""
        identifier = resource["identifier"][0]
        rows = self._base.execute(
            "SELECT body FROM outgoing WHERE type = ? AND system = ? AND value = ? ORDER BY seq",
            (resource["resourceType"], identifier["system"], identifier["value"]),
        )
        return [decode(body) for (body,) in rows.fetchall()]

    def said(self, server: str) -> dict[tuple[str, str, str], Said]:
        """Return what a server confirmed: type, system and value of each, with where it is."""
        rows = self._base.execute(
            "SELECT type, system, value, location, version FROM said WHERE server = ?", (server,)
        )
        return {
            (kind, system, value): Said(location, version)
            for kind, system, value, location, version in rows.fetchall()
        }

    def confirm(
        self,
        server: str,
        resource: Mapping[str, Any],
        location: str | None,
        version: str | None = None,
    ) -> None:
        """Note that a server holds a resource as it was sent. Use inside `commit`."""
        identifier = resource["identifier"][0]
        key = (resource["resourceType"], identifier["system"], identifier["value"])
        digest = _digest(resource)
        self._base.execute(
            "INSERT OR REPLACE INTO said VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (server, *key, digest, location, version, _utc(datetime.now(UTC))),
        )
        self._base.execute(
            "UPDATE outgoing SET state = 'sent', reason = NULL"
            " WHERE type = ? AND system = ? AND value = ? AND digest = ?",
            (*key, digest),
        )

    def fail(self, resource: Mapping[str, Any], state: str, reason: str) -> None:
        """Note that a resource was refused or parked, and why. Use inside `commit`."""
        identifier = resource["identifier"][0]
        self._base.execute(
            "UPDATE outgoing SET state = ?, reason = ?"
            " WHERE type = ? AND system = ? AND value = ? AND digest = ? AND state != 'sent'",
            (
                state,
                reason,
                resource["resourceType"],
                identifier["system"],
                identifier["value"],
                _digest(resource),
            ),
        )

    # -- messages ---------------------------------------------------------------------------

    def put_messages(self, messages: Iterable[tuple[str, bytes, str]]) -> int:
        """Keep messages, each with its key and correlation id; returns how many were new.

        Use inside `commit`.
        """
        before = self._base.total_changes
        now = _utc(datetime.now(UTC))
        self._base.executemany(
            "INSERT OR IGNORE INTO message (key, body, state, cause, received)"
            " VALUES (?, ?, 'new', ?, ?)",
            [(key, body, cause, now) for key, body, cause in messages],
        )
        return self._base.total_changes - before

    def messages(self, *states: str, most: int = -1) -> list[Received]:
        """Return messages in the order they came, at most so many."""
        rows = self._base.execute(
            "SELECT seq, body, state, reason, cause, received FROM message"
            f" WHERE state IN ({', '.join('?' * len(states))}) ORDER BY seq LIMIT ?",
            (*states, most),
        )
        return [
            Received(number, body, state, reason or "", cause, datetime.fromisoformat(received))
            for number, body, state, reason, cause, received in rows.fetchall()
        ]

    def settle_messages(self, settled: Iterable[tuple[int, str, str]]) -> None:
        """Note what became of messages: number, state and reason. Use inside `commit`."""
        self._base.executemany(
            "UPDATE message SET state = ?, reason = ? WHERE seq = ?",
            [(state, reason or None, number) for number, state, reason in settled],
        )

    def messages_by_state(self) -> dict[str, int]:
        """Return how many messages are in each state."""
        return dict(
            self._base.execute("SELECT state, count(*) FROM message GROUP BY state").fetchall()
        )

    # -- what is kept how long --------------------------------------------------------------

    def forget(self, before: datetime) -> tuple[int, int]:
        """Drop what nobody needs any more: messages that are done, and contents that went out and
        were overtaken, both from before a time.

        Of a message its key stays, by which a resend is known. Readings and items stay, since
        numbers are worked out from them. Returns how many messages and contents were dropped. Use
        inside `commit`.
        """
        start = self._base.total_changes
        when = _utc(before)
        self._base.execute(
            "UPDATE message SET body = x'' WHERE state = 'done' AND received < ?"
            " AND length(body) > 0",
            (when,),
        )
        messages = self._base.total_changes - start
        self._base.execute(
            "DELETE FROM outgoing WHERE put < ? AND EXISTS (SELECT 1 FROM outgoing n"
            " WHERE n.type = outgoing.type AND n.system = outgoing.system"
            " AND n.value = outgoing.value AND n.seq > outgoing.seq AND n.state = 'sent')",
            (when,),
        )
        return messages, self._base.total_changes - start - messages

    def oldest_waiting(self) -> datetime | None:
        """Return since when the oldest of what waits has waited."""
        (found,) = self._base.execute(
            f"SELECT min(put) FROM outgoing o WHERE state = 'waiting' AND {_NEWEST}"
        ).fetchone()
        return datetime.fromisoformat(found) if found else None

    def last_confirmed(self) -> datetime | None:
        """Return when a server last confirmed something."""
        (found,) = self._base.execute("SELECT max(confirmed) FROM said").fetchone()
        return datetime.fromisoformat(found) if found else None

    def outgoing_by_state(self) -> dict[str, int]:
        """Return of how many identities the last content is in each state."""
        rows = self._base.execute(
            f"SELECT state, count(*) FROM outgoing o WHERE {_NEWEST} GROUP BY state"
        )
        return dict(rows.fetchall())


def to_json(reading: Reading) -> dict[str, Any]:
    """Return a reading as JSON: times with their offsets, numbers as texts with their digits."""
    body: dict[str, Any] = {}
    for field in fields(reading):
        value = getattr(reading, field.name)
        if value is None or value == {} or value is False or value == ():
            continue
        if isinstance(value, datetime):
            value = value.isoformat()
        elif isinstance(value, Decimal):
            value = {"number": str(value)}
        elif field.name == "original":
            value = [str(value[0]), value[1]]
        elif field.name == "parts":
            value = {
                name: {"number": str(part)} if isinstance(part, Decimal) else part
                for name, part in value.items()
            }
        body[field.name] = value
    return body


def from_json(body: Mapping[str, Any]) -> Reading:
    """Return the reading that `to_json` wrote."""
    values = dict(body)
    for name in _TIMES:
        if name in values:
            values[name] = datetime.fromisoformat(values[name])
    if isinstance(values.get("value"), dict):
        values["value"] = Decimal(values["value"]["number"])
    if "original" in values:
        values["original"] = (Decimal(values["original"][0]), values["original"][1])
    for name in ("codes", "elsewhere"):
        if name in values:
            values[name] = tuple((system, code) for system, code in values[name])
    if "parts" in values:
        values["parts"] = {
            name: Decimal(part["number"]) if isinstance(part, dict) else part
            for name, part in values["parts"].items()
        }
    return Reading(**values)


def _utc(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat()


def _digest(body: Mapping[str, Any]) -> str:
    return hashlib.sha256(encode(body)).hexdigest()[:32]
