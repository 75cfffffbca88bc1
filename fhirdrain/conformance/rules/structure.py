"""The shape of R4 JSON: known elements, arrays, objects, choices, what may not be missing.

Each function here makes a check for one element or type, once; the checks it makes are what
walks a document, so they do as little as they can while nothing is wrong.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from marshal import dumps
from typing import Any

from fhirdrain.conformance.definitions import shown_key
from fhirdrain.conformance.raw import MOST_DEPTH
from fhirdrain.conformance.rules.primitives import Quick, fault_of
from fhirdrain.conformance.walk import At, Check, Member, Run

# A choice's name and its JSON keys, those of siblings too, and whether one of them must be there.
Choice = tuple[str, frozenset[str], bool]


def never(value: Any) -> bool:
    """Say of no value that it is right without a further look."""
    return False


NEVER: Quick = ((), never)


@dataclass(frozen=True, slots=True)
class Field:
    """What stands under a JSON key: its FHIRPath name, its check, and what is right without it.

    `quick` are texts that are right, and a test that is never wrong when it says that all is well;
    both say no where a check has more to see to than the value alone.
    """

    name: str
    check: Member
    quick: Quick = NEVER


def object_of(
    label: str,
    fields: Mapping[str, Field],
    required: Iterable[str],
    choices: Iterable[Choice],
    after: Callable[[], tuple[Check, ...]],
) -> Check:
    """Return the check of an object.

    `fields` are its elements by JSON key, `required` the keys of elements that must be there,
    `after` what is checked of the object as a whole (asked for when the first such object is met,
    as types refer to each other).
    """
    known = {key: (*field.quick, key, field.name, field.check) for key, field in fields.items()}
    needed = frozenset(required)
    groups = tuple(choices)
    rest: tuple[Check, ...] | None = None
    # Which keys stand together is looked at once for each way they do; data has few of those.
    shapes: dict[tuple[str, ...], Check] = {}

    def learnt(value: dict[str, Any], at: At, run: Run) -> Check:
        """Return the check of the members; report what is wrong with the keys."""
        before = len(run.found)
        for count, key in enumerate(key for key in value if key not in known):
            _unknown(label, fields if count < _MOST_HINTS else (), key, at, run)
        present = value.keys()
        for key in sorted(needed - present):
            if f"_{key}" not in value:
                run.add(at, "cardinality", f'"{fields[key].name}" is missing', code="required")
        for name, keys, must in groups:
            stated = keys & present
            if len(stated) != 1:
                _choice(name, stated, must, at, run)
        if len(value) < 2:
            _nearly_empty(label, value, at, run)
        if not known.keys() >= present:
            return _one_by_one(known)
        members = _members_of([known[key] for key in value])
        if len(run.found) == before:
            if len(shapes) >= _MOST_SHAPES:
                shapes.clear()
            shapes[tuple(value)] = members
        return members

    def check(value: Any, at: At, run: Run) -> None:
        nonlocal rest
        if type(value) is not dict:
            run.add(at, "type", f"{_name(at)} must be an object", code="structure")
            return
        members = shapes.get(tuple(value)) or learnt(value, at, run)
        members(value, at, run)
        if rest is None:
            rest = after()
        for one in rest:
            one(value, at, run)

    return check


def _members_of(fields: Sequence[tuple[Any, ...]]) -> Check:
    """Return the check of the members of an object whose keys are these, in their order.

    It is written out as one function without a loop: this is what a walk spends its time on.
    """
    names: dict[str, Any] = {}
    lines = []
    for number, (right, sure, key, name, member) in enumerate(fields):
        item = f"v{number}"
        names |= {f"r{number}": right, f"s{number}": sure, f"m{number}": member}
        tests = [f"not ({item}.__class__ is str and {item} in r{number})"] if right else []
        # A set that is filled as texts come along may be empty yet.
        if not tests and isinstance(right, set):
            tests = [f"not ({item}.__class__ is str and {item} in r{number})"]
        if sure is not never:
            tests.append(f"not s{number}({item})")
        indent = "    "
        if tests:
            lines.append(f"    if {' and '.join(tests)}:")
            indent = "        "
        lines.append(f"{indent}m{number}({item}, (at, {key!r}, {name!r}), run, value)")
    taken = "".join(f"v{number}, " for number in range(len(fields)))
    head = [f"    {taken}= value.values()"] if fields else []
    exec("\n".join(["def members(value, at, run):", *head, *lines, "    return"]), names)
    members: Check = names["members"]
    return members


_MOST_SHAPES = 1000
# Looking for what is spelt alike is slow, and no use where an object is another thing altogether.
_MOST_HINTS = 100


def _one_by_one(known: Mapping[str, tuple[Any, ...]]) -> Check:
    """Return the check of an object's members where some are unknown, of which there may be many.

    It was said that they are; a function that is written out for them would be used only once.
    """

    def members(value: Any, at: At, run: Run) -> None:
        for key, item in value.items():
            if key not in known:
                continue
            right, sure, _, name, member = known[key]
            if not (item.__class__ is str and item in right) and not sure(item):
                member(item, (at, key, name), run, value)

    return members


def _nearly_empty(label: str, value: dict[str, Any], at: At, run: Run) -> None:
    if not value:
        run.add(at, "empty", "an object must not be empty", code="structure")
    elif "id" in value and label != "Element":  # which stands beside a primitive: see `beside`
        run.add(at, "ele-1", "an element needs more than an id", code="structure")


def _unknown(label: str, members: Iterable[str], key: str, at: At, run: Run) -> None:
    near = difflib.get_close_matches(key, members, n=1)
    name = shown_key(key, "")
    shown = f' "{name}"' if name else " of that name"
    run.add(
        at,
        "unknown-element",
        f"{label} has no element{shown}",
        code="structure",
        hint=f"nearest: {near[0]}" if near else "",
        value=key,
        below=key,
    )


def _choice(name: str, found: frozenset[str], must: bool, at: At, run: Run) -> None:
    stated = sorted({key.removeprefix("_") for key in found})
    if len(stated) > 1:
        run.add(
            at,
            "choice",
            f"{' and '.join(stated)} cannot stand together: {name} is one of them",
            code="structure",
        )
    elif must and not stated:
        run.add(at, "cardinality", f'"{name.removesuffix("[x]")}" is missing', code="required")


_MOST_REMEMBERED, _LONGEST_REMEMBERED = 2048, 1024
# What speaks of another part of a document, or of where it stands, is not remembered: these, as
# texts in what `marshal` writes.
_OF_MORE_THAN_ITSELF = (b"extension", b"reference", b"u\x02\x00\x00\x00id")
# Of a reference itself, where it leads is looked at each time; but one to what is contained is
# judged by what is around it (ref-1), and who assigned an identifier is a reference of its own.
IN_A_REFERENCE = (b"extension", b"assigner", b"#", b"u\x02\x00\x00\x00id")


# Types whose values are judged by themselves, and come again and again.
COMING_AGAIN = frozenset(("CodeableConcept", "Quantity", "Meta"))


# Functions of FHIRPath that look at nothing but what they are given, and words that may stand
# before a bracket.
_LOOK_AT_THEIR_OWN = frozenset(
    (
        "all", "allTrue", "anyTrue", "as", "children", "contains", "count", "distinct", "empty",
        "endsWith", "exists", "first", "hasValue", "indexOf", "is", "isDistinct", "last", "length",
        "lower", "matches", "not", "ofType", "single", "startsWith", "subsetOf", "substring",
        "supersetOf", "tail", "toString", "upper", "where",
        "and", "or", "xor", "implies", "in", "div", "mod",
    )
)  # fmt: skip
_CALLED = re.compile(r"([A-Za-z_]\w*)\s*\(")


def is_alone(facts: Mapping[str, Any]) -> bool:
    """Tell whether no constraint of an element looks at more than its value.

    That is: at no variable, and by no function that may look at the resource, at others or at the
    clock. A name in backticks could be any.
    """
    expressions = [str(one.get("expression") or "") for one in facts.get("constraint", ())]
    return all(
        "%" not in text and "`" not in text and _LOOK_AT_THEIR_OWN.issuperset(_CALLED.findall(text))
        for text in expressions
    )


def remembered(check: Check, key: str = "", apart: Sequence[bytes] = _OF_MORE_THAN_ITSELF) -> Check:
    """Return a check of values that come again and again, that finds each of them right but once.

    It is for values that are judged by themselves (`COMING_AGAIN`); with a `key`, for those that an
    object has under it. What holds one of the texts that are `apart` is looked at each time. What
    was is known again by what marshal (version 2, without references) writes, in which no two that
    differ are alike: a text is not a number, 1 not true, and a decimal or a date cannot be written.
    """
    right: set[bytes] = set()

    def remembering(value: Any, at: At, run: Run) -> None:
        own = value.get(key) if key else value
        try:
            text = dumps(own, 2)
        except ValueError:
            check(value, at, run)
            return
        if text in right:
            return
        before = len(run.found), len(run.references)
        check(value, at, run)
        quiet = (len(run.found), len(run.references)) == before and own is not None
        short = len(text) <= _LONGEST_REMEMBERED
        if quiet and short and not any(mark in text for mark in apart):
            if len(right) >= _MOST_REMEMBERED:
                right.clear()
            right.add(text)

    return remembering


def one_of(checks: Iterable[Check]) -> Member:
    """Return the check of an element that stands at most once."""
    every = tuple(checks)

    def member(item: Any, at: At, run: Run, holder: dict[str, Any]) -> None:
        if item.__class__ is dict:
            for check in every:
                check(item, at, run)
        elif item is None:
            _null(at, run)
        elif item.__class__ is list:
            run.add(at, "array", f'"{at[1]}" must be a single value', code="structure")
        else:
            run.add(at, "type", f"{at[2]} must be an object", code="structure")

    return member


def many_of(checks: Iterable[Check]) -> Member:
    """Return the check of an element that is an array."""
    every = tuple(checks)

    def member(items: Any, at: At, run: Run, holder: dict[str, Any]) -> None:
        if items.__class__ is not list:
            _no_array(items, at, run)
            return
        if not items:
            run.add(at, "empty", "an array must not be empty", code="structure")
        for index, item in enumerate(items):
            place = (at, index, "")
            if item is None:
                _null(place, run)
            else:
                for check in every:
                    check(item, place, run)

    return member


def primitive(kind: str, rest: tuple[Check, ...]) -> Check:
    """Return the check of one primitive value; `rest` is checked where its format is right."""

    def check(value: Any, at: At, run: Run) -> None:
        fault = fault_of(kind, value)
        if fault:
            run.add(at, "primitive", f"{_name(at)} {fault}", code="value", value=value)
            return
        for one in rest:
            one(value, at, run)

    return check


def one_primitive(check: Check) -> Member:
    """Return the check of a primitive that stands at most once."""

    def member(item: Any, at: At, run: Run, holder: dict[str, Any]) -> None:
        if item is None:
            _null(at, run)
        elif type(item) is list:
            run.add(at, "array", f'"{at[1]}" must be a single value', code="structure")
        else:
            check(item, at, run)

    return member


def many_primitives(check: Check, quick: Quick) -> Member:
    """Return the check of a primitive that is an array; null keeps a place for extensions."""
    right, sure = quick

    def member(items: Any, at: At, run: Run, holder: dict[str, Any]) -> None:
        if type(items) is not list:
            _no_array(items, at, run)
            return
        if not items:
            run.add(at, "empty", "an array must not be empty", code="structure")
        for index, item in enumerate(items):
            if item is None:
                _placeholder(holder.get(f"_{at[1]}"), (at, index, ""), run)
            elif not (item.__class__ is str and item in right) and not sure(item):
                check(item, (at, index, ""), run)

    return member


def _placeholder(beside: Any, at: At, run: Run) -> None:
    index = int(at[1])
    if not (type(beside) is list and index < len(beside) and beside[index]):
        run.add(at, "null", "null is not FHIR", code="structure")


def beside(extended: Check, many: bool) -> Member:
    """Return the check of what stands beside a primitive under `_name`: an id, extensions."""

    def one(item: Any, at: At, run: Run, value: Any) -> None:
        if type(item) is dict and item:
            extended(item, at, run)
            if value is None and item.keys() == {"id"}:
                run.add(at, "ele-1", "an element needs more than an id", code="structure")
        else:
            run.add(at, "structure", f'"{at[1]}" must hold an id or extensions', code="structure")

    def member(item: Any, at: At, run: Run, holder: dict[str, Any]) -> None:
        if not many:
            one(item, at, run, holder.get(str(at[1])[1:]))
            return
        if type(item) is not list or not any(item):
            run.add(at, "structure", f'"{at[1]}" must hold an id or extensions', code="structure")
            return
        beneath = holder.get(str(at[1])[1:])
        values = beneath if type(beneath) is list else []
        if type(beneath) is list and len(values) != len(item):
            run.add(
                at,
                "structure",
                f'"{at[1]}" must be as long as what it stands beside',
                code="structure",
            )
        for index, entry in enumerate(item):
            value = values[index] if index < len(values) else None
            if entry is not None:
                one(entry, (at, index, ""), run, value)
            elif value is None:
                run.add((at, index, ""), "null", "null is not FHIR", code="structure")

    return member


def contained_ids(contained: Any, at: At, run: Run) -> None:
    """Report a contained resource that no reference can name, or that two share the name of.

    FHIR R4 2.3.0.4 (references.html); what R4 states as dom-3 passes one without an id.
    """
    seen: set[str] = set()
    for index, one in enumerate(contained if type(contained) is list else ()):
        if type(one) is not dict:
            continue
        id_, place = one.get("id"), ((at, "contained", "contained"), index, "")
        if "id" not in one:
            said = "what is contained needs an id: without one nothing can refer to it"
            run.add(place, "contained-id", said, code="required")
        elif isinstance(id_, str) and id_ in seen:
            said = "two contained resources have one id: which of them is meant?"
            run.add(place, "contained-id", said, code="duplicate")
        elif isinstance(id_, str):
            seen.add(id_)


def bounded(check: Check) -> Check:
    """Return a check for types that may hold themselves, with an end to it."""

    def within(value: Any, at: At, run: Run) -> None:
        if run.depth > MOST_DEPTH // 2:  # each is an object in an array
            run.add(at, "depth", f"nested more than {MOST_DEPTH} deep", code="too-long")
            return
        run.depth += 1
        check(value, at, run)
        run.depth -= 1

    return within


def _null(at: At, run: Run) -> None:
    run.add(at, "null", "null is not FHIR: leave the element out", code="structure")


def _no_array(items: Any, at: At, run: Run) -> None:
    if items is None:
        _null(at, run)
    else:
        run.add(at, "array", f'"{at[1]}" must be an array', code="structure")


def _name(at: At) -> str:
    """Return the FHIRPath name of the element a place is of, whichever of its items it is."""
    while isinstance(at[1], int):
        at = at[0]
    return at[2]


def all_of(checks: Iterable[Check]) -> Check:
    """Return several checks of one value as one."""
    every = tuple(checks)
    if len(every) == 1:
        return every[0]
    if len(every) == 2:
        first, second = every

        def both(value: Any, at: At, run: Run) -> None:
            first(value, at, run)
            second(value, at, run)

        return both

    def all_(value: Any, at: At, run: Run) -> None:
        for check in every:
            check(value, at, run)

    return all_
