"""fhirdrain handoff: from what, in which form, and what it refuses."""

from __future__ import annotations

import json
import logging
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import pytest
import requests
from click.testing import CliRunner

from fhirdrain.cli.main import group
from fhirdrain.errors import FhirdrainError
from tests.handoff.making import SCENARIO, SIX, fill

SITE = str(SCENARIO / "site.toml")
AT = SIX["Sun 19:05"]
PATIENT = "https://north-pier.example/patient|demo-A"


@pytest.fixture(scope="module")
def ward(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("ward") / "ward.sqlite"
    fill(path)
    return path


def mapped(folder: Path, form: str) -> list[str]:
    files = []
    for source, file in (("rounds", "rounds.csv"), ("surgery", "surgery.tsv")):
        out = folder / f"{source}.out"
        CliRunner().invoke(
            group,
            ["map", str(SCENARIO / file), "--site", SITE, "--source", source, "--as", form,
             "--out", str(out), "--rejects", str(folder / "r")],
        )  # fmt: skip
        files.append(str(out))
    return files


@pytest.fixture(scope="module")
def bundles(tmp_path_factory) -> list[str]:
    return mapped(tmp_path_factory.mktemp("bundles"), "transaction")


def run(*arguments: str):
    return CliRunner().invoke(group, ["handoff", *map(str, arguments)])


def refused(*arguments: str) -> str:
    result = run(*arguments)
    assert isinstance(result.exception, FhirdrainError | SystemExit), result.exception
    if isinstance(result.exception, FhirdrainError):
        return f"{result.exception.exit_code} {result.exception}"
    return f"{result.exit_code} {result.output}"


def test_from_a_store(ward):
    result = run("--store", ward, "--site", SITE, "--at", AT, "--patient", PATIENT)
    assert result.exit_code == 0
    assert "told at Sun 07:05: 240 mL" in " ".join(result.output.split())
    assert "demo-B" not in result.output


@pytest.mark.parametrize("form", ["transaction", "ndjson", "collection"])
def test_from_files_without_what_only_a_store_knows(form, tmp_path):
    result = run(*mapped(tmp_path, form), "--site", SITE, "--at", AT)
    assert result.exit_code == 0
    text = " ".join(result.output.split())
    assert "at least 20 mL" in text
    assert "RIGHT, pleural: drain R1" in text
    assert "what was told at the last hand-off is not known" in text
    assert "240" not in text


def test_from_a_bundle_by_standard_input(bundles):
    result = CliRunner().invoke(
        group, ["handoff", "-", "--site", SITE, "--at", AT], input=Path(bundles[0]).read_bytes()
    )
    assert "RIGHT, pleural: drain R1" in result.output


def test_without_a_site_file_the_sides_are_those_of_the_data(bundles):
    result = run(*bundles, "--at", AT)
    text = " ".join(result.output.split())
    assert "RIGHT, pleural: drain R1" in text
    assert "no policy file" in text
    assert "no site file was given" in text


def test_a_policy_can_be_given_by_itself(bundles):
    result = run(*bundles, "--at", AT, "--policy", SCENARIO / "policy.toml")
    assert "no level or amount charted for 6 h" in " ".join(result.output.split())


def test_from_a_server_it_asks_only_for_what_it_needs(bundles, server, monkeypatch):
    for bundle in bundles:
        posted = CliRunner().invoke(
            group, ["post", bundle, "--server", server, "--create-patients"], catch_exceptions=False
        )
        assert posted.exit_code == 0, posted.output
    asked: list[str] = []
    send = requests.Session.send

    def seen(self, request, **more):
        asked.append(f"{request.method} {request.url}")
        return send(self, request, **more)

    monkeypatch.setattr(requests.Session, "send", seen)
    result = run("--server", server, "--site", SITE, "--at", AT, "--patient", PATIENT)
    assert result.exit_code == 0, result.output
    assert "at least 20 mL" in result.output
    assert "demo-B" not in result.output
    kinds = set()
    for line in asked:
        method, url = line.split(" ", 1)
        assert method == "GET"
        parts = urlsplit(url)
        kind = parts.path.removeprefix(urlsplit(server).path).strip("/")
        query = parse_qs(parts.query)
        kinds.add(kind)
        if kind in ("Device", "ServiceRequest", "Procedure", "Observation"):
            assert query["patient"], line  # of this patient alone
        if kind == "Observation":
            assert query["category"], line  # of drains alone
            assert query["date"] == ["le2025-10-27"], line  # nothing that came later
    assert kinds == {
        "metadata", "Patient", "Device", "DeviceUseStatement", "ServiceRequest", "Procedure",
        "Observation", "DeviceRequest",
    } or kinds == {
        "Patient", "Device", "DeviceUseStatement", "ServiceRequest", "Procedure", "Observation",
        "DeviceRequest",
    }  # fmt: skip


def test_the_sheet_of_a_server_is_that_of_the_files(bundles, server):
    for bundle in bundles:
        CliRunner().invoke(group, ["post", bundle, "--server", server, "--create-patients"])
    arguments = ["--site", SITE, "--at", AT, "--patient", PATIENT, "--as", "json"]
    one = json.loads(run("--server", server, *arguments).stdout)
    other = json.loads(run(*bundles, *arguments).stdout)
    assert one == other


@pytest.mark.parametrize(
    ("name", "form", "begins"),
    [
        ("sheet.html", None, b"<!DOCTYPE html>"),
        ("sheet.json", None, b"{"),
        ("sheet.txt", None, b"LOOK AT THE PATIENT"),
        ("sheet.out", "html", b"<!DOCTYPE html>"),
    ],
)
def test_the_form_is_what_the_name_says(ward, tmp_path, name, form, begins):
    out = tmp_path / name
    more = ["--as", form] if form else []
    assert run("--store", ward, "--site", SITE, "--at", AT, "--out", out, *more).exit_code == 0
    assert out.read_bytes().startswith(begins)


def test_in_german_by_option_and_by_setting(ward, monkeypatch):
    arguments = ["--store", ward, "--site", SITE, "--at", AT]
    assert "Übergabe Thoraxdrainage" in run(*arguments, "--language", "de").output
    monkeypatch.setenv("FHIRDRAIN_LANGUAGE", "de")
    assert "Übergabe Thoraxdrainage" in run(*arguments).output


def test_text_has_80_columns(ward):
    for name, when in SIX.items():
        for code in ("en", "de"):
            text = run("--store", ward, "--site", SITE, "--at", when, "--language", code).stdout
            assert max(map(len, text.splitlines())) <= 80, name


def test_no_value_of_a_patient_goes_to_stderr_logs_or_file_names(ward, tmp_path, caplog):
    caplog.set_level(logging.DEBUG)
    result = run("--store", ward, "--site", SITE, "--at", AT, "--out", tmp_path / "sheet.html")
    said = result.stderr + caplog.text + " ".join(p.name for p in tmp_path.iterdir())
    assert "sheets: 2, drains: 3" in said
    for value in ("demo-A", "demo-B", "stay-A", "240", "150"):
        assert value not in said


def test_what_was_said_on_the_line_comes_before_the_settings(ward, bundles, monkeypatch):
    monkeypatch.setenv("FHIRDRAIN_STORE", str(ward))
    monkeypatch.setenv("FHIRDRAIN_SERVER", "http://127.0.0.1:9")
    assert "240" not in run(bundles[0], bundles[1], "--site", SITE, "--at", AT).output
    assert "240" in run("--site", SITE, "--at", AT).output


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ([], "2 .*a FILE, --store or --server"),
        (["--server", "http://127.0.0.1:9"], "2 .*--server needs --patient"),
        (["x.json", "--server", "http://127.0.0.1:9"], "2 .*not several"),
        (["nowhere.json"], "2 nowhere.json: cannot be read"),
        (["--store", "nowhere.sqlite"], "2 nowhere.sqlite: there is no such store"),
        (["--store", "{ward}", "--at", "yesterday"], '2 "yesterday" is not a time'),
        (["--store", "{ward}", "--at", "2025-10-26 19:05"], "2 .*has no offset"),
        (["--store", "{ward}", "--patient", "demo-A"], "2 a patient is named as SYSTEM"),
        (["--store", "{ward}", "--site", SITE, "--patient", "urn:x|demo-A"], "2 .*another system"),
        (["--store", "{ward}", "--site", SITE, "--at", "2020-01-01T00:00Z"], "2 no drain of any"),
        (["--store", "{ward}", "--site", SITE, "--at", AT,
          "--patient", "https://north-pier.example/patient|nobody"], "2 no drain of this patient"),
    ],
)  # fmt: skip
def test_what_it_refuses(arguments, said, ward):
    import re

    message = refused(*[a.replace("{ward}", str(ward)) for a in arguments])
    assert re.match(said, " ".join(message.split())), message


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "there is no resource in it"),
        (b"not json", "neither a Bundle nor NDJSON"),
        (b"[1, 2]", "not every line or entry is a resource"),
        (b'{"resourceType": "Bundle"}', "there is no resource in it"),
        (b'{"resourceType": "Bundle", "entry": [{}]}', "neither a Bundle nor NDJSON"),
        (b'{"resourceType": "Patient"}', "no drain of any"),
        (b"\xff\xfe{}", "neither a Bundle nor NDJSON"),
    ],
)
def test_files_that_are_none(tmp_path, data, said):
    path = tmp_path / "x.json"
    path.write_bytes(data)
    message = refused(path)
    assert message.startswith("2 ")
    assert said in message


def test_what_cannot_be_read_back_is_no_sheet(bundles, tmp_path):
    bundle = json.loads(Path(bundles[0]).read_text("utf-8"))
    spoilt = next(e for e in bundle["entry"] if "valueQuantity" in e["resource"])
    del spoilt["resource"]["device"]
    path = tmp_path / "spoilt.json"
    path.write_text(json.dumps(bundle))
    assert "1 resources cannot be read back" in refused(path, "--at", AT)


def test_one_number_under_two_systems_is_not_one_patient(bundles, tmp_path):
    text = Path(bundles[0]).read_text("utf-8")
    other = tmp_path / "other.json"
    other.write_text(text.replace("https://north-pier.example/patient", "urn:other"))
    message = refused(bundles[0], other, "--at", AT)
    assert "named by several systems" in message
    assert run(bundles[0], other, "--at", AT, "--patient", "urn:other|demo-B").exit_code == 0


def test_a_store_that_is_in_use_can_be_looked_at(ward):
    from fhirdrain.store import Store

    with Store(ward):
        assert run("--store", ward, "--site", SITE, "--at", AT).exit_code == 0


def test_messages_that_are_not_worked_in_are_said(tmp_path):
    from fhirdrain.store import Store

    path = tmp_path / "ward.sqlite"
    fill(path)
    with Store(path) as store, store.commit():
        store.put_messages([("key", b"MSH|...", "cause")])
    result = run("--store", path, "--site", SITE, "--at", AT)
    assert "1 messages came in that are not worked in yet" in " ".join(result.output.split())
