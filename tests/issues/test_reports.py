"""Issues as text, NDJSON and JUnit XML: what is shown, in which order, and what never is."""

from __future__ import annotations

import json
from dataclasses import replace
from xml.etree import ElementTree

import pytest

from fhirdrain.conformance import check_resource
from fhirdrain.issues import (
    Issue,
    render_issue,
    render_junit,
    render_ndjson,
    render_text,
    to_operation_outcome,
    to_sarif,
)

PERIOD = Issue(
    "error",
    "invariant",
    "per-1",
    "the period starts after it ends",
    hint="were they swapped?",
    file="a.json",
    line=3,
    column=2,
    location="Observation.effective",
    value="demo-4711",
)
WARNING = Issue("warning", "not-supported", "profile", "not checked", file="a.json", line=1)
FATAL = Issue("fatal", "structure", "json", "not JSON", file="b.json", line=9, column=1)

RENDERERS = {
    "line": lambda issues, **more: render_issue(issues[0], **more),
    "text": render_text,
    "ndjson": render_ndjson,
    "junit": render_junit,
    "sarif": lambda issues, **more: json.dumps(to_sarif(issues, **more)),
    "operationoutcome": lambda issues, **more: json.dumps(to_operation_outcome(issues, **more)),
}


@pytest.mark.parametrize("render", RENDERERS.values(), ids=RENDERERS)
def test_values_are_shown_only_when_asked_for(render):
    assert "4711" not in render([PERIOD])
    assert "4711" in render([PERIOD], show_values=True)


# -- text


def test_text_is_by_file_the_worst_first_and_counted_at_the_end():
    assert render_text([WARNING, PERIOD, FATAL]) == (
        "b.json\n"
        "  fatal: not JSON <json>\n"
        "    b.json:9:1\n"
        "\n"
        "a.json\n"
        "  error: the period starts after it ends <per-1>\n"
        "    a.json:3:2 Observation.effective\n"
        "    hint: were they swapped?\n"
        "  warning: not checked <profile>\n"
        "    a.json:1\n"
        "\n"
        "1 fatal, 1 error, 1 warning\n"
    )


def test_text_says_once_what_is_wrong_in_many_places():
    text = render_text([replace(PERIOD, line=line) for line in range(3, 20)])
    assert text.count("the period starts after it ends") == 1
    assert text.count("were they swapped?") == 1
    places = [line for line in text.splitlines() if "a.json:" in line]
    assert places == [f"    a.json:{line}:2 Observation.effective" for line in (3, 4, 5)]
    assert "    and 14 more\n" in text
    assert text.endswith("\n17 error\n")


@pytest.mark.parametrize(
    "change",
    [
        {"hint": "another"},
        {"message": "another"},
        {"rule": "per-2"},
        {"severity": "warning"},
        {"file": "c.json"},
    ],
)
def test_text_keeps_apart_what_differs(change):
    text = render_text([PERIOD, replace(PERIOD, **change)])
    assert sum("<per-" in line for line in text.splitlines()) == 2


def test_text_folds_what_differs_only_in_its_value_and_shows_each_when_asked():
    issues = [PERIOD, replace(PERIOD, value="demo-4712", line=4)]
    assert render_text(issues).count("error:") == 1
    shown = render_text(issues, show_values=True)
    assert "a.json:3:2 Observation.effective [demo-4711]" in shown
    assert "a.json:4:2 Observation.effective [demo-4712]" in shown


def test_text_counts_what_has_no_place():
    bare = Issue("error", "value", "sandbox", "no place")
    assert render_text([bare]) == "  error: no place <sandbox>\n\n1 error\n"
    assert "    and 2 more\n" in render_text([bare] * 3)


def test_text_of_nothing_says_so():
    assert render_text([]) == "no issues\n"


def test_text_lets_no_value_or_name_move_the_cursor_or_break_a_line():
    hostile = replace(PERIOD, file="a\x1b[2J\udcff.json", value="x\r\n\x1b]0;t\x07")
    text = render_text([hostile], show_values=True)
    assert text.replace("\n", "").isprintable()
    assert "\\x1b[2J\\udcff.json" in text
    assert "[x\\r\\n\\x1b]0;t\\x07]" in text
    assert render_issue(replace(hostile, file=""), show_values=True).isprintable()


# -- NDJSON


def test_ndjson_has_an_object_a_line_in_the_order_given():
    lines = render_ndjson([WARNING, PERIOD]).splitlines()
    assert [json.loads(line) for line in lines] == [
        {
            "severity": "warning",
            "code": "not-supported",
            "rule": "profile",
            "message": "not checked",
            "hint": None,
            "file": "a.json",
            "line": 1,
            "column": None,
            "location": None,
            "link": "https://hl7.org/fhir/R4/profiling.html",
        },
        {
            "severity": "error",
            "code": "invariant",
            "rule": "per-1",
            "message": "the period starts after it ends",
            "hint": "were they swapped?",
            "file": "a.json",
            "line": 3,
            "column": 2,
            "location": "Observation.effective",
            "link": "https://hl7.org/fhir/R4/datatypes.html#Period",
        },
    ]


def test_ndjson_gives_the_value_only_when_asked_and_knows_no_link_of_others():
    (line,) = render_ndjson([replace(PERIOD, rule="server")], show_values=True).splitlines()
    entry = json.loads(line)
    assert entry["value"] == "demo-4711"
    assert entry["link"] is None
    assert "value" not in json.loads(render_ndjson([PERIOD]))


def test_ndjson_is_one_line_each_for_every_reader():
    # U+2028 and U+0085 end a line for some readers and not for others.
    text = render_ndjson([replace(PERIOD, message="a\u2028b\x85c\nd", file="\udcff.json")])
    assert len(text.splitlines()) == 1
    assert text.isascii()
    assert json.loads(text)["message"] == "a\u2028b\x85c\nd"


def test_ndjson_of_nothing_is_empty():
    assert render_ndjson([]) == ""


# -- JUnit


def test_junit_has_a_suite_a_file_and_a_case_a_rule():
    more = replace(PERIOD, line=8)
    root = ElementTree.fromstring(
        render_junit([PERIOD, WARNING, more, FATAL], ["clean.json", "a.json", "b.json"])
    )
    assert root.tag == "testsuites"
    suites = {suite.get("name"): suite for suite in root.findall("testsuite")}
    assert list(suites) == ["clean.json", "a.json", "b.json"]
    cases = {name: [c.get("name") for c in suite] for name, suite in suites.items()}
    assert cases == {"clean.json": ["check"], "a.json": ["per-1", "profile"], "b.json": ["json"]}
    assert {case.get("classname") for case in suites["a.json"]} == {"a.json"}
    period, profile = suites["a.json"]
    (failure,) = period
    assert failure.tag == "failure"
    assert failure.get("message") == "the period starts after it ends (and 1 more)"
    assert failure.get("type") == "error"
    assert failure.text == f"{render_issue(PERIOD)}\n{render_issue(more)}"
    (output,) = profile
    assert (output.tag, output.text) == ("system-out", render_issue(WARNING))
    assert list(suites["clean.json"][0]) == []


def test_junit_counts_are_what_is_there():
    root = ElementTree.fromstring(render_junit([PERIOD, WARNING, FATAL], ["c.json"]))
    for element in (root, *root.findall("testsuite")):
        assert element.get("tests") == str(len(element.findall(".//testcase")))
        assert element.get("failures") == str(len(element.findall(".//failure")))
        assert (element.get("errors"), element.get("skipped")) == ("0", "0")
    assert (root.get("tests"), root.get("failures")) == ("4", "2")


def test_junit_keeps_warnings_beside_errors_of_one_rule():
    (case,) = ElementTree.fromstring(
        render_junit([PERIOD, replace(PERIOD, severity="information")])
    ).iter("testcase")
    assert [child.tag for child in case] == ["failure", "system-out"]


def test_junit_is_well_formed_whatever_stands_in_it():
    # XML 1.0, production 2: no control characters, no surrogates, no U+FFFE and U+FFFF.
    odd = "".join(map(chr, [*range(0x20), 0x7F, 0xD800, 0xDFFF, 0xFFFE, 0xFFFF, 0x1F600]))
    nasty = replace(PERIOD, message=f"<&>\"']]>{odd}ä", file="a<b>&\x00\udcff.json", value=odd)
    text = render_junit([nasty, replace(nasty, severity="warning")], show_values=True)
    assert text.isascii()
    root = ElementTree.fromstring(text.encode("ascii"))
    (suite,) = root
    assert suite.get("name") == "a<b>&.json"
    message = root.find(".//failure").get("message")
    assert message == "<&>\"']]>\t\n\r\x7f\U0001f600ä"


# -- OperationOutcome


def test_an_operation_outcome_says_where_the_rule_is_published():
    # R4, extension operationoutcome-authority: on an issue, a uri, where the rule is defined.
    link = "http://hl7.org/fhir/StructureDefinition/operationoutcome-authority"
    outcome = to_operation_outcome([PERIOD, replace(PERIOD, rule="whose")])
    published, own = outcome["issue"]
    assert {"url": link, "valueUri": "https://hl7.org/fhir/R4/datatypes.html#Period"} in published[
        "extension"
    ]
    assert link not in json.dumps(own)
    assert [i for i in check_resource(outcome) if i.severity != "information"] == []


def test_an_operation_outcome_names_a_file_whose_name_is_no_utf_8():
    outcome = to_operation_outcome([replace(PERIOD, file="\udcff.json")])
    json.dumps(outcome, ensure_ascii=False).encode("utf-8")
    assert outcome["issue"][0]["extension"][0]["valueString"] == "\\udcff.json"


def test_what_a_definition_says_cannot_move_the_cursor_or_forge_a_line():
    forged = replace(PERIOD, message="x\x1b[31m\n1 error", hint="y\r\n<stdin>")
    text = render_text([forged])
    assert "\x1b" not in text
    assert len(text.splitlines()) == len(render_text([PERIOD]).splitlines())
    outcome = to_operation_outcome([replace(forged, file="a\x1bb.json")])
    assert check_resource(outcome) == []


def test_a_file_in_an_archive_has_the_uri_of_the_archive():
    inside = replace(PERIOD, file="one.tgz!../../etc/x.json")
    (result,) = to_sarif([inside])["runs"][0]["results"]
    assert result["locations"][0]["physicalLocation"]["artifactLocation"]["uri"] == "one.tgz"
