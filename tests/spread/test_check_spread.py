"""Dealt out, check says what it says in one process, in the same order."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest
from click.testing import CliRunner

from fhirdrain.cli.check_command import command
from fhirdrain.errors import ConfigurationError, SourceError
from fhirdrain.intake.item import Share
from fhirdrain.spread import Spreading, Workers
from fhirdrain.street.checking import Against, check_sources
from fhirdrain.street.checking_spread import begun, check_spread
from fhirdrain.street.sources import files_of, is_fhir
from tests.conftest import ROOT

SAMPLES = ROOT / "sample_bundles"


@pytest.fixture(autouse=True)
def shares_of_a_few_lines(monkeypatch):
    monkeypatch.setattr(Share, "_RUN", 2)


def alone(files, against):
    checker, _ = against.checker()
    return drained(check_sources(files, checker=checker))


def spread(tmp_path, files, against, smallest=1):
    checker, _ = against.checker()
    workers = Workers(1)
    with begun(files, against, Spreading(workers, tmp_path / "work", None, smallest)) as work:
        return drained(check_spread(files, against, checker, workers, work))


def drained(found):
    """Return issues, and the error they ended with."""
    issues = []
    try:
        issues.extend(found)
    except SourceError as error:
        return issues, (str(error), error.place)
    return issues, None


def lines(tmp_path):
    """Return NDJSON with much that is wrong, blank lines, and lines that are no JSON."""
    texts = [
        b" ".join(path.read_bytes().split(b"\n"))
        for path in sorted((SAMPLES / "invalid").glob("*.json"))
        if ".expected" not in path.name
    ]
    texts.insert(3, b"")
    texts.insert(8, b"{no json")
    path = tmp_path / "lines.ndjson"
    path.write_bytes(b"\n".join(texts) + b"\n")
    return path


def test_all_samples(tmp_path):
    files = files_of([str(SAMPLES)], is_fhir)
    assert len(files) > 100
    found = alone(files, Against())
    assert len(found[0]) > 200
    assert spread(tmp_path, files, Against()) == found


def test_a_file_whose_lines_are_shared(tmp_path):
    path = lines(tmp_path)
    issues, _ = found = alone([str(path)], Against())
    assert len({issue.line for issue in issues}) > 20
    assert any(issue.severity == "fatal" for issue in issues)
    assert spread(tmp_path, [str(path)], Against()) == found


def test_the_options_hold_for_every_share(tmp_path):
    path = lines(tmp_path)
    issues, _ = alone([str(path)], Against())
    fatal = {issue.line for issue in issues if issue.severity == "fatal"}
    kept = [t for n, t in enumerate(path.read_bytes().splitlines(), 1) if n not in fatal]
    path.write_bytes(b"\n".join(kept))
    profile = "http://hl7.org/fhir/StructureDefinition/Coverage"
    against = Against(
        (str(SAMPLES / "definitions"),), (profile,), "refuse", "resolve", True,
        SAMPLES / "scenario" / "site.toml",
    )  # fmt: skip
    found = alone([str(path)], against)
    assert found != alone([str(path)], Against())
    # That a profile was applied to nothing is said once of the whole, not of each share.
    assert [issue.rule for issue in found[0]].count("profile-unused") == 1
    assert spread(tmp_path, [str(path)], against) == found


def test_a_profile_that_is_applied_in_one_share_is_applied(tmp_path):
    path = tmp_path / "mixed.ndjson"
    basic = b'{"resourceType":"Basic","code":{"text":"x"}}\n'
    path.write_bytes(basic * 9 + b'{"resourceType":"Patient"}\n' + basic * 9)
    against = Against(profiles=("http://hl7.org/fhir/StructureDefinition/Patient",))
    found = alone([str(path)], against)
    assert "profile-unused" not in [issue.rule for issue in found[0]]
    assert spread(tmp_path, [str(path)], against) == found


def test_what_cannot_be_read_is_said_once_all_else_was(tmp_path):
    whole = lines(tmp_path)
    broken = tmp_path / "broken.ndjson.gz"
    broken.write_bytes(gzip.compress(whole.read_bytes() * 20)[:-2000])
    files = [str(broken), str(tmp_path / "none.json"), str(whole)]
    issues, error = found = alone(files, Against())
    assert error is not None
    assert "the gzip file breaks off, nor can 1 more" in error[0]
    assert any(issue.file == str(whole) for issue in issues)
    found_so, error_so = spread(tmp_path, files, Against())
    assert error_so == error
    assert [i for i in found_so if i.file == str(whole)] == [
        i for i in issues if i.file == str(whole)
    ]
    assert found


def test_standard_input_is_not_dealt_out(tmp_path):
    with pytest.raises(ConfigurationError, match="standard input"):
        spread(tmp_path, ["-"], Against())


@pytest.mark.parametrize("report", ["text", "ndjson", "sarif", "junit", "operationoutcome"])
def test_the_command_reports_the_same(tmp_path, report):
    path = str(lines(tmp_path))
    run = CliRunner().invoke
    found = run(command, [path, "--report", report])
    assert found.exit_code == 1
    dealt = run(command, [path, "--report", report, "--workers", "1"])
    assert (dealt.exit_code, dealt.output) == (found.exit_code, found.output)


def test_two_processes(tmp_path):
    files = [str(p) for p in sorted((SAMPLES / "valid").iterdir())] + [str(lines(tmp_path))]
    run = CliRunner().invoke
    found = run(command, [*files, "--report", "ndjson"])
    dealt = run(command, [*files, "--report", "ndjson", "--workers", "2"])
    assert (dealt.exit_code, dealt.output) == (found.exit_code, found.output)


def test_only_work_that_is_dealt_out_has_a_folder(tmp_path):
    run = CliRunner().invoke
    path = str(lines(tmp_path))
    found = run(command, [path, "--work", str(tmp_path / "w")])
    assert isinstance(found.exception, ConfigurationError)
    found = run(command, [path, "--workers", "2", "--cluster", "tcp://127.0.0.1:1"])
    assert isinstance(found.exception, ConfigurationError)


def test_a_folder_is_looked_into_by_name(tmp_path):
    (tmp_path / "a" / "deep").mkdir(parents=True)
    for name in (
        "b.json", "a/c.ndjson.gz", "a/deep/d.NDJSON", "a/notes.txt", ".hidden/e.json",
        "a/.f.json", "manifest.json",
    ):  # fmt: skip
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_text("{}")
    found = files_of([str(tmp_path), "-", "other.json"], is_fhir)
    inside = [str(tmp_path / n) for n in ("a/c.ndjson.gz", "a/deep/d.NDJSON", "b.json")]
    assert found == [*inside, "-", "other.json"]
    with pytest.raises(SourceError, match="no such file"):
        files_of([str(tmp_path / ".hidden")], lambda path: path.suffix == ".txt")
    assert Path(found[0]).is_file()
    (tmp_path / "manifest.json").write_text('{"resourceType": "Basic"}')
    assert str(tmp_path / "manifest.json") in files_of([str(tmp_path)], is_fhir)
    (tmp_path / "gone.json").symlink_to(tmp_path / "nowhere.json")
    with pytest.raises(SourceError, match="no file"):
        files_of([str(tmp_path)], is_fhir)
