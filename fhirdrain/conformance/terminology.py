"""Which codes a value set holds: decided code by code, or expanded as far as that can be.

Source: FHIR R4 ValueSet, and 4.9 on how it is composed. Nothing is asked of a terminology
server: what is not at hand is undecided.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cache

from fhirdrain.conformance.codesystems import MOST_CODES
from fhirdrain.conformance.definitions import Definitions
from fhirdrain.conformance.membership import (
    INSIDE,
    OUTSIDE,
    Membership,
    all_of,
    any_of,
    undecided,
)
from fhirdrain.conformance.valuesets import Clause, Codes, ValueSets
from fhirdrain.vocabulary.units import ALIASES

__all__ = ["Membership", "Terminology", "codes_of"]

# Bounds of ours. Value sets import a handful of others; a hint from thousands helps nobody.
MOST_IMPORTS = 100
MOST_CANDIDATES = 5_000


@dataclass(frozen=True)
class _Question:
    """A code that is asked for, with what is known so far of each value set on the way."""

    system: str
    code: str
    version: str | None
    known: dict[str, Membership] = field(default_factory=dict)


class Terminology:
    """Tells which codes value sets hold. What it worked out it keeps, so keep one of it."""

    def __init__(self, definitions: Definitions) -> None:
        self._sets = ValueSets(definitions)
        self._reached: dict[str, frozenset[str]] = {}
        self._expanded: dict[str, Codes | None] = {}

    def membership(
        self, value_set: str, code: str, system: str | None, version: str | None = None
    ) -> Membership:
        """Return whether a value set holds a code.

        `system` is None for a bare code, which may be of any system of the set, and empty for a
        coding that names none, which is of no system. `version` is the one the coding names.
        """
        if len(self._reach(value_set)) > MOST_IMPORTS:
            return undecided(f"{value_set} imports more than {MOST_IMPORTS} value sets")
        systems = [system] if system is not None else self._systems_of(value_set)
        return any_of(self._decide(value_set, _Question(s, code, version)) for s in systems)

    def codes(self, value_set: str) -> Codes | None:
        """Return all codes of a value set by system; None where they cannot be listed.

        A code that is not among them may still be one that is written in another case: ask
        `membership` of it.
        """
        if value_set not in self._expanded:
            self._expanded[value_set] = None  # what it is where a circle of imports comes back
            if len(self._reach(value_set)) <= MOST_IMPORTS:
                self._expanded[value_set] = self._expand(value_set)
        return self._expanded[value_set]

    def near(self, value_set: str, code: str) -> str:
        """Return the code of a value set that is spelt most like this one; empty if none is."""
        alias = ALIASES.get(code, "")
        if alias and self.membership(value_set, alias, None).inside:
            return alias
        parts = (self.codes(value_set) or self._listed(value_set)).values()
        if sum(map(len, parts)) > MOST_CANDIDATES:
            return ""
        spelt = {c.lower(): c for part in parts for c in sorted(part, reverse=True)}
        best = difflib.get_close_matches(code.lower(), sorted(spelt), n=3, cutoff=0.4)
        near = (spelt[match] for match in best)
        return next((c for c in near if self.membership(value_set, c, None).inside), "")

    # -- deciding -----------------------------------------------------------------------------

    def _decide(self, value_set: str, asked: _Question) -> Membership:
        if value_set in asked.known:
            return asked.known[value_set]
        # Stands until the answer is known, and is the answer where the imports come back here.
        asked.known[value_set] = undecided(f"value sets import each other in a circle: {value_set}")
        made = self._sets.get(value_set)
        answer = undecided(made.fault)
        if not made.fault:
            answer = any_of(self._of_clause(clause, asked) for clause in made.include)
            if answer.inside is not False:
                barred = any_of(self._of_clause(clause, asked) for clause in made.exclude)
                answer = OUTSIDE if barred.inside else all_of([answer, _unless(barred)])
        if answer.inside is None and made.expansion:
            listed = made.expansion.decide(asked.system, asked.code)
            if listed.inside is None:
                listed = undecided(f"{answer.reason}; {listed.reason}")
            answer = listed
        asked.known[value_set] = answer
        return answer

    def _of_clause(self, clause: Clause, asked: _Question) -> Membership:
        own = INSIDE
        if clause.system:
            if asked.system != clause.system:
                return OUTSIDE
            own = clause.own(asked.code, asked.version)
        if own.inside is False or not clause.imports:
            return own
        found = [self._decide(imported, asked) for imported in clause.imports]
        joined = all_of(found)
        if joined.inside is False and any(answer.inside is not False for answer in found):
            joined = undecided("R4 says of several imports both that all count and that any does")
        return all_of([own, joined])

    def _reach(self, value_set: str) -> frozenset[str]:
        """Return a value set and what it imports at any depth, as far as one beyond the bound."""
        if value_set not in self._reached:
            found, waiting = {value_set}, [value_set]
            while waiting and len(found) <= MOST_IMPORTS:
                made = self._sets.get(waiting.pop())
                new = {u for clause in (*made.include, *made.exclude) for u in clause.imports}
                waiting += new - found
                found |= new
            self._reached[value_set] = frozenset(found)
        return self._reached[value_set]

    def _systems_of(self, value_set: str) -> list[str]:
        """Return every system that is named; and "", which what is not at hand answers."""
        found = {""}
        for url in self._reach(value_set):
            made = self._sets.get(url)
            found.update(clause.system for clause in made.include)
            found.update(made.expansion.codes if made.expansion else ())
        return sorted(found)

    # -- expanding ----------------------------------------------------------------------------

    def _expand(self, value_set: str) -> Codes | None:
        made = self._sets.get(value_set)
        included = None if made.fault else self._union(made.include)
        excluded = self._union(made.exclude)
        if included is None or excluded is None:
            return made.expansion.codes if made.expansion and not made.expansion.partial else None
        if excluded:
            included = {s: codes - excluded.get(s, frozenset()) for s, codes in included.items()}
        return {system: codes for system, codes in included.items() if codes}

    def _union(self, clauses: Iterable[Clause]) -> Codes | None:
        found: Codes = {}
        for clause in clauses:
            codes = self._codes_of_clause(clause)
            if codes is None:
                return None
            for system, more in codes.items():
                found[system] = found[system] | more if system in found else more
        return found if sum(map(len, found.values())) <= MOST_CODES else None

    def _codes_of_clause(self, clause: Clause) -> Codes | None:
        if clause.rest:
            return None
        if not clause.imports:
            return {clause.system: clause.codes}
        first, *others = (self.codes(imported) for imported in clause.imports)
        if first is None or any(other != first for other in others):
            return None
        if not clause.system:
            return first
        return {clause.system: clause.codes & first.get(clause.system, frozenset())}

    def _listed(self, value_set: str) -> Codes:
        """Return the codes that stand in a value set itself, for a hint."""
        made = self._sets.get(value_set)
        found = dict(made.expansion.codes) if made.expansion else {}
        for clause in made.include:
            found[clause.system] = found.get(clause.system, frozenset()) | clause.codes
        return found


def _unless(barred: Membership) -> Membership:
    """Return what an exclude that does not hold a code leaves of it."""
    return barred if barred.inside is None else INSIDE


@cache
def _of_r4() -> Terminology:
    return Terminology(Definitions())


def codes_of(value_set: str) -> Codes | None:
    """Return the codes of a value set of R4 by system, None where it cannot be expanded."""
    return _of_r4().codes(value_set)
