"""What each rule demands, why, where it is published, and what right and wrong look like.

The texts stand in `rules.toml`, a table a rule, and are read when first asked for.
"""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files


@dataclass(frozen=True, slots=True)
class Rule:
    """Say what a rule demands.

    `title` is one sentence, `link` a page of a published specification (empty for a rule of our
    own). `good` and `bad` are whole resources or bundles, and `needs` the options of `check`
    without which they do not show what they are there for.
    """

    name: str
    title: str
    explanation: str
    good: str
    bad: str
    link: str = ""
    needs: str = ""


@dataclass(frozen=True, slots=True)
class Invariant:
    """Say what is known of an invariant that has no table of its own.

    `of` is whose it is, `places` the paths of the elements that carry it; none when only a profile
    does.
    """

    key: str
    places: tuple[str, ...]
    severity: str
    expression: str
    best_practice: bool = False
    of: str = "R4"


@cache
def all_rules() -> Mapping[str, Rule]:
    """Return every rule by its name, in the order of the file."""
    text = files("fhirdrain.issues").joinpath("rules.toml").read_text("utf-8")
    return {name: _rule(name, **table) for name, table in tomllib.loads(text).items()}


def _rule(
    name: str, title: str, explanation: str, good: str, bad: str, link: str = "", needs: str = ""
) -> Rule:
    explanation = " ".join(explanation.split())
    return Rule(name, title, explanation, good.strip(), bad.strip(), link, needs)


def rule(name: str) -> Rule | None:
    """Return a rule, None when none has the name."""
    return all_rules().get(name)


def nearest_rules(name: str, others: Iterable[str] = ()) -> list[str]:
    """Return up to three names of rules, or of the others, that are spelt like this."""
    return difflib.get_close_matches(name.lower(), [*all_rules(), *others], n=3, cutoff=0.5)
