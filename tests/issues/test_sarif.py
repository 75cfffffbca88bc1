"""SARIF: logs that the published schema of version 2.1.0 allows, and that say what was found.

`pydantic_sarif` holds the OASIS schema sarif-schema-2.1.0.json as pydantic models: required and
unknown properties, types, enumerations and bounds. What models cannot say is checked here, with
the section of the standard (numbers from memory).
"""

from __future__ import annotations

import copy
import re
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pytest
from pydantic import ValidationError
from pydantic_sarif.model import StaticAnalysisResultsFormatSarifVersion210JsonSchema as Schema

from fhirdrain import __version__
from fhirdrain.conformance import check_file
from fhirdrain.issues import Issue, all_rules, to_sarif
from tests.conftest import ROOT

ISSUE = Issue(
    "error",
    "invariant",
    "per-1",
    "the period starts after it ends",
    hint="were they swapped?",
    file="charts/a.json",
    line=3,
    column=2,
    location="Observation.effective",
    value="demo-4711",
)
EVERYTHING = [
    replace(ISSUE, rule="unit", severity="fatal"),
    ISSUE,
    replace(ISSUE, severity="warning", column=0),
    replace(ISSUE, severity="information", line=0, column=0, hint=""),
    replace(ISSUE, file="", line=0, column=0),
    Issue("error", "value", "server", "of somebody else's"),
]


def results(*issues: Issue, **more: Any) -> list[dict[str, Any]]:
    log = to_sarif(issues, **more)
    Schema.model_validate(log)
    found: list[dict[str, Any]] = log["runs"][0]["results"]
    return found


@pytest.mark.parametrize("issues", [[], EVERYTHING], ids=["nothing", "everything"])
@pytest.mark.parametrize("show_values", [False, True])
def test_the_published_schema_allows_it(issues, show_values):
    Schema.model_validate(to_sarif(issues, show_values=show_values))


def test_it_allows_what_is_said_of_every_sample_and_rule():
    issues = [
        i for p in (ROOT / "sample_bundles" / "invalid").glob("*.json") for i in check_file(p)
    ]
    assert len(issues) >= 10
    Schema.model_validate(to_sarif(issues))
    log = to_sarif([replace(ISSUE, rule=name) for name in all_rules()])
    Schema.model_validate(log)
    for described in log["runs"][0]["tool"]["driver"]["rules"]:
        assert "text" in described["shortDescription"]  # 3.12.3


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (["version"], "2.0.0"),
        (["runs", 0, "tool"], None),
        (["runs", 0, "columnKind"], "characters"),
        (["runs", 0, "results", 0, "level"], "fatal"),
        (["runs", 0, "results", 0, "message"], "a text"),
        (["runs", 0, "results", 0, "hint"], "unknown property"),
        (["runs", 0, "results", 0, "ruleIndex"], -2),
        (["runs", 0, "results", 0, "locations", 0, "physicalLocation", "region", "startLine"], 0),
        (["runs", 0, "tool", "driver", "rules", 0, "helpUri"], "no uri"),
    ],
)
def test_the_schema_refuses_what_is_not_sarif(path, value):
    log = copy.deepcopy(to_sarif(EVERYTHING))
    at: Any = log
    for step in path[:-1]:
        at = at[step]
    at[path[-1]] = value
    with pytest.raises(ValidationError):
        Schema.model_validate(log)


def test_the_driver_describes_each_rule_once_and_results_point_at_it():
    # 3.27.5, 3.27.6: ruleId and ruleIndex name the same reportingDescriptor; 3.19.23: ids differ.
    log = to_sarif(EVERYTHING)
    assert log["version"] == "2.1.0"
    assert log["$schema"].endswith("/sarif-schema-2.1.0.json")
    (run,) = log["runs"]
    driver = run["tool"]["driver"]
    assert (driver["name"], driver["version"]) == ("fhirdrain", __version__)
    assert [described["id"] for described in driver["rules"]] == ["per-1", "server", "unit"]
    for result, issue in zip(run["results"], EVERYTHING, strict=True):
        assert result["ruleId"] == issue.rule
        assert driver["rules"][result["ruleIndex"]]["id"] == issue.rule
    known = all_rules()["per-1"]
    assert driver["rules"][0] == {
        "id": "per-1",
        "shortDescription": {"text": known.title},
        "fullDescription": {"text": known.explanation},
        "helpUri": known.link,
    }
    assert driver["rules"][1] == {"id": "server"}


def test_levels_are_those_of_the_standard():
    # 3.27.10: none, note, warning, error; "none" would need another kind than "fail".
    severities = ("fatal", "error", "warning", "information")
    levels = [r["level"] for r in results(*(replace(ISSUE, severity=s) for s in severities))]
    assert levels == ["error", "error", "warning", "note"]


def test_a_result_says_what_and_where():
    (result,) = results(ISSUE)
    assert result["message"]["text"] == "the period starts after it ends (hint: were they swapped?)"
    assert result["locations"] == [
        {
            "physicalLocation": {
                "artifactLocation": {"uri": "charts/a.json"},
                "region": {"startLine": 3, "startColumn": 2},
            },
            "logicalLocations": [{"fullyQualifiedName": "Observation.effective"}],
        }
    ]
    assert result["properties"] == {"code": "invariant"}
    (shown,) = results(ISSUE, show_values=True)
    assert shown["properties"] == {"code": "invariant", "value": "demo-4711"}


def test_a_place_is_said_only_as_far_as_it_is_known():
    # 3.30.5, 3.30.6: lines and columns count from 1, so 0 must not be written.
    def physical(**change: Any) -> Any:
        (result,) = results(replace(ISSUE, **change))
        return result["locations"][0].get("physicalLocation")

    assert physical(column=0)["region"] == {"startLine": 3}
    assert "region" not in physical(line=0, column=0)
    assert physical(file="", line=0, column=0) is None
    (bare,) = results(Issue("error", "value", "server", "nowhere"))
    assert "locations" not in bare


@pytest.mark.parametrize(
    ("file", "uri"),
    [
        ("a.json", "a.json"),
        ("./charts//a.json", "charts/a.json"),
        ("my charts/ä#1%?.json", "my%20charts/%C3%A4%231%25%3F.json"),
        ("a:b.json", "a%3Ab.json"),  # RFC 3986 4.2: a colon here would make "a" a scheme
        ("\udcff.json", "%FF.json"),  # a name that is not UTF-8, as Python holds it
        ("<stdin>", "%3Cstdin%3E"),
        ("/tmp/my charts/a.json", "file:///tmp/my%20charts/a.json"),
    ],
)
def test_files_are_uris(file, uri):
    (result,) = results(replace(ISSUE, file=file))
    found = result["locations"][0]["physicalLocation"]["artifactLocation"]["uri"]
    assert found == uri
    assert re.fullmatch(r"[A-Za-z0-9\-._~:/%]+", found)  # RFC 3986 2: no character beyond these


def test_a_file_above_is_named_from_the_root(tmp_path, monkeypatch):
    # 3.10.1: a relative reference leads nowhere outside what it is relative to.
    (tmp_path / "inner").mkdir()
    monkeypatch.chdir(tmp_path / "inner")
    (result,) = results(replace(ISSUE, file="../a.json"))
    uri = result["locations"][0]["physicalLocation"]["artifactLocation"]["uri"]
    assert uri.startswith("file:///")
    assert Path(unquote(uri.removeprefix("file://"))) == tmp_path / "a.json"


def test_braces_are_themselves_and_no_argument():
    # 3.11.5: in a message string a brace that means itself stands twice.
    (result,) = results(replace(ISSUE, message='"{0}" is not UCUM', hint="write {cells}"))
    assert result["message"]["text"] == '"{{0}}" is not UCUM (hint: write {{cells}})'
