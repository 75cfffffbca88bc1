"""The one way to the FHIRPath engine (fhirpathpy): what it lacks or gets wrong is put right here.

Measured on fhirpathpy 2.2.4: it reads as much of a text as it understands and drops the rest, has
no hasValue, resolve, memberOf, conformsTo and htmlChecks, compares times of different offsets as
texts, cannot order Quantities, starts no path with the name of a type, and never stops by itself.
Specification: FHIRPath N1 (hl7.org/fhirpath/N1), FHIR R4 2.9 (fhirpath.html).
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from functools import cache
from time import monotonic
from typing import Any

from fhirdrain.conformance.narrative import fault_of_div
from fhirdrain.conformance.ordering import compared, times_in_order
from fhirdrain.vocabulary.units import UCUM

# An invariant looks at one element: what needs more than this does not end, or might as well not.
MOST_SECONDS = 2.0
MOST_STEPS = 200_000
MOST_ITEMS = 100_000
MOST_CHARACTERS = 1_000_000


class CannotEvaluate(Exception):
    """An expression was not evaluated; why, without anything from the data."""


@dataclass(slots=True, eq=False)
class Surroundings:
    """What an expression may look at beside its focus.

    `resource` is FHIRPath's %resource, the one the focus is in, `root` its %rootResource: the one
    that contains it, or itself. `resolve` finds what a reference means, `member_of` and
    `conforms_to` answer None where that cannot be known.
    """

    resource: Any
    root: Any
    resolve: Callable[[str], Any | None]
    member_of: Callable[[Any, str], bool | None]
    conforms_to: Callable[[Any, str], bool | None]


Holds = Callable[[Any, str, Surroundings], bool]


@cache
def compiled(expression: str) -> Holds:
    """Return the test of an expression; raises `CannotEvaluate` when it does not parse."""
    tree = _parsed(expression)

    def holds(focus: Any, kind: str, surroundings: Surroundings) -> bool:
        """Return whether it holds of a focus of a type; raises `CannotEvaluate`.

        FHIRPath N1, "Singleton Evaluation of Collections": nothing is as good as true for an
        invariant, and one item that is no boolean is true.
        """
        result = _evaluated(tree, focus, kind, surroundings)
        if not result:
            return True
        if len(result) > 1:
            raise CannotEvaluate("it gives several values")
        return result[0] is not False

    return holds


# -- the engine -----------------------------------------------------------------------------

# Its types and constants are the module's own, so one evaluation runs at a time.
_lock = threading.Lock()


def _parsed(expression: str) -> Any:
    """Return the engine's tree of an expression, all of which must have been read."""
    from antlr4 import CommonTokenStream, InputStream, ParseTreeWalker, Token
    from antlr4.error.ErrorListener import ErrorListener
    from fhirpathpy.parser import recover
    from fhirpathpy.parser.ASTPathListener import ASTPathListener
    from fhirpathpy.parser.generated.FHIRPathLexer import FHIRPathLexer
    from fhirpathpy.parser.generated.FHIRPathParser import FHIRPathParser

    class Strict(ErrorListener):
        def syntaxError(self, *_: Any) -> None:
            raise CannotEvaluate("it cannot be read")

    try:
        lexer = FHIRPathLexer(InputStream(expression))
        lexer.recover = recover
        lexer.removeErrorListeners()
        lexer.addErrorListener(Strict())
        stream = CommonTokenStream(lexer)
        parser = FHIRPathParser(stream)
        parser.buildParseTrees = True
        parser.removeErrorListeners()
        parser.addErrorListener(Strict())
        parsed = parser.expression()
        if stream.LA(1) != Token.EOF:
            raise CannotEvaluate("it goes on behind its end")
        listener = ASTPathListener()
        ParseTreeWalker().walk(listener, parsed)
        return listener.parentStack[0]["children"][0]
    except RecursionError:
        raise CannotEvaluate("it is nested too deeply") from None
    except CannotEvaluate:
        raise
    except Exception:
        raise CannotEvaluate("it cannot be read") from None


def _evaluated(tree: Any, focus: Any, kind: str, surroundings: Surroundings) -> list[Any]:
    """Return what an expression gives of a focus, as plain values."""
    from fhirpathpy.engine import do_eval
    from fhirpathpy.engine.invocations.constants import constants
    from fhirpathpy.engine.nodes import ResourceNode
    from fhirpathpy.engine.util import get_data
    from fhirpathpy.models import models

    is_resource = isinstance(focus, dict) and "resourceType" in focus
    node = focus if is_resource else ResourceNode.create_node(focus, kind)
    variables = {
        "context": node,
        "resource": surroundings.resource,
        "rootResource": surroundings.root,
        "ucum": UCUM,
        "sct": "http://snomed.info/sct",
        "loinc": "http://loinc.org",
    }
    with _lock:
        constants.reset()
        context = {
            "dataRoot": [node],
            "vars": _Variables(variables),
            "model": models["r4"],
            "userInvocationTable": _functions(),
            "budget": _Budget(),
            "surroundings": surroundings,
        }
        try:
            start = _from_focus(tree, kind, focus)
            return [get_data(item) for item in do_eval(context, [node], start)]
        except CannotEvaluate:
            raise
        except RecursionError:
            raise CannotEvaluate("it goes too deep") from None
        except MemoryError:
            raise CannotEvaluate("it needs too much memory") from None
        except Exception as error:
            raise CannotEvaluate(_said(error)) from None


def _said(error: Exception) -> str:
    """Return what kept the engine from going on; its own words may hold a patient's values."""
    text = str(error)
    if text.startswith("Not implemented"):
        return "it uses a function that is not known"
    if isinstance(error, ValueError) and "environment variable" in text:
        return "it uses a variable that is not known"
    return "the engine cannot evaluate it on this data"


class _Variables(dict[str, Any]):
    """Environment variables, those named after a value set or an extension among them."""

    def __contains__(self, name: object) -> bool:
        return super().__contains__(name) or str(name).startswith(("vs-", "ext-"))

    def __missing__(self, name: str) -> Any:
        form, _, rest = name.partition("-")
        folder = "ValueSet" if form == "vs" else "StructureDefinition"
        return f"http://hl7.org/fhir/{folder}/{rest}"


def _from_focus(tree: Any, kind: str, focus: Any) -> Any:
    """Return a tree that begins at the focus where it names the type of the focus first."""
    actual = focus.get("resourceType") if isinstance(focus, dict) else None
    if actual is not None or not isinstance(tree, dict):
        return tree
    path = [tree]
    while path[-1].get("children") and path[-1].get("type") != "MemberInvocation":
        child = path[-1]["children"][0]
        if not isinstance(child, dict):
            return tree
        path.append(child)
    if path[-1].get("type") != "MemberInvocation" or path[-1].get("text") != kind.split(".")[0]:
        return tree
    changed: Any = {**path[-1], "type": "ThisInvocation"}
    for node in reversed(path[:-1]):
        changed = {**node, "children": [changed, *node["children"][1:]]}
    return changed


@dataclass(slots=True)
class _Budget:
    """Ends an evaluation that takes too long or grows too large."""

    steps: int = 0
    until: float = 0.0

    def spend(self, result: Any) -> None:
        if not self.steps:
            self.until = monotonic() + MOST_SECONDS
        self.steps += 1
        if self.steps > MOST_STEPS or monotonic() > self.until:
            raise CannotEvaluate("it does not come to an end")
        if isinstance(result, str):
            if len(result) > MOST_CHARACTERS:
                raise CannotEvaluate("it does not come to an end")
        elif isinstance(result, list):
            if len(result) > MOST_ITEMS:
                raise CannotEvaluate("it does not come to an end")
            if result and isinstance(result[0], str) and len(result[0]) > MOST_CHARACTERS:
                raise CannotEvaluate("it does not come to an end")


@cache
def _functions() -> dict[str, Any]:
    """Return the engine's functions, each under a budget, with those it lacks or gets wrong."""
    from fhirpathpy.engine.invocations import invocation_registry

    table = {**invocation_registry, **_own()}
    return {name: {**entry, "fn": _watched(entry["fn"])} for name, entry in table.items()}


def _watched(function: Callable[..., Any]) -> Callable[..., Any]:
    def watched(context: Any, *arguments: Any) -> Any:
        result = function(context, *arguments)
        context["budget"].spend(result)
        return result

    return watched


def _own() -> dict[str, Any]:
    text = {1: ["String"]}
    orders: dict[str, Callable[[int], bool]] = {
        "<": lambda order: order < 0,
        ">": lambda order: order > 0,
        "<=": lambda order: order <= 0,
        ">=": lambda order: order >= 0,
    }
    return {
        "hasValue": {"fn": _has_value},
        "resolve": {"fn": _resolve},
        "is": {"fn": _is, "arity": {1: ["TypeSpecifier"]}},
        "isOp": {"fn": _is, "arity": {2: ["Any", "TypeSpecifier"]}},
        "memberOf": {"fn": _member_of, "arity": text},
        "conformsTo": {"fn": _conforms_to, "arity": text},
        "htmlChecks": {"fn": lambda context, items: not any(map(fault_of_div, _plain(items)))},
        "trace": {"fn": _trace, "arity": {0: [], 1: ["String"], 2: ["String", "Expr"]}},
        "matches": {"fn": _matches, "arity": text, "nullable_input": True},
        "replaceMatches": {
            "fn": _replace_matches,
            "arity": {2: ["String", "String"]},
            "nullable_input": True,
        },
        **{
            name: {
                "fn": lambda context, one, other, judge=judge: _ordered(one, other, judge),
                "arity": {2: ["Any", "Any"]},
                "nullable": True,
            }
            for name, judge in orders.items()
        },
    }


def _plain(items: Any) -> list[Any]:
    from fhirpathpy.engine.util import get_data

    return [get_data(item) for item in items]


def _trace(context: Any, items: Any, *_: Any) -> Any:
    """Return what is traced, and print nothing: it may be a patient's."""
    return items


_trace.__name__ = "trace_fn"


def _has_value(context: Any, items: Any) -> bool:
    plain = _plain(items)
    return len(plain) == 1 and plain[0] is not None and not isinstance(plain[0], dict | list)


def _resolve(context: Any, items: Any) -> list[Any]:
    from fhirpathpy.engine.nodes import ResourceNode

    found = []
    for item in _plain(items):
        text = item.get("reference") if isinstance(item, dict) else item
        target = context["surroundings"].resolve(text) if isinstance(text, str) else None
        if target is not None:
            found.append(ResourceNode.create_node(target))
    return found


def _is(context: Any, items: Any, kind: Any) -> Any:
    """Return whether a value is of a type; R4 writes Boolean where its own type is boolean."""
    from fhirpathpy.engine.invocations.types import is_fn
    from fhirpathpy.engine.nodes import TypeInfo

    result = is_fn(context, items, kind)
    name = str(kind.name)
    if result is False and kind.namespace in (None, "System") and name[:1].isupper():
        result = is_fn(context, items, TypeInfo(name[0].lower() + name[1:], "FHIR"))
    return result


def _member_of(context: Any, items: Any, url: Any) -> Any:
    plain = _plain(items)
    if not plain or not isinstance(url, str):
        return []
    if len(plain) > 1:
        raise CannotEvaluate("memberOf is asked of several values")
    inside = context["surroundings"].member_of(plain[0], url)
    if inside is None:
        raise CannotEvaluate("whether a code is in a value set cannot be known here")
    return inside


def _conforms_to(context: Any, items: Any, url: Any) -> Any:
    plain = _plain(items)
    if not plain or not isinstance(url, str):
        return []
    if len(plain) > 1:
        raise CannotEvaluate("conformsTo is asked of several values")
    right = context["surroundings"].conforms_to(plain[0], url)
    if right is None:
        raise CannotEvaluate("a profile it names is not known")
    return right


def _pattern(text: str) -> Any:
    import regex

    try:
        return regex.compile(text, regex.DOTALL)
    except regex.error:
        raise CannotEvaluate("a regular expression in it cannot be read") from None


def _matches(context: Any, items: Any, text: Any) -> Any:
    (value,) = _plain(items)
    if not isinstance(value, str) or not isinstance(text, str):
        return []
    try:
        return _pattern(text).search(value, timeout=MOST_SECONDS) is not None
    except TimeoutError:
        raise CannotEvaluate("it does not come to an end") from None


def _replace_matches(context: Any, items: Any, text: Any, instead: Any) -> Any:
    (value,) = _plain(items)
    if not all(isinstance(part, str) for part in (value, text, instead)):
        return []
    try:
        return _pattern(text).sub(instead, value, timeout=MOST_SECONDS)
    except TimeoutError:
        raise CannotEvaluate("it does not come to an end") from None


def _ordered(one: Any, other: Any, judge: Callable[[int], bool]) -> Any:
    """Return an order of two single values; nothing where they cannot be ordered."""
    from fhirpathpy.engine.nodes import FP_DateTime, FP_Quantity, FP_Time

    (left,), (right,) = _single(one), _single(other)
    left, right = (
        value.asStr if isinstance(value, FP_DateTime | FP_Time) else value
        for value in (left, right)
    )
    if isinstance(left, FP_Quantity) or isinstance(right, FP_Quantity):
        left, right = (_quantity(v) if isinstance(v, FP_Quantity) else v for v in (left, right))
    if isinstance(left, str) and isinstance(right, str):
        order = times_in_order(left, right) if _is_time(left) and _is_time(right) else None
        if order is None and not (_is_time(left) and _is_time(right)):
            order = (left > right) - (left < right)
    elif isinstance(left, dict) != isinstance(right, dict):
        raise CannotEvaluate("it orders values of different kinds")
    else:
        order = compared(left, right)
        if order is None and isinstance(left, dict):
            raise CannotEvaluate("it orders quantities that are not of one unit")
    return [] if order is None else judge(order)


def _single(items: Any) -> list[Any]:
    plain = _plain(items)
    if len(plain) != 1:
        raise CannotEvaluate("it orders several values")
    return plain


def _quantity(value: Any) -> dict[str, Any]:
    unit = str(value.unit).strip("'")
    return {"value": Decimal(str(value.value)), "system": UCUM, "code": unit}


def _is_time(text: str) -> bool:
    return (text[:4].isdigit() and (len(text) == 4 or text[4] == "-")) or (
        text[2:3] == ":" and text[:2].isdigit()
    )
