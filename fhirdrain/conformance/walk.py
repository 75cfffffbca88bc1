"""Where a check stands in a document, and where it puts what it finds."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

from fhirdrain.conformance.fhirpath import Surroundings
from fhirdrain.conformance.raw import JsonPath
from fhirdrain.conformance.verdicts import Verdicts
from fhirdrain.issues import Issue, Severity

# A place is a chain (where it is in, JSON key or index, FHIRPath name): making one costs next to
# nothing, and only a place something is said about is ever written out. The first is (None, "",
# resource type).
At = tuple[Any, str | int, str]


def root(kind: str) -> At:
    """Return the place of a document's resource."""
    return (None, "", kind)


def json_path(at: At) -> JsonPath:
    """Return a place as keys and indices from the document's value on."""
    steps: list[str | int] = []
    here: Any = at
    while here[0] is not None:
        steps.append(here[1])
        here = here[0]
    return tuple(reversed(steps))


def fhirpath(at: At) -> str:
    """Return a place as FHIRPath writes it, from the type of the document's resource on."""
    steps: list[str] = []
    here: Any = at
    while here[0] is not None:
        steps.append(f"[{here[1]}]" if isinstance(here[1], int) else f".{here[2]}")
        here = here[0]
    return "".join([here[2], *reversed(steps)])


@dataclass(frozen=True, slots=True)
class Node:
    """A value in a document with its place and its type."""

    value: Any
    at: At
    type: str = ""

    @property
    def path(self) -> JsonPath:
        """Return its place as keys and indices."""
        return json_path(self.at)

    @property
    def fhirpath(self) -> str:
        """Return its place as FHIRPath."""
        return fhirpath(self.at)

    def child(self, key: str, name: str | None = None, kind: str = "") -> Node:
        """Return a member."""
        return Node(self.value.get(key), (self.at, key, name or key), kind)

    def item(self, index: int) -> Node:
        """Return an item of an array."""
        return Node(self.value[index], (self.at, index, ""), self.type)

    def items(self, key: str) -> Iterator[Node]:
        """Yield the items of a member that is an array of objects; nothing when it is none."""
        member = self.value.get(key)
        if isinstance(member, list):
            for index, value in enumerate(member):
                if isinstance(value, dict):
                    yield self.child(key).item(index)

    def objects(self, key: str) -> Iterator[Node]:
        """Yield a member that is an object; nothing when it is none."""
        if isinstance(self.value.get(key), dict):
            yield self.child(key)


def codings_of(concept: Any) -> list[tuple[str, str]]:
    """Return system and code of each coding of a concept, as far as they are texts."""
    found = concept.get("coding") if isinstance(concept, dict) else None
    pairs: list[tuple[str, str]] = []
    if isinstance(found, list):
        for coding in found:
            if isinstance(coding, dict):
                system, code = coding.get("system", ""), coding.get("code")
                if isinstance(system, str) and isinstance(code, str):
                    pairs.append((system, code))
    return pairs


@dataclass(slots=True)
class Report:
    """Collects issues with the JSON path each is at, so that its line can be found later."""

    file: str = ""
    found: list[tuple[Issue, JsonPath]] = field(default_factory=list)

    def add(
        self,
        place: Node | At,
        rule: str,
        message: str,
        *,
        code: str = "invariant",
        severity: Severity = "error",
        hint: str = "",
        value: object = "",
        below: str = "",
    ) -> None:
        """Add an issue at a place, or about a key `below` it that has no name of its own."""
        at = place.at if isinstance(place, Node) else place
        issue = Issue(
            severity,
            code,
            rule,
            message,
            hint=hint,
            file=self.file,
            location=fhirpath(at),
            value=str(value),
        )
        path = json_path(at)
        self.found.append((issue, (*path, below) if below else path))

    @property
    def has_errors(self) -> bool:
        """Tell whether something that was found is an error."""
        return any(issue.is_error for issue, _ in self.found)


class Index(Protocol):
    """Finds what a reference means in a bundle, or in a document that is none."""

    is_bundle: bool
    is_alone: bool
    own_name: str
    kind: str

    def of(self, resource: Any) -> Index:
        """Return where references in a resource lead: a bundle has its own."""

    def resolve(self, text: str, holder: Any = None) -> Any | None:
        """Return the resource a reference in another one means; None if it is out of sight."""

    def is_ambiguous(self, text: str, holder: Any) -> bool:
        """Tell whether a reference that names no version could mean several."""

    def is_inside(self, text: str, holder: Any) -> bool:
        """Tell whether a reference leads to an entry of the bundle it is in."""


class _Nothing:
    is_bundle = False
    is_alone = False
    own_name = ""
    kind = ""

    def of(self, resource: Any) -> Index:
        return self

    def resolve(self, text: str, holder: Any = None) -> Any | None:
        return None

    def is_ambiguous(self, text: str, holder: Any) -> bool:
        return False

    def is_inside(self, text: str, holder: Any) -> bool:
        return False


NO_INDEX = _Nothing()
NOWHERE = Surroundings(None, None, lambda _: None, lambda _, __: None, lambda _, __: None)


@dataclass(slots=True)
class Run(Report):
    """One walk over one document: what was found, and what a rule may have to look at beside.

    `root` is the document's resource, `resource` the one the walk is in, `container` the one that
    contains it, or itself; `holders` are the containers of what is contained, by its identity.
    `references` are kept until all of the document was seen; `verdicts` are of values that were
    held against a profile, `applied` the profiles that resources were held against. `told` is
    called with how many resources were met. `around` makes the surroundings of a resource.
    """

    root: Any = None
    resource: Any = None
    container: Any = None
    surroundings: Surroundings = NOWHERE
    depth: int = 0
    references: list[Reference] = field(default_factory=list)
    index: Index = NO_INDEX
    holders: dict[int, Any] = field(default_factory=dict)
    verdicts: Verdicts = field(default_factory=Verdicts)
    applied: set[str] = field(default_factory=set)
    count: int = 0
    told: Callable[[int], None] | None = None
    around: Callable[[Run], Surroundings] = lambda run: NOWHERE

    def aside(self) -> Run:
        """Return a run of the same place whose findings are looked at before they are kept."""
        return replace(self, found=[], references=[])

    def enter(self, resource: Any) -> Outer:
        """Go into a resource; return what to `leave` it with."""
        outer = self.resource, self.container, self.index, self.surroundings
        container = self.holders.get(id(resource), resource)
        self.resource, self.container = resource, container
        self.index = self.index.of(resource)
        contained = resource.get("contained")
        for one in contained if type(contained) is list else ():
            self.holders[id(one)] = container
        self.surroundings = self.around(self)
        return outer

    def leave(self, outer: Outer) -> None:
        """Go back to where the walk was before a resource."""
        self.resource, self.container, self.index, self.surroundings = outer


Outer = tuple[Any, Any, Index, Surroundings]


@dataclass(slots=True)
class Reference:
    """A reference that was seen: its value and place, and the profiles its target may have.

    `container` is the resource it stands in, or the one that contains that; `index` knows where it
    leads. `right` are types that were found to be right where nothing but a type is stated, and
    with a stroke where the reference leads elsewhere.
    """

    value: dict[str, Any]
    at: At
    name: str
    targets: tuple[str, ...]
    by: str
    container: Any
    index: Index
    right: set[str]


Check = Callable[[Any, At, Run], None]
# What stands under a key of an object, with the object.
Member = Callable[[Any, At, Run, dict[str, Any]], None]
