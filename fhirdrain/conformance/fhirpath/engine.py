"""The one way to the FHIRPath engine (fhirpathpy): what it lacks or gets wrong is put right here.

The engine reads expressions and has functions. It reads as much of a text as it understands and
drops the rest, so what is left over is an error here; it never stops by itself, so each evaluation
has a budget. `steps` makes functions of its trees; the functions and operators it lacks or gets
wrong are in `navigation`, `operators`, `arithmetic`, `conversions` and `texts`.
Specification: FHIRPath N1 (hl7.org/fhirpath/N1), FHIR R4 2.9 (fhirpath.html).
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from time import monotonic
from typing import Any, Protocol

# An invariant looks at one element: what needs more than this does not end, or might as well not.
# A budget that each function spends from, and no watchdog: it works in any thread, and leaves none
# behind that still runs. What is bounded in one function is bounded where it stands.
MOST_SECONDS = 2.0
MOST_STEPS = 200_000
MOST_ITEMS = 100_000
MOST_CHARACTERS = 1_000_000
_MOST_DIGITS = 10**40
_LONGEST = 10_000


class CannotEvaluate(Exception):
    """An expression was not evaluated; why, without anything from the data."""


class Endless(CannotEvaluate):
    """An evaluation went beyond its budget; another one of the same expression may as well."""


@dataclass(slots=True, eq=False)
class Surroundings:
    """What an expression may look at beside its focus.

    `resource` is FHIRPath's %resource, the one the focus is in, `root` its %rootResource: the one
    that contains it, or itself, `extension` its %extension, for the invariants of where one may
    stand. `resolve` finds what a reference means, `member_of` and `conforms_to` answer None where
    that cannot be known.
    """

    resource: Any
    root: Any
    resolve: Callable[[str], Any | None]
    member_of: Callable[[Any, str], bool | None]
    conforms_to: Callable[[Any, str], bool | None]
    extension: Any = None


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
    step = _read(expression)

    def holds(focus: Any, kind: str, surroundings: Surroundings, beside: Any = None) -> bool:
        # FHIRPath N1, "Singleton Evaluation of Collections": nothing is as good as true for an
        # invariant, and one item that is no boolean is true.
        from fhirdrain.conformance.fhirpath.items import truth

        return truth(_evaluated(step, focus, kind, surroundings, beside)) is not False

    return holds


def values(expression: str, focus: Any, kind: str, surroundings: Surroundings) -> list[Any]:
    """Return what an expression gives of a focus, as JSON; raises `CannotEvaluate`."""
    step = _read(expression)
    found = _evaluated(step, focus, kind, surroundings, None)
    return [getattr(one, "text", getattr(one, "data", one)) for one in found]


# -- reading --------------------------------------------------------------------------------------

# The parser's tables are the module's own and grow while it reads.
_reading = threading.Lock()


def _read(expression: str) -> Any:
    """Return the function of an expression, all of which must have been read."""
    from antlr4 import CommonTokenStream, InputStream, ParseTreeWalker, Token
    from antlr4.error.ErrorListener import ErrorListener
    from fhirpathpy.parser import recover
    from fhirpathpy.parser.ASTPathListener import ASTPathListener
    from fhirpathpy.parser.generated.FHIRPathLexer import FHIRPathLexer
    from fhirpathpy.parser.generated.FHIRPathParser import FHIRPathParser

    from fhirdrain.conformance.fhirpath.steps import step_of

    class Strict(ErrorListener):
        def syntaxError(self, *_: Any) -> None:
            raise CannotEvaluate("it cannot be read")

    if not isinstance(expression, str):
        raise CannotEvaluate("it is no text")
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
            return step_of(listener.parentStack[0]["children"][0])
        except RecursionError:
            raise CannotEvaluate("it is nested too deeply") from None
        except CannotEvaluate:
            raise
        except Exception:
            raise CannotEvaluate("it cannot be read") from None


# -- evaluating -----------------------------------------------------------------------------------


def _evaluated(
    step: Any, focus: Any, kind: str, surroundings: Surroundings, beside: Any
) -> list[Any]:
    """Return what an expression gives of a focus, as items."""
    from fhirdrain.conformance.fhirpath.items import node

    start = [node(focus, kind, beside)]
    context = {
        "start": start,
        "$this": start,
        "$index": [],
        "$total": [],
        "budget": _Budget(),
        "surroundings": surroundings,
    }
    try:
        found: list[Any] = step(context, start)
        return found
    except CannotEvaluate:
        raise
    except RecursionError:
        raise CannotEvaluate("it goes too deep") from None
    except MemoryError:
        raise CannotEvaluate("it needs too much memory") from None
    except Exception:
        # The engine's own words may hold a patient's values.
        raise CannotEvaluate(_ODD) from None


_ODD = "the engine cannot evaluate it on this data"


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
            raise Endless("it does not come to an end")


def _is_too_large(result: Any) -> bool:
    if isinstance(result, list):
        return len(result) > MOST_ITEMS
    if isinstance(result, str):
        return len(result) > MOST_CHARACTERS
    return isinstance(result, int) and abs(result) > _MOST_DIGITS
