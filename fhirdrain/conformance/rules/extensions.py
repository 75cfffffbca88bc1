"""Extensions: is the URL one, is it known, may it stand here, and does it hold what it must."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Literal

from fhirdrain.conformance.definitions import (
    Definitions,
    ancestry,
    elements,
    has_children,
    type_names,
)
from fhirdrain.conformance.walk import At, Check, Run, json_path

Json = dict[str, Any]
# What is said of an extension nobody has defined.
Unknown = Literal["accept", "mention", "refuse"]

_R4 = "http://hl7.org/fhir/StructureDefinition/"


def check_of(
    definitions: Definitions, extras: Callable[[str], Check | None], unknown: Unknown
) -> Check:
    """Return the check of an Extension; `extras` gives what the profile of a URL demands."""

    def check(value: Any, at: At, run: Run) -> None:
        url = value.get("url")
        if not isinstance(url, str):
            return
        inner = _is_inner(at)
        definition = definitions.structure(url) if ":" in url else None
        if definition is not None and definition.get("type") == "Extension":
            demanded = extras(url)
            if demanded is not None:
                demanded(value, at, run)
            if not inner:
                _context(definition, at, run)
            return
        if inner and ":" not in url:
            return  # named within the extension it is in, and held by its profile
        if ":" not in url:
            run.add(at, "extension-url", "the URL of an extension must be absolute", code="value")
            return
        modifies = _holder_key(at) == "modifierExtension"
        if unknown == "refuse" or modifies:
            run.add(
                at,
                "modifier-extension" if modifies else "extension-unknown",
                "an extension that may change the meaning of all of this is not known"
                if modifies
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


def _context(definition: Json, at: At, run: Run) -> None:
    """Report an extension where its definition does not let it stand (R4, Extension Contexts)."""
    contexts = definition.get("context") or []
    allowed = {str(c.get("expression", "")) for c in contexts if c.get("type") == "element"}
    if not allowed:
        return
    here = _labels(at, run.root)
    if not here or allowed & here or "Element" in allowed:
        return
    if len(allowed) == len(contexts) and not any(":" in expression for expression in allowed):
        run.add(
            at,
            "extension-context",
            "the extension may not stand here",
            code="extension",
            # R4 puts extensions of its own where their definitions do not let them stand.
            severity="warning" if str(definition["url"]).startswith(_R4) else "error",
            hint=f"it belongs to: {', '.join(sorted(allowed))}",
        )
    else:
        run.add(
            at,
            "not-supported",
            "whether the extension may stand here was not looked at",
            code="not-supported",
            severity="information",
        )


def _labels(at: At, root: Any) -> set[str]:
    """Return what the element an extension stands in may be called: its paths, its types."""
    steps = json_path(at)
    while steps and steps[-1] not in ("extension", "modifierExtension"):
        steps = steps[:-1]
    value, owner, path, kind = root, "", "", ""
    labels: set[str] = set()
    for step in (None, *steps[:-1]):
        if isinstance(step, str):
            found = elements(owner, path).get(step.removeprefix("_"))
            if found is None:
                return set()
            labels = {
                f"{found.owner}.{found.path}",
                f"{found.owner}.{found.path}".replace("[x]", ""),
            }
            kind = found.type
            # A group defined in place has a path, everything else a type of its own.
            owner, path = (
                (found.owner, found.path) if has_children(found.owner, found.path) else (kind, "")
            )
        if step is not None and not step_into(value, step):
            return set()
        value = value if step is None else value[step]
        if isinstance(value, dict) and isinstance(value.get("resourceType"), str):
            owner, path, kind = value["resourceType"], "", value["resourceType"]
            labels = set()
        if not isinstance(value, list) and not path and owner not in type_names():
            return set()
    return labels | set(ancestry(kind))


def step_into(value: Any, step: str | int) -> bool:
    """Tell whether a value has such a member or item."""
    if isinstance(step, int):
        return isinstance(value, list) and step < len(value)
    return isinstance(value, dict) and step in value
