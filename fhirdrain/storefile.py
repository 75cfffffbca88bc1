"""The file a store is in: kept from other processes, its faults said in a line."""

from __future__ import annotations

import fcntl
import os
import sqlite3
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager, suppress
from pathlib import Path
from typing import IO, Any, ClassVar

from fhirdrain.errors import ConfigurationError

_IN_USE = "the store is in use by another process"


class StoreError(ConfigurationError):
    """The store's file cannot be used as it is: in use, full, or broken."""


class Base:
    """The database of a store, whose faults say in a line what is wrong."""

    def __init__(self, path: Path) -> None:
        self._path = path
        # A thread of ours makes its own; uvicorn and the test kit may close one from another.
        self._base = sqlite3.connect(path, isolation_level=None, check_same_thread=False)

    @property
    def total_changes(self) -> int:
        """Return how many rows were changed."""
        return self._base.total_changes

    def execute(self, sql: str, values: Sequence[object] = ()) -> Rows:
        """Run a statement; raises `StoreError`."""
        with self._said():
            return Rows(self._base.execute(sql, values), self._said)

    def executemany(self, sql: str, rows: Iterable[Sequence[object]]) -> None:
        """Run a statement for each of many rows; raises `StoreError`."""
        with self._said():
            self._base.executemany(sql, rows)

    def executescript(self, sql: str) -> None:
        """Run several statements; raises `StoreError`."""
        with self._said():
            self._base.executescript(sql)

    def roll_back(self) -> None:
        """Undo what was begun, if it is not undone already."""
        with suppress(sqlite3.Error):
            self._base.execute("ROLLBACK")

    def close(self) -> None:
        """Close it."""
        with suppress(sqlite3.Error):
            self._base.close()

    @contextmanager
    def _said(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as error:
            busy = getattr(error, "sqlite_errorname", "").startswith("SQLITE_BUSY")
            message = _IN_USE if busy else f"the store cannot be used: {error}"
            raise StoreError(message, place=str(self._path)) from error


class Rows:
    """The rows of a statement, read with the same care."""

    def __init__(
        self, cursor: sqlite3.Cursor, said: Callable[[], AbstractContextManager[None]]
    ) -> None:
        self._cursor = cursor
        self._said = said

    def fetchall(self) -> list[Any]:
        """Return all of them; raises `StoreError`."""
        with self._said():
            return self._cursor.fetchall()

    def fetchone(self) -> Any:
        """Return the next one, None where there is none; raises `StoreError`."""
        with self._said():
            return self._cursor.fetchone()

    def __iter__(self) -> Iterator[Any]:
        return iter(self.fetchall())


class Lock:
    """Keeps other processes away from a store while this one works with it."""

    _held: ClassVar[dict[str, tuple[IO[bytes], int]]] = {}
    _guard: ClassVar[threading.Lock] = threading.Lock()

    def __init__(self, path: Path) -> None:
        self._key = str(path.resolve())
        with self._guard:
            held, times = self._held.get(self._key, (None, 0))
            self._held[self._key] = held or self._taken(path), times + 1

    def release(self) -> None:
        """Let others work with the store, when nobody here does any more."""
        with self._guard:
            held, times = self._held.pop(self._key)
            if times > 1:
                self._held[self._key] = held, times - 1
            else:
                held.close()

    @staticmethod
    def _taken(path: Path) -> IO[bytes]:
        beside = path.with_name(f"{path.name}.lock")
        try:
            held = os.fdopen(os.open(beside, os.O_CREAT | os.O_RDWR, 0o600), "r+b")
        except OSError as error:
            raise StoreError(
                f"the store cannot be made: {error.strerror}", place=str(path)
            ) from None
        try:
            fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            held.close()
            raise StoreError(_IN_USE, place=str(path)) from None
        return held
