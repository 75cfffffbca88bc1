"""The one walk over a resource: it owns the paths, and calls each kind of rule where it belongs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from fhirdrain.conformance.raw import JsonPath
from fhirdrain.issues import Issue, Severity


@dataclass(frozen=True, slots=True)
class Node:
    """A value in a resource with its JSON path, its FHIRPath and its type."""

    value: Any
    path: JsonPath
    fhirpath: str
    type: str = ""

    def child(self, key: str, name: str | None = None, kind: str = "") -> Node:
        """Return a member."""
        return Node(self.value.get(key), (*self.path, key), f"{self.fhirpath}.{name or key}", kind)

    def item(self, index: int) -> Node:
        """Return an item of an array."""
        return Node(self.value[index], (*self.path, index), f"{self.fhirpath}[{index}]", self.type)

    def items(self, key: str) -> Iterator[Node]:
        """Yield the items of a member that is an array of objects; nothing when it is none."""
        member = self.value.get(key)
        if isinstance(member, list):
            for index, value in enumerate(member):
                if isinstance(value, dict):
                    yield self.child(key).item(index)

    def objects(self, key: str) -> Iterator[Node]:
        """Yield a member that is an object; nothing when it is none."""
        if isinstance(self.value.get(key), dict):
            yield self.child(key)


def codings_of(concept: Any) -> list[tuple[str, str]]:
    """Return system and code of each coding of a concept, as far as they are texts."""
    found = concept.get("coding") if isinstance(concept, dict) else None
    pairs = [
        (coding.get("system", ""), coding.get("code"))
        for coding in (found if isinstance(found, list) else ())
        if isinstance(coding, dict)
    ]
    return [(s, c) for s, c in pairs if isinstance(s, str) and isinstance(c, str)]


@dataclass(slots=True)
class Report:
    """Collects issues with the JSON path each is at, so that its line can be found later."""

    file: str = ""
    found: list[tuple[Issue, JsonPath]] = field(default_factory=list)

    def add(
        self,
        node: Node,
        rule: str,
        message: str,
        *,
        code: str = "invariant",
        severity: Severity = "error",
        hint: str = "",
        value: object = "",
    ) -> None:
        """Add an issue at a node."""
        issue = Issue(
            severity,
            code,
            rule,
            message,
            hint=hint,
            file=self.file,
            location=node.fhirpath,
            value=str(value),
        )
        self.found.append((issue, node.path))
