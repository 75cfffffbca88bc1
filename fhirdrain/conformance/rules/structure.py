"""R4 structure: known elements, cardinality, types, primitive formats, required codes."""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterator
from typing import Any

from fhirdrain.conformance.definitions import (
    Element,
    elements,
    has_children,
    is_resource,
    is_type,
    resource_types,
)
from fhirdrain.conformance.raw import MOST_DEPTH
from fhirdrain.conformance.rules.primitives import fault_of, is_primitive
from fhirdrain.conformance.terminology import codes_of
from fhirdrain.conformance.walk import Node, Report

OnNode = Callable[[Node, Element | None], None]


def walk_resource(node: Node, report: Report, on_node: OnNode) -> None:
    """Check a resource's structure; call `on_node` with every object and its element."""
    if not isinstance(node.value, dict):
        report.add(node, "structure", "a resource must be a JSON object", code="structure")
        return
    kind = node.value.get("resourceType")
    if not isinstance(kind, str):
        report.add(node, "resource-type", "resourceType is missing", code="structure")
        return
    if not is_resource(kind):
        near = difflib.get_close_matches(kind, resource_types(), n=1)
        hint = f"nearest: {near[0]}" if near else "R4 has no such resource"
        report.add(
            node,
            "resource-type",
            "resourceType names no R4 resource",
            code="structure",
            hint=hint,
            value=kind,
        )
        return
    typed = Node(node.value, node.path, node.fhirpath or kind, kind)
    _walk(typed, kind, "", report, on_node, None)


def _walk(
    node: Node, owner: str, path: str, report: Report, on_node: OnNode, element: Element | None
) -> None:
    if len(node.path) > MOST_DEPTH:
        report.add(node, "depth", f"nested more than {MOST_DEPTH} deep", code="too-long")
        return
    if not node.value:
        report.add(node, "empty", "an object must not be empty", code="structure")
        return
    known = elements(owner, path)
    present: dict[str, set[str]] = {}
    for key in node.value:
        if key == "resourceType" and not path and is_resource(owner):
            continue
        name = key.removeprefix("_")
        found = known.get(name)
        if found is None or (key.startswith("_") and not is_primitive(found.type)):
            near = difflib.get_close_matches(key, known, n=1)
            # A key may be anything, a name among it: only what looks like an element is shown.
            shown = (
                f' "{key}"' if re.fullmatch(r"_?[a-z][A-Za-z0-9]{0,40}", key) else " of that name"
            )
            report.add(
                Node(None, (*node.path, key), node.fhirpath),
                "unknown-element",
                f"{owner}{'.' + path if path else ''} has no element{shown}",
                code="structure",
                hint=f"nearest: {near[0]}" if near else "",
                value=key,
            )
            continue
        present.setdefault(found.choice or found.name, set()).add(name)
        if not key.startswith("_"):
            beside = node.value.get(f"_{key}")
            _member(node.child(key, found.name, found.type), found, beside, report, on_node)
        elif not isinstance(node.value[key], dict | list) or not node.value[key]:
            child = node.child(key, found.name)
            report.add(
                child, "structure", f'"{key}" must hold an id or extensions', code="structure"
            )
    _cardinality(node, known, present, report)
    on_node(node, element)


def _cardinality(
    node: Node, known: dict[str, Element], present: dict[str, set[str]], report: Report
) -> None:
    missing = set()
    for element in known.values():
        group = element.choice or element.name
        names = present.get(group, set())
        if element.low > 0 and not names and group not in missing:
            missing.add(group)
            report.add(node, "cardinality", f'"{element.name}" is missing', code="required")
    for group, names in present.items():
        if len(names) > 1:
            report.add(
                node,
                "choice",
                f"{' and '.join(sorted(names))} cannot stand together: {group} is one of them",
                code="structure",
            )


def _member(node: Node, element: Element, beside: Any, report: Report, on_node: OnNode) -> None:
    value = node.value
    if value is None:
        report.add(node, "null", "null is not FHIR: leave the element out", code="structure")
        return
    if element.many != isinstance(value, list):
        shape = "an array" if element.many else "a single value"
        report.add(node, "array", f'"{node.path[-1]}" must be {shape}', code="structure")
        return
    if not isinstance(value, list):
        _single(node, element, report, on_node)
        return
    if not value:
        report.add(node, "empty", "an array must not be empty", code="structure")
    for index in range(len(value)):
        item = node.item(index)
        if item.value is None:
            # In an array of primitives null keeps the place of an item that has only extensions.
            extended = isinstance(beside, list) and index < len(beside) and beside[index]
            if not (is_primitive(element.type) and extended):
                report.add(item, "null", "null is not FHIR", code="structure")
            continue
        _single(item, element, report, on_node)


def _single(node: Node, element: Element, report: Report, on_node: OnNode) -> None:
    kind = element.type
    if is_primitive(kind):
        if element.path == "id" and is_resource(element.owner):
            kind = "id"
        fault = fault_of(kind, node.value)
        if fault:
            report.add(node, "primitive", f"{element.name} {fault}", code="value", value=node.value)
        elif element.value_set and isinstance(node.value, str):
            _required_code(node, element.value_set, report)
        return
    if not isinstance(node.value, dict):
        report.add(node, "type", f"{element.name} must be an object", code="structure")
        return
    if kind == "Resource" or is_resource(kind):
        walk_resource(Node(node.value, node.path, node.fhirpath), report, on_node)
    elif kind in ("BackboneElement", "Element", "#") or has_children(element.owner, element.path):
        _walk(node, element.owner, element.path, report, on_node, element)
    elif is_type(kind):
        _walk(node, kind, "", report, on_node, element)
        if element.value_set and kind in ("CodeableConcept", "Coding", "Quantity"):
            _required_concept(node, element.value_set, report)


def _required_code(node: Node, value_set: str, report: Report) -> None:
    systems = codes_of(value_set)
    if systems is None:
        return  # the value set is not an enumeration (currencies, MIME types, UCUM)
    codes = sorted({code for codes in systems.values() for code in codes})
    if node.value not in codes:
        near = difflib.get_close_matches(node.value, codes, n=1, cutoff=0.4)
        listed = ", ".join(codes) if len(codes) <= 12 else ""
        report.add(
            node,
            "required-code",
            f"the code is not in the required value set {value_set.rsplit('/', 1)[-1]}",
            code="code-invalid",
            hint=f"one of: {listed}" if listed else f"nearest: {near[0]}" if near else "",
            value=node.value,
        )


def _required_concept(node: Node, value_set: str, report: Report) -> None:
    systems = codes_of(value_set)
    if systems is None:
        return
    if not any(code in systems.get(system, ()) for system, code in _codings(node.value)):
        report.add(
            node,
            "required-code",
            f"no coding is in the required value set {value_set.rsplit('/', 1)[-1]}",
            code="code-invalid",
        )


def _codings(value: dict[str, Any]) -> Iterator[tuple[Any, Any]]:
    codings = value.get("coding") if "coding" in value else [value]
    for coding in codings if isinstance(codings, list) else ():
        if isinstance(coding, dict):
            yield coding.get("system"), coding.get("code")
