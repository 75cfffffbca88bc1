"""How long work tells of its progress: what is done, and how much of it."""

from __future__ import annotations

from collections.abc import Callable

Told = Callable[[str, int], None]


def silent(what: str, done: int) -> None:
    """Tell nobody."""
