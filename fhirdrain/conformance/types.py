"""What R4 demands of each of its types, compiled into plain functions when first met."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping
from threading import RLock
from typing import Any

from fhirdrain.conformance.definitions import Definitions, is_resource, resource_types
from fhirdrain.conformance.rules import bindings, invariants, structure
from fhirdrain.conformance.rules.primitives import is_plain_id, is_primitive, quick_of
from fhirdrain.conformance.terminology import Terminology
from fhirdrain.conformance.walk import At, Check, Reference, Run

Json = dict[str, Any]

_IN_PLACE = ("BackboneElement", "Element")
# Types that hold themselves, so that only a bound ends a walk down into them.
_ENDLESS = ("Extension",)


class Types:
    """The checks of R4's types, each made once.

    `after` names checks that are run on every object of a type, behind R4's own; `profiled` gives
    what a profile demands that R4 itself names for an element (`SimpleQuantity`).
    """

    def __init__(
        self,
        definitions: Definitions,
        terminology: Terminology,
        after: Mapping[str, tuple[Check, ...]],
        profiled: Callable[[str], Check | None],
        resource: Check,
        best_practice: bool,
    ) -> None:
        self._definitions = definitions
        self._terminology = terminology
        self._after = after
        self._profiled = profiled
        self._resource = resource
        self._best_practice = best_practice
        self._made: dict[tuple[str, str], Check] = {}
        self._making = RLock()  # servers check in several threads
        self._facts: dict[str, list[Json]] = {}

    def check(self, name: str) -> Check:
        """Return the check of a resource type or data type that R4 has."""
        return self._group(name, "")

    def facts(self, owner: str) -> list[Json]:
        """Return the elements of a type, the type itself first."""
        if owner not in self._facts:
            definition = self._definitions.type(owner)
            if definition is None:
                raise KeyError(owner)
            self._facts[owner] = definition["snapshot"]["element"]
        return self._facts[owner]

    def children(self, owner: str, path: str) -> list[Json]:
        """Return the elements right below a path of a type."""
        prefix = f"{owner}.{path}." if path else f"{owner}."
        return [
            facts
            for facts in self.facts(owner)
            if facts["path"].startswith(prefix) and "." not in facts["path"][len(prefix) :]
        ]

    def below(self, owner: str, path: str, facts: Json, kind: str) -> tuple[str, str]:
        """Return where the elements of an element's values are defined: a type and a path in it."""
        if "contentReference" in facts:
            where, _, at = facts["contentReference"].rpartition("#")[2].partition(".")
            return where, at
        here = facts["path"].partition(".")[2]
        if here and kind in _IN_PLACE:
            return owner, here
        return kind, ""

    # -- making ---------------------------------------------------------------------------

    def _group(self, owner: str, path: str) -> Check:
        """Return the check of the objects at a path of a type, made now if it was not."""
        key = (owner, path)
        if key not in self._made:
            with self._making:
                if key not in self._made:
                    # A type that is met again while it is made is looked up when its value is.
                    self._made[key] = _later(lambda: self._finished(key))
                    made = self._make(owner, path)
                    self._made[key] = structure.bounded(made) if owner in _ENDLESS or path else made
        return self._made[key]

    def _finished(self, key: tuple[str, str]) -> Check:
        """Return a check that may still be being made elsewhere, when it is."""
        with self._making:
            return self._made[key]

    def _make(self, owner: str, path: str) -> Check:
        fields: dict[str, structure.Field] = {}
        required: list[str] = []
        choices: list[structure.Choice] = []
        for facts in self.children(owner, path):
            name = facts["path"].rpartition(".")[2]
            many = facts["max"] not in ("0", "1")
            stem = name.removesuffix("[x]")
            keys = []
            for entry in facts.get("type") or [{"code": "#"}]:
                kind = entry["code"]
                key = stem + kind[0].upper() + kind[1:] if name.endswith("[x]") else name
                keys.append(key)
                if is_primitive(kind):
                    fields[key] = self._primitive(owner, facts, kind, stem, many)
                    beside = structure.beside(_later(self._extended), many)
                    fields[f"_{key}"] = structure.Field(stem, beside)
                    keys.append(f"_{key}")
                else:
                    every = self._object(owner, path, facts, entry)
                    check = structure.many_of(every) if many else structure.one_of(every)
                    fields[key] = structure.Field(stem, check)
            if name.endswith("[x]"):
                choices.append((name, frozenset(keys), facts["min"] > 0))
            elif facts["min"] > 0:
                required.append(name)
        if not path and is_resource(owner):
            resource_names = frozenset([owner])
            fields["resourceType"] = structure.Field(
                "resourceType", _nothing, (resource_names, structure.NEVER[1])
            )
        label = f"{owner}.{path}" if path else owner

        def after() -> tuple[Check, ...]:
            if path:
                return ()
            root = self.facts(owner)[0].get("constraint", ())
            own = invariants.checks_of(root, (), owner, "", self._best_practice)
            return (*own, *self._after.get(owner, ()))

        return structure.object_of(label, fields, required, choices, after)

    def _extended(self) -> Check:
        return self.check("Element")

    def _primitive(
        self, owner: str, facts: Json, kind: str, name: str, many: bool
    ) -> structure.Field:
        if facts["path"] == f"{owner}.id" and is_resource(owner):
            kind = "id"
        binding = facts.get("binding", {})
        codes = None
        if binding.get("strength") in ("required", "extensible"):
            listed = self._terminology.codes(binding.get("valueSet", "")) or {}
            codes = frozenset().union(*listed.values()) or None
        bound = bindings.check_of(binding, kind, self._terminology)
        rest = [*bound, *self._constraints(facts, kind, ())]
        # One of the codes that may stand is right; anything else that is bound has to be looked up.
        quick = structure.NEVER
        if codes is not None and len(rest) == 1:
            quick = (codes, structure.NEVER[1])
        elif not rest:
            quick = quick_of(kind)
        one = structure.primitive(kind, tuple(rest))
        if many:
            return structure.Field(name, structure.many_primitives(one, quick))
        return structure.Field(name, structure.one_primitive(one), quick)

    def _object(self, owner: str, path: str, facts: Json, entry: Json) -> list[Check]:
        kind = entry["code"]
        if kind == "Resource" or is_resource(kind):
            return [self._resource]
        where = self.below(owner, path, facts, kind)
        root: Any = ()
        if where[1]:
            check = _later(lambda: self._group(*where)) if where == (owner, path) else None
            check = check or self._group(*where)
            kind = f"{where[0]}.{where[1]}"
        else:
            lazy = owner == "Extension"
            check = _later(lambda: self.check(kind)) if lazy else self.check(kind)
            if kind == "Reference":
                check = structure.remembered(check, apart=structure.IN_A_REFERENCE)
            root = self.facts(kind)[0].get("constraint", ())
        checks = [check, *bindings.check_of(facts.get("binding", {}), kind, self._terminology)]
        if kind == "Reference":
            name = facts["path"].rpartition(".")[2].removesuffix("[x]")
            checks.append(seen(name, tuple(entry.get("targetProfile", ())), ""))
        for profile in entry.get("profile", ()):
            checks.append(_later_or_none(self._profiled, profile))
        checks += self._constraints(facts, kind, root)
        if (
            kind not in structure.COMING_AGAIN
            or entry.get("profile")
            or not structure.is_alone(facts)
        ):
            return checks
        return [structure.remembered(structure.all_of(checks))]

    def _constraints(self, facts: Json, kind: str, known: Any) -> list[Check]:
        return [
            *invariants.checks_of(facts.get("constraint", ()), known, kind, "", self._best_practice)
        ]


def seen(name: str, targets: tuple[str, ...], by: str) -> Check:
    """Return a check that keeps a reference until all of the document has been walked."""
    right: set[str] = set()

    def check(value: Any, at: At, run: Run) -> None:
        if type(value) is not dict:
            return
        text, stated = value.get("reference"), value.get("type")
        if text is None:
            if stated is None or (stated.__class__ is str and stated in right):
                return
        elif stated is None and text.__class__ is str and run.index.is_alone:
            # Most of what is checked is one resource, whose references lead elsewhere.
            kind, mark, id_ = text.partition("/")
            if mark and kind + mark in right and is_plain_id(id_) and text != run.index.own_name:
                return
        found = Reference(value, at, name, targets, by, run.container, run.index, right)
        run.references.append(found)

    return check


def resource_of(
    check_of: Callable[[str], Check],
    then: Callable[[Any, At, Run, int], None],
) -> Check:
    """Return the check of a resource of whatever type it says it is.

    `then` checks it behind that, and is given how much had been found before.
    """

    def check(value: Any, at: At, run: Run) -> None:
        if type(value) is not dict:
            run.add(at, "structure", "a resource must be a JSON object", code="structure")
            return
        kind = value.get("resourceType")
        if not isinstance(kind, str):
            run.add(at, "resource-type", "resourceType is missing", code="structure")
            return
        if not is_resource(kind):
            near = difflib.get_close_matches(kind, resource_types(), n=1)
            run.add(
                at,
                "resource-type",
                "resourceType names no R4 resource",
                code="structure",
                hint=f"nearest: {near[0]}" if near else "R4 has no such resource",
                value=kind,
            )
            return
        before = len(run.found)
        run.count += 1
        if run.told is not None:
            run.told(run.count)
        outer = run.enter(value)
        check_of(kind)(value, at, run)
        if "contained" in value:
            structure.contained_ids(value["contained"], at, run)
        then(value, at, run, before)
        run.leave(outer)

    return structure.bounded(check)


def _later(make: Callable[[], Check]) -> Check:
    made: Check | None = None

    def check(value: Any, at: At, run: Run) -> None:
        nonlocal made
        if made is None:
            made = make()
        made(value, at, run)

    return check


def _later_or_none(make: Callable[[str], Check | None], url: str) -> Check:
    return _later(lambda: make(url) or _accept)


def _accept(value: Any, at: At, run: Run) -> None:
    pass


def _nothing(item: Any, at: At, run: Run, holder: dict[str, Any]) -> None:
    pass
