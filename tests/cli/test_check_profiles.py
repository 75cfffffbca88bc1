"""check --profiles: a folder, a file and a package say the same; what is wrong with them is told."""

from __future__ import annotations

import io
import json
import tarfile

import pytest
from click.testing import CliRunner

from fhirdrain.cli.check_command import command
from tests.conftest import ROOT

DEFINITIONS = ROOT / "sample_bundles" / "definitions"
SAMPLE = ROOT / "sample_bundles" / "invalid" / "slice-order.json"


@pytest.fixture(autouse=True)
def plans(monkeypatch, tmp_path):
    monkeypatch.setenv("FHIRDRAIN_PLANS", str(tmp_path / "plans"))


def run(*arguments):
    return CliRunner().invoke(command, [str(a) for a in arguments])


def rules(*arguments):
    result = run(*arguments, "--report", "ndjson")
    return [json.loads(line)["rule"] for line in result.stdout.splitlines()], result.exit_code


def packed(path, *files, **extra):
    with tarfile.open(path, "w:gz") as archive:
        for file in files:
            archive.add(file, f"package/{file.name}")
        for name, body in extra.items():
            member = tarfile.TarInfo(name)
            member.size = len(body)
            archive.addfile(member, io.BytesIO(body))
    return path


def test_a_folder_a_file_and_a_package_say_the_same(tmp_path):
    manifest = json.dumps({"name": "ward", "version": "1.0.0", "fhirVersions": ["4.0.1"]}).encode()
    files = sorted(DEFINITIONS.glob("*.json"))
    package = packed(tmp_path / "ward.tgz", *files, **{"package/package.json": manifest})
    tray = DEFINITIONS / "StructureDefinition-ward-tray.json"
    for supplied in (DEFINITIONS, tray, package):
        assert rules(SAMPLE, "--profiles", supplied) == (["slice-order"], 1)
    assert rules(SAMPLE) == (["profile-unknown"], 0)


def test_a_profile_that_nobody_knows_is_a_fault_of_usage():
    result = run(SAMPLE, "--profile", "https://x.example/none")
    assert result.exit_code != 0
    assert "no such profile" in str(result.exception)


def test_a_profile_that_cannot_be_used_is_refused_where_it_is_asked_for():
    orphan = json.loads((DEFINITIONS / "StructureDefinition-ward-orphan.json").read_text())
    result = run(SAMPLE, "--profiles", DEFINITIONS, "--profile", orphan["url"])
    assert result.exit_code != 0
    assert "cannot be used" in str(result.exception)


def test_a_profile_that_is_asked_for(tmp_path):
    url = "https://north-pier.example/fhir/StructureDefinition/ward-patient"
    patient = tmp_path / "patient.json"
    patient.write_text('{"resourceType": "Patient", "active": true}')
    assert rules(patient, "--profiles", DEFINITIONS, "--profile", url) == (["cardinality"], 1)


def test_hostile_packages_are_told_of_and_nothing_is_written(tmp_path):
    body = (DEFINITIONS / "StructureDefinition-ward-tray.json").read_bytes()
    package = packed(
        tmp_path / "bad.tgz", **{"package/../../evil.json": body, "package/no.json": b"{"}
    )
    told, code = rules(SAMPLE, "--profiles", package)
    assert "definition" in told
    assert code == 1
    assert not list(tmp_path.rglob("evil.json"))
    assert not (tmp_path.parent / "evil.json").exists()


def test_a_path_that_is_not_there(tmp_path):
    result = run(SAMPLE, "--profiles", tmp_path / "none")
    assert result.exit_code != 0
    assert "is not there" in str(result.exception)


def test_no_value_of_a_patient_is_in_any_report(tmp_path):
    """Names, ids, texts and keys that are a patient's stand nowhere unless asked for."""
    patient = {
        "resourceType": "Patient", "id": "Canary-1", "name": [{"family": 5, "text": "Canary-2"}],
        "birthDate": "Canary-3", "gender": "Canary-4", "Canary-5": 1, "active": "Canary-6",
        "managingOrganization": {"reference": "Canary-7/x"}, "link": [{"Canary 8": 1}],
        "extension": [{"url": "Canary-9", "valueString": "x"}],
        "maritalStatus": {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/v3-MaritalStatus", "code": "Canary-10"}]},
        "meta": {"profile": ["https://x.example/Canary-11"]},
        "contact": [{"telecom": [{"value": "Canary-12"}]}],
    }  # fmt: skip
    path = tmp_path / "patient.json"
    path.write_text(json.dumps(patient))
    for report in ("text", "operationoutcome", "ndjson", "sarif", "junit"):
        result = run(path, "--report", report)
        assert result.exit_code == 1
        assert "anary" not in result.stdout, report
    assert "Canary-3" in run(path, "--show-values").stdout


def test_the_site_says_how_observations_are_compared(tmp_path):
    """The demonstration site takes a difference of 1 cm[H2O] for none, and ten minutes for near."""
    whole = json.loads((ROOT / "sample_bundles" / "invalid" / "suction-differs.json").read_text())
    whole["entry"][-1]["resource"]["valueQuantity"]["value"] = 19
    near = tmp_path / "near.json"
    near.write_text(json.dumps(whole))
    site = ROOT / "sample_bundles" / "scenario" / "site.toml"
    assert "suction_tolerance = 1" in site.read_text()
    assert rules(near) == (["suction-differs"], 0)
    assert rules(near, "--site", site) == ([], 0)
    assert run(near, "--site", tmp_path / "none.toml").exit_code != 0


def test_a_profile_is_applied_in_the_version_that_is_asked_for():
    url = "http://hl7.org/fhir/StructureDefinition/vitalsigns"
    right = run(SAMPLE, "--profile", f"{url}|4.0.1", "--profiles", DEFINITIONS)
    assert isinstance(right.exception, SystemExit)  # which is how the command ends by itself
    result = run(SAMPLE, "--profile", f"{url}|9.9")
    assert result.exit_code != 0
    assert "in version 4.0.1" in str(result.exception)


def test_a_profile_that_is_applied_to_nothing_is_named(tmp_path):
    patient = tmp_path / "p.json"
    patient.write_text('{"resourceType": "Patient", "active": true}')
    url = "http://hl7.org/fhir/StructureDefinition/vitalsigns"
    result = run(patient, "--profile", url)
    assert "<profile-unused>" in result.stdout
    assert url in result.stdout


def test_a_definition_that_is_known_already_is_named(tmp_path):
    ours = json.loads((ROOT / "profiles" / "StructureDefinition-level.json").read_text())
    changed = tmp_path / "level.json"
    changed.write_text(json.dumps(ours | {"title": "another"}))
    result = run(SAMPLE, "--profiles", changed)
    assert f"{ours['url']} is known already" in result.stdout
