"""check --explain: a rule by its name, or an invariant of R4 by its key."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from fhirdrain.conformance.definitions import (
    constraints,
    our_profiles,
    standard,
    type_names,
)
from fhirdrain.conformance.rules.invariants import is_best_practice
from fhirdrain.issues import (
    Invariant,
    all_rules,
    nearest_rules,
    render_invariant,
    render_rule,
    rule,
)

__all__ = ["explained", "nearest", "other_keys"]

# R4 states it twice under two keys, and an issue names the other one.
_SAME = {"txt-2": "txt-1"}


def explained(name: str) -> str | None:
    """Return what a rule or an invariant of R4 demands; None when nothing has the name."""
    if name in _SAME:
        return f"{name} says the same as {_SAME[name]}.\n\n{explained(_SAME[name])}"
    known = rule(name)
    if known is not None:
        return render_rule(known)
    name = name if name in other_keys() else name.lower()
    stated = [*_stated(name), *_ours(name)]
    return render_invariant(stated, all_rules()["invariant"]) if stated else None


def other_keys() -> list[str]:
    """Return the keys of R4's invariants and of ours that are no rules by themselves."""
    keys = {constraint["key"] for constraint in constraints().values()}
    keys |= {constraint["key"] for _, constraint in _own()}
    return sorted(keys - set(all_rules()))


def nearest(name: str) -> list[str]:
    """Return up to three names that can be explained and are spelt like this."""
    return nearest_rules(name, other_keys())


def _stated(key: str) -> Iterator[Invariant]:
    """Yield what R4 states under a key, which may be several things."""
    known = [constraint for constraint in constraints().values() if constraint["key"] == key]
    places: dict[str, list[str]] = {constraint["expression"]: [] for constraint in known}
    for path, constraint in _carried() if known else ():
        if constraint["key"] == key:
            places[constraint["expression"]].append(path)
    for constraint in known:
        expression = constraint["expression"]
        yield Invariant(
            key,
            tuple(places[expression]),
            constraint["severity"],
            expression,
            is_best_practice(constraint),
        )


def _ours(key: str) -> Iterator[Invariant]:
    """Yield what our profiles state under a key."""
    places: dict[str, list[str]] = {}
    found = {}
    for path, constraint in _own():
        if constraint["key"] == key:
            places.setdefault(constraint["expression"], []).append(path)
            found[constraint["expression"]] = constraint
    for expression, constraint in found.items():
        where = tuple(dict.fromkeys(places[expression]))
        yield Invariant(key, where, constraint["severity"], expression, of="our profiles")


def _own() -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield each element of our profiles that adds a constraint, and that."""
    definitions = standard()
    for url in our_profiles():
        definition = definitions.structure(url) or {}
        for element in definition.get("differential", {}).get("element", ()):
            for constraint in element.get("constraint", ()):
                yield f"{definition['id']} ({element['path']})", constraint


def _carried() -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield each element of R4's types that carries a constraint, and that."""
    definitions = standard()
    for name in sorted(type_names()):
        definition = definitions.type(name) or {}
        for element in definition.get("snapshot", {}).get("element", ()):
            for constraint in element.get("constraint", ()):
                yield element["path"], constraint
