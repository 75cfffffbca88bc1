"""References: do they lead somewhere, to a type they may name, in a legal form."""

from __future__ import annotations

import re
from typing import Any

from fhirdrain.conformance.definitions import Element, is_resource
from fhirdrain.conformance.walk import Node, Report

_RELATIVE = re.compile(r"([A-Z][A-Za-z]+)/[A-Za-z0-9\-.]{1,64}(?:/_history/[A-Za-z0-9\-.]{1,64})?")
_AT_END = re.compile(rf"(?:^|/){_RELATIVE.pattern}$")
_CONDITIONAL = re.compile(r"([A-Z][A-Za-z]+)\?(.+)")


class References:
    """Collects the references of one document while it is walked, and judges them at the end."""

    def __init__(self, report: Report) -> None:
        self._report = report
        self._found: list[tuple[Node, Element]] = []

    def see(self, node: Node, element: Element | None) -> None:
        """Keep a reference for later."""
        if node.type == "Reference" and element is not None:
            self._found.append((node, element))

    def judge(self, root: Any) -> None:
        """Report the references of a document that do not hold."""
        if not isinstance(root, dict):
            return
        is_bundle = root.get("resourceType") == "Bundle"
        targets = _full_urls(root) if is_bundle else {}
        for node, element in self._found:
            text = node.value.get("reference")
            if isinstance(text, str):
                self._one(node, element, text, root, targets, is_bundle)

    def _one(
        self,
        node: Node,
        element: Element,
        text: str,
        root: dict[str, Any],
        targets: dict[str, str],
        is_bundle: bool,
    ) -> None:
        add = self._report.add
        kind: str | None = None
        if text.startswith("#"):
            ids = {c.get("id") for c in _contained(root, node)}
            if text != "#" and text[1:] not in ids:
                add(node, "ref-1", "nothing contained has this id", value=text)
            return
        if text.startswith(("urn:uuid:", "urn:oid:")):
            if is_bundle and text not in targets:
                add(
                    node,
                    "reference",
                    "nothing in the bundle has this fullUrl",
                    code="not-found",
                    hint="every urn:uuid needs its entry in the same bundle",
                    value=text,
                )
                return
            kind = targets.get(text)
        elif match := _CONDITIONAL.fullmatch(text):
            kind = match[1]
            if root.get("type") != "transaction":
                add(
                    node,
                    "conditional-reference",
                    "a reference by search is legal only in a transaction",
                    code="structure",
                )
        elif match := _AT_END.search(text):
            kind = match[1]
        elif "://" not in text:
            add(node, "reference", "not a reference: Type/id, a URL, or urn:uuid", code="value")
        if kind is None:
            return
        if not is_resource(kind):
            add(node, "reference", f'"{kind}" is not an R4 resource', code="value")
        elif element.targets and "Resource" not in element.targets and kind not in element.targets:
            add(
                node,
                "reference-target",
                f"{element.name} cannot refer to a {kind}",
                code="value",
                hint=f"one of: {', '.join(element.targets)}",
            )


def _full_urls(bundle: dict[str, Any]) -> dict[str, str]:
    found = {}
    entries = bundle.get("entry")
    for entry in entries if isinstance(entries, list) else ():
        if isinstance(entry, dict) and isinstance(entry.get("fullUrl"), str):
            resource = entry.get("resource")
            kind = resource.get("resourceType") if isinstance(resource, dict) else None
            found[entry["fullUrl"]] = str(kind)
    return found


def _contained(root: dict[str, Any], node: Node) -> list[dict[str, Any]]:
    """Return what the resource that holds a reference contains."""
    value: Any = root
    holder = root
    for step in node.path:
        try:
            value = value[step]
        except (KeyError, IndexError, TypeError):
            break
        if isinstance(value, dict) and "resourceType" in value and "contained" in value:
            holder = value
    contained = holder.get("contained")
    found = contained if isinstance(contained, list) else []
    return [c for c in found if isinstance(c, dict) and isinstance(c.get("id"), str)]
