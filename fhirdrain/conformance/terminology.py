"""Which codes a value set holds: expanded from what it is composed of, as far as that can be."""

from __future__ import annotations

from functools import cache
from typing import Any

from fhirdrain.conformance.definitions import Definitions

Json = dict[str, Any]


def codes_of(value_set: str) -> dict[str, list[str]] | None:
    """Return the codes of a value set of R4 by system, None where it cannot be expanded."""
    return _codes_of(value_set)


@cache
def _codes_of(value_set: str) -> dict[str, list[str]] | None:
    definitions = Definitions()
    found = definitions.find("ValueSet", value_set)
    if found is None or found["compose"].get("exclude"):
        return None
    codes: dict[str, list[str]] = {}
    for include in found["compose"].get("include", ()):
        if include.get("filter") or include.get("valueSet"):
            return None
        system = definitions.find("CodeSystem", include.get("system", ""))
        if "concept" in include:
            more = [c["code"] for c in include["concept"]]
        elif system is None or system.get("content") != "complete":
            return None
        else:
            more = list(_flat(system["concept"]))
        codes.setdefault(include["system"], []).extend(more)
    return codes


def _flat(concepts: list[Json]) -> list[str]:
    return [c for entry in concepts for c in (entry["code"], *_flat(entry.get("concept", [])))]


from dataclasses import dataclass


@dataclass(frozen=True)
class Membership:
    inside: bool | None
    reason: str = ""


class Terminology:
    def __init__(self, definitions: Definitions) -> None:
        self.definitions = definitions

    def codes(self, value_set: str) -> dict[str, frozenset[str]] | None:
        found = codes_of(value_set)
        return None if found is None else {k: frozenset(v) for k, v in found.items()}

    def membership(
        self, value_set: str, code: str, system: str | None, version: str | None = None
    ) -> Membership:
        codes = self.codes(value_set)
        if codes is None:
            return Membership(True)
        if system is None:
            return Membership(any(code in c for c in codes.values()))
        return Membership(code in codes.get(system, ()))

    def near(self, value_set: str, code: str) -> str:
        return ""
