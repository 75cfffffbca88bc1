"""The code system, the value sets and the concept maps."""

from __future__ import annotations

from parts import Json, canonical, heading

from fhirdrain.vocabulary.codes import (
    ABSENT,
    LOCAL,
    LOINC,
    OUTPUT,
    OUTPUT_PERICARDIAL,
    SNOMED,
    Coding,
)
from fhirdrain.vocabulary.localcodes import LOCAL_CODES
from fhirdrain.vocabulary.maps import MAPS, Map, Near
from fhirdrain.vocabulary.observables import (
    ABSENT_REASONS,
    OBSERVABLES,
    RATES,
    SIDES,
    SPACES,
    by_code,
)
from fhirdrain.vocabulary.units import UCUM

BUNDLE_TYPE = "http://hl7.org/fhir/bundle-type"
# The value set of all codes of a system, as each system says it (R4, "Using LOINC with FHIR",
# "Using SNOMED CT with FHIR").
ALL_OF = {LOINC: "http://loinc.org/vs", SNOMED: "http://snomed.info/sct?fhir_vs"}


def code_system() -> Json:
    """Return our code system.

    It names no value set of its own: a site may move those, and this must be the same everywhere.
    """
    return heading("CodeSystem", "drain", "Chest drain codes") | {
        "description": "Codes for what is observed of a chest drain and has no code elsewhere.",
        "caseSensitive": True,
        "content": "complete",
        "count": len(LOCAL_CODES),
        "concept": [{"code": code, "display": text} for code, text in LOCAL_CODES.items()],
    }


def value_set(name: str, title: str, codings: list[Coding] | None = None) -> Json:
    """Return a value set of codings; without any, of all codes of ours."""
    include: list[Json] = []
    if codings is None:
        include.append({"system": LOCAL})
    else:
        for system in dict.fromkeys(coding.system for coding in codings):
            codes = dict.fromkeys(c.code for c in codings if c.system == system)
            include.append({"system": system, "concept": [{"code": code} for code in codes]})
    return heading("ValueSet", name, title) | {"compose": {"include": include}}


def words_set(name: str, title: str, words: tuple[str, ...]) -> Json:
    """Return a value set of words of ours."""
    return value_set(name, title, [Coding(LOCAL, word) for word in words])


def value_sets() -> list[Json]:
    """Return all value sets."""
    sets = [
        value_set("drain", "All chest drain codes"),
        value_set(
            "observation-codes",
            "Codes of what can be observed of a chest drain",
            [Coding(system, code) for system, code in by_code()],
        ),
        value_set(
            "absent-reasons",
            "Why something was not observed",
            [Coding(ABSENT, code) for code in ABSENT_REASONS.values()],
        ),
        value_set(
            "bundle-types",
            "Bundles that drains are sent and handed over in",
            [Coding(BUNDLE_TYPE, code) for code in ("transaction", "collection")],
        ),
        value_set("output-codes", "Codes of a drained volume", [OUTPUT, OUTPUT_PERICARDIAL]),
        value_set("output-rate-codes", "Codes of a drained volume by the hour", _rate_codes()),
        value_set(
            "output-rate-units",
            "Units of a drained volume by the hour",
            [Coding(UCUM, unit) for unit in OBSERVABLES["output-rate"].units],
        ),
        words_set(
            "drain-site",
            "Side and space of a drain",
            tuple(f"{a}-{b}" for a in SIDES for b in SPACES),
        ),
    ]
    for observable in OBSERVABLES.values():
        if observable.words:
            sets.append(words_set(observable.name, observable.title, observable.words))
        if observable.form == "Observation":
            sets += [
                words_set(f"{observable.name}-{part.name}", part.title, part.words)
                for part in observable.components
                if part.words
            ]
    return sets


def _rate_codes() -> list[Coding]:
    codes = [coding for rate in RATES.values() for coding in (rate.chest, rate.pericardial)]
    return [*OBSERVABLES["output-rate"].codes, *(coding for coding in codes if coding)]


def concept_maps() -> list[Json]:
    """Return the maps from our codes to the nearest of others."""
    return [_concept_map(table) for table in MAPS]


def _concept_map(table: Map) -> Json:
    elements = [
        {
            "code": ours,
            "display": LOCAL_CODES[ours],
            "target": [_target(near) for near in table.near if near.ours == ours],
        }
        for ours in dict.fromkeys(near.ours for near in table.near)
    ]
    return heading("ConceptMap", table.name, table.title) | {
        "sourceCanonical": canonical("ValueSet", table.value_set),
        "targetUri": ALL_OF[table.system],
        "group": [{"source": LOCAL, "target": table.system, "element": elements}],
    }


def _target(near: Near) -> Json:
    target: Json = {}
    if near.theirs is not None:
        target = {k: v for k, v in near.theirs.to_fhir().items() if k != "system"}
    target["equivalence"] = near.equivalence
    if near.comment:
        target["comment"] = near.comment
    return target
