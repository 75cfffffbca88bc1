"""The samples: valid ones are what map makes, invalid ones have just the findings beside them."""

from __future__ import annotations

import io
import json
import subprocess
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from fhirdrain.cli.check_command import command
from fhirdrain.conformance import Checker, Options, check_file
from fhirdrain.conformance.definitions import standard
from fhirdrain.conformance.packages import supplied
from fhirdrain.issues import all_rules
from fhirdrain.resources.recover import recover
from fhirdrain.site import load_site
from fhirdrain.street.mapping import map_sources
from fhirdrain.street.tour import SAME
from fhirdrain.vocabulary.jsontext import decode
from tests.conftest import ROOT

SAMPLES = ROOT / "sample_bundles"
INVALID = sorted(p for p in (SAMPLES / "invalid").glob("*.json") if ".expected" not in p.name)


CHARTS = {
    "rounds": ("rounds.csv", "rounds.wide.csv", "rounds.jsonl", "rounds.hl7"),
    "surgery": ("surgery.tsv", "surgery.wide.tsv", "surgery.jsonl", "surgery.hl7"),
}


def test_the_files_are_what_the_scenario_makes():
    result = subprocess.run(
        [sys.executable, SAMPLES / "build.py", "--check"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (result.stdout, result.returncode) == ("", 0)


# What the scenario lets happen at the bedside is said and delivered: on Saturday suction is set to
# 20 until the evening, and the order has said 10 since 11:30.
SAID = {"rounds.transaction.json": ["2025-10-25T15:00:00+02:00", "2025-10-25T19:00:00+02:00"]}


@pytest.mark.parametrize("path", sorted((SAMPLES / "valid").iterdir()), ids=lambda p: p.name)
def test_valid_samples_have_no_findings(path):
    issues = check_file(path)
    assert {(i.rule, i.severity) for i in issues} <= {("suction-differs", "warning")}
    entries = [int(i.location.partition("[")[2].partition("]")[0]) for i in issues]
    bundle = decode(path.read_bytes()) if entries else {}
    times = [bundle["entry"][entry]["resource"]["effectiveDateTime"] for entry in entries]
    assert times == SAID.get(path.name, [])


def mapped(chart, form, tmp_path):
    """Return the report of one chart in one form."""
    folder, file, source = {
        "long": ("scenario", CHARTS[chart][0], chart),
        "wide": ("forms", CHARTS[chart][1], f"{chart}-wide"),
        "lines": ("forms", CHARTS[chart][2], f"{chart}-lines"),
        "messages": ("forms", CHARTS[chart][3], f"{chart}-hl7"),
    }[form]
    site = load_site(SAMPLES / folder / "site.toml")
    return map_sources(
        [SAMPLES / folder / file],
        site,
        site.source(source),
        io.BytesIO(),
        rejects=tmp_path / "rejects",
        keep_items=True,
    )


def recovered(name):
    """Return the readings of a sample of FHIR."""
    data = (SAMPLES / "valid" / name).read_bytes()
    if name.endswith(".ndjson"):
        resources = [decode(line) for line in data.splitlines()]
    else:
        resources = [entry["resource"] for entry in decode(data)["entry"]]
    readings, issues = recover(resources)
    assert issues == []
    return readings


def but_for_identity(readings):
    """Return what readings say, an order named by what it orders and when, not by its identity."""
    ordered = {}
    for r in sorted(readings, key=lambda r: r.observable):
        if r.observable.endswith("ordered"):
            ordered.setdefault(r.identity, []).append((r.drain, r.observable, str(r.value), r.time))
    return Counter(
        repr(
            [
                ordered.get(r.order)
                if name == "order"
                else sorted(r.parts.items())
                if name == "parts"
                else str(getattr(r, name))
                for name in (*SAME, "start")
                if name != "source"  # which has a name of its own for each form
            ]
        )
        for r in readings
    )


@pytest.mark.parametrize("chart", CHARTS)
def test_every_form_of_the_scenario_says_the_same(chart, tmp_path):
    long = mapped(chart, "long", tmp_path)
    expected = but_for_identity(long.readings)
    assert expected.total() > 100
    assert any("entered-in-error" in said for said in expected) == (chart == "surgery")
    for form in ("wide", "lines", "messages"):
        other = mapped(chart, form, tmp_path)
        assert but_for_identity(other.readings) == expected, form
        assert Counter(i.rule for i in other.issues) == Counter(i.rule for i in long.issues)
    for name in (f"{chart}.ndjson", f"{chart}.transaction.json"):
        # An amount's start is worked out, and goes out as the start of its Period.
        readings = [replace(r, start=None) for r in recovered(name)]
        charted = [replace(r, start=None) for r in long.readings]
        assert but_for_identity(readings) == but_for_identity(charted), name


def test_every_form_adds_up_to_the_same(tmp_path):
    for chart in CHARTS:
        told = [
            [(t.window, t.value, t.at_least, t.at_most) for s in report.drains for t in s.windows]
            for report in (
                mapped(chart, form, tmp_path) for form in ("long", "wide", "lines", "messages")
            )
        ]
        assert told[0] == told[1] == told[2] == told[3] != []


def expectation(path):
    """Return the options a sample is checked with, and what must be found in it."""
    said = json.loads(path.with_suffix(".expected.json").read_text())
    # Paths among the options are those of the folder of samples.
    options = [str(SAMPLES / o) if (SAMPLES / o).is_dir() else o for o in said["options"]]
    return options, [(f["rule"], f["location"], f["severity"]) for f in said["findings"]]


@pytest.mark.parametrize("path", INVALID, ids=lambda p: p.stem)
def test_invalid_samples_have_the_findings_beside_them(path):
    """By the command: its NDJSON, and its exit code."""
    options, findings = expectation(path)
    run = CliRunner().invoke(command, [str(path), "--report", "ndjson", *options])
    told = [json.loads(line) for line in run.stdout.splitlines()]
    assert [(i["rule"], i["location"] or "", i["severity"]) for i in told] == findings
    assert all(i["line"] > 0 for i in told)
    assert run.exit_code == any(severity in ("error", "fatal") for _, _, severity in findings)


@pytest.mark.parametrize("path", INVALID, ids=lambda p: p.stem)
def test_invalid_samples_by_the_library(path):
    options, findings = expectation(path)
    given = dict(zip(options[::2], options[1::2], strict=False))
    chosen = Options(
        profiles=(given["--profile"],) if "--profile" in given else (),
        extensions=given.get("--extensions", "mention"),
        references=given.get("--references", "accept"),
        best_practice="--recommended" in options,
    )
    folders = [Path(given["--profiles"])] if "--profiles" in given else []
    definitions, _ = standard().extended(supplied(folders).definitions)
    issues = check_file(path, Checker(definitions, chosen))
    assert [(i.rule, i.location, i.severity) for i in issues] == findings


def test_every_rule_has_an_invalid_sample_named_after_it():
    assert sorted(path.stem for path in INVALID) == sorted(all_rules())
    for path in INVALID:
        assert path.stem in {rule for rule, _, _ in expectation(path)[1]}
