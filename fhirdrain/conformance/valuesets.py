"""Value sets made ready to be asked: their includes, excludes and supplied expansions.

Source: FHIR R4 ValueSet.compose and ValueSet.expansion. What is broken or not at hand keeps a
value set, or one include of it, from deciding; it never makes a code inside.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from fhirdrain.conformance.codeforms import CASELESS, by_form
from fhirdrain.conformance.codesystems import MOST_CODES, CodeSystem, Test, test_of
from fhirdrain.conformance.definitions import BROKEN, R4, Definitions, Kind, split_canonical
from fhirdrain.conformance.membership import (
    INSIDE,
    OUTSIDE,
    Json,
    Membership,
    Undecidable,
    all_of,
    undecided,
)
from fhirdrain.vocabulary.codes import LOINC, SNOMED
from fhirdrain.vocabulary.units import UCUM

# R4, "Using LOINC / SNOMED CT / UCUM with FHIR": value sets of a whole system, without a resource.
_WHOLE = {
    f"{LOINC}/vs": LOINC,
    f"{SNOMED}?fhir_vs": SNOMED,
    f"{UCUM}/vs": UCUM,
}
# Composition.confidentiality is bound to an older version of this than R4 itself publishes.
_PINNED_BY_R4 = {
    "http://terminology.hl7.org/ValueSet/v3-ConfidentialityClassification": "2014-03-26",
}

Codes = dict[str, frozenset[str]]


@dataclass(frozen=True)
class Clause:
    """One include or exclude: its codes, and what is to be said of any other code of its system."""

    system: str = ""
    codes: frozenset[str] = frozenset()
    rest: Test | None = None
    imports: tuple[str, ...] = ()
    pinned: str = ""
    known: CodeSystem | None = None

    @cached_property
    def _folded(self) -> frozenset[str]:
        return frozenset(code.lower() for code in self.codes)

    def own(self, code: str, version: str | None) -> Membership:
        """Return what the clause says of a code of its system, imports left aside."""
        if code in self.codes:
            # An edition of SNOMED CT is the beginning of the URI of each of its versions.
            pinned = self.pinned.strip("*")
            if version and pinned and not f"{version}/".startswith(f"{pinned}/"):
                return undecided(
                    f"it is of another version of {self.system} than the one asked for"
                )
            return INSIDE
        stated = self.known.case_sensitive if self.known else True
        caseless = self.system in CASELESS or stated is False
        if (caseless or stated is None) and code.lower() in self._folded:
            if caseless:
                return INSIDE
            return undecided(f"only its case differs, and {self.system} says not if that counts")
        if self.rest:
            return self.rest(code)
        if version and self.known and self.known.version not in ("", version):
            return undecided(f"it is of another version of {self.system} than the one at hand")
        return OUTSIDE


@dataclass(frozen=True)
class Expansion:
    """The codes a value set was supplied with; `partial` says what keeps them from being all."""

    codes: Codes
    partial: str

    def decide(self, system: str, code: str) -> Membership:
        """Return what the expansion says of a code."""
        if code in self.codes.get(system, ()):
            return INSIDE
        return undecided(self.partial) if self.partial else OUTSIDE


@dataclass(frozen=True)
class ValueSet:
    """A value set made ready; `fault` says why its definition cannot be used."""

    fault: str = ""
    include: tuple[Clause, ...] = ()
    exclude: tuple[Clause, ...] = ()
    expansion: Expansion | None = None


class ValueSets:
    """Makes each value set and code system ready once."""

    def __init__(self, definitions: Definitions) -> None:
        self._definitions = definitions
        self._systems: dict[str, CodeSystem | str] = {}
        self._sets: dict[str, ValueSet] = {}

    def get(self, value_set: str) -> ValueSet:
        """Return a value set by its canonical URL, with a version or without."""
        if value_set not in self._sets:
            try:
                self._sets[value_set] = self._make(value_set)
            except Undecidable as error:
                self._sets[value_set] = ValueSet(fault=str(error))
            except BROKEN:
                self._sets[value_set] = ValueSet(fault=f"{value_set} is broken")
        return self._sets[value_set]

    def _make(self, value_set: str) -> ValueSet:
        url, _ = split_canonical(value_set)
        found, fault = self._find("ValueSet", value_set)
        if found is None and url in _WHOLE:
            found = {"compose": {"include": [{"system": _WHOLE[url]}]}}
        if found is None:
            raise Undecidable(f"{value_set} is not at hand")
        if fault:
            raise Undecidable(fault)
        expansion = _expansion(found["expansion"]) if "expansion" in found else None
        compose = found.get("compose") or {}
        try:
            if not compose.get("include"):
                raise Undecidable(f"{url} does not say what it is composed of")
            clauses = {
                name: tuple(self._clause(part, compose) for part in compose.get(name, ()))
                for name in ("include", "exclude")
            }
        except Undecidable as error:
            return ValueSet(str(error), expansion=expansion)
        return ValueSet("", clauses["include"], clauses["exclude"], expansion)

    def _find(self, kind: Kind, canonical: str) -> tuple[Json | None, str]:
        """Return a definition, and what is amiss with its version."""
        url, version = split_canonical(canonical)
        found = self._definitions.find(kind, url)
        if found is None or not version.strip("*"):
            return found, ""
        if self._definitions.origin(kind, url) == R4:
            right = version.startswith("4.0.") or version == _PINNED_BY_R4.get(url)
        else:
            right = version == found.get("version")
        return found, "" if right else f"{url} is at hand, but not in the version asked for"

    def _clause(self, part: Json, compose: Json) -> Clause:
        system, imports = part.get("system", ""), part.get("valueSet", [])
        if not (isinstance(imports, list) and (system or imports)):
            raise Undecidable("a value set includes neither a system nor a value set (vsd-1)")
        if not isinstance(system, str):
            raise TypeError
        if not system and ("concept" in part or "filter" in part):
            raise Undecidable("a value set includes codes of no system (vsd-2)")
        if "concept" in part and "filter" in part:
            raise Undecidable("a value set has codes and a filter in one include (vsd-3)")
        if not system:
            return Clause(imports=tuple(imports))
        pinned = part.get("version", "")
        known, fault = self._system(system, pinned)
        rest: Test | None = None
        if "concept" in part:
            if len(part["concept"]) > MOST_CODES:
                raise Undecidable(f"a value set has more than {MOST_CODES} codes")
            codes = frozenset(entry["code"] for entry in part["concept"])
            if not all(isinstance(code, str) for code in codes):
                raise TypeError
        else:
            filters = part.get("filter", [])
            codes, rest = _chosen(system, None if fault else known, filters, fault)
        if known and compose.get("inactive") is False:
            codes -= known.inactive
            rest = rest and _all_but(known.inactive, rest)
        return Clause(system, codes, rest, tuple(imports), pinned, known)

    def _system(self, url: str, pinned: str) -> tuple[CodeSystem | None, str]:
        """Return a code system, and why it cannot be used for codes that are not enumerated."""
        found, fault = self._find("CodeSystem", f"{url}|{pinned}")
        if found is None:
            return None, ""
        if found.get("content") == "supplement":
            return None, f"{url} is a supplement, which has no codes of its own"
        if url not in self._systems:
            try:
                self._systems[url] = CodeSystem(found)
            except Undecidable as error:
                self._systems[url] = str(error)
            except BROKEN:
                self._systems[url] = f"{url} is broken"
        made = self._systems[url]
        return (None, made) if isinstance(made, str) else (made, fault)


def _chosen(
    system: str, known: CodeSystem | None, filters: list[Json], fault: str
) -> tuple[frozenset[str], Test | None]:
    """Return the codes of a system that filters let through, and what is to be said of others."""
    tests: list[Test] = []
    for entry in filters:
        try:
            tests.append(test_of(entry, system, known))
        except Undecidable as error:
            tests.append(_always(undecided(str(error))))
    # A value set that is built on a code vouches for it.
    named = {f["value"] for f in filters if f["op"] in ("is-a", "generalizes")}
    missing = undecided(fault or f"{system} is not at hand" + (" as a whole" if known else ""))

    def rest(code: str) -> Membership:
        there = INSIDE
        if not (known and code in known.codes):
            if known and known.complete:
                return OUTSIDE
            there = INSIDE if code in named else by_form(system, code) or missing
        return all_of([there, *(test(code) for test in tests)])

    if known is None:
        return frozenset(), rest
    if not tests:
        return known.codes, None if known.complete else rest
    answers = {code: all_of(test(code) for test in tests) for code in known.codes}
    inside = frozenset(code for code, answer in answers.items() if answer.inside)
    whole = known.complete and all(answer.inside is not None for answer in answers.values())
    return inside, None if whole else rest


def _always(answer: Membership) -> Test:
    return lambda code: answer


def _all_but(barred: frozenset[str], test: Test) -> Test:
    return lambda code: OUTSIDE if code in barred else test(code)


def _expansion(source: Json) -> Expansion:
    """Make ready the codes a value set was supplied with."""
    found: dict[str, set[str]] = {}
    waiting, count = list(source.get("contains", [])), 0
    while waiting:
        entry = waiting.pop()
        if "code" in entry and not entry.get("abstract"):
            count += 1
            found.setdefault(entry.get("system", ""), set()).add(entry["code"])
        if count > MOST_CODES:
            return Expansion(
                {}, f"the expansion that was supplied has more than {MOST_CODES} codes"
            )
        waiting += entry.get("contains", [])
    codes = {system: frozenset(part) for system, part in found.items()}
    return Expansion(codes, _why_partial(source, count))


def _why_partial(source: Json, count: int) -> str:
    """Return why an expansion has not all codes, as far as it says so; empty if it has."""
    asked_for = {p["name"]: p for p in source.get("parameter", ())}
    reasons = {
        "a page": source.get("offset", 0) > 0 or source.get("total", 0) > count,
        "cut off": any(
            e["url"].rsplit("/", 1)[-1] in ("valueset-toocostly", "valueset-unclosed")
            and e.get("valueBoolean", True)
            for e in source.get("extension", ())
        ),
        "what a search found": "filter" in asked_for,
        "the codes still in use": asked_for.get("activeOnly", {}).get("valueBoolean", False),
        "of a size that was asked for": "count" in asked_for and "total" not in source,
    }
    why = next((reason for reason, holds in reasons.items() if holds), "")
    return why and f"the expansion that was supplied is not whole: {why}"
