"""Bindings: is a code in the value set it has to be from, as far as that can be known."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from fhirdrain.conformance.terminology import Terminology
from fhirdrain.conformance.walk import At, Check, Run
from fhirdrain.issues import Severity

Json = dict[str, Any]

_MAX_VALUE_SET = "http://hl7.org/fhir/StructureDefinition/elementdefinition-maxValueSet"
# How R5's further bindings are stated in R4, and by older tools.
_ADDITIONAL = (
    "http://hl7.org/fhir/5.0/StructureDefinition/extension-ElementDefinition.binding.additional",
    "http://hl7.org/fhir/tools/StructureDefinition/additional-binding",
)
_BOUND = ("code", "string", "uri", "Coding", "CodeableConcept", "Quantity")


def check_of(binding: Json, kind: str, terminology: Terminology, by: str = "") -> list[Check]:
    """Return the checks of a binding for values of a type; none where it only recommends."""
    kind = "code" if kind in ("id", "canonical", "url", "oid", "uuid", "markdown") else kind
    kind = "Quantity" if kind in _QUANTITIES else kind
    if kind not in _BOUND:
        return []
    checks = []
    value_set, strength = binding.get("valueSet"), binding.get("strength")
    if value_set and strength in ("required", "extensible"):
        checks.append(_check(value_set, strength == "required", kind, terminology, by))
    for extension in binding.get("extension", ()):
        if extension.get("url") in _ADDITIONAL:
            parts = {part.get("url"): part for part in extension.get("extension", ())}
            purpose = parts.get("purpose", {}).get("valueCode")
            more = parts.get("valueSet", {}).get("valueCanonical")
            if more and purpose in ("required", "extensible"):
                checks.append(_check(more, purpose == "required", kind, terminology, by))
        elif extension.get("url") == _MAX_VALUE_SET:
            widest = extension.get("valueCanonical") or extension.get("valueUri")
            if widest:
                checks.append(_check(widest, True, kind, terminology, by))
    return checks


_QUANTITIES = ("Age", "Count", "Distance", "Duration", "Money", "SimpleQuantity", "MoneyQuantity")


def coded(value: Any, kind: str) -> Iterator[tuple[str | None, str]]:
    """Yield system and code of each coding of a value; None for a bare code's system."""
    if kind in ("code", "string", "uri"):
        if isinstance(value, str):
            yield None, value
        return
    codings = value.get("coding") if kind == "CodeableConcept" else [value]
    for coding in codings if isinstance(codings, list) else ():
        if isinstance(coding, dict) and isinstance(coding.get("code"), str):
            system = coding.get("system")
            yield system if isinstance(system, str) else "", coding["code"]


def _check(value_set: str, required: bool, kind: str, terminology: Terminology, by: str) -> Check:
    name = value_set.split("|")[0].rsplit("/", 1)[-1]
    strength = "required" if required else "extensible"
    severity: Severity = "error" if required else "warning"
    listed = terminology.codes(value_set) or {}
    plain = kind in ("code", "string", "uri")
    whole = kind == "CodeableConcept"
    any_system = frozenset().union(*listed.values()) if plain else frozenset()

    def check(value: Any, at: At, run: Run) -> None:
        if plain:
            if type(value) is str and value in any_system:
                return
        elif type(value) is not dict or _is_listed(value, listed, whole):
            return
        reason = ""
        codes = list(coded(value, kind))
        for system, code in codes:
            if system is not None and code in listed.get(system, ()):
                return
        for system, code in codes:
            found = terminology.membership(value_set, code, system)
            if found.inside:
                return
            if found.inside is None:
                reason = found.reason
        if reason:
            run.add(
                at,
                "code-undecided",
                f"whether the code is in the {strength} value set {name}{by} cannot be known here",
                code="not-supported",
                severity="warning" if required else "information",
                hint=reason,
            )
        elif codes or required:
            what = "the code" if plain else "no coding" if kind == "CodeableConcept" else "it"
            verb = "is" if what == "no coding" else "is not"
            if kind == "Quantity" and not codes:
                what, verb = "there is no code, and it must be one", "that is"
            run.add(
                at,
                "required-code" if required else "extensible-code",
                f"{what} {verb} in the {strength} value set {name}{by}",
                code="code-invalid",
                severity=severity,
                hint=_hint(listed, codes, terminology, value_set, required),
                value=", ".join(code for _, code in codes),
            )

    return check


def _is_listed(value: Json, listed: dict[str, frozenset[str]], whole: bool) -> bool:
    """Tell whether a coding is plainly one of those listed; no other answer is final."""
    codings = value.get("coding") if whole else [value]
    if type(codings) is not list:
        return False
    try:
        for coding in codings:
            codes = listed.get(coding.get("system"))
            if codes is not None and coding.get("code") in codes:
                return True
    except (AttributeError, TypeError):
        return False  # it is broken, and looked at more slowly
    return False


def _hint(
    listed: dict[str, frozenset[str]],
    codes: list[tuple[str | None, str]],
    terminology: Terminology,
    value_set: str,
    required: bool,
) -> str:
    if not required:
        return "right only where none of its codes fits"
    every = sorted(frozenset().union(*listed.values()))
    if 0 < len(every) <= 12:
        return f"one of: {', '.join(every)}"
    near = terminology.near(value_set, codes[0][1]) if codes else ""
    return f"nearest: {near}" if near else ""
