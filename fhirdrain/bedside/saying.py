"""What is to be said, without a language: a key and its values, for which catalogues have words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

__all__ = ["Saying", "Verbatim", "Word", "say"]


@dataclass(frozen=True, slots=True)
class Saying:
    """One thing to say. Its values are Decimals, times, lengths of time, `Word`s, readings, other
    sayings, tuples of these, and texts that stay as they are.
    """

    key: str
    values: Mapping[str, object]


class Word(NamedTuple):
    """A word of an observable or, where `component` names one, of its component."""

    observable: str
    word: str
    component: str = ""


class Verbatim(str):
    """A text that is said word for word, however long it is."""


def say(key: str, **values: object) -> Saying:
    """Return a saying."""
    return Saying(key, values)
