"""Write the FHIR package beside this script: profiles, value sets, codes, maps, examples.

    python profiles/build.py            write the files beside this script
    python profiles/build.py --check    exit 1 if a file differs from what would be written

The tables in `fhirdrain/vocabulary/` are the one source; no file is edited by hand.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

from drains import drain_profiles, extensions
from examples import examples
from observations import observation_profiles
from parts import PACKAGE, Json, heading
from tables import readme
from terminologies import code_system, concept_maps, value_sets

from fhirdrain import __version__
from fhirdrain.conformance.definitions import KINDS, OURS, Definitions, Supplied
from fhirdrain.vocabulary.codes import BASE
from fhirdrain.vocabulary.jsontext import encode_pretty

HERE = Path(__file__).parent


def with_snapshot(definition: Json, definitions: Definitions) -> Json:
    """Return a StructureDefinition with its snapshot, where this version can make one."""
    try:
        from fhirdrain.conformance.snapshot import elements_of
    except ModuleNotFoundError:
        return definition
    whole = dict(definition)
    differential = whole.pop("differential")
    elements = [in_words(element) for element in elements_of(definition, definitions)]
    return whole | {"snapshot": {"element": elements}, "differential": differential}


def in_words(element: Json) -> Json:
    """Return an element of a snapshot with the texts that R4 asks for (sdf-3, eld-18, `human`).

    We hold facts of R4 and not its prose, so the texts say where to read it.
    """
    there = f"As R4 says of {element['base']['path']}."
    told = {**element, "definition": there}
    if element.get("isModifier"):
        told["isModifierReason"] = there
    constraints = [
        {"human": f"{c['key']} of R4", **{k: v for k, v in c.items() if k != "bestPractice"}}
        for c in element.get("constraint", ())
    ]
    return told | ({"constraint": constraints} if constraints else {})


def guide(resources: list[Json], shown: list[Json]) -> Json:
    """Return the ImplementationGuide, which names all resources, and the examples as such."""
    titles = {r["url"]: r["title"] for r in resources}
    listed: list[Json] = [
        {
            "reference": {"reference": f"{r['resourceType']}/{r['id']}"},
            "name": r["title"],
            "exampleBoolean": False,
        }
        for r in resources
    ]
    for r in shown:
        (url,) = r["meta"]["profile"]
        reference = {"reference": f"{r['resourceType']}/{r['id']}"}
        name = f"Example: {titles[url]}"
        listed.append({"reference": reference, "name": name, "exampleCanonical": url})
    return heading("ImplementationGuide", "fhirdrain", "Chest drain observations") | {
        "packageId": PACKAGE,
        "license": "Apache-2.0",
        "fhirVersion": ["4.0.1"],
        "definition": {"resource": listed},
    }


def index_of(files: dict[str, Json]) -> Json:
    """Return the index of a package's folder (FHIR package specification, from memory)."""
    facts = ("resourceType", "id", "url", "version", "kind", "type")
    return {
        "index-version": 1,
        "files": [
            {"filename": name, **{fact: r[fact] for fact in facts if fact in r}}
            for name, r in sorted(files.items())
        ],
    }


def manifest() -> Json:
    """Return package.json."""
    return {
        "name": PACKAGE,
        "version": __version__,
        "title": "Chest drain observations",
        "description": "Profiles, value sets, codes and maps for chest drain observations",
        "author": "fhirdrain",
        "canonical": BASE,
        "license": "Apache-2.0",
        "fhirVersions": ["4.0.1"],
        "dependencies": {"hl7.fhir.r4.core": "4.0.1"},
        "type": "fhir.ig",
        "directories": {"lib": "package", "example": "example"},
    }


def build() -> dict[str, bytes]:
    """Return the content of every file by its name."""
    terms, maps = [code_system(), *value_sets()], concept_maps()
    ours = [*terms, *observation_profiles(), *drain_profiles(), *extensions()]
    known, _ = Definitions().extended(Supplied(r, OURS) for r in ours if r["resourceType"] in KINDS)
    ours = [
        with_snapshot(r, known) if r["resourceType"] == "StructureDefinition" else r for r in ours
    ]
    shown = examples()
    resources = [*ours, *maps]
    resources.append(guide(resources, list(shown.values())))
    files = {f"{r['resourceType']}-{r['id']}.json": r for r in resources}
    whole: dict[str, Any] = {
        **files,
        ".index.json": index_of(files),
        "package.json": manifest(),
        **{f"examples/{name}": r for name, r in shown.items()},
    }
    contents = {name: encode_pretty(body) + b"\n" for name, body in whole.items()}
    return {**contents, "README.md": readme(maps).encode()}


def main() -> int:
    """Write what differs, or say it."""
    check = "--check" in sys.argv
    wanted = build()
    there = {p.relative_to(HERE).as_posix() for p in HERE.rglob("*.json")} | {"README.md"}
    stale = sorted(there - wanted.keys())
    different = [
        name
        for name, content in wanted.items()
        if not (HERE / name).is_file() or (HERE / name).read_bytes() != content
    ]
    if check:
        if different or stale:
            print("differs from the tables:", ", ".join(sorted([*different, *stale])))
        return 1 if different or stale else 0
    for name in different:
        (HERE / name).parent.mkdir(exist_ok=True)
        (HERE / name).write_bytes(wanted[name])
    for name in stale:
        (HERE / name).unlink()
    return 0


if __name__ == "__main__":
    sys.exit(main())
