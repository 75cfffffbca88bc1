"""The one way to the FHIRPath engine (fhirpathpy): what it lacks or gets wrong is put right here.

The engine reads expressions and walks their trees. It reads as much of a text as it understands and
drops the rest, so what is left over is an error here; it never stops by itself, so each evaluation
has a budget. The functions and operators it lacks or gets wrong are in `navigation`, `operators`,
`arithmetic`, `conversions` and `texts`; names and literals are made calls of functions before a
tree is used.
Specification: FHIRPath N1 (hl7.org/fhirpath/N1), FHIR R4 2.9 (fhirpath.html).
"""

from __future__ import annotations

import re
import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from functools import cache
from time import monotonic
from typing import Any, Protocol

from fhirdrain.conformance.times import time_of
from fhirdrain.vocabulary.units import UCUM

# An invariant looks at one element: what needs more than this does not end, or might as well not.
# A budget that each function spends from, and no watchdog: it works in any thread, and leaves none
# behind that still runs. What is bounded in one function is bounded where it stands.
MOST_SECONDS = 2.0
MOST_STEPS = 200_000
MOST_ITEMS = 100_000
MOST_CHARACTERS = 1_000_000
_MOST_DIGITS = 10**40
_LONGEST = 10_000

# What the engine does by itself, made calls of functions of ours; no expression can write these
# names.
MEMBER, CONSTANT, VARIABLE = " member", " constant", " variable"
NEGATED, UNCHANGED = " negated", " unchanged"


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


class Expression(Protocol):
    """The test of an expression."""

    def __call__(
        self, focus: Any, kind: str, surroundings: Surroundings, beside: Any = None
    ) -> bool:
        """Return whether it holds of a focus of a type; raises `CannotEvaluate`.

        `beside` is what stands in the `_` member beside a primitive.
        """


@cache
def compiled(expression: str) -> Expression:
    """Return the test of an expression; raises `CannotEvaluate` when it does not parse."""
    tree = _parsed(expression)

    def holds(focus: Any, kind: str, surroundings: Surroundings, beside: Any = None) -> bool:
        # FHIRPath N1, "Singleton Evaluation of Collections": nothing is as good as true for an
        # invariant, and one item that is no boolean is true.
        from fhirdrain.conformance.fhirpath.items import truth

        return truth(_evaluated(tree, focus, kind, surroundings, beside)) is not False

    return holds


def values(expression: str, focus: Any, kind: str, surroundings: Surroundings) -> list[Any]:
    """Return what an expression gives of a focus, as JSON; raises `CannotEvaluate`."""
    tree = _parsed(expression)
    found = _evaluated(tree, focus, kind, surroundings, None)
    return [getattr(one, "text", getattr(one, "data", one)) for one in found]


# -- reading --------------------------------------------------------------------------------------

# The parser's tables are the module's own and grow while it reads.
_reading = threading.Lock()


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

    if len(expression) > _LONGEST:
        raise CannotEvaluate("it is too long")
    with _reading:
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
            return _with_calls(listener.parentStack[0]["children"][0])
        except RecursionError:
            raise CannotEvaluate("it is nested too deeply") from None
        except CannotEvaluate:
            raise
        except Exception:
            raise CannotEvaluate("it cannot be read") from None


def _with_calls(tree: Any) -> Any:
    """Return a tree in which names, variables and literals are calls of our functions."""
    from fhirdrain.conformance.fhirpath.conversions import quantity

    kind, text = tree["type"], tree.get("text", "")
    if kind == "MemberInvocation":
        return _call(MEMBER, _unescaped(tree["children"][0]["text"]))
    if kind == "ExternalConstantTerm":
        (named,) = tree["children"]
        inner = (
            named["children"][0]["text"] if "children" in named else named["terminalNodeText"][1]
        )
        return _call(VARIABLE, _unescaped(inner))
    if kind == "StringLiteral":
        return _call(CONSTANT, _unescaped(text))
    if kind == "NumberLiteral":
        return _call(CONSTANT, Decimal(text) if "." in text else int(text))
    if kind in ("DateTimeLiteral", "TimeLiteral"):
        time = time_of(text.removeprefix("@").removeprefix("T"))
        if time is None:
            raise CannotEvaluate("it names a time that there is not")
        return _call(CONSTANT, time)
    if kind == "QuantityLiteral":
        number, unit = re.fullmatch(r"([\d.]+)(.*)", text, re.DOTALL).groups()  # type: ignore[union-attr]
        return _call(CONSTANT, quantity(Decimal(number), unit))
    if kind == "PolarityExpression":
        signed = _call(NEGATED if tree["terminalNodeText"][0] == "-" else UNCHANGED)
        return {
            "type": "InvocationExpression",
            "children": [_with_calls(tree["children"][0]), signed],
        }
    if kind == "TypeSpecifier" or "children" not in tree:
        return tree
    return {**tree, "children": [_with_calls(child) for child in tree["children"]]}


def _call(name: str, *arguments: Any) -> dict[str, Any]:
    """Return the tree of a call; the engine hands on what it takes for the text of a name."""
    parts: list[Any] = [{"type": "Identifier", "text": name}]
    if arguments:
        inner = [{"type": "TermExpression", "text": argument} for argument in arguments]
        parts.append({"type": "ParamList", "children": inner})
    return {"type": "FunctionInvocation", "children": [{"type": "Functn", "children": parts}]}


_ESCAPED = re.compile(r"\\(u[0-9A-Fa-f]{4}|.)", re.DOTALL)
_ESCAPES = {"r": "\r", "n": "\n", "t": "\t", "f": "\f"}


def _unescaped(text: str) -> str:
    """Return what a text or name in quotes says; one without them is as it is."""
    if text[:1] not in ("'", "`", '"'):
        return text

    def character(found: re.Match[str]) -> str:
        what = found[1]
        return chr(int(what[1:], 16)) if len(what) > 1 else _ESCAPES.get(what, what)

    return _ESCAPED.sub(character, text[1:-1])


# -- evaluating -----------------------------------------------------------------------------------


def _evaluated(
    tree: Any, focus: Any, kind: str, surroundings: Surroundings, beside: Any
) -> list[Any]:
    """Return what an expression gives of a focus, as items."""
    from fhirpathpy.engine import do_eval

    from fhirdrain.conformance.fhirpath.items import item, node

    start = [node(focus, kind, beside)]

    def variable(name: str) -> list[Any]:
        if name in ("context", "resource", "rootResource"):
            one = {"resource": surroundings.resource, "rootResource": surroundings.root}.get(name)
            return start if name == "context" else [] if one is None else [item(one)]
        return [_url(name)]

    context = {
        "dataRoot": start,
        "$this": start,
        "$index": [],
        "$total": [],
        "vars": {},
        "model": None,
        "userInvocationTable": _watched_functions(),
        "variables": variable,
        "now": datetime.now().astimezone(),
        "budget": _Budget(),
        "surroundings": surroundings,
    }
    try:
        found: list[Any] = do_eval(context, start, tree)
        return found
    except CannotEvaluate:
        raise
    except RecursionError:
        raise CannotEvaluate("it goes too deep") from None
    except MemoryError:
        raise CannotEvaluate("it needs too much memory") from None
    except Exception as error:
        # The engine's own words may hold a patient's values.
        unknown = str(error).startswith("Not implemented")
        why = "it uses a function that is not known" if unknown else _ODD
        raise CannotEvaluate(why) from None


_ODD = "the engine cannot evaluate it on this data"


def _url(name: str) -> str:
    """Return what a variable that holds a URL stands for."""
    known = {"ucum": UCUM, "sct": "http://snomed.info/sct", "loinc": "http://loinc.org"}
    if name in known:
        return known[name]
    form, _, rest = name.partition("-")
    folder = {"vs": "ValueSet", "ext": "StructureDefinition"}.get(form)
    if folder is None or not rest:
        raise CannotEvaluate("it uses a variable that is not known")
    return f"http://hl7.org/fhir/{folder}/{rest}"


class _Budget:
    """Ends an evaluation that takes too long or grows too large."""

    __slots__ = ("steps", "until")

    def __init__(self) -> None:
        self.steps = 0
        self.until = monotonic() + MOST_SECONDS

    def spend(self, result: Any) -> None:
        """Count a step and look at what it made."""
        self.steps += 1
        if self.steps > MOST_STEPS or monotonic() > self.until or _is_too_large(result):
            raise CannotEvaluate("it does not come to an end")


def _is_too_large(result: Any) -> bool:
    if isinstance(result, list):
        return len(result) > MOST_ITEMS
    if isinstance(result, str):
        return len(result) > MOST_CHARACTERS
    return isinstance(result, int) and abs(result) > _MOST_DIGITS


@cache
def _watched_functions() -> dict[str, Any]:
    """Return the engine's functions and, in the place of those it gets wrong, ours."""
    from fhirdrain.conformance.fhirpath import (  # they fill the table
        arithmetic,
        conversions,
        navigation,
        operators,
        texts,
    )
    from fhirdrain.conformance.fhirpath.table import ENGINE, OURS, on_values

    del arithmetic, conversions, navigation, operators, texts
    kept = {
        name: entry if name in _ON_ITEMS else {**entry, "fn": on_values(entry["fn"])}
        for name, entry in ENGINE.items()
    }
    return {name: {**entry, "fn": _watched(entry["fn"])} for name, entry in (kept | OURS).items()}


# These hand items on; all other functions of the engine work on values.
_ON_ITEMS = frozenset(
    ("first", "last", "tail", "combine", "coalesce", "aggregate", "empty", "count")
)


def _watched(function: Callable[..., Any]) -> Callable[..., Any]:
    """Put a function under the budget, and $this back behind it, which the engine leaves moved."""

    def watched(context: Any, *arguments: Any) -> Any:
        this, index, total = context["$this"], context["$index"], context["$total"]
        result = function(context, *arguments)
        context["$this"], context["$index"], context["$total"] = this, index, total
        context["budget"].spend(result)
        return result

    return watched
