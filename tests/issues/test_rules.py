"""Every rule of the check is told of, and its examples are what it says they are."""

from __future__ import annotations

import ast
import json
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from textwrap import dedent

import pytest

import fhirdrain.conformance
from fhirdrain.conformance import Checker, check_bytes
from fhirdrain.conformance.raw import MOST_DEPTH
from fhirdrain.conformance.rules.invariants import _WORDS
from fhirdrain.issues import Issue, all_rules, nearest_rules, render_rule, rule
from fhirdrain.street.checking import checker_of

CONFORMANCE = Path(fhirdrain.conformance.__file__).parent

# Where the name of a rule is handed on rather than said: file and expression.
HANDED_ON = {
    ("walk.py", "rule"), ("references.py", "rule"), ("values.py", "rule"), ("invariants.py", "rule"),
    ("archives.py", "rule"), ("derived.py", "rule"),
}  # fmt: skip
# Calls that say a rule's name, and at which argument they do.
SAID_AT = {"add": 1, "_add": 1, "Issue": 2, "_bound": 0, "_differs": 2, "_exactly": 0}

ROOT = CONFORMANCE.parent.parent

# What a bad example breaks besides its own rule, and cannot help breaking.
ALSO = {
    # Judging stops at what is broken, and that is reported for itself.
    "not-judged": {"component"},
    # #id is looked for in the outermost resource alone.
    "dom-2": {"ref-1"},
}


@cache
def checker(needs: str) -> Checker:
    """Return what the options of `check` that a rule's table names make."""
    match needs.split():
        case []:
            made, issues = checker_of([])
        case ["--recommended"]:
            made, issues = checker_of([], best_practice=True)
        case ["--profiles", folder]:
            made, issues = checker_of([str(ROOT / folder)])
        case ["--profiles", folder, "--profile", url]:
            made, issues = checker_of([str(ROOT / folder)], [url])
        case ["--references", "resolve"]:
            made, issues = checker_of([], references="resolve")
        case ["--extensions", "accept"]:
            made, issues = checker_of([], extensions="accept")
        case _:
            raise AssertionError(f"no such options: {needs}")
    assert issues == []
    return made


def issues_of(text: str, needs: str) -> list[Issue]:
    return list(check_bytes(text.encode(), checker=checker(needs)))


def named_in(source: str) -> Iterator[str | ast.expr]:
    """Yield the rule of each `add(node, rule, ...)` and `Issue(severity, code, rule, ...)`."""
    for call in ast.walk(ast.parse(source)):
        if not isinstance(call, ast.Call):
            continue
        name = getattr(call.func, "attr", getattr(call.func, "id", ""))
        place = SAID_AT.get(name)
        if place is None or len(call.args) + len(call.keywords) < 2:
            continue  # a set's add has one argument
        by_name = [word.value for word in call.keywords if word.arg == "rule"]
        found = by_name[0] if by_name else call.args[place]
        either = [found.body, found.orelse] if isinstance(found, ast.IfExp) else [found]
        for one in either:
            yield one.value if isinstance(one, ast.Constant) else one


def named() -> tuple[set[str], set[tuple[str, str]]]:
    """Return the rules that the check's sources name, and where a name is not a literal."""
    literal: set[str] = set()
    other: set[tuple[str, str]] = set()
    for path in sorted(CONFORMANCE.rglob("*.py")):
        for found in named_in(path.read_text("utf-8")):
            if isinstance(found, str):
                literal.add(found)
            else:
                other.add((path.name, ast.unparse(found)))
    return literal, other


NAMED, NOT_LITERAL = named()
# R4's invariants are rules under the keys R4 gives them.
NAMED |= {"invariant", *_WORDS}


def test_the_sources_are_read():
    assert {"json", "duplicate-key", "per-1", "bdl-5", "ref-1", "unit", "one-identity"} <= NAMED
    assert len(NAMED) > 40


@pytest.mark.parametrize(
    "source",
    [
        "report.add(node, 'new', 'says')",
        "add(node, 'new', 'says')",
        "Issue('error', 'value', 'new', 'says')",
        "Issue(severity='error', code='value', rule='new', message='says')",
    ],
)
def test_a_rule_is_found_however_it_is_named(source):
    assert list(named_in(source)) == ["new"]


def test_every_rule_of_the_check_is_told_of():
    assert sorted(NAMED - set(all_rules())) == []


def test_no_rule_is_named_where_this_test_cannot_see_it():
    assert NOT_LITERAL == HANDED_ON


@pytest.mark.parametrize("one", all_rules().values(), ids=lambda one: one.name)
def test_what_is_told_is_whole(one):
    assert one.title.endswith(".")
    assert ". " not in one.title
    assert one.explanation.endswith(".")
    assert 2 <= len(one.explanation.split(". ")) <= 4
    assert one.link == "" or one.link.startswith(
        ("https://hl7.org/fhir/R4/", "https://www.rfc-editor.org/rfc/rfc8259", "https://ucum.org/")
    )
    good = json.loads(one.good)
    if one.name == "json":
        with pytest.raises(ValueError, match="Expecting"):
            json.loads(one.bad)
    else:
        json.loads(one.bad)
        assert one.good != one.bad
    assert isinstance(good, dict)


def test_nothing_is_told_of_that_is_no_rule():
    assert sorted(set(all_rules()) - NAMED) == []


@pytest.mark.parametrize("one", all_rules().values(), ids=lambda one: one.name)
def test_the_good_example_has_no_issue_at_all(one):
    assert issues_of(one.good, one.needs) == []


@pytest.mark.parametrize("one", all_rules().values(), ids=lambda one: one.name)
def test_the_bad_example_breaks_its_rule_and_no_other(one):
    broken = {issue.rule for issue in issues_of(one.bad, one.needs)}
    assert broken == {one.name} | ALSO.get(one.name, set())


@pytest.mark.parametrize(
    "one", [one for one in all_rules().values() if one.needs], ids=lambda one: one.name
)
def test_what_the_examples_need_they_need(one):
    bad = {issue.rule for issue in issues_of(one.bad, "")}
    assert issues_of(one.good, "") != [] or bad != {one.name}


@pytest.mark.parametrize("one", all_rules().values(), ids=lambda one: one.name)
def test_the_examples_fit_a_terminal(one):
    for example in (one.good, one.bad):
        lines = example.splitlines()
        # What a rule says of several observations takes several to show.
        assert len(lines) <= (85 if '"collection"' in example else 40)
        assert max(map(len, lines)) <= 98


def test_the_bound_of_depth_is_where_it_is_said_to_be():
    def nested(times: int) -> bytes:
        inner: dict[str, object] = {"url": "https://a.example/e", "valueInteger": 1}
        for _ in range(times):
            inner = {"url": "https://a.example/e", "extension": [inner]}
        return json.dumps({"resourceType": "Patient", "extension": [inner]}).encode()

    # Two steps of a path for each: the key and the place in the array.
    assert {issue.rule for issue in check_bytes(nested(MOST_DEPTH // 2 - 2))} == {
        "extension-unknown"
    }
    assert "depth" in {issue.rule for issue in check_bytes(nested(MOST_DEPTH // 2))}


def test_each_table_has_just_what_a_rule_has():
    path = CONFORMANCE.parent / "issues" / "rules.toml"
    tables = tomllib.loads(path.read_text("utf-8"))
    for name, table in tables.items():
        assert set(table) - {"link", "needs"} == {"title", "explanation", "good", "bad"}, name


def test_a_rule_is_looked_up_by_name_and_near_ones_are_named():
    known = rule("per-1")
    assert known is not None
    assert known.name == "per-1"
    assert rule("per-2") is None
    assert nearest_rules("PER1")[0] == "per-1"
    assert nearest_rules("refrence")[0] == "reference"
    assert nearest_rules("zzzzzzzz") == []
    assert nearest_rules("ait2", ["ait-2"])[0] == "ait-2"


def test_a_rule_is_explained_with_all_it_has():
    known = rule("obs-6")
    assert known is not None
    lines = render_rule(known).splitlines()
    assert lines[0] == f"obs-6: {known.title}"
    assert " ".join(lines[2 : lines.index("good:") - 1]) == known.explanation
    good, bad = lines.index("good:"), lines.index("bad:")
    assert dedent("\n".join(lines[good + 1 : bad])) == known.good
    assert dedent("\n".join(lines[bad + 1 : -2])) == known.bad
    assert lines[-1] == "https://hl7.org/fhir/R4/observation.html"
    assert "checked with" not in render_rule(known)
    with_option = rule("dom-6")
    assert with_option is not None
    assert "the examples are checked with --recommended" in render_rule(with_option)
    own = rule("whose")
    assert own is not None
    assert "README.md" in render_rule(own).splitlines()[-1]
