"""Makes functions of the tree of an expression, once: to evaluate it is to call them.

The engine looks every function up again at every step, and puts two tables together for it. Here
names, literals and the kinds of arguments are settled while an expression is read. Specification:
FHIRPath N1, "Expressions", "Lexical Elements".
"""

from __future__ import annotations

import re
from collections.abc import Callable
from decimal import Decimal
from functools import partial
from typing import Any, NamedTuple

from fhirdrain.conformance.fhirpath import arithmetic, conversions, navigation, operators, texts
from fhirdrain.conformance.fhirpath.arithmetic import negated, unchanged
from fhirdrain.conformance.fhirpath.conversions import quantity
from fhirdrain.conformance.fhirpath.engine import CannotEvaluate
from fhirdrain.conformance.fhirpath.items import Items, values_of
from fhirdrain.conformance.fhirpath.navigation import named, variable
from fhirdrain.conformance.fhirpath.table import (
    ENGINE,
    OURS,
    Context,
    Function,
    on_values,
    single,
)
from fhirdrain.conformance.times import time_of

Step = Callable[[Context, Items], Items]
Tree = dict[str, Any]

# They fill the table.
del arithmetic, conversions, navigation, operators, texts

# These hand items on; all other functions of the engine work on values.
_ON_ITEMS = frozenset(
    ("first", "last", "tail", "combine", "coalesce", "aggregate", "empty", "count")
)
_FUNCTIONS = {
    name: entry if name in _ON_ITEMS else {**entry, "fn": on_values(entry["fn"])}
    for name, entry in ENGINE.items()
} | OURS


def step_of(tree: Tree) -> Step:
    """Return the function of a tree; raises `CannotEvaluate` for what has no meaning."""
    make = _MAKERS.get(tree["type"])
    if make is None:
        raise CannotEvaluate("it cannot be read")
    return make(tree)


def _inner(tree: Tree) -> Step:
    (below,) = tree["children"]
    return step_of(below)


def _path(tree: Tree) -> Step:
    first, then = map(step_of, tree["children"])
    return lambda context, items: then(context, first(context, items))


def _indexed(tree: Tree) -> Step:
    of, at = map(step_of, tree["children"])

    def step(context: Context, items: Items) -> Items:
        found, index = of(context, items), _value("Integer", at(context, items))
        return [] if index == [] or index < 0 else found[index : index + 1]

    return step


# -- names and literals ---------------------------------------------------------------------------


def _member(tree: Tree) -> Step:
    name = _unescaped(tree["children"][0]["text"])

    def step(context: Context, items: Items) -> Items:
        found = named(items, name)
        context["budget"].spend(found)
        return found

    return step


def _variable(tree: Tree) -> Step:
    (inner,) = tree["children"]
    text = inner["children"][0]["text"] if "children" in inner else inner["terminalNodeText"][1]
    name = _unescaped(text)
    return lambda context, items: variable(context, name)


def _moving(name: str) -> Callable[[Tree], Step]:
    """Return the maker of $this, $index or $total."""

    def step(context: Context, items: Items) -> Items:
        return _items(context[name])

    return lambda tree: step


def _literal(read: Callable[[str], Any]) -> Callable[[Tree], Step]:
    def make(tree: Tree) -> Step:
        value = read(tree["text"])
        return lambda context, items: [value]

    return make


def _number(text: str) -> int | Decimal:
    return Decimal(text) if "." in text else int(text)


def _time(text: str) -> Any:
    time = time_of(text.removeprefix("@").removeprefix("T"))
    if time is None:
        raise CannotEvaluate("it names a time that there is not")
    return time


def _quantity(text: str) -> Any:
    number, unit = re.fullmatch(r"([\d.]+)(.*)", text, re.DOTALL).groups()  # type: ignore[union-attr]
    return quantity(Decimal(number), unit)


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


# -- functions and operators ----------------------------------------------------------------------


def _function(tree: Tree) -> Step:
    name, *parameters = tree["children"][0]["children"]
    return _call(_unescaped(name["text"]), parameters[0]["children"] if parameters else [])


def _call(name: str, trees: list[Tree]) -> Step:
    """Return the call of a function; its arguments are evaluated of $this, not of its input."""
    entry = _FUNCTIONS.get(name)
    if entry is None:
        raise CannotEvaluate("it uses a function that is not known")
    kinds = entry.get("arity", {0: []}).get(len(trees))
    if "variadic" in entry:
        kinds = [entry["variadic"]] * len(trees)
    if kinds is None:
        raise CannotEvaluate("it gives a function too few arguments, or too many")
    arguments = [_argument(kind, tree) for kind, tree in zip(kinds, trees, strict=False)]
    function = _watched(entry["fn"])
    nullable, nullable_input = "nullable" in entry, "nullable_input" in entry

    def step(context: Context, items: Items) -> Items:
        if not items and (nullable or nullable_input):
            return []
        given = [argument(context) for argument in arguments]
        return [] if nullable and [] in given else function(context, items, *given)

    return step


def _operator(tree: Tree) -> Step:
    sign = tree["terminalNodeText"][0]
    one, other = map(step_of, tree["children"])
    entry = OURS[_NAMES.get(sign, sign)]
    function, nullable = _watched(entry["fn"]), "nullable" in entry

    def step(context: Context, items: Items) -> Items:
        left, right = one(context, items), other(context, items)
        if nullable and (not left or not right):
            return []
        return function(context, left, right)

    return step


_NAMES = {"in": "inOp", "contains": "containsOp"}


def _typed(tree: Tree) -> Step:
    """Return the step of `is` or `as`."""
    of, wanted = step_of(tree["children"][0]), _type(tree["children"][1])
    function = _watched(OURS[tree["terminalNodeText"][0]]["fn"])
    return lambda context, items: function(context, of(context, items), wanted)


def _signed(tree: Tree) -> Step:
    of = _inner(tree)
    function = _watched(negated if tree["terminalNodeText"][0] == "-" else unchanged)
    return lambda context, items: function(context, of(context, items))


def _watched(function: Function) -> Callable[..., Items]:
    """Put a function under the budget, and $this back behind it, which it may have moved."""

    def watched(context: Context, *arguments: Any) -> Items:
        this, index, total = context["$this"], context["$index"], context["$total"]
        result = function(context, *arguments)
        context["$this"], context["$index"], context["$total"] = this, index, total
        context["budget"].spend(result)
        return _items(result)

    return watched


def _items(result: Any) -> Items:
    if isinstance(result, list):
        return result
    return [] if result is None else [result]


# -- arguments ------------------------------------------------------------------------------------


class Type(NamedTuple):
    """The name of a type."""

    namespace: str | None
    name: str


def _type(tree: Tree) -> Type:
    *namespace, name = tree["text"].replace("`", "").split(".")
    if len(namespace) > 1:
        raise CannotEvaluate("it names a type that is not known")
    return Type(namespace[0] if namespace else None, name)


def _argument(kind: str, tree: Tree) -> Callable[[Context], Any]:
    """Return what gives an argument: a type, what is to be evaluated, items, or a value."""
    if kind == "TypeSpecifier":
        wanted = _type(tree)
        return lambda context: wanted
    step = step_of(tree)
    if kind == "Expr":
        return lambda context: partial(_of_each, context, step)
    if kind in ("Any", "AnyAtRoot"):
        return lambda context: step(context, context["$this"])
    return lambda context: _value(kind, step(context, context["$this"]))


def _of_each(context: Context, step: Step, data: Any) -> Items:
    this = context["$this"] = _items(data)
    return step(context, this)


_KINDS = {"String": str, "Integer": int, "Number": int | Decimal}


def _value(kind: str, items: Items) -> Any:
    """Return the single value of a kind, an empty list where there is none."""
    for value in values_of(single(items)):
        if isinstance(value, bool) or not isinstance(value, _KINDS[kind]):
            raise CannotEvaluate("it gives a function an argument of another kind")
        return value
    return []


_MAKERS: dict[str, Callable[[Tree], Step]] = {
    **dict.fromkeys(
        ("TermExpression", "InvocationTerm", "LiteralTerm", "ParenthesizedTerm"), _inner
    ),
    "InvocationExpression": _path,
    "IndexerExpression": _indexed,
    "MemberInvocation": _member,
    "ExternalConstantTerm": _variable,
    "ThisInvocation": _moving("$this"),
    "IndexInvocation": _moving("$index"),
    "TotalInvocation": _moving("$total"),
    "NullLiteral": lambda tree: lambda context, items: [],
    "BooleanLiteral": _literal(lambda text: text == "true"),
    "StringLiteral": _literal(_unescaped),
    "NumberLiteral": _literal(_number),
    "DateTimeLiteral": _literal(_time),
    "TimeLiteral": _literal(_time),
    "QuantityLiteral": _literal(_quantity),
    "FunctionInvocation": _function,
    "TypeExpression": _typed,
    "PolarityExpression": _signed,
    **dict.fromkeys(
        (
            "MultiplicativeExpression",
            "AdditiveExpression",
            "UnionExpression",
            "InequalityExpression",
            "EqualityExpression",
            "MembershipExpression",
            "AndExpression",
            "OrExpression",
            "ImpliesExpression",
        ),
        _operator,
    ),
}
