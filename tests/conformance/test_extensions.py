"""Where an extension may stand: elements, types, other extensions, FHIRPath, and as what.

FHIR R4 2.5.1 (defining-extensions.html); all data is invented.
"""

from __future__ import annotations

from typing import Any

import pytest

from fhirdrain.conformance import Checker, check_resource
from fhirdrain.conformance.definitions import Supplied, standard
from tests.conformance.test_profile_rules import BASE, el, found, observation, profile

PATIENT = profile("one", "Patient")


def bed(*context: tuple[str, str], **more: Any) -> dict[str, Any]:
    contexts = [{"type": kind, "expression": expression} for kind, expression in context]
    return profile(
        "bed",
        "Extension",
        el("Extension.url", fixedUri=f"{BASE}/bed"),
        kind="complex-type",
        **({"context": contexts} if contexts else {}),
        **more,
    )


THERE = [{"url": f"{BASE}/bed", "valueInteger": 12}]


def patient(**more: Any) -> dict[str, Any]:
    return {"resourceType": "Patient", **more}


def told(resource: dict[str, Any], definition: dict[str, Any]) -> list[tuple[str, str, str]]:
    known = standard().extended([Supplied(definition, "d.json")])[0]
    issues = check_resource(resource, checker=Checker(known))
    return [(i.rule, i.severity, i.location) for i in issues]


@pytest.mark.parametrize(
    ("context", "good", "bad"),
    [
        (("extension", f"{BASE}/outer"), f"{BASE}/outer", "https://other.example/outer"),
        (("element", "Extension"), f"{BASE}/outer", None),
        (("element", "Patient"), None, f"{BASE}/outer"),
    ],
)
def test_an_extension_in_an_extension(context, good, bad):
    def within(url: str | None) -> dict[str, Any]:
        if url is None:
            return patient(extension=THERE)
        return patient(extension=[{"url": url, "extension": THERE}])

    def contexts(url: str | None) -> list[str]:
        issues = told(within(url), bed(context))
        return [location for rule, _, location in issues if rule == "extension-context"]

    assert contexts(good) == []
    assert contexts(bad) == ["Patient.extension[0].extension[0]" if bad else "Patient.extension[0]"]


def test_a_context_by_fhirpath():
    definition = bed(("fhirpath", "Patient.name.where(use = 'official')"))
    right = patient(name=[{"use": "official", "text": "a", "extension": THERE}])
    wrong = patient(name=[{"use": "usual", "text": "a", "extension": THERE}])
    assert found(right, PATIENT, definition) == []
    assert found(wrong, PATIENT, definition) == [
        ("extension-context", "Patient.name[0].extension[0]")
    ]
    unread = bed(("fhirpath", "Patient.name.where("))
    assert told(right, unread) == [("not-supported", "information", "Patient.name[0].extension[0]")]


def test_an_invariant_of_the_context_and_the_extension_in_it():
    definition = bed(
        ("element", "HumanName"),
        ("element", "Patient.birthDate"),
        contextInvariant=["%extension.value > 10", "text.exists() or $this is date"],
    )
    assert found(patient(name=[{"text": "a", "extension": THERE}]), PATIENT, definition) == []
    assert found(patient(name=[{"family": "a", "extension": THERE}]), PATIENT, definition) == [
        ("extension-context", "Patient.name[0].extension[0]")
    ]
    few = [{"url": f"{BASE}/bed", "valueInteger": 9}]
    assert found(patient(name=[{"text": "a", "extension": few}]), PATIENT, definition) == [
        ("extension-context", "Patient.name[0].extension[0]")
    ]
    born = patient(birthDate="1960-01-01", _birthDate={"extension": THERE})
    assert found(born, PATIENT, definition) == []


def test_an_element_that_is_defined_by_another_is_called_by_both_paths():
    component = {"code": {"text": "a"}, "valueString": "a"}
    held = observation(
        component=[component | {"referenceRange": [{"text": "a", "extension": THERE}]}]
    )
    one = profile("one", "Observation")
    for path in ("Observation.component.referenceRange", "Observation.referenceRange"):
        assert found(held, one, bed(("element", path))) == []
    assert found(held, one, bed(("element", "Observation.component"))) == [
        ("extension-context", "Observation.component[0].referenceRange[0].extension[0]")
    ]


def test_a_context_in_a_profile_or_a_slice_is_not_decided():
    for expression in (f"{BASE}/one#Patient.name", "Patient.name:official"):
        held = patient(name=[{"text": "a", "extension": THERE}])
        assert told(held, bed(("element", expression))) == [
            ("not-supported", "information", "Patient.name[0].extension[0]")
        ]


def test_what_changes_the_meaning_stands_as_a_modifier_and_nothing_else_does():
    plain = bed(("element", "Element"))
    changing = bed(("element", "Element"))
    root = changing["differential"]["element"][0]
    root |= {"isModifier": True, "isModifierReason": "it is not this bed"}
    as_plain, as_modifier = patient(extension=THERE), patient(modifierExtension=THERE)
    assert found(as_plain, PATIENT, plain) == found(as_modifier, PATIENT, changing) == []
    assert found(as_modifier, PATIENT, plain) == [
        ("modifier-extension", "Patient.modifierExtension[0]")
    ]
    assert found(as_plain, PATIENT, changing) == [("modifier-extension", "Patient.extension[0]")]


@pytest.mark.parametrize(
    "broken",
    [
        {"context": [5]}, {"context": 5}, {"context": [{"type": "element"}]},
        {"context": [{"type": "where", "expression": "Patient"}]},
        {"contextInvariant": 5}, {"contextInvariant": [5]}, {"contextInvariant": "status"},
    ],
    ids=str,
)  # fmt: skip
def test_a_context_of_another_shape_is_a_definition_that_cannot_be_used(broken):
    assert told(patient(extension=THERE), bed(("element", "Patient")) | broken) == [
        ("definition", "warning", "Patient.extension[0]")
    ]
