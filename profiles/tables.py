"""The README of the package: how to use it, and the table of observables."""

from __future__ import annotations

from parts import Json

from fhirdrain.vocabulary.codes import LOINC, MDC, OUTPUT_PERICARDIAL, SNOMED
from fhirdrain.vocabulary.observables import OBSERVABLES, PATIENT_WEIGHT, RATES

KINDS = {
    "integer": "a whole number from 1",
    "text": "free text",
    "drain": "a drain of the site file",
}
SYSTEMS = {LOINC: "LOINC", SNOMED: "SNOMED CT", MDC: "MDC"}
README = """# Profiles

A FHIR R4 package for what is observed of a chest drain: profiles, extensions, value sets, one code
system, concept maps to the nearest codes of others, and examples. Every file here but the scripts,
this one included, is written by `build.py` from the tables in `fhirdrain/vocabulary/`.

## What is in it

[drain-observation](StructureDefinition-drain-observation.json) is abstract: what all observations
share. Each observable has a profile that adds its code, value, time and parts. Beside them stand
the [drain](StructureDefinition-chest-drain.json), its
[use](StructureDefinition-chest-drain-use.json) and
[place](StructureDefinition-drain-site.json), the
[order](StructureDefinition-suction-order.json), and the
[bundle](StructureDefinition-drain-bundle.json) they are sent in.

References to the patient and the drain carry the identifier of what they name. Bounds of numbers
are bounds of the possible, not clinical figures. What was not observed has a `dataAbsentReason`
and no value. Other people's components, categories and extensions may stand beside ours. Whether
levels rise and sums are right no profile can state.

| concept map | from the codes of | to |
| --- | --- | --- |
{maps}

A map is of one value set, since a word such as `present` means another thing in another one. A
code that is in no map was not looked for; `unmatched` was looked for and not found.

[`examples/`](examples/) has a resource of every profile, with those it refers to, of an invented
patient; they are what `fhirdrain map` makes of the rows in `examples.py`.

## Using it

```sh
# as it is
fhirdrain package --out fhirdrain.profiles.tgz
# under a site's own URLs
fhirdrain package --base https://north-pier.example/fhir --out north-pier.tgz
```

The second moves every profile, extension, value set and map to the site's own canonical URLs, with
all that refers to them. The code system never moves: a code must mean the same everywhere. The
package is a gzipped tar in the layout of npm, the same to the last byte each time.

## What a site file can say

A site file says which of these an item means. `words` may give a value (`"full" = "full"`), a value
with parts (`{{ value = "bloody", hue = "dark-red" }}`), only parts (`{{ side = "left" }}`), or,
where the item names no observable, several observables, each in one of these forms
(`{{ mode = {{ value = "water-seal", reason = "ordered" }}, suction-set = "20 cm[H2O]" }}`). A word
of the table that stands in the source as it is needs no entry. An air leak's value follows from its
parts: none only when none was seen at rest and on cough. A pressure in mm[Hg] is a suction-set only
where the site file says that a regulator shows it.

An output-rate has the LOINC code and unit of its hours where there is one ({rates}), else ours
in mL/h. The output of a pericardial drain is LOINC {pericardial}. What is worked out cannot be
charted; totals and rates are sent only when they are asked for (`fhirdrain map --with totals`). A
sum that a source charts beside its parts is a `charted-total`: it is held against them, and not
sent. A `patient-weight` ({weights}) is not sent either: rates and figures by the kilogram rest on
it.

| observable | what it is | words, or units (first: sent) | parts | stated as | codes | profile |
| --- | --- | --- | --- | --- | --- | --- |
{rows}
"""


def readme(maps: list[Json]) -> str:
    """Return the README of the package."""
    return README.format(
        maps="\n".join(_map_row(concept_map) for concept_map in maps),
        rows="\n".join(_rows()),
        rates=_rates(),
        pericardial=OUTPUT_PERICARDIAL.code,
        weights=", ".join(PATIENT_WEIGHT.units),
    )


def _map_row(concept_map: Json) -> str:
    name, source = concept_map["id"], concept_map["sourceCanonical"].rpartition("/")[2]
    target = SYSTEMS[concept_map["group"][0]["target"]]
    return f"| [{name}](ConceptMap-{name}.json) | [{source}](ValueSet-{source}.json) | {target} |"


def _rows() -> list[str]:
    """Return the table of observables: what a site file can say, and what it becomes."""
    rows = []
    for o in OBSERVABLES.values():
        value = ", ".join(o.units if o.kind == "quantity" else o.words) or "only its parts"
        if o.name == "round":
            value = "only its members"
        parts = "; ".join(
            f"{c.name}: {', '.join(c.words or c.units) or KINDS[c.kind]}" for c in o.components
        )
        codes = ", ".join(f"{SYSTEMS.get(c.system, 'ours')} {c.code}" for c in o.codes)
        form = f"{o.form}, worked out" if o.derived else o.form
        name = "suction-order" if o.form == "ServiceRequest" else o.name
        link = f"[{name}](StructureDefinition-{name}.json)"
        rows.append(f"| {o.name} | {o.title} | {value} | {parts} | {form} | {codes} | {link} |")
    return rows


def _rates() -> str:
    return "; ".join(
        f"{rate.unit}: {rate.chest.code}"
        + (f", of a pericardial drain {rate.pericardial.code}" if rate.pericardial else "")
        for rate in RATES.values()
    )
