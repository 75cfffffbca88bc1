"""What is worked out of profiles is kept on disk, and only as long as it holds."""

from __future__ import annotations

import json
import os
import sys
from decimal import Decimal
from typing import Any

import pytest

from fhirdrain.conformance import Checker, check_resource
from fhirdrain.conformance import checker as checker_module
from fhirdrain.conformance.cache import Plans, default_folder, digest
from fhirdrain.conformance.definitions import Definitions, Supplied, standard

URL = "https://north-pier.example/fhir/StructureDefinition/named"


def profile(**element: Any) -> dict[str, Any]:
    return {
        "resourceType": "StructureDefinition",
        "url": URL,
        "type": "Patient",
        "kind": "resource",
        "baseDefinition": "http://hl7.org/fhir/StructureDefinition/Patient",
        "derivation": "constraint",
        "differential": {"element": [{"path": "Patient"}, {"path": "Patient.name", **element}]},
    }


PATIENT = {"resourceType": "Patient", "meta": {"profile": [URL]}}


def known(definition: dict[str, Any]) -> Definitions:
    return standard().extended([Supplied(definition, "named.json")])[0]


def rules(definition: dict[str, Any], folder: Any) -> list[str]:
    checker = Checker(known(definition), plans=folder)
    return [issue.rule for issue in check_resource(PATIENT, checker=checker)]


@pytest.fixture
def made(monkeypatch):
    """Count the snapshots that are made."""
    urls: list[str] = []

    def counted(definition, definitions):
        urls.append(definition["url"])
        return elements_of(definition, definitions)

    elements_of = checker_module.elements_of
    monkeypatch.setattr(checker_module, "elements_of", counted)
    return urls


def test_a_plan_is_made_once_and_kept(tmp_path, made):
    assert rules(profile(min=1), tmp_path) == ["cardinality"]
    assert made == [URL]
    assert rules(profile(min=1), tmp_path) == ["cardinality"]
    assert made == [URL]


def test_a_changed_profile_is_another_plan(tmp_path, made):
    assert rules(profile(min=1), tmp_path) == ["cardinality"]
    assert rules(profile(min=0), tmp_path) == []
    assert made == [URL, URL]


def test_numbers_are_the_same_from_a_plan(tmp_path):
    """Decimals come back as decimals of the same digits: 19.0 is not 19.00 in a fixed value."""
    plans = Plans(tmp_path, Definitions())
    plans.put("x", [{"minValueDecimal": Decimal("19.00"), "max": "*"}])
    assert plans.get("x") == [{"minValueDecimal": Decimal("19.00"), "max": "*"}]
    assert str(plans.get("x")[0]["minValueDecimal"]) == "19.00"


@pytest.mark.parametrize("text", [b"", b"{", b"[]", b'{"name": "other", "plan": []}', b"\xff" * 10])
def test_a_broken_plan_is_made_again(tmp_path, made, text):
    rules(profile(min=1), tmp_path)
    for path in tmp_path.rglob("*.json"):
        path.write_bytes(text)
    assert rules(profile(min=1), tmp_path) == ["cardinality"]
    assert made == [URL, URL]


def test_a_plan_that_was_altered_is_made_again(tmp_path, made):
    rules(profile(min=1), tmp_path)
    (path,) = tmp_path.rglob("*.json")
    altered = path.read_text().replace('"min":1', '"min":0')
    assert altered != path.read_text()
    path.write_text(altered)
    assert rules(profile(min=1), tmp_path) == ["cardinality"]
    assert made == [URL, URL]


def test_a_number_and_its_text_are_different_definitions():
    one, other = (known(profile(maxValueDecimal=v)) for v in (Decimal("1.5"), "1.5"))
    assert digest(one) != digest(other)


def test_what_cannot_be_put_in_its_place_leaves_nothing_behind(tmp_path, monkeypatch):
    def refused(*_):
        raise OSError

    monkeypatch.setattr(os, "replace", refused)
    assert rules(profile(min=1), tmp_path) == ["cardinality"]
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []


@pytest.mark.skipif(sys.platform == "win32", reason="modes are those of POSIX")
def test_a_folder_that_cannot_be_written_is_as_if_there_were_none(tmp_path):
    file = tmp_path / "file"
    file.write_text("x")
    assert rules(profile(min=1), file / "plans") == ["cardinality"]


def test_plans_are_for_their_owner_alone(tmp_path):
    rules(profile(min=1), tmp_path / "plans")
    (path,) = (tmp_path / "plans").rglob("*.json")
    assert os.stat(path).st_mode & 0o077 == 0
    assert json.loads(path.read_bytes())["name"] == URL


def test_old_plans_are_forgotten(tmp_path):
    for number in range(40):
        rules(profile(min=1, short=f"{number}"), tmp_path)
    assert 0 < len(list(tmp_path.iterdir())) <= 30


def test_what_is_not_ours_is_never_removed(tmp_path):
    for number in range(40):
        folder = tmp_path / f"charts-{number}"
        folder.mkdir()
        (folder / "kept.txt").write_text("x")
    for number in range(35):
        rules(profile(min=1, short=f"{number}"), tmp_path)
    assert len(list(tmp_path.glob("charts-*/kept.txt"))) == 40
    assert len([p for p in tmp_path.iterdir() if not p.name.startswith("charts-")]) <= 30


def test_where_plans_are_kept(monkeypatch, tmp_path):
    monkeypatch.setenv("FHIRDRAIN_PLANS", str(tmp_path))
    assert default_folder() == tmp_path
    monkeypatch.setenv("FHIRDRAIN_PLANS", "")
    assert default_folder() is None
    monkeypatch.delenv("FHIRDRAIN_PLANS")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    assert default_folder() == tmp_path / "cache" / "fhirdrain" / "plans"
