"""The way in: a file, a text or a resource goes through all layers and comes out as issues."""

from __future__ import annotations

import codecs
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

from fhirdrain.conformance import raw
from fhirdrain.conformance.definitions import Element, our_profiles
from fhirdrain.conformance.invariants import check_invariants
from fhirdrain.conformance.rules import drain
from fhirdrain.conformance.rules.references import References
from fhirdrain.conformance.rules.structure import walk_resource
from fhirdrain.conformance.walk import Node, Report
from fhirdrain.errors import SourceError
from fhirdrain.issues import Issue

_DRAIN_RULES: dict[str, Callable[[Node, Report], None]] = {
    "Coding": drain.check_coding,
    "Quantity": drain.check_quantity,
    "Observation": drain.check_observation,
    "ServiceRequest": drain.check_request,
    "Device": drain.check_device,
}


def check_file(path: Path) -> list[Issue]:
    """Return what is wrong in a file of one resource, a bundle, or NDJSON; raises `SourceError`."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise SourceError(f"cannot be read: {error.strerror}", place=str(path)) from None
    return check_bytes(data, str(path))


def check_bytes(
    data: bytes, file: str = "", told: Callable[[int], None] | None = None
) -> list[Issue]:
    """Return what is wrong in a text: one resource, a bundle, or NDJSON (a resource a line).

    `told` is called with how many resources have been looked at.
    """
    told = told or _silent
    if data.startswith(codecs.BOM_UTF8) and is_ndjson(data[3:], file):
        data = data[3:]
    if is_ndjson(data, file):
        issues: list[Issue] = []
        for number, line in enumerate(data.split(b"\n"), 1):
            told(number)
            if line.strip():
                issues += _check_document(line, file, number - 1, _silent)
        return issues
    return _check_document(data, file, 0, told)


def _silent(count: int) -> None:
    """Tell nobody."""


def is_ndjson(data: bytes, file: str = "") -> bool:
    """Tell whether a text is NDJSON: by its name, or because its first line is a whole resource."""
    if file.endswith(".ndjson"):
        return bool(data.strip())
    first, _, rest = data.lstrip().partition(b"\n")
    if not (first.startswith(b"{") and first.rstrip().endswith(b"}") and rest.lstrip()[:1] == b"{"):
        return False
    value, _, issues = raw.parse(first)
    return isinstance(value, dict) and not any(i.severity == "fatal" for i in issues)


def check_resource(resource: Any, *, base_only: bool = False) -> list[Issue]:
    """Return what is wrong in a decoded resource; `base_only` leaves it at base R4."""
    report = Report()
    _walk(resource, report, base_only, _silent)
    return [issue for issue, _ in report.found]


def _check_document(
    data: bytes, file: str, lines_before: int, told: Callable[[int], None]
) -> list[Issue]:
    value, text, issues = raw.parse(data, file)
    if not any(issue.severity == "fatal" for issue in issues):
        report = Report(file)
        _walk(value, report, base_only=False, told=told)
        if report.found:
            where, lines = raw.positions(text), raw.Lines(text)
            for issue, path in report.found:
                line, column = lines.of(_nearest(where, path))
                issues.append(replace(issue, line=line, column=column))
    if lines_before:
        issues = [replace(i, line=i.line + lines_before if i.line else 0) for i in issues]
        issues = [i if i.line else replace(i, line=lines_before + 1) for i in issues]
    return issues


def _nearest(where: dict[raw.JsonPath, int], path: raw.JsonPath) -> int:
    while path and path not in where:
        path = path[:-1]
    return where.get(path, 0)


def _walk(resource: Any, report: Report, base_only: bool, told: Callable[[int], None]) -> None:
    references = References(report)
    count = 0

    def on_node(node: Node, element: Element | None) -> None:
        nonlocal count
        if "resourceType" in node.value:
            count += 1
            told(count)
        references.see(node, element)
        _apply(check_invariants, node, report)
        if not base_only:
            if rule := _DRAIN_RULES.get(node.type):
                _apply(rule, node, report)
            if "resourceType" in node.value:
                _profiles(node, report)

    walk_resource(Node(resource, (), ""), report, on_node)
    if not base_only:
        _one_identity(resource, report)
    references.judge(resource)


def _apply(rule: Callable[[Node, Report], None], node: Node, report: Report) -> None:
    """Apply a rule; where broken structure keeps it from judging, say so."""
    try:
        rule(node, report)
    except (TypeError, ValueError, LookupError, AttributeError, ArithmeticError):
        report.add(
            node,
            "not-judged",
            f"{node.type}: its structure is broken, so the rules for it were not applied",
            code="not-supported",
            severity="warning",
        )


def _profiles(node: Node, report: Report) -> None:
    """Say which stated profiles were not looked at, and which are of another type.

    Our own are held against codes and categories by the rules for the type.
    """
    meta = node.value.get("meta")
    profiles = meta.get("profile") if isinstance(meta, dict) else None
    for profile in profiles if isinstance(profiles, list) else ():
        if not isinstance(profile, str):
            continue
        kind = our_profiles().get(profile.split("|")[0])
        if kind is None:
            report.add(
                node.child("meta"),
                "profile",
                "this version does not check a profile that is stated",
                severity="warning",
                code="not-supported",
                value=profile,
            )
        elif kind != node.type:
            report.add(
                node.child("meta"),
                "profile",
                f"it states a profile of {kind}",
                code="business-rule",
                value=profile,
            )


def _one_identity(root: Any, report: Report) -> None:
    """Report a second entry of one identity: a server would refuse it or make it twice."""
    if not isinstance(root, dict) or root.get("type") != "transaction":
        return
    seen: set[tuple[str, str]] = set()
    for entry in Node(root, (), "Bundle").items("entry"):
        request = entry.value.get("request")
        if not isinstance(request, dict) or not request.get("ifNoneExist"):
            continue
        key = (str(request.get("url")), str(request["ifNoneExist"]))
        if key in seen:
            report.add(
                entry.child("request"),
                "one-identity",
                "another entry creates the same identity",
                code="duplicate",
            )
        seen.add(key)
