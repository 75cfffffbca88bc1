"""Extensions: is the URL one, is it known, may it stand here, and does it hold what it must."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from typing import Any, Literal

from fhirdrain.conformance.definitions import (
    Definitions,
    ancestry,
    elements,
    has_children,
    type_names,
)
from fhirdrain.conformance.fhirpath import CannotEvaluate, Expression, compiled, values
from fhirdrain.conformance.walk import At, Check, Run, json_path

Json = dict[str, Any]
# What is said of an extension nobody has defined.
Unknown = Literal["accept", "mention", "refuse"]

_R4 = "http://hl7.org/fhir/StructureDefinition/"


def check_of(
    definitions: Definitions,
    extras: Callable[[str], Check | None],
    modifies: Callable[[str], bool],
    unknown: Unknown,
) -> Check:
    """Return the check of an Extension.

    `extras` gives what the profile of a URL demands, `modifies` whether one may change the meaning
    of what it stands in.
    """

    def check(value: Any, at: At, run: Run) -> None:
        url = value.get("url")
        if not isinstance(url, str):
            return
        inner = _is_inner(at)
        definition = definitions.structure(url) if ":" in url else None
        if definition is not None and definition.get("type") == "Extension":
            demanded = extras(url)
            if demanded is None:
                run.add(
                    at,
                    "definition",
                    "the definition of the extension cannot be used, so it was not held against it",
                    code="not-supported",
                    severity="warning",
                    value=url,
                )
                return
            demanded(value, at, run)
            _modifying(modifies(url), at, run)
            _context(definition, value, at, run)
            return
        if inner and ":" not in url:
            return  # named within the extension it is in, and held by its profile
        if ":" not in url:
            run.add(at, "extension-url", "the URL of an extension must be absolute", code="value")
            return
        meaning = _holder_key(at) == "modifierExtension"
        if unknown == "refuse" or meaning:
            run.add(
                at,
                "modifier-extension" if meaning else "extension-unknown",
                "an extension that may change the meaning of all of this is not known"
                if meaning
                else "the extension is not known",
                code="extension",
                severity="error" if unknown == "refuse" else "warning",
                hint="--profiles takes its definition",
                value=url,
            )
        elif unknown == "mention":
            run.add(
                at,
                "extension-unknown",
                "the extension is not known, so nothing was said of what it holds",
                code="extension",
                severity="information",
                hint="--profiles takes its definition",
                value=url,
            )

    return check


def _holder_key(at: At) -> str | int:
    while isinstance(at[1], int):
        at = at[0]
    return at[1]


def _is_inner(at: At) -> bool:
    """Tell whether an extension stands in another one."""
    while isinstance(at[1], int):
        at = at[0]
    holder = at[0]
    return _holder_key(holder) in ("extension", "modifierExtension") if holder else False


def _modifying(modifies: bool, at: At, run: Run) -> None:
    """Report an extension that does not stand where one of its kind does (R4 2.5.1)."""
    if modifies == (_holder_key(at) == "modifierExtension") or _is_inner(at):
        return
    run.add(
        at,
        "modifier-extension",
        "the extension changes the meaning of what it stands in, so it is a modifierExtension"
        if modifies
        else "the extension does not change the meaning of what it stands in, so it is no "
        "modifierExtension",
        code="extension",
    )


@dataclass(frozen=True, slots=True)
class _Holder:
    """What an extension stands in: its value, its type, and what it may be called.

    `beside` is the `_` member of a primitive.
    """

    value: Any
    beside: Any
    kind: str
    labels: frozenset[str]


def _context(definition: Json, value: Json, at: At, run: Run) -> None:
    """Report an extension where its definition does not let it stand (R4, Extension Contexts)."""
    contexts = definition.get("context") or []
    invariants = definition.get("contextInvariant") or []
    if not contexts and not invariants:
        return
    holder = _holder(at, run.root)
    if holder is None:
        return  # it is in what R4 does not have, which is said there
    # R4 puts extensions of its own where their definitions do not let them stand.
    severity: Literal["warning", "error"] = "error"
    if str(definition["url"]).startswith(_R4):
        severity = "warning"
    answers = [_is_meant(context, holder, run) for context in contexts]
    if answers and True not in answers:
        if None in answers:
            _undecided(at, run)
        else:
            run.add(
                at,
                "extension-context",
                "the extension may not stand here",
                code="extension",
                severity=severity,
                hint=f"it belongs to: {', '.join(sorted(str(c['expression']) for c in contexts))}",
            )
    around = replace(run.surroundings, extension=value)
    for expression in invariants:
        try:
            holds = _compiled(expression)(holder.value, holder.kind, around, holder.beside)
        except CannotEvaluate:
            _undecided(at, run)
            continue
        if not holds:
            run.add(
                at,
                "extension-context",
                "the extension may not stand in an element that is as this one is",
                code="extension",
                severity=severity,
                hint=expression,
            )


@cache
def _compiled(expression: str) -> Expression:
    return compiled(expression)


def _undecided(at: At, run: Run) -> None:
    run.add(
        at,
        "not-supported",
        "whether the extension may stand here cannot be known",
        code="not-supported",
        severity="information",
    )


def _is_meant(context: Json, holder: _Holder, run: Run) -> bool | None:
    """Tell whether a context is where an extension stands; None where that cannot be known."""
    kind, expression = context.get("type"), str(context.get("expression", ""))
    if kind == "extension":
        url = holder.value.get("url") if isinstance(holder.value, dict) else None
        return holder.kind == "Extension" and url == expression
    if kind == "fhirpath":
        if not isinstance(holder.value, dict):
            return None  # equal primitives cannot be told apart
        resource = run.resource
        try:
            found = values(expression, resource, resource["resourceType"], run.surroundings)
        except CannotEvaluate:
            return None
        return any(one is holder.value for one in found)
    if expression in holder.labels or expression == "Element":
        return True
    # Of an element of a profile, or of a slice, the path alone does not tell.
    return None if ":" in expression or "#" in expression else False


def _holder(at: At, root: Any) -> _Holder | None:
    """Return what an extension stands in; None where R4 has no such place."""
    steps = json_path(at)
    while steps and steps[-1] not in ("extension", "modifierExtension"):
        steps = steps[:-1]
    value, owner, path, kind, beside = root, "", "", "", None
    # Where an element is defined by another one, it is called by both paths.
    labels, spelt = set[str](), ""
    for step in (None, *steps[:-1]):
        if isinstance(step, str):
            found = elements(owner, path).get(step.removeprefix("_"))
            if found is None:
                return None
            defined = f"{found.owner}.{found.path}"
            spelt = f"{spelt}.{found.name}"
            labels = {defined, defined.replace("[x]", ""), spelt}
            kind = found.type
            # A group defined in place has a path, everything else a type of its own.
            in_place = has_children(found.owner, found.path)
            owner, path = (found.owner, found.path) if in_place else (kind, "")
            spelt = spelt if in_place else kind
        if step is not None and not step_into(value, step):
            return None
        if isinstance(step, str) and step.startswith("_"):
            value, beside = value.get(step[1:]), value[step]
        elif isinstance(step, int) and beside is not None:
            value = value[step] if step_into(value, step) else None
            beside = beside[step]
        elif step is not None:
            value = value[step]
        if isinstance(value, dict) and isinstance(value.get("resourceType"), str):
            owner, path, kind = value["resourceType"], "", value["resourceType"]
            labels, spelt = set(), owner
        if not isinstance(value, list) and not path and owner not in type_names():
            return None
    named = frozenset(labels | set(ancestry(kind)))
    return _Holder(value, beside, f"{owner}.{path}" if path else kind, named)


def step_into(value: Any, step: str | int) -> bool:
    """Tell whether a value has such a member or item."""
    if isinstance(step, int):
        return isinstance(value, list) and step < len(value)
    return isinstance(value, dict) and step in value
