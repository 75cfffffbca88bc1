"""The profiles: true to the table of observables, right R4, and named as what is sent names them."""

from __future__ import annotations

import json
import subprocess
import sys

from fhirdrain.conformance import check_file
from fhirdrain.conformance.definitions import our_profiles
from fhirdrain.vocabulary.localcodes import LOCAL_CODES
from fhirdrain.vocabulary.observables import OBSERVABLES
from tests.conftest import ROOT
from tests.resources.test_form import lines

PROFILES = ROOT / "profiles"


def test_the_files_are_what_the_table_makes():
    result = subprocess.run(
        [sys.executable, PROFILES / "build.py", "--check"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (result.stdout, result.returncode) == ("", 0)


def test_every_file_is_right_r4():
    files = [path for path in PROFILES.glob("*.json") if path.name[0].isupper()]
    assert len(files) > 40
    assert [issue for path in files for issue in check_file(path)] == []


def test_the_index_lists_every_file():
    index = json.loads((PROFILES / ".index.json").read_text())
    assert {f["filename"] for f in index["files"]} == {
        path.name for path in PROFILES.glob("*.json") if path.name[0].isupper()
    }


def test_every_profile_a_resource_names_exists_for_its_type(mapped):
    run = mapped(*lines())
    named = {(r["meta"]["profile"][0], r["resourceType"]) for r in run.resources}
    assert len(named) >= 10
    for url, kind in named:
        assert our_profiles()[url] == kind


def test_every_extension_a_resource_uses_is_defined(mapped):
    def extensions(value):
        if isinstance(value, dict):
            for item in value.get("extension", ()):
                yield item["url"]
            for item in value.values():
                yield from extensions(item)
        elif isinstance(value, list):
            for item in value:
                yield from extensions(item)

    used = set(extensions(mapped(*lines()).bundle))
    assert used
    for url in used:
        assert our_profiles()[url] == "Extension"


def test_value_sets_hold_the_words_of_the_table():
    for observable in OBSERVABLES.values():
        if observable.words:
            value_set = json.loads((PROFILES / f"ValueSet-{observable.name}.json").read_text())
            (include,) = value_set["compose"]["include"]
            assert tuple(c["code"] for c in include["concept"]) == observable.words


def test_the_code_system_holds_every_code():
    system = json.loads((PROFILES / "CodeSystem-drain.json").read_text())
    assert {c["code"] for c in system["concept"]} == set(LOCAL_CODES)
    assert system["url"] == "https://fhirdrain.example/fhir/CodeSystem/drain"
