"""A profile compiled once: what it demands beyond its type, as plain functions.

The elements of a snapshot become a tree; each is compared with the element of R4's own type it
narrows, and only what is more than that becomes a check. R4's own demands are walked once
(`types.py`), however many profiles a resource is held against.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from math import inf
from typing import Any, Protocol

from fhirdrain.conformance.definitions import is_resource, is_type
from fhirdrain.conformance.rules import (
    bindings,
    cardinality,
    invariants,
    references,
    slicing,
    values,
)
from fhirdrain.conformance.rules.primitives import is_primitive
from fhirdrain.conformance.rules.structure import COMING_AGAIN, all_of, is_alone, remembered
from fhirdrain.conformance.terminology import Terminology
from fhirdrain.conformance.types import Types, seen
from fhirdrain.conformance.verdicts import Verdict
from fhirdrain.conformance.walk import At, Check, Run

Json = dict[str, Any]

_PRIMITIVE_PARTS = ("id", "extension")


@dataclass(slots=True)
class Spec:
    """One element of a snapshot, with the elements below it and its slices."""

    facts: Json
    children: dict[str, Spec] = field(default_factory=dict)
    slices: list[Spec] = field(default_factory=list)

    @property
    def name(self) -> str:
        """Return the last step of its path."""
        return str(self.facts["path"]).rpartition(".")[2]

    @property
    def types(self) -> list[Json]:
        """Return its types, each code once: what several entries of one allow, any of them does."""
        found: dict[str, Json] = {}
        for entry in self.facts.get("type") or []:
            known = found.setdefault(entry["code"], entry)
            if known is not entry:
                found[entry["code"]] = known | _either(known, entry)
        return list(found.values())


def _either(one: Json, other: Json) -> Json:
    """Return what two entries of a type allow together; what either leaves open is open."""
    lists = {
        name: [*one[name], *other[name]] if one.get(name) and other.get(name) else []
        for name in ("profile", "targetProfile", "aggregation")
    }
    same = one.get("versioning") == other.get("versioning")
    return lists | {"versioning": one.get("versioning") if same else None}


def tree_of(elements: Iterable[Json]) -> Spec:
    """Return the elements of a snapshot as a tree, slices under what they are slices of."""
    root: Spec | None = None
    by_id: dict[str, Spec] = {}
    for facts in elements:
        spec = Spec(facts)
        id_ = str(facts.get("id") or facts["path"])
        by_id[id_] = spec
        if root is None:
            root = spec
            continue
        above, _, step = id_.rpartition(".")
        if ":" in step:
            name, _, slice_name = step.partition(":")
            # A slice of a slice is named after it, with a stroke between.
            outer = slice_name.rpartition("/")[0]
            sliced = by_id.get(f"{above}.{name}:{outer}") if outer else None
            sliced = sliced or by_id.get(f"{above}.{name}")
            if sliced is not None:
                sliced.slices.append(spec)
                continue
        parent = by_id.get(above)
        if parent is not None:
            parent.children[spec.name] = spec
    if root is None:
        raise ValueError("no elements")
    return root


@dataclass(frozen=True, slots=True)
class Base:
    """The element of a type that a profile's element narrows, and where the type is defined."""

    owner: str
    facts: Json


class Profiles(Protocol):
    """Knows profiles by their canonical URLs."""

    def check(self, url: str) -> Check | None:
        """Return what a profile demands beyond its type; None when nobody knows it."""

    def tree(self, url: str) -> Spec | None:
        """Return a profile's elements."""

    def fault_of(self, value: Any, url: str, run: Run) -> Verdict:
        """Return what keeps a value from conforming, empty for nothing; None if it is unknown."""


class Compiler:
    """Makes the checks of profiles.

    `profiles` knows the other ones, which a profile may name.
    """

    def __init__(
        self,
        types: Types,
        terminology: Terminology,
        profiles: Profiles,
        best_practice: bool,
    ) -> None:
        self.types = types
        self.terminology = terminology
        self.profiles = profiles
        self._best_practice = best_practice
        self._told: set[int] = set()

    def compile(self, elements: Iterable[Json], kind: str, name: str) -> Check | None:
        """Return what a profile of a type demands beyond it; None when that is nothing."""
        tree = tree_of(elements)
        base = Base(kind, self.types.facts(kind)[0])
        by = f" (profile {name})"
        checks = [*self._of_value(tree, base, kind, by)]
        return all_of(checks) if checks else None

    # -- one value ------------------------------------------------------------------------

    def _of_value(self, spec: Spec, base: Base, kind: str, by: str) -> Iterator[Check]:
        """Yield the checks of one value of an element that has a type."""
        facts = spec.facts
        known = base.facts
        if id(spec) in self._told:
            # What told a slice apart is not asked again of a value that was found to be in it.
            known = {**known, **values.that_tells(facts)}
        yield from values.checks_of(facts, known, kind, by)
        binding = facts.get("binding")
        if binding and binding != base.facts.get("binding"):
            yield from bindings.check_of(binding, kind, self.terminology, by)
        stated = [*base.facts.get("constraint", ()), *self._own_constraints(kind)]
        owner, path = self.types.below(base.owner, "", base.facts, kind)
        # What is in a group that is defined in place is of the types that its path gives it.
        named = f"{owner}.{path}" if path else kind
        yield from invariants.checks_of(
            facts.get("constraint", ()), stated, named, by, self._best_practice
        )
        if spec.children and not is_primitive(kind):
            below = self._of_children(spec, owner, path, by)
            if below is not None:
                yield below

    def _own_constraints(self, kind: str) -> list[Json]:
        if not is_type(kind):
            return []
        return list(self.types.facts(kind)[0].get("constraint", ()))

    def _of_children(self, spec: Spec, owner: str, path: str, by: str) -> Check | None:
        """Return the check of what is in an object; `owner` and `path` are where R4 defines it."""
        if is_primitive(owner):
            owner, path = "Element", ""
        defined = {facts["path"].rpartition(".")[2]: facts for facts in self._defined(owner, path)}
        checks = []
        counts: dict[str, tuple[int, float]] = {}
        for name, child in spec.children.items():
            facts = defined.get(name)
            if facts is None:
                continue
            bounds = self._only_there_or_not(child, Base(owner, facts), by)
            if bounds is not None:
                counts[name] = bounds
                continue
            made = self._element(child, Base(owner, facts), by)
            if made is not None:
                checks.append(made)
        if not checks and not counts:
            return None
        every = tuple(checks)
        needed = frozenset(name for name, (low, _) in counts.items() if low)
        none = [name for name, (_, high) in counts.items() if high == 0]
        barred = frozenset([*none, *(f"_{name}" for name in none)])
        missing, unwanted = cardinality.counted(1, inf, by), cardinality.counted(0, 0, by)

        def check(holder: Any, at: At, run: Run) -> None:
            if type(holder) is not dict:
                return
            present = holder.keys()
            if not needed <= present:
                for name in sorted(needed - present):
                    if f"_{name}" not in holder:
                        missing(0, (at, name, name), run)
            if barred and not barred.isdisjoint(present):
                for name in sorted({key.removeprefix("_") for key in barred & present}):
                    unwanted(1, (at, name, name), run)
            for one in every:
                one(holder, at, run)

        return check

    def _only_there_or_not(self, spec: Spec, base: Base, by: str) -> tuple[int, float] | None:
        """Return the bounds of an element of which no more is asked than that it is there, or not.

        Nearly all that profiles ask is that, so it is asked of all such elements at once.
        """
        low, high = cardinality.beyond(spec.facts, base.facts)
        keys = keys_of(base.facts)
        if (low, high) not in ((1, inf), (0, 0)) or len(keys) != 1 or spec.slices:
            return None
        if high == 0:
            return low, high
        if _is_plain(keys[0][1]):
            return None if self._checks(spec, base, keys[0][1], by) else (low, high)
        asks = is_primitive(keys[0][1]) and not self.of_each(spec, base, by)
        return (low, high) if asks else None

    def _defined(self, owner: str, path: str) -> list[Json]:
        return self.types.children(owner, path) if is_type(owner) else []

    # -- all values of an element -----------------------------------------------------------

    def _element(self, spec: Spec, base: Base, by: str) -> Check | None:
        """Return the check of an element in an object that may hold it."""
        check = self._made(spec, base, by)
        keys = keys_of(base.facts)
        again = len(keys) == 1 and keys[0][1] in COMING_AGAIN and _is_alone(spec)
        return remembered(check, keys[0][0]) if check is not None and again else check

    def _made(self, spec: Spec, base: Base, by: str) -> Check | None:
        low, high = cardinality.beyond(spec.facts, base.facts)
        count = cardinality.counted(low, high, by)
        slices = tuple(self._slices(spec, base, by))
        keys = keys_of(base.facts)
        name = spec.name.removesuffix("[x]")
        if len(keys) == 1 and not slices and _is_plain(keys[0][1]):
            checks = self._checks(spec, base, keys[0][1], by)
            if not checks and (low, high) == cardinality.ANY:
                return None
            return _plain(keys[0][0], low, high, count, all_of(checks) if checks else None)
        if len(keys) > 1 and not slices:
            chosen = self._choice(spec, base, by)
            if chosen is not None:
                return _one_of_keys(keys, chosen, low, high, count, name, by)
        each = tuple(self.of_each(spec, base, by))
        if not each and not slices and (low, high) == cardinality.ANY:
            return None
        gather = gatherer(keys)
        asks_always = bool(low) or any(one.facts.get("min", 0) for one in spec.slices)

        def check(holder: Any, at: At, run: Run) -> None:
            items = gather(holder, at)
            if not items and not asks_always:
                return
            place = (at, name, name)
            if not low <= len(items) <= high:
                count(len(items), place, run)
            for sliced in slices:
                sliced(items, place, run)
            if each:
                for item in items:
                    for single in each:
                        single(item, run)

        return check

    def _choice(self, spec: Spec, base: Base, by: str) -> dict[str, Check | None] | None:
        """Return the check of each type a choice may be of, where none has more than a value."""
        found: dict[str, Check | None] = {}
        for entry in spec.types or base.facts["type"]:
            kind = entry["code"]
            checks = [
                *self._of_value(spec, base, kind, by),
                *self._of_type(entry, base, spec.name, by),
            ]
            if is_primitive(kind) and (
                checks
                or spec.children.keys() & set(_PRIMITIVE_PARTS)
                or any(cardinality.must_have_value(spec.facts, by))
            ):
                return None
            found[kind] = all_of(checks) if checks else None
            if checks and kind in COMING_AGAIN and _is_alone(spec):
                found[kind] = remembered(all_of(checks))
        return found

    def _checks(self, spec: Spec, base: Base, kind: str, by: str) -> list[Check]:
        """Return the checks of a value of an element that has one type, which is no primitive."""
        return [
            check
            for entry in spec.types or base.facts.get("type") or [{"code": kind}]
            for check in (
                *self._of_value(spec, base, kind, by),
                *self._of_type(entry, base, spec.name, by),
            )
        ]

    def of_each(self, spec: Spec, base: Base, by: str) -> list[Single]:
        """Return the checks of each value of an element, whichever of its types it is of."""
        singles: list[Single] = []
        allowed = {entry["code"] for entry in spec.types}
        possible = {entry["code"] for entry in base.facts.get("type", ())}
        if spec.types and not possible <= allowed and spec.facts["max"] != "0":
            singles.append(cardinality.types_of(allowed, by))
        entries = spec.types or base.facts.get("type") or [{"code": "#"}]
        if any(is_primitive(entry["code"]) for entry in entries):
            singles += cardinality.must_have_value(spec.facts, by)
        for entry in entries:
            kind = entry["code"]
            checks = list(self._of_value(spec, base, kind, by))
            checks += self._of_type(entry, base, spec.name, by)
            if checks:
                parts = self._of_children(spec, "Element", "", by) if is_primitive(kind) else None
                singles.append(_typed(kind, all_of(checks), parts, len(entries) > 1))
            elif is_primitive(kind) and spec.children:
                parts = self._of_children(spec, "Element", "", by)
                if parts is not None:
                    singles.append(_typed(kind, None, parts, len(entries) > 1))
        return singles

    def _of_type(self, entry: Json, base: Base, name: str, by: str) -> Iterator[Check]:
        """Yield what a type of an element demands more than the element's base: profiles."""
        kind = entry["code"]
        same: Json = next((t for t in base.facts.get("type", ()) if t["code"] == kind), {})
        profiles = [p for p in entry.get("profile", ()) if p not in same.get("profile", ())]
        if profiles:
            yield self._one_of(profiles, by)
        targets = tuple(entry.get("targetProfile", ()))
        if targets and set(targets) != set(same.get("targetProfile", ())):
            yield seen(name.removesuffix("[x]"), targets, by)
        kept = frozenset(entry.get("aggregation") or ())
        if kept and kept != frozenset(same.get("aggregation") or ()):
            yield references.kept_as(kept, by)
        versioned = entry.get("versioning")
        if versioned in ("specific", "independent") and versioned != same.get("versioning"):
            yield references.of_a_version(versioned == "specific", by)

    def _one_of(self, profiles: list[str], by: str) -> Check:
        """Return the check that a value conforms to one of several profiles."""
        return cardinality.one_of_profiles(profiles, self.profiles.check, by)

    # -- slices -----------------------------------------------------------------------------

    def _slices(
        self, spec: Spec, base: Base, by: str
    ) -> Iterator[Callable[[Items, At, Run], None]]:
        if not spec.slices:
            return
        sliced = []
        rule = slicing.rule_of(spec)
        for part in spec.slices:
            self._told.update(map(id, slicing.told_by(rule, part)))
            each = self.of_each(part, Base(base.owner, _beyond(spec.facts, base.facts)), by)
            deeper = list(self._slices(part, base, by))
            sliced.append(slicing.Slice(part, tuple(each), tuple(deeper)))
        yield slicing.check_of(spec, rule, sliced, self, by)

    def content_of(self, spec: Spec) -> Check | None:
        """Return the check of all an element's value must be; None when that is anything."""
        path = str(spec.facts.get("base", {}).get("path") or spec.facts["path"])
        owner = path.partition(".")[0]
        if not is_type(owner):
            return None
        facts = next((f for f in self.types.facts(owner) if f["path"] == path), None)
        if facts is None:
            return None
        checks = [
            check
            for entry in spec.types
            for check in (
                *self._of_value(spec, Base(owner, facts), entry["code"], ""),
                *self._of_type(entry, Base(owner, facts), spec.name, ""),
            )
        ]
        if not checks:
            return None
        in_itself = any(_is_of_resource(entry["code"]) for entry in spec.types)
        return _entering(all_of(checks)) if in_itself else all_of(checks)


def _beyond(facts: Json, base: Json) -> Json:
    """Return what is already checked of each value of a sliced element, for its slices."""
    return {**base, **facts, "type": base.get("type", []), "path": base["path"]}


def keys_of(facts: Json) -> list[tuple[str, str]]:
    """Return the JSON keys of an element with the type of each."""
    name = str(facts["path"]).rpartition(".")[2]
    types = facts.get("type") or [{"code": "#"}]
    if not name.endswith("[x]"):
        return [(name, types[0]["code"])]
    stem = name.removesuffix("[x]")
    return [(stem + t["code"][0].upper() + t["code"][1:], t["code"]) for t in types]


def _is_alone(spec: Spec) -> bool:
    """Tell whether nothing that is asked of an element looks at more than its value."""
    alone = is_alone(spec.facts) and not any(entry.get("profile") for entry in spec.types)
    return alone and all(map(_is_alone, (*spec.children.values(), *spec.slices)))


def _is_plain(kind: str) -> bool:
    """Tell whether values of a type are objects whose key alone says what they are."""
    return not (is_primitive(kind) or _is_of_resource(kind))


def _is_of_resource(kind: str) -> bool:
    return kind in ("Resource", "DomainResource") or is_resource(kind)


def _plain(
    key: str,
    low: int,
    high: float,
    count: Callable[[int, At, Run], None],
    each: Check | None,
) -> Check:
    """Return the check of an element of objects: how many there are, and each of them."""

    def check(holder: Any, at: At, run: Run) -> None:
        value = holder.get(key)
        found = 0
        if type(value) is list:
            found = len(value)
            if each is not None:
                for index, item in enumerate(value):
                    each(item, ((at, key, key), index, ""), run)
        elif value is not None:
            found = 1
            if each is not None:
                each(value, (at, key, key), run)
        if not low <= found <= high:
            count(found, (at, key, key), run)

    return check


def _one_of_keys(
    keys: list[tuple[str, str]],
    chosen: dict[str, Check | None],
    low: int,
    high: float,
    count: Callable[[int, At, Run], None],
    name: str,
    by: str,
) -> Check | None:
    """Return the check of a choice: that it is there, of a type it may be of, and its value."""
    by_key = {key: chosen[kind] for key, kind in keys if kind in chosen}
    other = {key for key, kind in keys if kind not in chosen and high != 0}
    if not other and not any(by_key.values()) and (low, high) == cardinality.ANY:
        return None
    siblings = {f"_{key}": key for key, kind in keys if is_primitive(kind)}
    possible = frozenset([*(key for key, _ in keys), *siblings])
    wrong = cardinality.wrong_type(set(chosen), by)

    def check(holder: Any, at: At, run: Run) -> None:
        present = possible.intersection(holder)
        if not present:
            if low:
                count(0, (at, name, name), run)
            return
        if high == 0:
            count(1, (at, name, name), run)
        for stated in present:
            key = siblings.get(stated, stated)
            if key in other:
                wrong((at, key, name), run)
            elif stated == key:
                one = by_key[key]
                if one is not None:
                    one(holder[key], (at, key, name), run)

    return check


@dataclass(slots=True)
class Item:
    """One value of an element: its place, its type, and what stands beside a primitive."""

    value: Any
    at: At
    kind: str
    beside: Any = None


Items = list[Item]
Single = Callable[[Item, Run], None]


def gatherer(keys: list[tuple[str, str]]) -> Callable[[dict[str, Any], At], Items]:
    """Return what collects the values of an element from an object that may hold it."""
    stem = keys[0][0] if len(keys) == 1 else ""
    wanted = {
        key: (f"_{key}" if is_primitive(kind) else "", kind, stem or _stem(key, kind))
        for key, kind in keys
    }
    possible = frozenset([*wanted, *(sibling for sibling, _, _ in wanted.values() if sibling)])

    def gather(holder: dict[str, Any], at: At) -> Items:
        items: Items = []
        present = possible.intersection(holder)
        if not present:
            return items
        for key, (sibling, kind, name) in wanted.items():
            if key not in present and sibling not in present:
                continue
            value = holder.get(key)
            beside = holder.get(sibling) if sibling else None
            place = (at, key, name)
            if type(value) is list or type(beside) is list:
                many = value if type(value) is list else []
                others = beside if type(beside) is list else []
                for index in range(max(len(many), len(others))):
                    one = many[index] if index < len(many) else None
                    other = others[index] if index < len(others) else None
                    items.append(Item(one, (place, index, ""), kind, other))
            elif value is not None or beside is not None:
                items.append(Item(value, place, kind, beside))
        return items

    return gather


def _stem(key: str, kind: str) -> str:
    return key[: len(key) - len(kind)]


def _entering(check: Check) -> Check:
    """Return the check of a resource within another one, made as one of that resource itself."""

    def within(value: Any, at: At, run: Run) -> None:
        if type(value) is not dict:
            return  # which is said by its type
        outer = run.enter(value)
        check(value, at, run)
        run.leave(outer)

    return within


def _typed(kind: str, check: Check | None, parts: Check | None, several: bool) -> Single:
    """Return the check of a value that is made only where the value is of a type."""
    actual = is_resource(kind)
    if check is not None and _is_of_resource(kind):
        check = _entering(check)

    def single(item: Item, run: Run) -> None:
        if several and item.kind != kind and not (actual and item.kind == "Resource"):
            return
        value = item.value
        if actual and not (type(value) is dict and value.get("resourceType") == kind):
            return
        if check is not None and value is not None:
            check(value, item.at, run)
        if parts is not None:
            # What has nothing beside it lacks what must stand there.
            parts({} if item.beside is None else item.beside, item.at, run)

    return single
