"""check --explain: a rule by its name, or an invariant of R4 by its key."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from fhirdrain.conformance.definitions import constraints, standard, type_names
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
    stated = list(_stated(name))
    return render_invariant(stated, all_rules()["invariant"]) if stated else None


def other_keys() -> list[str]:
    """Return the keys of R4's invariants that are no rules by themselves."""
    keys = {constraint["key"] for constraint in constraints().values()}
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


def _carried() -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield each element of R4's types that carries a constraint, and that."""
    definitions = standard()
    for name in sorted(type_names()):
        definition = definitions.type(name) or {}
        for element in definition.get("snapshot", {}).get("element", ()):
            for constraint in element.get("constraint", ()):
                yield element["path"], constraint
