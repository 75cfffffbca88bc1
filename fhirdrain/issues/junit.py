"""Issues as JUnit XML, as CI servers read it: a test suite a file, a test case a rule.

Nobody owns the format; this keeps to the elements and attributes that its readers share.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from xml.etree import ElementTree

from fhirdrain.issues.issue import Issue
from fhirdrain.issues.text import render_issue

# XML 1.0, production 2 (Char): what is not in here cannot stand in a document, escaped or not.
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def render_junit(
    issues: Iterable[Issue], files: Iterable[str] = (), *, show_values: bool = False
) -> str:
    """Return the XML: a suite for each of the files that were looked at, also the clean ones.

    A case fails when it has errors; what is no error stands in its output and lets it pass. A
    clean file has the one case "check", since readers take a suite without cases for a fault.
    """
    by_file: dict[str, list[Issue]] = {file: [] for file in files}
    for issue in issues:
        by_file.setdefault(issue.file, []).append(issue)
    root = ElementTree.Element("testsuites", name="fhirdrain")
    for file, found in by_file.items():
        suite = ElementTree.SubElement(root, "testsuite", name=_xml(file or "fhirdrain"))
        for name in sorted({issue.rule for issue in found}) or ["check"]:
            case = ElementTree.SubElement(
                suite, "testcase", name=_xml(name), classname=_xml(file or "fhirdrain"), time="0"
            )
            _fill(case, [issue for issue in found if issue.rule == name], show_values)
        _count(suite)
    _count(root)
    ElementTree.indent(root)
    # ASCII with character references, so that it is right whatever the stream's encoding is.
    data: bytes = ElementTree.tostring(root, encoding="us-ascii", xml_declaration=True)
    return data.decode("ascii") + "\n"


def _fill(case: ElementTree.Element, issues: Sequence[Issue], show_values: bool) -> None:
    def told(some: Iterable[Issue]) -> str:
        return "\n".join(_xml(render_issue(issue, show_values=show_values)) for issue in some)

    errors = [issue for issue in issues if issue.is_error]
    others = [issue for issue in issues if not issue.is_error]
    if errors:
        more = f" (and {len(errors) - 1} more)" if len(errors) > 1 else ""
        failure = ElementTree.SubElement(
            case, "failure", message=_xml(errors[0].message) + more, type=errors[0].severity
        )
        failure.text = told(errors)
    if others:
        ElementTree.SubElement(case, "system-out").text = told(others)


def _count(element: ElementTree.Element) -> None:
    """Set the counts that readers look for on a suite and on all of them."""
    element.set("tests", str(len(list(element.iter("testcase")))))
    element.set("failures", str(len(list(element.iter("failure")))))
    element.set("errors", "0")
    element.set("skipped", "0")
    element.set("time", "0")


def _xml(text: str) -> str:
    return _NOT_XML.sub("", text)
