"""A definition's elements as a tree: what is below an element, and beside it its slices.

Snapshots are lists, in which ids and paths say what belongs where (FHIR R4 2.26.0.6.1). In a tree
an element can be found, copied and given children without its path being rewritten.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import cache

from fhirdrain.conformance.definitions import Definitions, Json

# Far beyond what is published; a bound for definitions that would never come to an end.
DEEPEST = 60

# What says where an element is; the tree knows that itself.
PLACE = frozenset({"id", "path", "sliceName"})

Key = tuple[str, str]


class SnapshotFault(Exception):
    """Say of which definition, and at which element of it, no snapshot can be made, and why."""

    def __init__(self, canonical: str, path: str, message: str) -> None:
        super().__init__(f"{canonical}, {path}: {message}" if path else f"{canonical}: {message}")
        self.canonical = canonical
        self.path = path
        self.message = message


@dataclass(slots=True)
class Node:
    """An element, what is below it, and its slices; `facts` are shared and never altered.

    An element that is not sliced may still have a slice's name, as R4's own profiles show.
    """

    name: str
    slice: str
    facts: Json
    children: list[Node] = field(default_factory=list)
    slices: list[Node] = field(default_factory=list)

    def child(self, name: str) -> Node | None:
        """Return the child of a name, which is the one that is sliced where there are slices."""
        return next((node for node in self.children if node.name == name), None)

    def named(self, slice_name: str) -> Node | None:
        """Return the slice of a name."""
        return next((node for node in self.slices if node.slice == slice_name), None)

    def copy(self) -> Node:
        """Return a copy whose nodes can be altered; the facts are the same ones."""
        return Node(
            self.name,
            self.slice,
            self.facts,
            [node.copy() for node in self.children],
            [node.copy() for node in self.slices],
        )

    def size(self) -> int:
        """Return how many elements it is with all that belong to it."""
        return 1 + sum(node.size() for node in (*self.children, *self.slices))

    def depth(self) -> int:
        """Return how many elements stand below each other, slices of slices counted too."""
        return 1 + max((node.depth() for node in (*self.children, *self.slices)), default=0)

    def flat(self, place: str = "", path: str = "") -> Iterator[Json]:
        """Yield the elements in a snapshot's order, each with its id and path."""
        step = f"{self.name}:{self.slice}" if self.slice else self.name
        own_place = f"{place}.{step}" if place else step
        own_path = f"{path}.{self.name}" if path else self.name
        named = {"sliceName": self.slice} if self.slice else {}
        yield {"id": own_place, "path": own_path, **named, **self.facts}
        for child in self.children:
            yield from child.flat(own_place, own_path)
        for each in self.slices:
            yield from each.flat(place, path)


def slice_names(slice_name: str) -> Iterator[str]:
    """Yield a slice's name, behind those of the slices it slices again: `a`, `a/b`."""
    parts = slice_name.split("/") if slice_name else []
    for count in range(1, len(parts) + 1):
        yield "/".join(parts[:count])


def is_one_of(choice: str, name: str) -> bool:
    """Tell whether a name may be one type of a choice (`valueQuantity` of `value[x]`)."""
    return choice.endswith("[x]") and name.startswith(choice[:-3]) and name != choice


def keyed(elements: Iterable[Json], canonical: str) -> Iterator[tuple[list[Key], Json]]:
    """Yield elements with the names and slices that lead to them.

    An id says so; where there is none, or one that belies the path, the elements before do.
    """
    latest: dict[str, list[Key]] = {}
    for element in elements:
        path: str = element["path"]
        names = path.split(".")
        steps = [step.partition(":") for step in element.get("id", "").split(".")]
        ids = [step[0] for step in steps]
        if len(ids) == len(names) and all(map(_agree, ids, names)):
            keys = [(name, slice_name) for name, _, slice_name in steps]
        else:
            above = path.rpartition(".")[0]
            while above and above not in latest:
                above = above.rpartition(".")[0]
            keys = list(latest.get(above, ()))
            keys += [(name, "") for name in names[len(keys) :]]
        if "sliceName" in element:
            keys[-1] = keys[-1][0], element["sliceName"]
        if sum(1 + slice_name.count("/") for _, slice_name in keys) > DEEPEST:
            raise SnapshotFault(canonical, path, f"is more than {DEEPEST} elements deep")
        for stale in [known for known in latest if known.startswith(f"{path}.")]:
            del latest[stale]
        latest[path] = keys
        yield keys, element


def _agree(name_in_id: str, name: str) -> bool:
    return name_in_id == name or is_one_of(name_in_id, name)


def tree_of(definition: Json) -> Node:
    """Return the tree of a definition's own snapshot, every element with its `base`."""
    canonical = definition.get("url", "")
    root: Node | None = None
    for keys, element in keyed(definition["snapshot"]["element"], canonical):
        facts = {key: value for key, value in element.items() if key not in PLACE}
        if root is None:
            owner = element["path"]
            root = Node(owner, "", facts)
        else:
            above = root
            for key in keys[1:-1]:
                above = _at(above, *key, canonical, element["path"])
            types = above.facts.get("type") or [{"code": ""}]
            owner = root.name if above is root else types[0]["code"]
            name, slice_name = keys[-1]
            if slice_name and above.child(name):
                sliced = _at(above, name, slice_name.rpartition("/")[0], canonical, element["path"])
                sliced.slices.append(Node(name, slice_name, facts))
            else:
                above.children.append(Node(name, slice_name, facts))
        if "base" not in facts:
            facts["base"] = _defined(owner, keys[-1][0]) or {
                "path": element["path"],
                "min": element["min"],
                "max": element["max"],
            }
    if root is None:
        raise SnapshotFault(canonical, "", "has a snapshot without elements")
    return root


def _at(node: Node, name: str, slice_name: str, canonical: str, path: str) -> Node:
    found = node.child(name)
    for part in slice_names(slice_name):
        if found and found.slice != part:
            found = found.named(part)
    if found is None:
        raise SnapshotFault(canonical, path, "has nothing above it in the snapshot")
    return found


@cache
def _defined(owner: str, name: str) -> Json | None:
    """Return where R4 first defines a child of a type, in the form of an element's `base`."""
    definition = Definitions().type(owner)
    if definition is None:
        return None
    parent = definition.get("baseDefinition", "").rpartition("/")[2]
    if parent and (found := _defined(parent, name)):
        return found
    path = f"{owner}.{name}"
    for element in definition["snapshot"]["element"]:
        if element["path"] == path:
            return {"path": path, "min": element["min"], "max": element["max"]}
    return None
