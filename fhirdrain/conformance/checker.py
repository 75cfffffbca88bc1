"""The checker: definitions, profiles and rules put together, and one document walked with them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from threading import RLock
from typing import Any

from fhirdrain.conformance import drainage
from fhirdrain.conformance.cache import Plans
from fhirdrain.conformance.definitions import (
    BROKEN,
    OURS,
    R4,
    Definitions,
    ancestry,
    is_resource,
    is_type,
    shown_type,
    split_canonical,
    standard,
)
from fhirdrain.conformance.drainbook import USUAL, Bounds
from fhirdrain.conformance.fhirpath import Surroundings
from fhirdrain.conformance.plan import Compiler, Spec, tree_of
from fhirdrain.conformance.rules import bindings, bundles, drain, extensions, ours
from fhirdrain.conformance.rules.references import Follow, Index, Judge
from fhirdrain.conformance.shapes import check_shape
from fhirdrain.conformance.snapshot import SnapshotFault, elements_of
from fhirdrain.conformance.terminology import Terminology
from fhirdrain.conformance.types import Types, resource_of
from fhirdrain.conformance.verdicts import Need, Verdict
from fhirdrain.conformance.walk import At, Check, Node, Report, Run, json_path, root
from fhirdrain.conformance.walk import Index as Walked

Json = dict[str, Any]
_TYPE = "http://hl7.org/fhir/StructureDefinition/"
# Profiles that were found to be stated rightly and need not be looked up again.
_MOST_FINE = 1000


@dataclass(frozen=True)
class Options:
    """What a checker is to look at.

    `profiles` are applied to every resource of their type, beside those a resource states.
    `extensions` is what is said of extensions nobody has defined, `references` whether those that
    lead out of the document must lead to something supplied, `best_practice` whether what is only
    good practice counts, `base_only` that neither profiles nor our own rules do, `bounds` what the
    site decides of comparing one observation of a drain with the next.
    """

    profiles: tuple[str, ...] = ()
    extensions: extensions.Unknown = "mention"
    references: Follow = "accept"
    best_practice: bool = False
    base_only: bool = False
    drain_rules: bool = True
    bounds: Bounds = USUAL


@dataclass(slots=True)
class Compiled:
    """A profile as far as it could be made: its type, what it demands, or why it cannot be."""

    kind: str
    check: Check | None
    fault: str = ""


class Checker:
    """Holds resources against R4, profiles and our rules. Making one costs nothing yet.

    `instances` are resources that references may lead to beside those of a document, `plans` is
    the folder where what was worked out of profiles is kept.
    """

    def __init__(
        self,
        definitions: Definitions | None = None,
        options: Options | None = None,
        instances: Mapping[str, Json] | None = None,
        plans: Path | None = None,
    ) -> None:
        self.definitions = definitions if definitions is not None else standard()
        self.options = options or Options()
        self.terminology = Terminology(self.definitions)
        self._instances = instances or {}
        self._plans = Plans(plans, self.definitions)
        self._compiled: dict[str, Compiled | None] = {}
        self._making = RLock()
        self._trees: dict[str, Spec | None] = {}
        self._type_of: dict[str, str] = {}
        self._possible: dict[tuple[tuple[str, ...], str], list[str]] = {}
        self._fine: set[tuple[str, str]] = set()
        self._resource = resource_of(self._type, self._then)
        self._types = Types(
            self.definitions,
            self.terminology,
            self._after(),
            self.check,
            self._resource,
            self.options.best_practice,
        )
        self._compiler = Compiler(self._types, self.terminology, self, self.options.best_practice)

    def walk(self, resource: Any, run: Run) -> None:
        """Walk a document and put what is wrong in it into a run."""
        kind = resource.get("resourceType") if isinstance(resource, dict) else None
        at = root(shown_type(kind, "$this"))
        run.root = resource
        run.index = Index(resource, self._instances)
        run.around = self._around
        self._resource(resource, at, run)
        if run.references:
            Judge(run, self, self.options.references).judge()
        if not self.options.base_only and self.options.drain_rules:
            ours.one_identity(resource, run)
            drainage.check(resource, run, self.options.bounds)

    # -- profiles -------------------------------------------------------------------------

    def check(self, url: str) -> Check | None:
        """Return what a profile demands beyond its type; None when that cannot be known."""
        compiled = self.compiled(url)
        return None if compiled is None or compiled.fault else compiled.check or _accept

    def compiled(self, canonical: str) -> Compiled | None:
        """Return a profile, compiled now if it was not; None when nobody knows it."""
        url, _ = split_canonical(canonical)
        if url not in self._compiled:
            with self._making:
                if url not in self._compiled:
                    # A profile that is met again while it is made is looked up when it is needed.
                    met = Compiled("", lambda v, at, run: self._again(url, v, at, run))
                    self._compiled[url] = met
                    self._compiled[url] = self._make(url)
        return self._compiled[url]

    def _again(self, url: str, value: Any, at: At, run: Run) -> None:
        with self._making:  # which is over then
            compiled = self._compiled[url]
        if compiled is not None and compiled.check is not None:
            compiled.check(value, at, run)

    def _make(self, url: str) -> Compiled | None:
        definition = self.definitions.structure(url)
        if definition is None:
            return None
        kind = str(definition.get("type", ""))
        if url == f"{_TYPE}{kind}":
            return Compiled(kind, None)  # the type itself, which is walked anyway
        if "baseDefinition" not in definition:
            return Compiled(kind, None, "it names no base")
        if not is_type(kind) and not self.definitions.type(kind):
            return Compiled(kind, None, "it is of no type of R4")
        name = str(definition.get("id") or url.rsplit("/", 1)[-1])
        try:
            elements = self._elements(url, definition)
            self._trees[url] = tree_of(elements)
            own = self._compiler.compile(elements, kind, name)
            return Compiled(kind, self._with_base(url, definition, own))
        except SnapshotFault as error:
            return Compiled(kind, None, str(error))
        except BROKEN as error:
            what = "it, or a definition that it rests on, is not of the shape R4 gives it"
            return Compiled(kind, None, f"{url}: {what} ({type(error).__name__})")

    def _with_base(self, url: str, definition: Json, own: Check | None) -> Check | None:
        """Return the check of a supplied profile and of the profile it is based on.

        What conforms to it conforms to that too (R4 5.1.0.2), even where it says something else.
        Nothing is said of the base where the profile itself has found something: it would be that.
        """
        base = split_canonical(str(definition["baseDefinition"]))[0]
        known = self.definitions.structure(base)
        supplied = self.definitions.origin("StructureDefinition", url) not in (R4, OURS)
        if not supplied or known is None or known.get("derivation") != "constraint":
            return own
        below = self.compiled(base)
        if below is None or below.check is None:
            return own
        first, second = own or _accept, below.check

        def check(value: Any, at: At, run: Run) -> None:
            before = len(run.found)
            first(value, at, run)
            if any(issue.is_error for issue, _ in run.found[before:]):
                return
            aside = run.aside()
            second(value, at, aside)
            run.found += [(issue, path) for issue, path in aside.found if issue.is_error]
            kept = {(id(one.value), one.targets) for one in run.references}
            run.references += [
                one for one in aside.references if (id(one.value), one.targets) not in kept
            ]

        return check

    def _elements(self, url: str, definition: Json) -> list[Json]:
        """Return the snapshot of a profile, worked out once for these definitions."""
        if self.definitions.origin("StructureDefinition", url) == OURS and "snapshot" in definition:
            return list(definition["snapshot"]["element"])
        elements = self._plans.get(url)
        if elements is None:
            if self.definitions.origin("StructureDefinition", url) != R4:
                check_shape(url, definition)
            elements = elements_of(definition, self.definitions)
            self._plans.put(url, elements)
        return list(elements)

    def tree(self, url: str) -> Spec | None:
        """Return a profile's elements; None when nobody knows it."""
        url, _ = split_canonical(url)
        if url not in self._trees:
            definition = self.definitions.structure(url)
            self._trees[url] = None
            if definition is not None:
                with suppress(SnapshotFault, *BROKEN):  # which is said where the profile is applied
                    self._trees[url] = tree_of(self._elements(url, definition))
        return self._trees[url]

    def type_of(self, url: str) -> str:
        """Return the type a profile is of, of an unknown one as far as its URL tells; else ""."""
        if url not in self._type_of:
            self._type_of[url] = self._look_up_type(url)
        return self._type_of[url]

    def possible(self, targets: tuple[str, ...], kind: str) -> list[str]:
        """Return those of the profiles a reference may lead to that are of a type."""
        key = (targets, kind)
        if key not in self._possible:
            self._possible[key] = [
                url for url in targets if self.type_of(url) in ("", *ancestry(kind))
            ]
        return self._possible[key]

    def _look_up_type(self, url: str) -> str:
        url, _ = split_canonical(url)
        name = url.removeprefix(_TYPE)
        if name != url and (is_type(name) or is_resource(name)):
            return name
        definition = self.definitions.structure(url)
        return str(definition.get("type", "")) if definition else ""

    def fault_of(self, value: Any, url: str, run: Run, index: Walked | None = None) -> Verdict:
        """Return what keeps a value from conforming, empty for nothing; None if it is unknown.

        `index` knows where references in it lead, if that is not where the walk is.
        """
        url, _ = split_canonical(url)
        return run.verdicts.of(value, url, index or run.index, run, self._look)

    def _look(self, value: Any, url: str, index: Walked, run: Run) -> tuple[Verdict, list[Need]]:
        """Return what a value itself has against conforming, and what it needs of others."""
        kind = self.type_of(url)
        actual = value.get("resourceType") if isinstance(value, dict) else None
        if actual is not None and kind not in ("", *ancestry(str(actual))):
            return f"it is a {shown_type(actual)}", []
        compiled = self.compiled(url)
        if compiled is None or compiled.fault:
            return None, []
        if compiled.check is None:
            return "", []
        aside = run.aside()
        aside.index = index
        if actual is not None:
            aside.enter(value)
        compiled.check(value, root(shown_type(actual, kind)), aside)
        needs = [*Judge(aside, self, "accept").needs()] if actual is not None else []
        return next((i.message for i, _ in aside.found if i.is_error), ""), needs

    # -- one resource -----------------------------------------------------------------------

    def _type(self, kind: str) -> Check:
        return self._types.check(kind)

    def _around(self, run: Run) -> Surroundings:
        """Return what expressions may look at in the resource a walk is in."""
        index, container = run.index, run.container
        return Surroundings(
            run.resource,
            container,
            lambda text: index.resolve(text, container),
            self._member_of,
            lambda one, url: self._conforms(one, url, run),
        )

    def _then(self, value: Json, at: At, run: Run, before: int) -> None:
        """Hold a resource against the profiles it states, carries the codes of, or is asked to.

        `before` is how much had been found before this resource.
        """
        if self.options.base_only:
            return
        kind = value["resourceType"]
        stated = self._stated(value, at, run)
        wanted = dict.fromkeys(stated)
        if self.options.drain_rules and (implied := ours.profile_of(value)):
            if ours.states_profiles(value) and implied not in wanted:
                run.add(
                    at,
                    "other-form",
                    "it states other profiles, and is not held against ours",
                    code="informational",
                    severity="information",
                )
            else:
                wanted.setdefault(implied)
        for url in self.options.profiles:
            if self.type_of(url) in ancestry(kind) and not (at[0] and at[0][2] == "contained"):
                wanted.setdefault(split_canonical(url)[0])
                run.applied.add(url)
        for url in wanted:
            compiled = self.compiled(url)
            if compiled is None:
                continue
            if compiled.fault:
                run.add(
                    at,
                    "definition",
                    f"a profile cannot be used: {compiled.fault}",
                    code="not-supported",
                    severity="warning",
                )
            elif compiled.check is None:
                continue
            elif len(run.found) > before and self._is_ours(url):
                self._apply(compiled.check, value, at, run, before)
            else:
                compiled.check(value, at, run)

    def _is_ours(self, url: str) -> bool:
        return self.definitions.origin("StructureDefinition", url) == OURS

    def _apply(self, check: Check, value: Json, at: At, run: Run, before: int) -> None:
        """Apply a profile of ours, but say nothing of what our own rules say in better words."""
        aside = run.aside()
        check(value, at, aside)
        run.references += aside.references
        here = len(json_path(at))
        said = [
            path
            for issue, path in run.found[before:]
            if issue.is_error and (len(path) > here or issue.rule in _OF_THE_WHOLE)
        ]
        for issue, path in aside.found:
            # What is said of the whole resource and what of a part of it are different things.
            if not any(
                path[: len(other)] == other[: len(path)]
                and (len(path) == here) == (len(other) == here)
                for other in said
            ):
                run.found.append((issue, path))

    def _stated(self, value: Json, at: At, run: Run) -> list[str]:
        """Return the profiles a resource states that are known and of its type; report others."""
        meta = value.get("meta")
        profiles = meta.get("profile") if isinstance(meta, dict) else None
        found = []
        kind = value["resourceType"]
        for index, profile in enumerate(profiles if isinstance(profiles, list) else ()):
            if not isinstance(profile, str):
                continue
            if (kind, profile) in self._fine:
                found.append(profile)
                continue
            place = (((at, "meta", "meta"), "profile", "profile"), index, "")
            before = len(run.found)
            url, version = split_canonical(profile)
            definition = self.definitions.structure(url)
            if definition is None:
                run.add(
                    place,
                    "profile-unknown",
                    "a profile it states is not known, so it was not held against that",
                    severity="warning",
                    code="not-supported",
                    hint="--profiles takes its definition",
                    value=profile,
                )
                continue
            if definition.get("type") != value["resourceType"] and definition.get("type") not in (
                "Resource",
                "DomainResource",
            ):
                run.add(
                    place,
                    "profile",
                    f"it states a profile of {definition.get('type')}",
                    code="business-rule",
                    value=profile,
                )
                continue
            known = str(definition.get("version", ""))
            if version and known and version != known:
                run.add(
                    place,
                    "profile-version",
                    f"it states version {version} of a profile, and was held against {known}",
                    severity="warning",
                    code="not-supported",
                )
            found.append(url)
            if not version and len(run.found) == before and len(self._fine) < _MOST_FINE:
                self._fine.add((kind, profile))
        return found

    def _modifies(self, url: str) -> bool:
        """Tell whether an extension may change the meaning of what it stands in."""
        tree = self.tree(url)
        return tree is not None and tree.facts.get("isModifier") is True

    def _member_of(self, value: Any, url: str) -> bool | None:
        """Return whether any code of a value is in a value set; None where that is not known."""
        kind = "code" if isinstance(value, str) else "Coding"
        kind = "CodeableConcept" if isinstance(value, dict) and "coding" in value else kind
        results = [
            self.terminology.membership(url, code, system).inside
            for system, code in bindings.coded(value, kind)
        ]
        return True if True in results else None if None in results else False

    def _conforms(self, value: Any, url: str, run: Run) -> bool | None:
        fault = self.fault_of(value, url, run)
        return None if fault is None else not fault

    def _after(self) -> dict[str, tuple[Check, ...]]:
        """Return the rules that are run on every object of a type, behind R4's own."""
        found: dict[str, tuple[Check, ...]] = {
            "Extension": (
                extensions.check_of(
                    self.definitions, self.check, self._modifies, self.options.extensions
                ),
            ),
        }
        if not self.options.base_only:
            found["Bundle"] = (bundles.check,)
        if not self.options.base_only and self.options.drain_rules:
            for kind, rule in _DRAIN_RULES.items():
                found[kind] = (*found.get(kind, ()), _ours(kind, rule))
        return found


_DRAIN_RULES: dict[str, Callable[[Node, Report], None]] = {
    "Coding": drain.check_coding,
    "Quantity": drain.check_quantity,
    "Observation": drain.check_observation,
    "ServiceRequest": drain.check_request,
    "Device": drain.check_device,
}


# Our own rules that speak of a resource as a whole: whose it is, when, of what, and its value.
_OF_THE_WHOLE = ("category", "device-type", "effective", "observable", "value", "whose")


def _ours(kind: str, rule: Callable[[Node, Report], None]) -> Check:
    """Return a rule of ours as a check."""
    if rule is not drain.check_coding:
        return lambda value, at, run: rule(Node(value, at, kind), run)

    def check(value: Any, at: At, run: Run) -> None:
        if not drain.coding_is_right(value):
            rule(Node(value, at, kind), run)

    return check


def _accept(value: Any, at: At, run: Run) -> None:
    pass
