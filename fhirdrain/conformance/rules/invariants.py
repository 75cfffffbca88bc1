"""Invariants: expressions that must hold of an element, as R4 or a profile states them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from fhirdrain.conformance.definitions import constraints as standard_constraints
from fhirdrain.conformance.fhirpath import CannotEvaluate, Endless, compiled
from fhirdrain.conformance.twins import ONLY_WITH, twins
from fhirdrain.conformance.walk import At, Check, Run
from fhirdrain.issues import Severity

Json = dict[str, Any]

# The walk itself sees to the first; where references lead is judged when all was seen; the last is
# the same expression as txt-1.
_ELSEWHERE = {"ele-1", "ref-1", "txt-2"}
# Each costs all the time that an evaluation is given, and there may be a million elements.
_MOST_ENDLESS = 3
_BEST_PRACTICE = "http://hl7.org/fhir/StructureDefinition/elementdefinition-bestpractice"
_R4 = "http://hl7.org/fhir/StructureDefinition/"

# What R4's invariants say, in our words; the others are shown as they are written.
_WORDS = {
    "dom-2": "a contained resource must not contain others",
    "dom-3": "a contained resource is referred to by nothing in the resource that contains it",
    "dom-4": "a contained resource has no version of its own",
    "dom-5": "a contained resource has no security label",
    "dom-6": "it has no narrative for a person to read",
    "ext-1": "an extension has either a value or extensions",
    "obs-3": "a reference range must have a low, a high or a text",
    "obs-6": "a value and a reason why there is none cannot stand together",
    "obs-7": "a component repeats the code of the observation, which has a value itself",
    "ref-1": "nothing contained has this id",
    "per-1": "the period is not known to start before it ends",
    "qty-3": "the unit has a code without the system it is of",
    "rng-2": "the range's low is above its high",
    "rat-1": "a ratio has both numerator and denominator, or neither and an extension",
    "att-1": "data without a contentType",
    "cpt-2": "a contact's value needs a system",
    "pat-1": "a contact needs a name, telecom, address or organization",
    "prr-1": "orderDetail needs a code",
    "tim-1": "a duration needs its unit",
    "tim-2": "a period needs its unit",
    "tim-4": "a duration is not negative",
    "tim-5": "a period is not negative",
    "tim-6": "a greatest period needs a period",
    "tim-7": "a greatest duration needs a duration",
    "tim-8": "a greatest count needs a count",
    "tim-9": "an offset needs an event it is from, and one that is no meal itself",
    "tim-10": "a time of day and an event cannot stand together",
    "txt-1": "the narrative is empty, or holds what XHTML in FHIR may not hold",
    "bdl-1": "total belongs only to searches and histories",
    "bdl-2": "entry.search belongs only to searches",
    "bdl-3": "an entry of a transaction, batch or history has a request, others have none",
    "bdl-4": "an entry of a response or history has a response, others have none",
    "bdl-5": "an entry must have a resource, a request or a response",
    "bdl-7": "the same fullUrl stands twice",
    "bdl-8": "fullUrl must not name a version",
    "bdl-9": "a document needs an identifier with system and value",
    "bdl-10": "a document needs a timestamp",
    "bdl-11": "the first resource of a document must be a Composition",
    "bdl-12": "the first resource of a message must be a MessageHeader",
}


def checks_of(
    constraints: Iterable[Json], known: Iterable[Json], kind: str, by: str, best_practice: bool
) -> Iterator[Check]:
    """Yield the checks of constraints for values of a type, without those `known` already.

    With `by` they are a profile's and each is named by its key. Best-practice ones are left out
    unless asked for.
    """
    seen = {(c["key"], c.get("expression")) for c in known}
    for constraint in constraints:
        name = constraint["key"], constraint.get("expression")
        if name in seen or _is_seen_to_elsewhere(constraint):
            continue
        seen.add(name)
        if is_best_practice(constraint) and not best_practice:
            continue
        yield _check(constraint, kind, by)


def _is_seen_to_elsewhere(constraint: Json) -> bool:
    """Tell whether a constraint is one of R4's that other rules see to; a key alone is no proof."""
    key = constraint["key"]
    return key in _ELSEWHERE and (
        constraint.get("expression") == standard_constraints()[key]["expression"]
        or str(constraint.get("source", "")).startswith(_R4)
    )


def is_best_practice(constraint: Json) -> bool:
    """Tell whether a constraint is only what would be good."""
    return bool(constraint.get("bestPractice")) or any(
        extension.get("url") == _BEST_PRACTICE and extension.get("valueBoolean")
        for extension in constraint.get("extension", ())
    )


def _check(constraint: Json, kind: str, by: str) -> Check:
    key, expression = constraint["key"], constraint.get("expression")
    severity: Severity = "warning" if constraint.get("severity") == "warning" else "error"
    standard = not by or str(constraint.get("source", "")).startswith(_R4)
    rule = key if key in _WORDS else "invariant"
    words = _WORDS.get(key, "") if standard else ""
    message = words or f"the invariant {key} does not hold{by}"
    hint = "" if words else str(constraint.get("human") or expression or "")

    def undecided(at: At, run: Run, reason: str) -> None:
        run.add(
            at,
            "not-supported",
            f"the invariant {key} was not evaluated{by}: {reason}",
            code="not-supported",
            severity="warning",
        )

    if not expression:
        return lambda value, at, run: undecided(at, run, "it is not written as FHIRPath")
    twin = twins().get(expression)
    if twin is not None:
        needed = ONLY_WITH.get(key, "")

        def quick(value: Any, at: At, run: Run) -> None:
            if needed and needed not in value:
                return
            try:
                right = twin(value, kind, run.surroundings)
            except CannotEvaluate as error:
                undecided(at, run, str(error))
                return
            if not right:
                run.add(at, rule, message, severity=severity, hint=hint)

        return quick
    holds: Any = None
    fault = ""
    endless = 0

    def check(value: Any, at: At, run: Run) -> None:
        nonlocal holds, fault, endless
        if holds is None and not fault:
            try:
                holds = compiled(expression)
            except CannotEvaluate as error:
                fault = str(error)
        if fault:
            undecided(at, run, fault)
            return
        try:
            right = holds(value, kind, run.surroundings)
        except Endless as error:
            endless += 1
            if endless == _MOST_ENDLESS:
                fault = f"it did not come to an end {endless} times, and was set aside"
            undecided(at, run, str(error))
            return
        except CannotEvaluate as error:
            undecided(at, run, str(error))
            return
        if not right:
            run.add(at, rule, message, severity=severity, hint=hint)

    return check
