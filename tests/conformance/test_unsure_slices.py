"""A slice of which cannot be told whether a value is in it: neither an error nor passed over.

FHIR R4 5.1.0.14 (profiling.html, discriminators); invented data.
"""

from __future__ import annotations

from typing import Any

from tests.conformance.test_bad_definitions import R4, found, profile, stating


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
