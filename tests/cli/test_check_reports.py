"""fhirdrain check: each report alone on stdout, and rules explained without a file."""

from __future__ import annotations

import json
from textwrap import indent
from xml.etree import ElementTree

import pytest

from fhirdrain.conformance.definitions import constraints
from fhirdrain.issues import all_rules
from fhirdrain.street.explaining import explained
from tests.cli.test_commands import run

# Two rules in one file, a clean file, one that cannot be read, and a value of a patient.
FILES = {
    "bad.json": '{"resourceType": "Patient",\n "birthDate": "born-4711",\n "name": {}}',
    "clean.json": '{"resourceType": "Patient", "active": true}',
    "cut.json": '{"resourceType": "Patient"',
}
RULES = ["array", "json", "primitive"]


@pytest.fixture
def files(tmp_path):
    for name, text in FILES.items():
        (tmp_path / name).write_text(text)
    return tmp_path


def checked(files, report, *more, **env):
    code, out, err = run("check", *FILES, "--report", report, *more, cwd=files, **env)
    assert (code, err) == (1, "")
    return out


def rules_of(report: str, out: str) -> list[str]:
    """Return the rules a report names, and so show that it can be read."""
    if report == "ndjson":
        return [json.loads(line)["rule"] for line in out.splitlines()]
    if report == "sarif":
        return [result["ruleId"] for result in json.loads(out)["runs"][0]["results"]]
    if report == "operationoutcome":
        return [issue["details"]["coding"][0]["code"] for issue in json.loads(out)["issue"]]
    if report == "junit":
        cases = ElementTree.fromstring(out.encode()).iter("testcase")
        return [case.get("name", "") for case in cases if len(case)]
    return [line.rsplit("<", 1)[1][:-1] for line in out.splitlines() if line.endswith(">")]


REPORTS = ["text", "operationoutcome", "ndjson", "sarif", "junit"]


@pytest.mark.parametrize("report", REPORTS)
def test_each_report_stands_alone_on_stdout_and_says_all(report, files):
    out = checked(files, report)
    assert sorted(rules_of(report, out)) == RULES
    assert "4711" not in out
    assert "4711" in checked(files, report, "--show-values")


@pytest.mark.parametrize("report", REPORTS)
def test_each_report_is_the_same_every_time(report, files):
    assert checked(files, report, PYTHONHASHSEED="1") == checked(files, report, PYTHONHASHSEED="2")


def test_junit_has_a_suite_for_every_file_and_for_stdin(files):
    code, out, _ = run(
        "check", "clean.json", "-", "--report", "junit", cwd=files, stdin=b'{"resourceType": "X"}'
    )
    suites = ElementTree.fromstring(out.encode()).findall("testsuite")
    assert code == 1
    assert [(s.get("name"), s.get("failures")) for s in suites] == [
        ("clean.json", "0"),
        ("<stdin>", "1"),
    ]


@pytest.mark.parametrize("report", REPORTS)
def test_a_clean_file_is_reported_too(report, files):
    code, out, err = run("check", "clean.json", "--report", report, cwd=files)
    assert (code, err) == (0, "")
    if report == "ndjson":
        assert out == ""
    elif report == "text":
        assert out == "no issues\n"
    elif report == "operationoutcome":
        assert [issue["severity"] for issue in json.loads(out)["issue"]] == ["information"]
    else:
        assert rules_of(report, out) == []


def test_a_rule_is_explained_without_a_file():
    code, out, err = run("check", "--explain", "per-1")
    assert (code, err) == (0, "")
    known = all_rules()["per-1"]
    for part in (known.title, indent(known.good, "  "), indent(known.bad, "  "), known.link):
        assert part in out
    assert known.explanation in " ".join(out.split())


def test_an_invariant_of_r4_is_explained_by_its_key():
    code, out, err = run("check", "--explain", "ait-2")
    assert (code, err) == (0, "")
    first, _, where, expression, *_ = out.splitlines()
    assert first == "ait-2: an invariant of R4, reported by the rule invariant"
    assert where == "stands on AllergyIntolerance, as error:"
    assert expression.endswith(".empty() or clinicalStatus.empty()")
    assert all_rules()["invariant"].bad.splitlines()[0] in out


def test_a_key_that_r4_gives_to_several_invariants_shows_each():
    _, out, _ = run("check", "--explain", "inv-1")
    stands = [line for line in out.splitlines() if line.startswith("stands on")]
    assert stands == [
        "stands on Parameters.parameter, as error:",
        "stands on Task, as error:",
        "stands on TestReport.setup.action, as error:",
        "stands on a profile of R4, as error:",
    ]


def test_a_best_practice_says_so_and_a_twofold_key_names_the_other():
    _, out, _ = run("check", "--explain", "con-3")
    assert "stands on Condition, as warning, only with --recommended:\n" in out
    _, out, _ = run("check", "--explain", "txt-2")
    assert out.startswith("txt-2 says the same as txt-1.\n\ntxt-1: ")


def test_every_key_of_r4_can_be_explained():
    for key in {constraint["key"] for constraint in constraints().values()}:
        text = explained(key)
        assert text is not None
        assert text.startswith(f"{key}: ") or text.startswith(f"{key} says the same as ")


def test_an_unknown_rule_is_wrong_usage_and_names_the_nearest():
    code, out, err = run("check", "--explain", "refrence")
    assert (code, out) == (2, "")
    assert "Nearest: reference" in err
    assert "ait-2" in run("check", "--explain", "ait2")[2]
    code, out, err = run("check", "--explain", "zzzzzzzz")
    assert (code, out) == (2, "")
    assert 'no rule "zzzzzzzz"' in err


def test_rules_are_completed_in_the_shell():
    code, out, _ = run(
        _FHIRDRAIN_COMPLETE="bash_complete",
        COMP_WORDS="fhirdrain check --explain bdl-1",
        COMP_CWORD="3",
    )
    assert code == 0
    assert [line.split(",")[1] for line in out.splitlines()] == [
        "bdl-1",
        "bdl-10",
        "bdl-11",
        "bdl-12",
    ]


def test_an_invariant_of_our_profiles_is_explained_and_case_does_not_matter():
    code, out, _ = run("check", "--explain", "drain-2")
    assert code == 0
    assert "an invariant of our profiles" in out
    assert "derivedFrom.exists()" in out
    assert run("check", "--explain", "DOM-6")[0] == 0


@pytest.mark.parametrize(("report", "said"), [("text", True), ("ndjson", True), ("junit", False)])
def test_a_file_that_cannot_be_read_keeps_no_other_from_being_looked_at(files, report, said):
    """What is wrong in the others is said to people, and line by line; no report passes for whole."""
    args = ("check", "none.json", "bad.json", "lost.json", "--report", report)
    code, out, err = run(*args, cwd=files)
    assert (code, "array" in out) == (2, said)
    assert "none.json: cannot be read" in err
    assert ", nor can 1 more" in err
    assert run("check", "none.json", "clean.json", cwd=files)[:2] == (2, "")
