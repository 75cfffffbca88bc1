"""Write the profiles, value sets and code system from the table of observables.

    python profiles/build.py            write the files beside this script
    python profiles/build.py --check    exit 1 if a file differs from what would be written

The table in `fhirdrain/vocabulary/observables.py` is the one source; no file is edited by hand.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

from fhirdrain import __version__
from fhirdrain.vocabulary.codes import (
    BASE,
    CATEGORY,
    CHEST_DRAIN,
    LOCAL,
    LOINC,
    MDC,
    OUTPUT,
    OUTPUT_PERICARDIAL,
    SNOMED,
    SUCTION_DRAINAGE,
    Coding,
)
from fhirdrain.vocabulary.localcodes import LOCAL_CODES
from fhirdrain.vocabulary.observables import (
    CALCULATED,
    CATEGORY_CODE,
    OBSERVABLES,
    RATES,
    SIDES,
    SPACES,
    Component,
    Observable,
    profile_url,
)
from fhirdrain.vocabulary.units import UCUM

HERE = Path(__file__).parent
PACKAGE = "fhirdrain.profiles"
Json = dict[str, Any]


def canonical(kind: str, name: str) -> str:
    return f"{BASE}/{kind}/{name}"


def heading(kind: str, name: str, title: str) -> Json:
    return {
        "resourceType": kind,
        "id": name,
        "url": canonical(kind, name),
        "version": __version__,
        "name": "".join(part.capitalize() for part in name.split("-")),
        "title": title,
        "status": "draft",
        "experimental": False,
    }


def code_system() -> Json:
    return heading("CodeSystem", "drain", "Chest drain codes") | {
        "description": "Codes for what is observed of a chest drain and has no code elsewhere.",
        "caseSensitive": True,
        "valueSet": canonical("ValueSet", "drain"),
        "content": "complete",
        "count": len(LOCAL_CODES),
        "concept": [{"code": code, "display": text} for code, text in LOCAL_CODES.items()],
    }


def value_set(name: str, title: str, codings: list[Coding] | None = None) -> Json:
    include: list[Json] = []
    if codings is None:
        include.append({"system": LOCAL})
    else:
        for system in dict.fromkeys(coding.system for coding in codings):
            codes = [{"code": c.code} for c in codings if c.system == system]
            include.append({"system": system, "concept": codes})
    return heading("ValueSet", name, title) | {"compose": {"include": include}}


def words_set(name: str, title: str, words: tuple[str, ...]) -> Json:
    return value_set(name, title, [Coding(LOCAL, word) for word in words])


def pattern(*codings: Coding) -> Json:
    return {"coding": [{"system": c.system, "code": c.code} for c in codings]}


def profile(name: str, title: str, kind: str, elements: list[Json]) -> Json:
    for element in elements:
        element.setdefault("id", element["path"])
    return heading("StructureDefinition", name, title) | {
        "fhirVersion": "4.0.1",
        "kind": "resource",
        "abstract": False,
        "type": kind,
        "baseDefinition": f"http://hl7.org/fhir/StructureDefinition/{kind}",
        "derivation": "constraint",
        "differential": {"element": [{"id": kind, "path": kind}, *elements]},
    }


def extension(name: str, title: str, kind: str, context: str, **more: Any) -> Json:
    url = profile_url(name)
    elements: list[Json] = [
        {"id": "Extension", "path": "Extension", "max": "1"},
        {"id": "Extension.extension", "path": "Extension.extension", "max": "0"},
        {"id": "Extension.url", "path": "Extension.url", "fixedUri": url},
        {
            "id": "Extension.value[x]",
            "path": "Extension.value[x]",
            "min": 1,
            "type": [{"code": kind}],
            **more,
        },
    ]
    result = profile(name, title, "Extension", [])
    result["kind"] = "complex-type"
    result["context"] = [{"type": "element", "expression": context}]
    result["differential"] = {"element": elements}
    return result


def categories() -> list[Json]:
    slicing = {"discriminator": [{"type": "pattern", "path": "$this"}], "rules": "open"}
    path = "Observation.category"
    return [
        {"path": path, "slicing": slicing, "min": 2},
        *(
            {
                "id": f"{path}:{name}",
                "path": path,
                "sliceName": name,
                "min": 1,
                "max": "1",
                "patternCodeableConcept": pattern(coding),
            }
            for name, coding in (("exam", Coding(CATEGORY, "exam")), ("drain", CATEGORY_CODE))
        ),
    ]


def bound(name: str) -> Json:
    return {"strength": "required", "valueSet": canonical("ValueSet", name)}


def component_elements(observable: Observable) -> list[Json]:
    if not observable.components:
        return []
    path = "Observation.component"
    slicing = {"discriminator": [{"type": "pattern", "path": "code"}], "rules": "open"}
    elements: list[Json] = [{"path": path, "slicing": slicing}]
    for component in observable.components:
        root = f"{path}:{component.name}"
        elements += [
            {"id": root, "path": path, "sliceName": component.name, "max": "1"},
            {
                "id": f"{root}.code",
                "path": f"{path}.code",
                "patternCodeableConcept": pattern(Coding(LOCAL, component.name)),
            },
            {
                "id": f"{root}.value[x]",
                "path": f"{path}.value[x]",
                **component_type(observable, component),
            },
        ]
    return elements


def component_type(observable: Observable, component: Component) -> Json:
    if component.kind == "words":
        return {
            "type": [{"code": "CodeableConcept"}],
            "binding": bound(f"{observable.name}-{component.name}"),
        }
    if component.kind == "quantity":
        unit = {"system": UCUM, "code": component.units[0]}
        return {"type": [{"code": "Quantity"}], "patternQuantity": unit}
    return {"type": [{"code": "integer" if component.kind == "integer" else "string"}]}


TIMINGS = {"moment": ["dateTime"], "interval": ["Period"], "either": ["dateTime", "Period"]}


def observation_profile(observable: Observable) -> Json:
    code: Json = {"path": "Observation.code"}
    if observable.name in ("output", "output-rate"):
        code["binding"] = bound(f"{observable.name}-codes")
    else:
        code["patternCodeableConcept"] = pattern(*observable.codes)
    value: Json = {"path": "Observation.value[x]"}
    if observable.kind == "parts":
        value["max"] = "0"
    elif observable.name == "output-rate":
        value["type"] = [{"code": "Quantity"}]
        value["patternQuantity"] = {"system": UCUM}
        value["binding"] = bound("output-rate-units")
    elif observable.kind == "quantity":
        value["type"] = [{"code": "Quantity"}]
        value["patternQuantity"] = {"system": UCUM, "code": observable.units[0]}
    else:
        value["type"] = [{"code": "CodeableConcept"}]
        value["binding"] = bound(observable.name)
    timing: list[Json] = [
        {
            "path": "Observation.effective[x]",
            "min": 1,
            "type": [{"code": code} for code in TIMINGS[observable.timing]],
        }
    ]
    derived: list[Json] = []
    if observable.name == "round":
        derived = [{"path": "Observation.hasMember", "min": 1}]
    elif observable.derived:
        derived = [
            {
                "path": "Observation.method",
                "min": 1,
                "patternCodeableConcept": pattern(CALCULATED),
            }
        ]
    return profile(
        observable.name,
        observable.title,
        "Observation",
        [
            {"path": "Observation.identifier", "min": 1},
            *categories(),
            code,
            {"path": "Observation.subject", "min": 1},
            {"path": "Observation.focus", "max": "0"},
            *timing,
            value,
            *derived,
            {"path": "Observation.device", "min": 1},
            *component_elements(observable),
        ],
    )


def other_profiles() -> list[Json]:
    profiles = [
        profile(
            "chest-drain",
            "Chest drain",
            "Device",
            [
                {"path": "Device.identifier", "min": 1},
                {"path": "Device.deviceName", "min": 1},
                {"path": "Device.type", "min": 1, "patternCodeableConcept": pattern(CHEST_DRAIN)},
                {"path": "Device.patient", "min": 1},
            ],
        ),
        profile(
            "chest-drain-use",
            "A chest drain in a patient: since when, until when, where",
            "DeviceUseStatement",
            [{"path": "DeviceUseStatement.identifier", "min": 1}],
        ),
        profile(
            "drain-site",
            OBSERVABLES["drain-site"].title,
            "DeviceUseStatement",
            [
                {"path": "DeviceUseStatement.identifier", "min": 1},
                {
                    "path": "DeviceUseStatement.timing[x]",
                    "min": 1,
                    "type": [{"code": "Period"}],
                },
                {"path": "DeviceUseStatement.bodySite", "binding": bound("drain-site")},
            ],
        ),
        profile(
            "suction-order",
            "Order of how a chest drain is to be run",
            "ServiceRequest",
            [
                {"path": "ServiceRequest.extension", "min": 1},
                {"path": "ServiceRequest.identifier", "min": 1},
                {
                    "path": "ServiceRequest.code",
                    "min": 1,
                    "patternCodeableConcept": pattern(SUCTION_DRAINAGE),
                },
                {
                    "path": "ServiceRequest.orderDetail",
                    "max": "1",
                    "binding": bound("mode-ordered"),
                },
                {
                    "path": "ServiceRequest.quantity[x]",
                    "type": [{"code": "Quantity"}],
                    "patternQuantity": {"system": UCUM, "code": "cm[H2O]"},
                },
                {
                    "path": "ServiceRequest.occurrence[x]",
                    "min": 1,
                    "type": [{"code": "Period"}],
                },
            ],
        ),
    ]
    for observable in OBSERVABLES.values():
        if observable.form != "Procedure":
            continue
        name = observable.name
        devices = 2 if observable.component_names == ("tube",) else 1
        elements: list[Json] = [
            {"path": "Procedure.identifier", "min": 1},
            {
                "path": "Procedure.code",
                "min": 1,
                "patternCodeableConcept": pattern(observable.codes[0]),
            },
            {"path": "Procedure.performed[x]", "min": 1, "type": [{"code": "dateTime"}]},
            {"path": "Procedure.focalDevice", "min": devices},
        ]
        if observable.words:
            elements.insert(1, {"path": "Procedure.category", "binding": bound(name)})
        profiles.append(profile(name, observable.title, "Procedure", elements))
    return profiles


def extensions() -> list[Json]:
    unit = {"system": UCUM, "code": "mL"}
    return [
        extension("recorded", "When the source stored it", "dateTime", "Procedure"),
        extension("reading-status", "Status of the reading", "code", "DomainResource"),
        extension("ordered-drain", "The drain an order is of", "Reference", "ServiceRequest"),
        extension("charted-quantity", "Quantity as charted", "Quantity", "ServiceRequest"),
        extension(
            "opening-level",
            "Level the unit was opened at",
            "Quantity",
            "Procedure",
            patternQuantity=unit,
        ),
        extension(
            "tube-size",
            "Size of the tube that was placed",
            "Quantity",
            "Procedure",
            patternQuantity={"system": UCUM, "code": "[Ch]"},
        ),
    ]


def value_sets() -> list[Json]:
    sets = [
        value_set("drain", "All chest drain codes"),
        value_set("output-codes", "Codes of a drained volume", [OUTPUT, OUTPUT_PERICARDIAL]),
        value_set("output-rate-codes", "Codes of a drained volume by the hour", rate_codes()),
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


def rate_codes() -> list[Coding]:
    codes = [coding for rate in RATES.values() for coding in (rate.chest, rate.pericardial)]
    return [*OBSERVABLES["output-rate"].codes, *(coding for coding in codes if coding)]


def guide(resources: list[Json]) -> Json:
    return heading("ImplementationGuide", "fhirdrain", "Chest drain observations") | {
        "packageId": PACKAGE,
        "license": "Apache-2.0",
        "fhirVersion": ["4.0.1"],
        "definition": {
            "resource": [
                {"reference": {"reference": f"{r['resourceType']}/{r['id']}"}, "name": r["title"]}
                for r in resources
            ]
        },
    }


def build() -> dict[str, str]:
    """Return the text of every file by its name."""
    resources = [code_system(), *value_sets()]
    resources += [observation_profile(o) for o in OBSERVABLES.values() if o.form == "Observation"]
    resources += [*other_profiles(), *extensions()]
    resources.append(guide(resources))
    files = {f"{r['resourceType']}-{r['id']}.json": r for r in resources}
    index = {
        "index-version": 1,
        "files": [
            {
                "filename": name,
                "resourceType": r["resourceType"],
                "id": r["id"],
                "url": r["url"],
                "version": r["version"],
                **({"kind": r["kind"], "type": r["type"]} if "kind" in r else {}),
            }
            for name, r in sorted(files.items())
        ],
    }
    package = {
        "name": PACKAGE,
        "version": __version__,
        "description": "Profiles, value sets and codes for chest drain observations",
        "canonical": BASE,
        "license": "Apache-2.0",
        "fhirVersions": ["4.0.1"],
        "dependencies": {"hl7.fhir.r4.core": "4.0.1"},
        "type": "fhir.ig",
    }
    whole: dict[str, Any] = {**files, ".index.json": index, "package.json": package}
    texts = {
        name: json.dumps(body, indent=1, ensure_ascii=False) + "\n" for name, body in whole.items()
    }
    return {**texts, "README.md": readme()}


def readme() -> str:
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
    rates = "; ".join(
        f"{rate.unit}: {rate.chest.code}"
        + (f", of a pericardial drain {rate.pericardial.code}" if rate.pericardial else "")
        for rate in RATES.values()
    )
    return README.format(rows="\n".join(rows), rates=rates, pericardial=OUTPUT_PERICARDIAL.code)


KINDS = {
    "integer": "a whole number from 1",
    "text": "free text",
    "drain": "a drain of the site file",
}
SYSTEMS = {LOINC: "LOINC", SNOMED: "SNOMED CT", MDC: "MDC"}
README = """# Profiles

A FHIR R4 package: profiles, value sets and one code system for what is observed of a chest drain.
Every file here, this one included, is written by `build.py` from the table in
`fhirdrain/vocabulary/observables.py`.

A site file says which of these an item means. `words` may give a value (`"full" = "full"`), a value
with parts (`{{ value = "bloody", hue = "dark-red" }}`), only parts (`{{ side = "left" }}`), or,
where the item names no observable, several observables, each in one of these forms
(`{{ mode = {{ value = "water-seal", reason = "ordered" }}, suction-set = "20 cm[H2O]" }}`). A word
of the table that stands in the source as it is needs no entry. An air leak's value follows from its
parts: none only when none was seen at rest and on cough. A pressure in mm[Hg] is a suction-set only
where the site file says that a regulator shows it.

An output-rate has the LOINC code and unit of its hours where there is one ({rates}), else ours
in mL/h. The output of a pericardial drain is LOINC {pericardial}. What is worked out cannot be
charted; totals and rates are sent only when they are asked for (`fhirdrain map --with totals`).

| observable | what it is | words, or units (first: sent) | parts | stated as | codes | profile |
| --- | --- | --- | --- | --- | --- | --- |
{rows}
"""


def main() -> int:
    check = "--check" in sys.argv
    stale = {p.name for p in HERE.glob("*.json")} | {".index.json"}
    different = []
    for name, text in build().items():
        stale.discard(name)
        path = HERE / name
        if not path.is_file() or path.read_text("utf-8") != text:
            different.append(name)
            if not check:
                path.write_text(text, encoding="utf-8")
    for name in stale:
        different.append(name)
        if not check:
            (HERE / name).unlink()
    if check and different:
        print("differs from the table of observables:", ", ".join(sorted(different)))
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
