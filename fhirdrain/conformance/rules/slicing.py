"""Slicing: which slice a value belongs to, how often each stands, and why none was found."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import zip_longest
from typing import TYPE_CHECKING, Any

from fhirdrain.conformance.definitions import ancestry, is_resource, is_type
from fhirdrain.conformance.rules.primitives import is_primitive
from fhirdrain.conformance.rules.references import type_named
from fhirdrain.conformance.rules.values import equals, matcher, stated
from fhirdrain.conformance.walk import At, Run

if TYPE_CHECKING:
    from fhirdrain.conformance.plan import Compiler, Item, Items, Single, Spec

Json = dict[str, Any]
# Whether a value is in a slice as far as one discriminator tells: "" for yes, else why not. None
# where it cannot be known.
Tells = Callable[["Item", Run], "str | None"]

_STEP = re.compile(
    r"(?P<this>\$this)|(?P<resolve>resolve\(\))|extension\('(?P<url>[^']+)'\)|"
    r"(?:ofType|as)\((?P<kind>\w+)\)|(?P<name>\w+)"
)
_DEFAULT = "@default"


@dataclass(frozen=True, slots=True)
class Slice:
    """A slice with the checks of its values, and of its own slices over all its values."""

    spec: Spec
    each: tuple[Single, ...]
    deeper: tuple[Callable[[Items, At, Run], None], ...]

    @property
    def name(self) -> str:
        """Return its name."""
        return str(self.spec.facts.get("sliceName", ""))


def check_of(
    spec: Spec, rule: Json, slices: Sequence[Slice], compiler: Compiler, by: str
) -> Callable[[Items, At, Run], None]:
    """Return the check of all values of a sliced element."""
    discriminators = rule["discriminator"]
    rules, ordered = rule.get("rules", "open"), bool(rule.get("ordered"))
    default = next((s for s in slices if s.name == _DEFAULT), None)
    named = [s for s in slices if s is not default]
    tells = [[_tells(d, s, compiler) for d in discriminators] or [_by_content(s)] for s in named]

    alone = [tests[0] if len(tests) == 1 else None for tests in tells]

    def place(item: Item, run: Run) -> tuple[int, str, list[int]]:
        """Return the index of an item's slice, or -1, why the nearest is none, which it may be."""
        for index, single in enumerate(alone):
            if single is not None and single(item, run) == "":
                return index, "", []
            if single is None:
                break
        nearest, best, possible = "", -1, []
        for index, tests in enumerate(tells):
            passed, against = 0, ""
            for test in tests:
                why = test(item, run)
                if why == "":
                    passed += 1
                    continue
                against = against or why or ""
                if passed > best:
                    best, nearest = passed, f"{named[index].name}: {why or 'cannot be told'}"
                if why:
                    break
            if passed == len(tests):
                return index, "", []
            if not against:
                possible.append(index)
        return -1, nearest, possible

    def check(items: Items, at: At, run: Run) -> None:
        members: list[Items] = [[] for _ in named]
        perhaps = [0] * len(named)
        others: Items = []
        last = -1
        for item in items:
            index, why, possible = place(item, run)
            if index >= 0:
                members[index].append(item)
                if (ordered and index < last) or (rules == "openAtEnd" and others):
                    run.add(
                        item.at,
                        "slice-order",
                        f"the slice {named[index].name} stands out of its order{by}",
                        code="structure",
                    )
                last = max(last, index)
                continue
            others.append(item)
            if default is not None:
                continue
            for one in possible:
                perhaps[one] += 1
            if possible and (rules == "closed" or any(_demands(named[one]) for one in possible)):
                run.add(
                    item.at,
                    "not-supported",
                    f"which slice it belongs to cannot be told{by}",
                    code="not-supported",
                    severity="warning",
                    hint=why,
                )
            elif rules == "closed":
                run.add(
                    item.at,
                    "slice",
                    f"belongs to none of the slices{by}",
                    code="structure",
                    hint=f"nearest to {why}" if why else "",
                )
        for which, own, more in zip(named, members, perhaps, strict=True):
            _count(which, len(own), more, at, run, by)
            _content(which, own, at, run)
        if default is not None:
            _count(default, len(others), 0, at, run, by)
            _content(default, others, at, run)

    return check


def _demands(one: Slice) -> bool:
    """Tell whether it matters which values are in a slice."""
    counted = one.spec.facts.get("min", 0) or one.spec.facts.get("max", "*") != "*"
    return bool(counted or one.each or one.deeper)


def _content(one: Slice, items: Items, at: At, run: Run) -> None:
    for item in items:
        for single in one.each:
            single(item, run)
    for whole in one.deeper:
        whole(items, at, run)


def _count(one: Slice, count: int, perhaps: int, at: At, run: Run, by: str) -> None:
    """Report a slice that stands too seldom, those counted that may be in it, or too often."""
    low, high = one.spec.facts.get("min", 0), one.spec.facts.get("max", "*")
    if count + perhaps < low:
        said = f"the slice {one.name} of {at[2]} is missing{by}"
        if count:
            said = f"the slice {one.name} of {at[2]} stands {count} times, not {low}{by}"
        run.add(at[0], "slice-cardinality", said, code="required")
    elif high != "*" and count > int(high):
        run.add(
            at[0],
            "slice-cardinality",
            f"the slice {one.name} of {at[2]} stands {count} times, and may {high} times{by}",
            code="structure",
        )


def rule_of(spec: Spec) -> Json:
    """Return how an element is sliced, with what tells the slices apart where it is not said."""
    rule = dict(spec.facts.get("slicing") or {})
    if not rule.get("discriminator"):
        rule["discriminator"] = _implied(spec)
    return rule


def told_by(rule: Json, one: Spec) -> Iterator[Spec]:
    """Yield the elements of a slice that are as they must be in whatever was found to be in it.

    That is so where a discriminator leads to one value alone.
    """
    for discriminator in rule["discriminator"]:
        steps = _steps(str(discriminator.get("path", "$this")))
        if discriminator.get("type", "value") not in ("value", "pattern") or steps is None:
            continue
        if not steps:
            yield one
        elif len(steps) == 1 and steps[0][0] == "name":
            child = one.children.get(steps[0][1])
            if child is not None and child.facts.get("max") == "1":
                yield child


def _implied(spec: Spec) -> list[Json]:
    """Return what tells the slices of extensions and of choices apart without being said."""
    if spec.name in ("extension", "modifierExtension"):
        return [{"type": "value", "path": "url"}]
    if spec.name.endswith("[x]"):
        return [{"type": "type", "path": "$this"}]
    return []


# -- discriminators -------------------------------------------------------------------------


def _by_content(one: Slice) -> Tells:
    """Tell by whether a value is all that the slice demands, where nothing else tells."""

    def tells(item: Item, run: Run) -> str | None:
        aside = run.aside()
        for single in one.each:
            single(item, aside)
        return _first(aside)

    return tells


def _first(aside: Run) -> str:
    return next((issue.message for issue, _ in aside.found if issue.is_error), "")


def _tells(discriminator: Json, one: Slice, compiler: Compiler) -> Tells:
    kind, path = discriminator.get("type", "value"), str(discriminator.get("path", "$this"))
    steps = _steps(path)
    if steps is None:
        return lambda item, run: None
    if kind == "exists":
        return _exists(steps, one.spec, path, compiler)
    if kind == "type":
        return _type(steps, one.spec, path, compiler)
    if kind == "profile":
        return _profile(steps, one.spec, path, compiler)
    return _value(steps, one.spec, path, compiler)


Step = tuple[str, str]


def _steps(path: str) -> list[Step] | None:
    """Return the steps of a discriminator's path; None where it is none R4 allows."""
    steps: list[Step] = []
    place = 0
    while place < len(path):
        match = _STEP.match(path, place)
        if match is None:
            return None
        kind = str(match.lastgroup)
        steps.append((kind, match[kind]))
        place = match.end()
        if place < len(path):
            if path[place] != ".":
                return None
            place += 1
    return [step for step in steps if step[0] != "this"]


def _reach(
    steps: list[Step], item: Item, run: Run, by_name: bool = False
) -> list[tuple[Any, str]] | None:
    """Return the values a path leads to from an item; None where a reference leads out of sight.

    `by_name` says that of the last one its type will do, which the reference may name.
    """
    values: list[_Held] = [(item.value, item.kind, item.beside)]
    for number, (kind, text) in enumerate(steps, 1):
        found: list[_Held] = []
        for value, _, beside in values:
            holder = value if isinstance(value, dict) else beside
            if kind == "resolve":
                target = run.surroundings.resolve(_reference(value))
                named = type_named(value) if by_name and number == len(steps) else ""
                if target is None and not named:
                    return None
                found.append((target, named if target is None else "Resource", None))
            elif kind == "url":
                extensions = holder.get("extension") if isinstance(holder, dict) else None
                found += [
                    (e, "Extension", None)
                    for e in (extensions if isinstance(extensions, list) else ())
                    if isinstance(e, dict) and e.get("url") == text
                ]
            elif kind == "name":
                found += _members(holder, text)
        if kind == "kind":
            found = [(v, k, beside) for v, k, beside in values if text in (k, _type_of(v, k))]
        values = found
    return [(value, _type_of(value, kind)) for value, kind, _ in values]


# A value, its type as far as its key tells, and what stands beside it where it is a primitive.
_Held = tuple[Any, str, Any]


def _reference(value: Any) -> str:
    reference = value.get("reference") if isinstance(value, dict) else value
    return reference if isinstance(reference, str) else ""


def _members(holder: Any, name: str) -> Iterator[_Held]:
    if not isinstance(holder, dict):
        return
    keys = [(name, "")] if name in holder or f"_{name}" in holder else []
    keys = keys or [
        (key, key[len(name) :])
        for key in dict.fromkeys(key.removeprefix("_") for key in holder)
        if key.startswith(name) and is_a_type(key[len(name) :])
    ]
    for key, kind in keys:
        member, beside = holder.get(key), holder.get(f"_{key}")
        values = member if isinstance(member, list) else [member]
        others = beside if isinstance(beside, list) else [beside]
        for value, other in zip_longest(values, others):
            if value is not None or other is not None:
                yield value, kind, other


def is_a_type(text: str) -> bool:
    """Tell whether the end of a JSON key names a type, as the `Quantity` of `valueQuantity`."""
    return text[:1].isupper() and (is_type(text) or is_primitive(text[0].lower() + text[1:]))


def _type_of(value: Any, kind: str) -> str:
    if isinstance(value, dict) and isinstance(value.get("resourceType"), str):
        return str(value["resourceType"])
    if kind and not is_type(kind):
        return kind[0].lower() + kind[1:]
    return kind


def _specs(steps: list[Step], spec: Spec, compiler: Compiler) -> list[Spec]:
    """Return what a slice says of the element a path leads to, in itself or by its profiles."""
    found = [spec]
    for kind, text in steps:
        if kind == "kind":
            continue
        found = [below for one in found for below in _below(kind, text, one, compiler)]
    return found


def _below(kind: str, text: str, spec: Spec, compiler: Compiler) -> Iterator[Spec]:
    yield from _parts(kind, text, spec)
    if kind == "resolve":
        for entry in spec.types:
            for profile in entry.get("targetProfile", ()):
                tree = compiler.profiles.tree(profile)
                if tree is not None:
                    yield tree
        return
    name = "extension" if kind == "url" else text
    child = spec.children.get(name) or spec.children.get(f"{name}[x]")
    if child is not None and kind == "url":
        child = next((s for s in child.slices if _url_of(s, compiler) == text), None)
    if child is not None:
        yield child
        # What is in a slice that must be there tells as well as what holds of all values.
        yield from (one for one in child.slices if one.facts.get("min", 0) and kind == "name")
    if child is None or not _says(child):
        for entry in spec.types:
            for profile in entry.get("profile", ()):
                tree = compiler.profiles.tree(profile)
                if tree is not None:
                    yield from _below(kind, text, tree, compiler)


def _parts(kind: str, text: str, spec: Spec) -> Iterator[Spec]:
    """Yield what a fixed value or a pattern of an element says of an element below it."""
    for form in ("fixed", "pattern"):
        whole = stated(spec.facts, form)
        part = whole.get(text) if kind == "name" and isinstance(whole, dict) else None
        if part is not None:
            path = f"{spec.facts['path']}.{text}"
            for one in part if isinstance(part, list) else [part]:
                yield type(spec)({"path": path, f"{form}Part": one})


def _url_of(spec: Spec, compiler: Compiler) -> str:
    profiles = [p for entry in spec.types for p in entry.get("profile", ())]
    if profiles:
        return str(profiles[0]).split("|")[0]
    url = spec.children.get("url")
    return str(stated(url.facts, "fixed") or "") if url else ""


def _says(spec: Spec) -> bool:
    facts = spec.facts
    return (
        stated(facts, "fixed") is not None
        or stated(facts, "pattern") is not None
        or facts.get("binding", {}).get("strength") == "required"
        or bool(spec.children)
    )


def _value(steps: list[Step], spec: Spec, path: str, compiler: Compiler) -> Tells:
    tests: list[Callable[[Any, str, Run], bool | None]] = []
    for found in _specs(steps, spec, compiler):
        tests += [test for test in [_expected(found, compiler)] if test is not None]
    if not tests:
        return lambda item, run: None
    if len(tests) == 1 and len(steps) <= 1 and all(kind == "name" for kind, _ in steps):
        return _plainly(steps[0][1] if steps else "", tests[0], path)

    def tells(item: Item, run: Run) -> str | None:
        values = _reach(steps, item, run)
        if values is None:
            return None
        if not values:
            return f"{path} is missing"
        unsure = False
        for test in tests:
            results = [test(value, kind, run) for value, kind in values]
            if True not in results:
                if None not in results:
                    return f"{path} is another"
                unsure = True
        return None if unsure else ""

    return tells


def _plainly(name: str, test: Callable[[Any, str, Run], bool | None], path: str) -> Tells:
    """Tell by the value itself or one member of it, which is how nearly all slices are told."""

    def tells(item: Item, run: Run) -> str | None:
        values: Any = (item.value,)
        if name:
            holder = item.value
            if type(holder) is not dict:
                return f"{path} is missing"
            member = holder.get(name)
            if member is None:
                values = [value for value, _, _ in _members(holder, name)]
            else:
                values = member if type(member) is list else (member,)
        unsure = False
        for value in values:
            result = test(value, "", run)
            if result:
                return ""
            unsure = unsure or result is None
        if unsure:
            return None
        return f"{path} is another" if values else f"{path} is missing"

    return tells


def _expected(spec: Spec, compiler: Compiler) -> Callable[[Any, str, Run], bool | None] | None:
    """Return the test that a value is what an element says it must be; None if it says nothing."""
    facts = spec.facts
    fixed, pattern = stated(facts, "fixed"), stated(facts, "pattern")
    if fixed is not None:
        return lambda value, kind, run: equals(fixed, value)
    if pattern is not None:
        holds = matcher(pattern)
        return lambda value, kind, run: holds(value)
    binding = facts.get("binding", {})
    if binding.get("strength") == "required" and binding.get("valueSet"):
        return _in_value_set(binding["valueSet"], compiler)
    checks = compiler.content_of(spec)
    if checks is None:
        return None

    def test(value: Any, kind: str, run: Run) -> bool | None:
        aside = run.aside()
        checks(value, (None, "", ""), aside)
        return not aside.has_errors

    return test


def _in_value_set(value_set: str, compiler: Compiler) -> Callable[[Any, str, Run], bool | None]:
    from fhirdrain.conformance.rules.bindings import coded

    def test(value: Any, kind: str, run: Run) -> bool | None:
        if isinstance(value, str):
            kind = "code"
        else:
            kind = "CodeableConcept" if isinstance(value, dict) and "coding" in value else "Coding"
        unsure = False
        for system, code in coded(value, kind):
            inside = compiler.terminology.membership(value_set, code, system).inside
            if inside:
                return True
            unsure = unsure or inside is None
        return None if unsure else False

    return test


def _exists(steps: list[Step], spec: Spec, path: str, compiler: Compiler) -> Tells:
    found = _specs(steps, spec, compiler)
    if not found:
        return lambda item, run: None
    must = any(f.facts.get("min", 0) > 0 for f in found)
    must_not = any(f.facts.get("max") == "0" for f in found)

    def tells(item: Item, run: Run) -> str | None:
        values = _reach(steps, item, run)
        if values is None or must == must_not:
            return None
        if must:
            return "" if values else f"{path} is missing"
        return f"{path} is there" if values else ""

    return tells


def _type(steps: list[Step], spec: Spec, path: str, compiler: Compiler) -> Tells:
    found = _specs(steps, spec, compiler)
    kinds = {entry["code"] for f in found for entry in f.types}
    if steps and steps[-1][0] == "resolve":
        kinds = {str(f.facts["path"]) for f in found}

    def tells(item: Item, run: Run) -> str | None:
        values = _reach(steps, item, run, by_name=True)
        if values is None or not kinds:
            return None
        actual = {one for value, kind in values for one in ancestry(kind or _guess(value, kinds))}
        return "" if actual & kinds else f"{path} is of another type"

    return tells


def _guess(value: Any, kinds: set[str]) -> str:
    """Return the type of a value whose key does not name one, where only one is possible."""
    return next(iter(kinds)) if len(kinds) == 1 and not is_resource(next(iter(kinds))) else ""


def _profile(steps: list[Step], spec: Spec, path: str, compiler: Compiler) -> Tells:
    resolved = bool(steps) and steps[-1][0] == "resolve"
    inner = steps[:-1] if resolved else steps
    profiles = [
        str(profile)
        for found in _specs(inner, spec, compiler)
        for entry in found.types
        for profile in entry.get("targetProfile" if resolved else "profile", ())
    ]

    def tells(item: Item, run: Run) -> str | None:
        if not profiles:
            return ""  # the slice may be of any profile here
        values = _reach(steps, item, run)
        if values is None:
            return None
        why: str | None = f"{path} is missing"
        for value, _ in values:
            for profile in profiles:
                fault = compiler.profiles.fault_of(value, profile, run)
                if fault == "":
                    return fault
                if fault is None or why is None:
                    why = None  # as it may be of that one
                    continue
                why = f"{path} is not as {profile.rsplit('/', 1)[-1]} demands: {fault}"
        return why

    return tells
