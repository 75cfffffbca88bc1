"""The elements of a profile as a snapshot has them, made from its base and its differential.

What a differential names is looked up in the tree of its base; what the base leaves folded is
unfolded from the element's type when something below it is named (FHIR R4 5.1.0, 2.26).

Left to whoever holds data against the elements: an item of a slice must obey the element that is
sliced too, and every element the root of its type, or of the profiles its type names. Definitions
are taken to be right R4.
"""

from __future__ import annotations

from collections.abc import Iterable

from fhirdrain.conformance.definitions import Definitions, Json
from fhirdrain.conformance.tree import (
    DEEPEST,
    PLACE,
    Key,
    Node,
    SnapshotFault,
    is_one_of,
    keyed,
    slice_names,
    tree_of,
)

__all__ = ["SnapshotFault", "elements_of"]

# Far beyond what is published; a bound for profiles that take in each other twice over.
MOST = 50_000

# Of a string, id or url, R4 says only that FHIRPath sees a string: which one, profiles may say.
_FHIRPATH = "http://hl7.org/fhirpath/"

_BY_URL = {"discriminator": [{"type": "value", "path": "url"}], "ordered": False, "rules": "open"}
_BY_TYPE = {"discriminator": [{"type": "type", "path": "$this"}], "ordered": False, "rules": "open"}


def elements_of(definition: Json, definitions: Definitions) -> list[Json]:
    """Return a definition's elements as its snapshot has them.

    Those of a type, and of a profile that has a snapshot alone, are its own. Where there is a
    differential they are made afresh, as a snapshot that came with it may be out of date.
    Raises SnapshotFault where that cannot be done.
    """
    if _is_stated(definition):
        return list(definition["snapshot"]["element"])
    return list(_Making(definitions).tree(definition).flat())


def _is_stated(definition: Json) -> bool:
    is_profile = definition.get("derivation") == "constraint"
    changes = definition.get("differential", {}).get("element")
    return "snapshot" in definition and not (is_profile and changes)


class _Making:
    """One making of a snapshot: the trees it uses, and the definitions being made.

    Faults are kept as trees are, or a definition at fault would be tried again by every other.
    """

    def __init__(self, definitions: Definitions) -> None:
        self.definitions = definitions
        self.trees: dict[str, Node] = {}
        self.faults: dict[str, SnapshotFault] = {}
        self.open: list[str] = []

    def tree(self, definition: Json) -> Node:
        """Return the tree of a definition, which is not to be altered."""
        canonical = definition.get("url", "")
        if canonical in self.open:
            circle = [*self.open[self.open.index(canonical) :], canonical]
            raise SnapshotFault(canonical, "", f"rests on itself: {' -> '.join(circle)}")
        if fault := self.faults.get(canonical):
            raise fault
        if canonical not in self.trees:
            if len(self.open) >= DEEPEST:
                raise SnapshotFault(canonical, "", f"rests on more than {DEEPEST} others in a row")
            self.open.append(canonical)
            try:
                made = tree_of(definition) if _is_stated(definition) else self.profile(definition)
                if made.depth() > DEEPEST:
                    raise SnapshotFault(canonical, "", f"is more than {DEEPEST} elements deep")
            except SnapshotFault as fault:
                self.faults[canonical] = fault
                raise
            finally:
                self.open.pop()
            self.trees[canonical] = made
        return self.trees[canonical]

    def profile(self, definition: Json) -> Node:
        """Return the tree of a profile: its base's, with its differential laid over it."""
        canonical, base = definition.get("url", ""), definition.get("baseDefinition", "")
        known = self.definitions.structure(base)
        if known is None:
            raise SnapshotFault(canonical, "", f"its base {base or '(none)'} is not known")
        profile = _Profile(self, canonical, self.tree(known).copy())
        for keys, element in keyed(
            definition.get("differential", {}).get("element", ()), canonical
        ):
            profile.lay(keys, element)
        profile.close_choices()
        return profile.root

    def constraints(self, types: list[Json]) -> list[Json]:
        """Return the constraints of the profile that types name, where it is one alone.

        R4's own snapshots show them on the element. A profile that is not known, or of which there
        is no snapshot, is for whoever holds data against it to tell.
        """
        profiles = [profile for entry in types for profile in entry.get("profile", ())]
        known = (
            self.definitions.structure(profiles[0]) if len(profiles) == len(types) == 1 else None
        )
        if known is None:
            return []
        try:
            constraints: list[Json] = self.tree(known).facts.get("constraint", [])
        except SnapshotFault:
            return []
        return constraints


class _Profile:
    """A profile being made: its base's tree, over which its differential is laid."""

    def __init__(self, making: _Making, canonical: str, root: Node) -> None:
        self.making = making
        self.canonical = canonical
        self.root = root
        self.path = root.name
        self.size = root.size()
        self.choices: list[Node] = []
        # By identity of the node: elements named, slices made.
        self.stated: set[int] = set()
        self.made: set[int] = set()

    def fault(self, message: str) -> SnapshotFault:
        """Return a fault at the element in hand."""
        return SnapshotFault(self.canonical, self.path, message)

    def lay(self, keys: list[Key], element: Json) -> None:
        """Lay one element of the differential over what it names."""
        self.path = element["path"]
        if keys[0] != (self.root.name, ""):
            raise self.fault(f"is not below {self.root.name}, the root of the base")
        node = self.root
        for place, (name, slice_name) in enumerate(keys[1:], start=2):
            node = self.step(node, name, slice_name, element if place == len(keys) else None)
        before = node.facts
        node.facts = self.laid_over(before, element)
        if node is not self.root:
            # A new slice is bound by itself alone: how many items in all, its element says.
            self.hold_bounds(None if id(node) in self.made else before, node.facts)
        self.stated.add(id(node))

    def step(self, node: Node, name: str, slice_name: str, element: Json | None) -> Node:
        """Return the child of a name, or its slice; unfold and slice where that is due."""
        found = _find(node, name)
        if found is None:
            self.unfold(node)
            found = _find(node, name)
        if found is None:
            raise self.fault(f"there is no {name} in what it stands in")
        if found.name != name and not slice_name:
            slice_name = name
            self.choices.append(found)
        for part in slice_names(slice_name):
            if found.slice != part:
                states = element if part == slice_name else None
                found = found.named(part) or self.sliced(found, part, states)
        return found

    def unfold(self, node: Node) -> None:
        """Give an element the children of its type that it does not show yet."""
        for child in self.copies(self.type_of(node).children):
            if node.child(child.name) is None:
                node.children.append(child)

    def copies(self, nodes: Iterable[Node]) -> list[Node]:
        """Return copies of nodes, within the bound of elements."""
        found = list(nodes)
        self.size += sum(node.size() for node in found)
        if self.size > MOST:
            raise self.fault(f"comes to more than {MOST} elements")
        return [node.copy() for node in found]

    def type_of(self, node: Node) -> Node:
        """Return the tree that says what stands below an element."""
        if reference := node.facts.get("contentReference"):
            return self.referred(node, reference)
        definitions = self.making.definitions
        codes = {entry["code"] for entry in node.facts.get("type", ())}
        profiles = [p for entry in node.facts.get("type", ()) for p in entry.get("profile", ())]
        if len(codes) == len(profiles) == 1:
            (named,) = profiles
            known = definitions.structure(named)
        else:
            # What several types have in common is what every element has.
            named = codes.pop() if len(codes) == 1 else "Element"
            known = definitions.type(named) or definitions.structure(named)
        if known is None:
            raise self.fault(f"nothing is known of {named}, in which it stands")
        return self.making.tree(known)

    def referred(self, node: Node, reference: str) -> Node:
        """Return the element a content reference names, as its type defines it (R4 2.26.0.1)."""
        names = reference.rpartition("#")[2].split(".")
        known = self.making.definitions.type(names[0])
        found = self.making.tree(known) if known else None
        for name in names[1:]:
            found = found and found.child(name)
        if found is None:
            raise self.fault(f"nothing is known of {reference}, whose content it has")
        facts = {key: value for key, value in node.facts.items() if key != "contentReference"}
        node.facts = {**facts, "type": found.facts.get("type", [])}
        return found

    def sliced(self, node: Node, name: str, element: Json | None) -> Node:
        """Return a new slice, which starts as what it is a slice of but may be left out.

        Extensions are sliced by url and choices by type without saying so (R4 5.1.0.11). Any other
        name where nothing is sliced is only a name, as R4's own snapshots have it.
        """
        of_type = _of_type(node, name)
        if element is None and not of_type:
            raise self.fault(f"there is no slice {name}")
        if "slicing" not in node.facts:
            some_types = 0 < len((element or {}).get("type", ())) < len(node.facts.get("type", ()))
            if node.name in ("extension", "modifierExtension"):
                node.facts = {**node.facts, "slicing": _BY_URL}
            elif of_type or (node.name.endswith("[x]") and some_types):
                node.facts = {**node.facts, "slicing": _BY_TYPE}
            elif node.slice:
                raise self.fault(f"is sliced into {name} without saying by what")
            else:
                node.slice = name
                return node
        facts = {key: value for key, value in node.facts.items() if key != "slicing"} | {"min": 0}
        if of_type:
            facts["type"] = of_type
        (made,) = self.copies([Node(node.name, name, facts, node.children)])
        node.slices.append(made)
        self.made.add(id(made))
        return made

    def laid_over(self, facts: Json, element: Json) -> Json:
        """Return facts with those of the differential over them."""
        over = {k: v for k, v in element.items() if k not in PLACE and k != "base"}
        if "contentReference" not in facts:
            over.pop("contentReference", None)
        if "slicing" in over:
            over["slicing"] = {**facts.get("slicing", {}), **over["slicing"]}
        added = [{"source": self.canonical, **each} for each in over.get("constraint", ())]
        if "type" in over:
            over["type"] = self.narrowed(facts.get("type", []), over["type"])
            added = self.making.constraints(over["type"]) + added
        if added:
            by_key = {each["key"]: each for each in facts.get("constraint", ())}
            over["constraint"] = list((by_key | {each["key"]: each for each in added}).values())
        return {**facts, **over}

    def narrowed(self, types: list[Json], stated: list[Json]) -> list[Json]:
        """Return the types stated, each with the profiles and targets it had if it states none."""
        found: list[Json] = []
        for entry in stated:
            if types and entry["code"].startswith(_FHIRPATH):
                found += types
                continue
            before = [known for known in types if self.is_a(entry["code"], known["code"])]
            if types and not before:
                raise self.fault(f"the type {entry['code']} is none of those it may have")
            same = next((known for known in before if known["code"] == entry["code"]), {})
            found.append({k: same[k] for k in ("profile", "targetProfile") if k in same} | entry)
        return found

    def is_a(self, code: str, other: str) -> bool:
        """Tell whether a type is another, or a specialization of it."""
        if code == other or other.startswith(_FHIRPATH):
            return True
        known = self.making.definitions.type(code)
        base = (known or {}).get("baseDefinition", "").rpartition("/")[2]
        return bool(base) and self.is_a(base, other)

    def hold_bounds(self, before: Json | None, after: Json) -> None:
        """Refuse a cardinality that allows what the base does not, or that nothing can meet."""
        low, high, now = after["min"], _most(after["max"]), f"{after['min']}..{after['max']}"
        if low > high:
            raise self.fault(f"{now} can be met by nothing")
        if before and (low < before["min"] or high > _most(before["max"])):
            was = f"{before['min']}..{before['max']}"
            raise self.fault(f"{now} does not fit into the base's {was}")

    def close_choices(self) -> None:
        """Leave a choice the one type that is named by a shorthand, where nothing else is said."""
        for node in self.choices:
            if id(node) not in self.stated and len(node.slices) == 1:
                closed = {**node.facts["slicing"], "rules": "closed"}
                types = node.slices[0].facts["type"]
                node.facts = {**node.facts, "type": types, "slicing": closed}


def _find(node: Node, name: str) -> Node | None:
    """Return the child of a name, or the choice of which the name is one type."""
    return node.child(name) or next((n for n in node.children if _of_type(n, name)), None)


def _of_type(node: Node, name: str) -> list[Json]:
    """Return the types of a choice that a name says (`valueQuantity`)."""
    if not is_one_of(node.name, name):
        return []
    rest = name[len(node.name) - 3 :]
    types: list[Json] = node.facts.get("type", [])
    return [entry for entry in types if entry["code"][:1].upper() + entry["code"][1:] == rest]


def _most(most: str) -> float:
    return float("inf") if most == "*" else int(most)
