"""A slice of which cannot be told whether a value is in it: neither an error nor passed over.

FHIR R4 5.1.0.14 (profiling.html, discriminators); invented data.
"""

from __future__ import annotations

from typing import Any

import pytest

from tests.conformance.test_bad_definitions import R4, found, profile, stating


def errors(resource: Any, definition: Any) -> list[str]:
    return [rule for severity, rule, _ in found(resource, definition) if severity == "error"]


def sliced_by_target(**slice_: Any) -> dict[str, Any]:
    """Return a profile that slices generalPractitioner by the type of what it refers to."""
    path = "Patient.generalPractitioner"
    by_type = {"discriminator": [{"type": "type", "path": "resolve()"}], "rules": "open"}
    target = {"code": "Reference", "targetProfile": [f"{R4}/Organization"]}
    named = {"id": f"{path}:house", "path": path, "sliceName": "house", "type": [target]}
    return profile("one", {"path": path, "slicing": by_type}, named | slice_)


def test_what_may_be_in_a_required_slice_is_not_said_to_be_missing():
    out_of_sight = stating("one", generalPractitioner=[{"display": "the ward"}])
    said = found(out_of_sight, sliced_by_target(min=1))
    assert [(severity, rule) for severity, rule, _ in said] == [("warning", "not-supported")]


def test_a_slice_is_missing_where_nothing_may_be_in_it():
    said = found(stating("one"), sliced_by_target(min=1))
    assert [(severity, rule) for severity, rule, _ in said] == [("error", "slice-cardinality")]


def test_a_slice_of_at_most_one_says_what_it_cannot_tell():
    several = stating("one", generalPractitioner=[{"display": "a"}, {"display": "b"}])
    said = found(several, sliced_by_target(max="1"))
    assert [rule for _, rule, _ in said] == ["not-supported", "not-supported"]


@pytest.mark.parametrize(
    ("reference", "count"),
    [
        ({"reference": "Organization/1"}, 1),
        ({"reference": "https://north-pier.example/fhir/Organization/1"}, 1),
        ({"type": "Organization", "display": "the ward"}, 1),
        ({"reference": "Practitioner/1"}, 0),
        ({"type": "Practitioner", "display": "the ward"}, 0),
    ],
)
def test_a_reference_out_of_sight_may_name_its_type(reference, count):
    said = found(stating("one", generalPractitioner=[reference]), sliced_by_target(min=1))
    assert [rule for _, rule, _ in said] == ([] if count else ["slice-cardinality"])


def test_a_target_of_any_type_is_of_a_slice_of_resources():
    any_type = {"code": "Reference", "targetProfile": [f"{R4}/Resource"]}
    definition = sliced_by_target(min=1)
    definition["differential"]["element"][-1]["type"] = [any_type]
    held = stating("one", generalPractitioner=[{"reference": "Organization/1"}])
    assert found(held, definition) == []


def test_what_a_pattern_says_of_a_part_tells_as_well():
    path = "Patient.contact"
    by = {"discriminator": [{"type": "value", "path": "relationship.coding.code"}], "rules": "open"}
    next_of_kin = {"coding": [{"system": "urn:oid:1.2.3", "code": "N"}]}
    definition = profile(
        "one",
        {"path": path, "slicing": by},
        {"id": f"{path}:kin", "path": path, "sliceName": "kin", "min": 1},
        {
            "id": f"{path}:kin.relationship",
            "path": f"{path}.relationship",
            "patternCodeableConcept": next_of_kin,
        },
    )
    other = {"coding": [{"system": "urn:oid:1.2.3", "code": "E"}]}
    name = {"name": {"text": "a"}}
    assert (
        errors(stating("one", contact=[name | {"relationship": [next_of_kin]}]), definition) == []
    )
    said = errors(stating("one", contact=[name | {"relationship": [other]}]), definition)
    assert said == ["slice-cardinality"]


def test_primitives_are_told_apart_by_what_stands_beside_them():
    path = "Patient.name.given"
    url = "https://north-pier.example/fhir/StructureDefinition/called"
    slice_ = {"id": f"{path}:called", "path": path, "sliceName": "called", "min": 1, "max": "1"}
    inner = f"{path}:called.extension"

    def told_by(*discriminators: dict[str, str]) -> Any:
        return profile(
            "one",
            {"path": path, "slicing": {"discriminator": [*discriminators], "rules": "open"}},
            slice_,
            {
                "id": inner,
                "path": f"{path}.extension",
                "slicing": {
                    "discriminator": [{"type": "value", "path": "url"}],
                    "rules": "open",
                },
            },
            {
                "id": f"{inner}:by",
                "path": f"{path}.extension",
                "sliceName": "by",
                "min": 1,
                "max": "1",
            },
            {"id": f"{inner}:by.url", "path": f"{path}.extension.url", "fixedUri": url},
        )

    extension = {"extension": [{"url": url, "valueBoolean": True}]}
    for kind, told in (("exists", f"extension('{url}')"), ("value", "extension.url")):
        definition = told_by({"type": kind, "path": told})
        right = {"given": ["Ada", "Bo"], "_given": [None, extension]}
        assert errors(stating("one", name=[right]), definition) == []
        only_beside = {"given": ["Ada", None], "_given": [None, extension]}
        assert errors(stating("one", name=[only_beside]), definition) == []
        said = errors(stating("one", name=[{"given": ["Ada", "Bo"]}]), definition)
        assert said == ["slice-cardinality"]
