"""The table of FHIRPath functions and operators that are ours, in the form the engine reads.

It is filled by `navigation`, `operators`, `arithmetic`, `conversions` and `texts`.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

from fhirpathpy.engine.invocations import invocation_registry

from fhirdrain.conformance.fhirpath.engine import MOST_CHARACTERS, CannotEvaluate, Endless
from fhirdrain.conformance.fhirpath.items import Items, values_of
from fhirdrain.conformance.times import Time

Context = dict[str, Any]
Each = Callable[[Any], Items]
Function = Callable[..., Any]
F = TypeVar("F", bound=Function)

# What an operator takes.
TWO = ("Any", "Any")

OURS: dict[str, dict[str, Any]] = {}
ENGINE: dict[str, Any] = {**invocation_registry}


def ours(name: str, *arities: tuple[str, ...], null: str = "") -> Callable[[F], F]:
    """Put a function into the table under a name.

    `arities` are the kinds of its arguments, none by default. With `nullable` it gives nothing
    where an argument is nothing, with `nullable_input` where what it is asked of is.
    """

    def put(function: F) -> F:
        arity = {len(kinds): list(kinds) for kinds in arities or [()]}
        OURS[name] = {"fn": function, "arity": arity} | ({null: True} if null else {})
        return function

    return put


def on_values(function: Function) -> Function:
    """Let a function of the engine see plain values, times as texts, and nothing that has none."""

    def with_values(context: Context, items: Any, *arguments: Any) -> Any:
        plain = [_texts(one) if isinstance(one, list) else one for one in (items, *arguments)]
        return [] if items != [] and plain[0] == [] else function(context, *plain)

    return with_values


def _texts(items: Items) -> Items:
    return [value.text if isinstance(value, Time) else value for value in values_of(items)]


def single(items: Items) -> Items:
    """Return a collection of one item at most; raises `CannotEvaluate` for a larger one."""
    if len(items) > 1:
        raise CannotEvaluate("it takes several values for a single one")
    return items


def bound(times: int, text: str) -> None:
    """Raise `CannotEvaluate` where so many copies of a text are too much."""
    if times * len(text) > MOST_CHARACTERS:
        raise Endless("it does not come to an end")
