"""What a value itself may be: fixed values, patterns, bounds, lengths."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from decimal import Decimal
from typing import Any

from fhirdrain.conformance.ordering import compared
from fhirdrain.conformance.walk import At, Check, Run

Json = dict[str, Any]

_MIN_LENGTH = "http://hl7.org/fhir/StructureDefinition/minLength"


def stated(facts: Json, prefix: str) -> Any:
    """Return what an element states under `fixed[x]`, `pattern[x]`, `minValue[x]`, ...; or None."""
    for key, value in facts.items():
        if _is_under(prefix, key):
            return value
    return None


def _is_under(prefix: str, key: str) -> bool:
    return key.startswith(prefix) and key[len(prefix) : len(prefix) + 1].isupper()


def that_tells(facts: Json) -> Json:
    """Return the fixed value, else the pattern, of an element that tells slices apart."""
    for prefix in ("fixed", "pattern"):
        found = {key: value for key, value in facts.items() if _is_under(prefix, key)}
        if found:
            return found
    return {}


def matcher(pattern: Any) -> Callable[[Any], bool]:
    """Return the test that a value holds all that a pattern does (R4, pattern[x])."""
    if isinstance(pattern, dict):
        parts = [(key, matcher(wanted)) for key, wanted in pattern.items()]

        def holds(value: Any) -> bool:
            if type(value) is not dict:
                return False
            for key, test in parts:  # noqa: SIM110 - this is walked for every value
                if key not in value or not test(value[key]):
                    return False
            return True

        return holds
    if isinstance(pattern, list):
        tests = [matcher(wanted) for wanted in pattern]

        def all_hold(value: Any) -> bool:
            if type(value) is not list:
                return False
            for test in tests:
                for item in value:
                    if test(item):
                        break
                else:
                    return False
            return True

        return all_hold
    if isinstance(pattern, str):
        return lambda value: type(value) is str and value == pattern
    return lambda value: equals(pattern, value)


def equals(wanted: Any, value: Any) -> bool:
    """Tell whether two values are the same; numbers by what they are worth, not by their digits."""
    if isinstance(wanted, dict):
        return (
            isinstance(value, dict)
            and wanted.keys() == value.keys()
            and all(equals(item, value[key]) for key, item in wanted.items())
        )
    if isinstance(wanted, list):
        return (
            isinstance(value, list)
            and len(wanted) == len(value)
            and all(map(equals, wanted, value))
        )
    if isinstance(wanted, bool) or isinstance(value, bool):
        return wanted is value
    if isinstance(wanted, int | Decimal | float) and isinstance(value, int | Decimal):
        return Decimal(str(wanted)) == value
    return type(wanted) is type(value) and bool(wanted == value)


def checks_of(facts: Json, base: Json, kind: str, by: str) -> Iterator[Check]:
    """Yield the checks of one value of an element, as far as its base does not make them."""
    for prefix, make in (
        ("fixed", _fixed),
        ("pattern", _pattern),
        ("minValue", _minimum),
        ("maxValue", _maximum),
    ):
        wanted = stated(facts, prefix)
        if wanted is not None and wanted != stated(base, prefix):
            yield make(wanted, by)
    shortest = shortest_of(facts)
    if shortest is not None and shortest != shortest_of(base):
        yield _at_least(shortest, by)
    longest = facts.get("maxLength")
    if longest is not None and longest != base.get("maxLength"):
        yield _length(int(longest), by)


def _exactly(rule: str, said: str) -> Callable[[Any, str], Check]:
    """Return what makes the check that a value is just the one that is wanted."""

    def make(wanted: Any, by: str) -> Check:
        def check(value: Any, at: At, run: Run) -> None:
            if not equals(wanted, value):
                run.add(
                    at,
                    rule,
                    f"{said}{by}",
                    code="value",
                    hint=_shown(wanted),
                    value=value if isinstance(value, str) else "",
                )

        return check

    return make


_fixed = _exactly("fixed", "is not the value that is fixed")
_plain_pattern = _exactly("pattern", "is not what it must be")


def _pattern(wanted: Any, by: str) -> Check:
    if isinstance(wanted, str | int | bool | Decimal):
        return _plain_pattern(wanted, by)

    holds = matcher(wanted)

    def check(value: Any, at: At, run: Run) -> None:
        if not holds(value):
            run.add(
                at, "pattern", f"does not hold what it must{by}", code="value", hint=_shown(wanted)
            )

    return check


def _shown(wanted: Any) -> str:
    """Return a wanted value in words short enough to be a hint."""
    if isinstance(wanted, dict):
        parts = [f"{key} {_shown(item)}" for key, item in wanted.items()]
        return ", ".join(parts)
    if isinstance(wanted, list):
        return "; ".join(map(_shown, wanted))
    return str(wanted)


def shortest_of(facts: Json) -> int | None:
    """Return the least length R4's own extension for it sets, None where there is none."""
    for extension in facts.get("extension", ()):
        if extension.get("url") == _MIN_LENGTH:
            return int(extension.get("valueInteger", 0))
    return None


def _at_least(shortest: int, by: str) -> Check:
    def check(value: Any, at: At, run: Run) -> None:
        if isinstance(value, str) and len(value) < shortest:
            run.add(
                at,
                "min-length",
                f"is shorter than {shortest} characters{by}",
                code="value",
                value=value,
            )

    return check


def _length(longest: int, by: str) -> Check:
    def check(value: Any, at: At, run: Run) -> None:
        if isinstance(value, str) and len(value) > longest:
            run.add(
                at,
                "max-length",
                f"is longer than {longest} characters{by}",
                code="too-long",
                value=value,
            )

    return check


def _minimum(wanted: Any, by: str) -> Check:
    return _bound("min-value", wanted, -1, f"is less than it may be{by}", by)


def _maximum(wanted: Any, by: str) -> Check:
    return _bound("max-value", wanted, 1, f"is more than it may be{by}", by)


def _within(bound: Any, beyond: int) -> Callable[[Any], bool]:
    """Return what tells of a quantity in the very unit of a bound that it is within it.

    Nearly every quantity is one; it is never wrong when it says so.
    """
    limit: Any = bound.get("value") if isinstance(bound, dict) else None
    if not isinstance(limit, int | Decimal) or isinstance(limit, bool) or "code" not in bound:
        return lambda value: False
    code, system = bound["code"], bound.get("system")

    def within(value: Any) -> bool:
        if type(value) is not dict or value.get("code") != code or "comparator" in value:
            return False
        number: Any = value.get("value")
        if value.get("system") != system or number.__class__ not in (int, Decimal):
            return False
        try:
            return bool(number <= limit if beyond > 0 else number >= limit)
        except ArithmeticError:
            return False  # it is no number

    return within


def _bound(rule: str, wanted: Any, beyond: int, message: str, by: str) -> Check:
    within = _within(wanted, beyond)

    def check(value: Any, at: At, run: Run) -> None:
        if within(value):
            return
        order = compared(value, wanted)
        if order is None:
            run.add(
                at,
                "not-supported",
                f"cannot be compared with the bound that is set{by}",
                code="not-supported",
                severity="warning",
                hint=_shown(wanted),
            )
        elif order == beyond:
            run.add(at, rule, message, code="value", hint=f"the bound is {_shown(wanted)}")

    return check
