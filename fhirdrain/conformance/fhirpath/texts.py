"""FHIRPath's functions of texts.

Measured on fhirpathpy 2.2.4: of an empty argument it makes a fault, an empty text starts with
nothing; regular expressions may run for ever, and what replaces may grow without bound.
Specification: FHIRPath N1, "String Manipulation".
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import regex

from fhirdrain.conformance.fhirpath.engine import MOST_SECONDS, CannotEvaluate, Endless
from fhirdrain.conformance.fhirpath.items import Items, values_of
from fhirdrain.conformance.fhirpath.table import Context, Function, bound, ours, single


def _asked(ask: Callable[[str, str], Any]) -> Function:
    """Return a function that asks a text about another one."""

    def function(context: Context, items: Items, other: str) -> Any:
        for value in values_of(single(items)):
            if not isinstance(value, str):
                raise CannotEvaluate("it takes for a text what is none")
            return ask(value, other)
        return []

    return function


ours("indexOf", ("String",), null="nullable")(_asked(str.find))
ours("startsWith", ("String",), null="nullable")(_asked(str.startswith))
ours("endsWith", ("String",), null="nullable")(_asked(str.endswith))
ours("contains", ("String",), null="nullable")(_asked(str.__contains__))


# $1 or ${name} is what a group found.
_GROUP = re.compile(r"\$(?:(\d+)|\{(\w+)\})")


def _pattern(text: str) -> Any:
    try:
        return regex.compile(text, regex.DOTALL)
    except (regex.error, RecursionError):
        raise CannotEvaluate("a regular expression in it cannot be read") from None


@ours("matches", ("String",), null="nullable")
def _matches(context: Context, items: Items, text: Any) -> Any:
    for value in values_of(single(items)):
        try:
            return _pattern(text).search(value, timeout=MOST_SECONDS) is not None
        except TimeoutError:
            raise Endless("it does not come to an end") from None
    return []


@ours("replaceMatches", ("String", "String"), null="nullable")
def _replace_matches(context: Context, items: Items, text: str, instead: str) -> Any:
    for value in values_of(single(items)):
        bound(len(value) + 1, instead)
        groups = _GROUP.sub(r"\\g<\1\2>", instead.replace("\\", r"\\"))
        try:
            return _pattern(text).sub(groups, value, timeout=MOST_SECONDS)
        except (IndexError, regex.error):
            raise CannotEvaluate("it names a group that its regular expression has not") from None
        except TimeoutError:
            raise Endless("it does not come to an end") from None
    return []


@ours("replace", ("String", "String"), null="nullable")
def _replace(context: Context, items: Items, text: str, instead: str) -> Any:
    for value in values_of(single(items)):
        bound(value.count(text), instead)
        return value.replace(text, instead)
    return []


@ours("join", (), ("String",))
def _join(context: Context, items: Items, between: str = "") -> str:
    bound(len(items), between)
    return between.join(values_of(items))
