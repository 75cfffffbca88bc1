"""What is wrong in data, as one `Issue` type, and how it is shown.

May import only `errors`. Renderers never decide anything; rules never format anything.
"""

from fhirdrain.issues.issue import SEVERITIES, Issue, Severity, count_by_severity
from fhirdrain.issues.operationoutcome import from_operation_outcome, to_operation_outcome
from fhirdrain.issues.text import render_issue, render_text

__all__ = [
    "SEVERITIES",
    "Issue",
    "Severity",
    "count_by_severity",
    "from_operation_outcome",
    "render_issue",
    "render_text",
    "to_operation_outcome",
]
