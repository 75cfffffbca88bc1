"""What is wrong in data, as one `Issue` type, and how it is shown.

May import only `errors`. Renderers never decide anything; rules never format anything. What each
rule demands is told in `rules.toml`.
"""

from fhirdrain.issues.issue import SEVERITIES, Issue, Severity, count_by_severity
from fhirdrain.issues.junit import render_junit
from fhirdrain.issues.ndjson import render_ndjson
from fhirdrain.issues.operationoutcome import from_operation_outcome, to_operation_outcome
from fhirdrain.issues.rules import Invariant, Rule, all_rules, nearest_rules, rule
from fhirdrain.issues.sarif import to_sarif
from fhirdrain.issues.text import render_invariant, render_issue, render_rule, render_text

__all__ = [
    "SEVERITIES",
    "Invariant",
    "Issue",
    "Rule",
    "Severity",
    "all_rules",
    "count_by_severity",
    "from_operation_outcome",
    "nearest_rules",
    "render_invariant",
    "render_issue",
    "render_junit",
    "render_ndjson",
    "render_rule",
    "render_text",
    "rule",
    "to_operation_outcome",
    "to_sarif",
]
