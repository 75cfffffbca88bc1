"""Each kind of demand a profile can make: data that keeps it, data that breaks it, and where.

FHIR R4 5.1 (profiling.html) and 2.26 (elementdefinition.html); all data is invented.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from fhirdrain.conformance import Checker, Options, check_resource
from fhirdrain.conformance.definitions import Supplied, standard

BASE = "https://north-pier.example/fhir/StructureDefinition"
R4 = "http://hl7.org/fhir/StructureDefinition"
CODES = "https://north-pier.example/codes"


def profile(name: str, of: str, *elements: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {
        "resourceType": "StructureDefinition",
        "id": name,
        "url": f"{BASE}/{name}",
        "type": of,
        "kind": "resource",
        "baseDefinition": f"{R4}/{of}",
        "derivation": "constraint",
        "differential": {"element": [{"id": of, "path": of}, *elements]},
    } | more


def el(path: str, id_: str = "", **facts: Any) -> dict[str, Any]:
    return {"id": id_ or path, "path": path, **facts}


def found(resource: Any, *definitions: Any, url: str = "one", **options: Any) -> Any:
    known = standard().extended(Supplied(d, "d.json") for d in definitions)[0]
    checker = Checker(known, Options(profiles=(f"{BASE}/{url}",), **options))
    issues = check_resource(resource, checker=checker)
    return [(i.rule, i.location) for i in issues if i.severity != "information"]


def coding(code: str, system: str = CODES) -> dict[str, Any]:
    return {"coding": [{"system": system, "code": code}]}


def observation(**more: Any) -> dict[str, Any]:
    return {"resourceType": "Observation", "status": "final", "code": coding("x"), **more}


def quantity(value: str, unit: str = "kg") -> dict[str, Any]:
    return {"value": Decimal(value), "system": "http://unitsofmeasure.org", "code": unit}


MORE_THAN_NOTHING = [{"text": "a"}]

CASES: list[tuple[str, list[dict[str, Any]], dict[str, Any], dict[str, Any], str, str]] = [
    ("a least count", [el("Observation.note", min=2)],
     {"note": [{"text": "a"}, {"text": "b"}]}, {"note": MORE_THAN_NOTHING}, "cardinality", "Observation"),
    ("a count of one", [el("Observation.subject", min=1)],
     {"subject": {"display": "a"}}, {}, "cardinality", "Observation"),
    ("a primitive", [el("Observation.issued", min=1)],
     {"issued": "2025-01-10T10:00:00Z"}, {}, "cardinality", "Observation"),
    ("a primitive by its extension", [el("Observation.issued", min=1)],
     {"_issued": {"extension": [{"url": f"{R4}/data-absent-reason", "valueCode": "unknown"}]}}, {},
     "cardinality", "Observation"),
    ("a most count", [el("Observation.note", max="1")],
     {"note": MORE_THAN_NOTHING}, {"note": MORE_THAN_NOTHING * 2}, "max-cardinality", "Observation"),
    ("nothing", [el("Observation.focus", max="0")],
     {}, {"focus": [{"display": "a"}]}, "must-be-absent", "Observation"),
    ("no value", [el("Observation.value[x]", max="0")],
     {}, {"valueInteger": 1}, "must-be-absent", "Observation"),
    ("a value of one type", [el("Observation.value[x]", type=[{"code": "Quantity"}])],
     {"valueQuantity": quantity("1")}, {"valueString": "1"}, "type", "Observation.value"),
    ("a value of one type, by its key", [el("Observation.valueQuantity", min=1)],
     {"valueQuantity": quantity("1")}, {}, "slice-cardinality", "Observation"),
    ("a fixed code", [el("Observation.status", fixedCode="final")],
     {}, {"status": "amended"}, "fixed", "Observation.status"),
    ("a fixed concept is whole", [el("Observation.code", fixedCodeableConcept=coding("x"))],
     {}, {"code": {**coding("x"), "text": "x"}}, "fixed", "Observation.code"),
    ("a pattern may have more", [el("Observation.code", patternCodeableConcept=coding("x"))],
     {"code": {"coding": [{"system": CODES, "code": "y"}, {"system": CODES, "code": "x", "display": "X"}]}},
     {"code": coding("z")}, "pattern", "Observation.code"),
    ("a number is what it is worth", [el("Observation.value[x]", patternQuantity={"value": Decimal("1.50")})],
     {"valueQuantity": quantity("1.5")}, {"valueQuantity": quantity("1.51")}, "pattern", "Observation.value"),
    ("a least quantity", [el("Observation.value[x]", type=[{"code": "Quantity"}], minValueQuantity=quantity("0.5", "L"))],
     {"valueQuantity": quantity("500", "mL")}, {"valueQuantity": quantity("499", "mL")}, "min-value", "Observation.value"),
    ("a most integer", [el("Observation.value[x]", type=[{"code": "integer"}], maxValueInteger=5)],
     {"valueInteger": 5}, {"valueInteger": 6}, "max-value", "Observation.value"),
    ("a bound of another kind", [el("Observation.value[x]", type=[{"code": "Quantity"}], minValueQuantity=quantity("1", "mL"))],
     {"valueQuantity": quantity("2", "mL")}, {"valueQuantity": quantity("2")}, "not-supported", "Observation.value"),
    ("a length", [el("Observation.value[x]", type=[{"code": "string"}], maxLength=3)],
     {"valueString": "abc"}, {"valueString": "abcd"}, "max-length", "Observation.value"),
    ("in a data type", [el("Observation.code.text", min=1)],
     {"code": {**coding("x"), "text": "x"}}, {}, "cardinality", "Observation.code"),
    ("in what is defined elsewhere", [el("Observation.component.referenceRange.text", min=1)],
     {"component": [{"code": coding("y"), "referenceRange": [{"text": "a"}]}]},
     {"component": [{"code": coding("y"), "referenceRange": [{"low": quantity("1")}]}]},
     "cardinality", "Observation.component[0].referenceRange[0]"),
    ("an invariant", [el("Observation", constraint=[{"key": "n-1", "severity": "error", "human": "h", "expression": "note.exists() implies performer.exists()"}])],
     {"note": MORE_THAN_NOTHING, "performer": [{"display": "a"}]}, {"note": MORE_THAN_NOTHING}, "invariant", "Observation"),
    ("an invariant below", [el("Observation.note", constraint=[{"key": "n-1", "severity": "warning", "human": "h", "expression": "text.length() < 3"}])],
     {"note": MORE_THAN_NOTHING}, {"note": [{"text": "a"}, {"text": "long"}]}, "invariant", "Observation.note[1]"),
    ("an invariant on a primitive", [el("Observation.status", constraint=[{"key": "n-1", "severity": "error", "human": "h", "expression": "$this = 'final'"}])],
     {}, {"status": "amended"}, "invariant", "Observation.status"),
    ("of a code in a value set of R4", [el("Observation.method", binding={"strength": "required", "valueSet": "http://hl7.org/fhir/ValueSet/observation-status"})],
     {"method": coding("final", "http://hl7.org/fhir/observation-status")},
     {"method": coding("over", "http://hl7.org/fhir/observation-status")},
     "required-code", "Observation.method"),
    ("a text for a required code", [el("Observation.method", binding={"strength": "required", "valueSet": "http://hl7.org/fhir/ValueSet/observation-status"})],
     {}, {"method": {"text": "by hand"}}, "required-code", "Observation.method"),
    ("of an extensible set", [el("Observation.method", binding={"strength": "extensible", "valueSet": "http://hl7.org/fhir/ValueSet/observation-status"})],
     {"method": {"text": "by hand"}}, {"method": coding("over", "http://hl7.org/fhir/observation-status")},
     "extensible-code", "Observation.method"),
    ("of a set nobody knows", [el("Observation.method", binding={"strength": "required", "valueSet": "https://x.example/vs"})],
     {}, {"method": coding("x")}, "code-undecided", "Observation.method"),
    ("an invariant with the key of one of R4's", [el("Observation", constraint=[{"key": "ele-1", "severity": "error", "human": "h", "expression": "note.empty()"}])],
     {}, {"note": MORE_THAN_NOTHING}, "invariant", "Observation"),
    ("an invariant of no severity", [el("Observation", constraint=[{"key": "n-1", "human": "h", "expression": "note.empty()"}])],
     {}, {"note": MORE_THAN_NOTHING}, "invariant", "Observation"),
    ("one of several entries of a type", [el("Observation.subject", type=[{"code": "Reference", "targetProfile": [f"{R4}/{t}"]} for t in ("Patient", "Device")])],
     {"subject": {"reference": "Device/1"}}, {"subject": {"reference": "Group/1"}}, "reference-target", "Observation.subject"),
    ("the length of what tells a slice apart", [
        el("Observation.identifier", slicing={"discriminator": [{"type": "value", "path": "system"}], "rules": "open"}),
        el("Observation.identifier", "Observation.identifier:ward", sliceName="ward"),
        el("Observation.identifier.system", "Observation.identifier:ward.system", fixedUri=CODES, maxLength=len(CODES) - 1)],
     {"identifier": [{"system": f"{CODES}/other"}]}, {"identifier": [{"system": CODES}]},
     "max-length", "Observation.identifier[0].system"),
    ("the most of a number that tells a slice apart", [
        el("Observation.component", slicing={"discriminator": [{"type": "value", "path": "value"}], "rules": "open"}),
        el("Observation.component", "Observation.component:five", sliceName="five"),
        el("Observation.component.value[x]", "Observation.component:five.value[x]", type=[{"code": "integer"}], fixedInteger=5, maxValueInteger=4)],
     {"component": [{"code": coding("y"), "valueInteger": 4}]}, {"component": [{"code": coding("y"), "valueInteger": 5}]},
     "max-value", "Observation.component[0].value"),
    ("an extension beside a primitive", [el("Observation.issued.extension", min=1)],
     {"issued": "2025-01-10T10:00:00Z", "_issued": {"extension": [{"url": f"{R4}/data-absent-reason", "valueCode": "unknown"}]}},
     {"issued": "2025-01-10T10:00:00Z"}, "cardinality", "Observation.issued"),
    ("what is fixed has a value", [el("Observation.issued", fixedInstant="2025-01-10T10:00:00Z")],
     {"issued": "2025-01-10T10:00:00Z"}, {"_issued": {"extension": [{"url": f"{R4}/data-absent-reason", "valueCode": "unknown"}]}},
     "value-missing", "Observation.issued"),
    ("what is contained", [el("Observation.specimen", type=[{"code": "Reference", "aggregation": ["contained"]}])],
     {"specimen": {"reference": "#s"}, "contained": [{"resourceType": "Specimen", "id": "s"}]},
     {"specimen": {"reference": "Specimen/s"}}, "reference-aggregation", "Observation.specimen"),
    ("what is not contained", [el("Observation.specimen", type=[{"code": "Reference", "aggregation": ["referenced", "bundled"]}])],
     {"specimen": {"reference": "Specimen/s"}},
     {"specimen": {"reference": "#s"}, "contained": [{"resourceType": "Specimen", "id": "s"}]},
     "reference-aggregation", "Observation.specimen"),
    ("a version", [el("Observation.specimen", type=[{"code": "Reference", "versioning": "specific"}])],
     {"specimen": {"reference": "Specimen/s/_history/1"}}, {"specimen": {"reference": "Specimen/s"}},
     "reference-version", "Observation.specimen"),
    ("no version", [el("Observation.specimen", type=[{"code": "Reference", "versioning": "independent"}])],
     {"specimen": {"reference": "Specimen/s"}}, {"specimen": {"reference": "Specimen/s/_history/1"}},
     "reference-version", "Observation.specimen"),
    ("a unit of a set", [el("Observation.value[x]", type=[{"code": "Quantity"}], binding={"strength": "required", "valueSet": "http://hl7.org/fhir/ValueSet/ucum-bodyweight"})],
     {"valueQuantity": quantity("1")}, {"valueQuantity": quantity("1", "mL")}, "required-code", "Observation.value"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("elements", "good", "bad", "rule", "location"),
    [c[1:] for c in CASES],
    ids=[c[0] for c in CASES],
)
def test_a_demand(elements, good, bad, rule, location):
    definition = profile("one", "Observation", *elements)
    assert found(observation(**good), definition) == []
    assert found(observation(**bad), definition) == [(rule, location)]


# -- slices -----------------------------------------------------------------------------------


def sliced(
    rules: str = "open", ordered: bool = False, kind: str = "pattern", path: str = "code"
) -> Any:
    by = {"discriminator": [{"type": kind, "path": path}], "rules": rules, "ordered": ordered}
    return el("Observation.component", slicing=by)


def part(name: str, code: str, **facts: Any) -> list[dict[str, Any]]:
    id_ = f"Observation.component:{name}"
    return [
        el("Observation.component", id_, sliceName=name, **facts),
        el("Observation.component.code", f"{id_}.code", patternCodeableConcept=coding(code)),
    ]


def components(*codes: str) -> dict[str, Any]:
    return observation(component=[{"code": coding(c), "valueInteger": 1} for c in codes])


PARTS = [*part("gross", "g", min=1), *part("tare", "t", max="1")]


@pytest.mark.parametrize(
    ("slicing", "codes", "expected"),
    [
        (sliced(), "g", []),
        (sliced(), "gt", []),
        (sliced(), "gxt", []),
        (sliced(), "t", [("slice-cardinality", "Observation")]),
        (sliced(), "gtt", [("slice-cardinality", "Observation")]),
        (sliced("closed"), "gxt", [("slice", "Observation.component[1]")]),
        (sliced("openAtEnd"), "gtx", []),
        (sliced("openAtEnd"), "gxt", [("slice-order", "Observation.component[2]")]),
        (sliced(ordered=True), "gt", []),
        (sliced(ordered=True), "tg", [("slice-order", "Observation.component[1]")]),
        (sliced(), "", [("slice-cardinality", "Observation")]),
    ],
)
def test_slices(slicing, codes, expected):
    resource = components(*codes) if codes else observation()
    assert found(resource, profile("one", "Observation", slicing, *PARTS)) == expected


def test_why_no_slice_matched():
    definition = profile("one", "Observation", sliced("closed"), *PARTS)
    known = standard().extended([Supplied(definition, "d.json")])[0]
    checker = Checker(known, Options(profiles=(f"{BASE}/one",)))
    (issue,) = check_resource(components("g", "x"), checker=checker)
    assert issue.hint == "nearest to gross: code is another"


def test_what_is_not_in_a_slice_is_held_against_the_default_one():
    default = el("Observation.component", "Observation.component:@default", sliceName="@default")
    value = el(
        "Observation.component.value[x]", "Observation.component:@default.value[x]",
        type=[{"code": "string"}],
    )  # fmt: skip
    definition = profile("one", "Observation", sliced("closed"), *PARTS, default, value)
    assert found(components("g"), definition) == []
    assert found(components("g", "x"), definition) == [("type", "Observation.component[1].value")]


def test_the_default_slice_has_bounds_of_its_own():
    default = el(
        "Observation.component", "Observation.component:@default", sliceName="@default", max="1"
    )
    definition = profile("one", "Observation", sliced("closed"), *PARTS, default)
    assert found(components("g", "x"), definition) == []
    assert found(components("g", "x", "y"), definition) == [("slice-cardinality", "Observation")]


def test_a_profile_of_every_resource_is_applied_to_every_resource():
    """FHIR R4 5.1: Resource and DomainResource may be profiled as other types are."""
    known = profile("one", "Resource", el("Resource.id", min=1))
    assert found(observation(), known) == [("cardinality", "Observation")]
    known = profile("one", "DomainResource", el("DomainResource.text", min=1))
    assert found(observation(), known) == [("cardinality", "Observation")]
    bundle = {"resourceType": "Bundle", "type": "collection"}
    assert found(bundle, known) == [("profile-unused", "")]  # as a Bundle is no DomainResource


def test_slices_of_a_slice():
    id_ = "Observation.component:gross"
    again = el(
        "Observation.component", id_, sliceName="gross",
        slicing={"discriminator": [{"type": "exists", "path": "interpretation"}], "rules": "open"},
    )  # fmt: skip
    code = part("gross", "g")[1]
    judged = el("Observation.component", f"{id_}/judged", sliceName="gross/judged", max="1")
    there = el("Observation.component.interpretation", f"{id_}/judged.interpretation", min=1)
    definition = profile("one", "Observation", sliced(), again, code, judged, there)
    one = {"code": coding("g"), "interpretation": [{"text": "a"}]}
    assert found(observation(component=[one, {"code": coding("g")}]), definition) == []
    assert found(observation(component=[one, one]), definition) == [
        ("slice-cardinality", "Observation")
    ]


@pytest.mark.parametrize(
    ("component", "expected"),
    [
        ({"code": coding("x"), "valueString": "a"}, []),
        ({"code": coding("x"), "valueString": "long"}, [("max-length", "Observation.component[0].value")]),
        ({"code": coding("x"), "valueInteger": 7}, [("max-value", "Observation.component[0].value")]),
        ({"code": coding("x"), "valueBoolean": True}, []),
    ],
)  # fmt: skip
def test_slices_by_type(component, expected):
    path = "Observation.component.value[x]"
    by = {"discriminator": [{"type": "type", "path": "$this"}], "rules": "open"}
    definition = profile(
        "one", "Observation",
        el(path, slicing=by),
        el(path, f"{path}:valueString", sliceName="valueString", type=[{"code": "string"}], maxLength=3),
        el(path, f"{path}:valueInteger", sliceName="valueInteger", type=[{"code": "integer"}], maxValueInteger=5),
    )  # fmt: skip
    assert found(observation(component=[component]), definition) == expected


def test_entries_of_a_bundle_by_profile_and_by_type():
    named = profile("named", "Patient", el("Patient.name", min=1))
    entry = "Bundle.entry"

    def entries(kind: str) -> list[dict[str, Any]]:
        by = {"discriminator": [{"type": kind, "path": "resource"}], "rules": "closed"}
        return [
            el(entry, slicing=by),
            el(entry, f"{entry}:who", sliceName="who", min=1),
            el(f"{entry}.resource", f"{entry}:who.resource", min=1,
               type=[{"code": "Patient", "profile": [f"{BASE}/named"]}]),
        ]  # fmt: skip

    def bundle(*resources: dict[str, Any]) -> dict[str, Any]:
        urls = [f"urn:uuid:00000000-0000-4000-8000-00000000000{n}" for n in range(9)]
        return {
            "resourceType": "Bundle",
            "type": "collection",
            "entry": [{"fullUrl": u, "resource": r} for u, r in zip(urls, resources, strict=False)],
        }

    good, bad = {"resourceType": "Patient", "name": [{"text": "a"}]}, {"resourceType": "Patient"}
    by_profile = profile("one", "Bundle", *entries("profile"))
    by_type = profile("one", "Bundle", *entries("type"))
    assert found(bundle(good), by_profile, named) == []
    assert found(bundle(good), by_type, named) == []
    assert found(bundle(bad), by_profile, named) == [
        ("slice", "Bundle.entry[0]"),
        ("slice-cardinality", "Bundle"),
    ]
    assert found(bundle(bad), by_type, named) == [("cardinality", "Bundle.entry[0].resource")]


def test_slices_by_what_a_reference_leads_to():
    path = "Observation.performer"
    by = {"discriminator": [{"type": "type", "path": "resolve()"}], "rules": "open"}
    definition = profile(
        "one", "Observation",
        el(path, slicing=by),
        el(path, f"{path}:person", sliceName="person", max="1",
           type=[{"code": "Reference", "targetProfile": [f"{R4}/Practitioner"]}]),
    )  # fmt: skip
    held = [
        {"resourceType": "Practitioner", "id": "a"},
        {"resourceType": "Practitioner", "id": "b"},
        {"resourceType": "Organization", "id": "c", "name": "North Pier"},
    ]

    def performed(*ids: str) -> dict[str, Any]:
        rest = [{"reference": f"#{one['id']}"} for one in held if one["id"] not in ids]
        more = {"hasMember": [], "note": [{"authorReference": r, "text": "a"} for r in rest]}
        performers = [{"reference": f"#{i}"} for i in ids]
        more = {key: value for key, value in more.items() if value}
        return observation(contained=held, performer=performers, **more)

    assert found(performed("a", "c"), definition) == []
    assert found(performed("a", "b"), definition) == [("slice-cardinality", "Observation")]


# -- targets, profiles, extensions ----------------------------------------------------------------


def test_what_a_reference_may_lead_to():
    named = profile("named", "Patient", el("Patient.name", min=1))
    target = [{"code": "Reference", "targetProfile": [f"{BASE}/named"]}]
    definition = profile("one", "Observation", el("Observation.subject", type=target))
    subject = {"reference": "#p"}
    good = {"resourceType": "Patient", "id": "p", "name": [{"text": "a"}]}
    bad = {"resourceType": "Patient", "id": "p"}
    where = "Observation.subject"
    assert found(observation(subject=subject, contained=[good]), definition, named) == []
    assert found(observation(subject=subject, contained=[bad]), definition, named) == [
        ("reference-target-profile", where)
    ]
    assert found(observation(subject={"reference": "Group/1"}), definition, named) == [
        ("reference-target", where)
    ]
    assert found(observation(subject={"reference": "Patient/1"}), definition, named) == []


def test_a_value_conforms_to_one_of_several_profiles():
    def address(name: str, element: str) -> dict[str, Any]:
        return profile(name, "Address", el(f"Address.{element}", min=1), kind="complex-type")

    kinds = [address("city", "city"), address("post", "postalCode")]
    one = [{"code": "Address", "profile": [f"{BASE}/city", f"{BASE}/post"]}]
    definition = profile("one", "Patient", el("Patient.address", type=one))

    def patient(**address: Any) -> dict[str, Any]:
        return {"resourceType": "Patient", "address": [address]}

    assert found(patient(city="a"), definition, *kinds) == []
    assert found(patient(postalCode="1"), definition, *kinds) == []
    assert found(patient(text="a"), definition, *kinds) == [("profile", "Patient.address[0]")]


def extension(url: str, *context: str, **value: Any) -> dict[str, Any]:
    elements = [
        el("Extension.url", fixedUri=f"{BASE}/{url}"),
        el("Extension.value[x]", min=1, type=[{"code": "string"}]),
    ]
    contexts = [{"type": "element", "expression": where} for where in context]
    return profile(url, "Extension", *elements, kind="complex-type", context=contexts)


def test_extensions_hold_what_they_must_and_stand_where_they_may():
    bed, one = extension("bed", "Patient", "HumanName"), profile("one", "Patient")
    there = [{"url": f"{BASE}/bed", "valueString": "12"}]
    assert found({"resourceType": "Patient", "extension": there}, one, bed) == []
    assert found({"resourceType": "Patient", "name": [{"extension": there}]}, one, bed) == []
    wrong = [{"url": f"{BASE}/bed", "valueInteger": 12}]
    assert found({"resourceType": "Patient", "extension": wrong}, one, bed) == [
        ("type", "Patient.extension[0].value")
    ]
    (issue,) = found({"resourceType": "Patient", "contact": [{"extension": there, "name": {"text": "a"}}]}, one, bed)  # fmt: skip
    assert issue == ("extension-context", "Patient.contact[0].extension[0]")
    elsewhere = observation(extension=there)
    assert ("extension-context", "Observation.extension[0]") in found(elsewhere, one, bed)


def test_extensions_nobody_knows():
    one = profile("one", "Patient")
    patient = {"resourceType": "Patient", "extension": [{"url": "https://x.example/e", "valueCode": "a"}]}  # fmt: skip
    assert found(patient, one) == []
    assert found(patient, one, extensions="refuse") == [
        ("extension-unknown", "Patient.extension[0]")
    ]
    changed = {"resourceType": "Patient", "modifierExtension": patient["extension"]}
    assert found(changed, one) == [("modifier-extension", "Patient.modifierExtension[0]")]


def test_extension_slices():
    path = "Patient.extension"
    one = profile(
        "one", "Patient",
        el(path, slicing={"discriminator": [{"type": "value", "path": "url"}], "rules": "open"}),
        el(path, f"{path}:bed", sliceName="bed", min=1, max="1",
           type=[{"code": "Extension", "profile": [f"{BASE}/bed"]}]),
    )  # fmt: skip
    bed = extension("bed", "Patient")
    there = {"url": f"{BASE}/bed", "valueString": "12"}
    assert found({"resourceType": "Patient", "extension": [there]}, one, bed) == []
    assert found({"resourceType": "Patient"}, one, bed) == [("slice-cardinality", "Patient")]
    assert found({"resourceType": "Patient", "extension": [there, there]}, one, bed) == [
        ("slice-cardinality", "Patient")
    ]


def test_profiles_on_profiles():
    first = profile("first", "Patient", el("Patient.name", min=1))
    second = profile("one", "Patient", el("Patient.gender", min=1), baseDefinition=f"{BASE}/first")
    assert found({"resourceType": "Patient"}, first, second) == [
        ("cardinality", "Patient"),
        ("cardinality", "Patient"),
    ]


def test_what_needs_a_value_or_another_extension():
    must = {"url": "http://hl7.org/fhir/5.0/StructureDefinition/extension-ElementDefinition.mustHaveValue", "valueBoolean": True}  # fmt: skip
    shortest = {"url": f"{R4}/minLength", "valueInteger": 3}
    one = profile(
        "one", "Patient",
        el("Patient.active", extension=[must]), el("Patient.language", extension=[shortest]),
    )  # fmt: skip
    absent = {"extension": [{"url": f"{R4}/data-absent-reason", "valueCode": "unknown"}]}
    assert found({"resourceType": "Patient", "active": True, "language": "de-AT"}, one) == []
    assert found({"resourceType": "Patient", "_active": absent, "language": "de"}, one) == [
        ("min-length", "Patient.language"),
        ("value-missing", "Patient.active"),
    ]


def invariant(*expressions: str) -> list[dict[str, Any]]:
    return [
        {"key": f"in-{n}", "severity": "error", "human": "h", "expression": text}
        for n, text in enumerate(expressions)
    ]


@pytest.mark.parametrize(
    ("kind", "path", "data", "holds", "fails"),
    [
        ("Observation", "Observation.component",
         {"component": [{"code": coding("y"), "valueQuantity": quantity("9")}]},
         ["value.exists()", "value is Quantity", "value.ofType(Quantity).value = 9"],
         ["value.empty()", "value.ofType(Quantity).value < 5", "value is string"]),
        ("Observation", "Observation.component.referenceRange",
         {"component": [{"code": coding("y"), "valueInteger": 1, "referenceRange": [{"low": quantity("1")}]}]},
         ["low is Quantity", "low.value = 1"], ["low.value > 1"]),
        ("Patient", "Patient.contact", {"contact": [{"name": {"text": "a"}, "period": {"start": "2025"}}]},
         ["name is HumanName", "name.text is string", "period.start is dateTime"], ["name is string"]),
        ("QuestionnaireResponse", "QuestionnaireResponse.item.answer",
         {"status": "completed", "item": [{"linkId": "1", "answer": [{"valueInteger": 3}]}]},
         ["value.exists()", "value is integer"], ["value > 3"]),
        ("MedicationRequest", "MedicationRequest.dosageInstruction.timing.repeat",
         {"status": "active", "intent": "order", "medicationReference": {"display": "a"}, "subject": {"display": "b"},
          "dosageInstruction": [{"timing": {"repeat": {"boundsPeriod": {"start": "2025"}}}}]},
         ["bounds.exists()", "bounds is Period"], ["bounds is Duration"]),
    ],
    ids=["component", "by reference", "contact", "answer", "in a datatype"],
)  # fmt: skip
def test_an_invariant_on_a_group_in_place_knows_the_types_in_it(kind, path, data, holds, fails):
    """FHIRPath N1, `is` and `ofType`; R4 2.4.1: a choice is called by its stem."""
    resource = {"resourceType": kind, **data}
    if kind == "Observation":
        resource = observation(**data)
    assert found(resource, profile("one", kind, el(path, constraint=invariant(*holds)))) == []
    for expression in fails:
        definition = profile("one", kind, el(path, constraint=invariant(expression)))
        assert [rule for rule, _ in found(resource, definition)] == ["invariant"], expression


STATUS = "http://hl7.org/fhir/ValueSet/observation-status"


@pytest.mark.parametrize(
    ("base", "own", "data", "rule"),
    [
        (el("Observation.status", fixedCode="amended"), el("Observation.status", fixedCode="final"), {}, "fixed"),
        (el("Observation.code", patternCodeableConcept=coding("y")),
         el("Observation.code", patternCodeableConcept={"text": "t"}), {"code": coding("x") | {"text": "t"}}, "pattern"),
        (el("Observation.method", binding={"strength": "required", "valueSet": STATUS}),
         el("Observation.method", binding={"strength": "example"}), {"method": coding("z")}, "required-code"),
        (el("Observation.value[x]", type=[{"code": "Quantity"}], maxValueQuantity=quantity("2")),
         el("Observation.value[x]", maxValueQuantity=quantity("9")), {"valueQuantity": quantity("3")}, "max-value"),
        (el("Observation.subject", type=[{"code": "Reference", "targetProfile": [f"{R4}/Patient"]}]),
         el("Observation.subject", type=[{"code": "Reference", "targetProfile": [f"{R4}/Device"]}]),
         {"subject": {"reference": "Device/1"}}, "reference-target"),
    ],
    ids=["fixed", "pattern", "binding", "bound", "target"],
)  # fmt: skip
def test_what_conforms_to_a_profile_conforms_to_its_base(base, own, data, rule):
    """FHIR R4 5.1.0.2: a profile that loosens its base does not undo it."""
    first = profile("first", "Observation", base)
    second = profile("one", "Observation", own, baseDefinition=f"{BASE}/first")
    assert [r for r, _ in found(observation(**data), second, first)] == [rule]
