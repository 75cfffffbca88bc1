"""What labels of item dictionaries say, a table a language, and how they are looked for in a label.

A pattern is one or more words: `word` is a whole word, `word*` its beginning, `*word*` a part of
it. Labels and patterns are compared in lower case and without accents, letters apart from digits.
"""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

LANGUAGES = ("de", "en", "es", "fr", "it", "nl", "pt")


@dataclass(frozen=True, slots=True)
class Match:
    """Where in a label a pattern was found: words `start` to `end`, and what was written there.

    `inside` tells that it is only a part of a word, as in compounds.
    """

    start: int
    end: int
    text: str
    weight: int
    inside: bool

    def overlaps(self, other: Match) -> bool:
        """Tell whether both stand on a word of the label."""
        return self.start < other.end and other.start < self.end


@cache
def terms(language: str) -> Mapping[str, Mapping[str, Sequence[str]]]:
    """Return the table of a language."""
    text = files("fhirdrain.survey").joinpath("terms", f"{language}.toml").read_text("utf-8")
    found: dict[str, Any] = tomllib.loads(text)
    return found


def words_of(text: str) -> list[str]:
    """Return the words of a text: lower case, no accents, letters apart from digits."""
    plain = unicodedata.normalize("NFKD", text.casefold().replace("ß", "ss"))
    plain = "".join(c for c in plain if not unicodedata.combining(c))
    return re.findall(r"[^\W\d_]+|\d+", plain)


@cache
def _pattern(text: str) -> tuple[tuple[str, bool, bool], ...]:
    """Return a pattern as words, each with whether more may stand before and behind it."""
    found = []
    for part in text.split():
        words = words_of(part)
        for index, word in enumerate(words):
            before = part.startswith("*") and index == 0
            behind = part.endswith("*") and index == len(words) - 1
            found.append((word, before, behind))
    return tuple(found)


def matches(words: Sequence[str], patterns: Iterable[str]) -> Iterator[Match]:
    """Yield where patterns stand in a label's words."""
    for text in patterns:
        pattern = _pattern(text)
        for start in range(len(words) - len(pattern) + 1):
            here = words[start : start + len(pattern)]
            if all(map(_fits, here, pattern)):
                weight = sum(len(word) for word, _, _ in pattern) + 10 * len(pattern)
                inside = any(before for _, before, _ in pattern)
                yield Match(start, start + len(pattern), " ".join(here), weight, inside)


def _fits(word: str, pattern: tuple[str, bool, bool]) -> bool:
    wanted, before, behind = pattern
    if before and behind:
        return wanted in word
    if before:
        return word.endswith(wanted)
    return word.startswith(wanted) if behind else word == wanted


def best(words: Sequence[str], patterns: Iterable[str]) -> Match | None:
    """Return the heaviest match: of the most words, then of the longest."""
    return max(matches(words, patterns), key=lambda m: (m.weight, -m.start), default=None)
