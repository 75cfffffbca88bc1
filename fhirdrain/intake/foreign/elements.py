"""The elements of one resource: what became of each, and what its codes mean here."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

from fhirdrain.intake.record import Cell, Refused
from fhirdrain.site import Item, Meaning, Site, Source
from fhirdrain.vocabulary.codes import LOCAL
from fhirdrain.vocabulary.observables import CHARTED, OBSERVABLES, by_code

Json = Mapping[str, Any]

_BY_CODE = by_code()
# The word that an act without a word of its own stands under, for the site file to give it one.
DONE = "done"


# What a site states of its own in place of what another stated.
_OURS = {
    "category": ("changed", "ours"),
    "meta": ("changed", "profile and source are of this site"),
    "basedOn": ("changed", "the order in force is looked for again"),
}
_NO_PLACE = ("lost", "a reading has no place for it")


class Handled(NamedTuple):
    """What became of one element of a resource: it was carried over, changed, or lost."""

    element: str
    became: str
    how: str


class PassedOver(Exception):
    """A resource is no reading; says why."""


class Elements:
    """One resource being read; `handled` notes what became of each of its elements."""

    def __init__(self, resource: Json, url: str, source: Source, site: Site) -> None:
        self.resource = resource
        self.kind = str(resource["resourceType"])
        self.url = url
        self.source = source
        self.site = site
        self.handled: dict[str, Handled] = {}
        self.names = self._names()

    def note(self, element: str, became: str, how: str = "") -> None:
        """Note what became of an element."""
        self.handled[element] = Handled(element, became, how)

    def account(self) -> list[Handled]:
        """Return what became of every element, those that nothing was made of as lost."""
        lines = []
        for key in self.resource:
            if key == "resourceType":
                continue
            parts = [h for h in self.handled.values() if h.element.partition("[")[0] == key]
            parts = parts or [h for h in self.handled.values() if h.element.split(".")[0] == key]
            if key == "extension":
                told = {part.element for part in parts}
                every = (f"extension[{index}]" for index in range(len(self.resource[key])))
                parts += [Handled(e, "lost", "not known here") for e in every if e not in told]
            lines += parts or [Handled(key, *_OURS.get(key, _NO_PLACE))]
        return lines

    def _names(self) -> tuple[tuple[str, str], ...]:
        """Return the names that it has elsewhere: its identifiers, else where it stands there."""
        names = identifiers(self.resource)
        if names:
            self.note("identifier", "carried", "as a further identifier")
        if "id" in self.resource:
            self.note("id", "lost" if names else "carried", "its identifiers name it")
        if names:
            return tuple(names)
        if self.url.startswith(("http://", "https://")):
            return (("urn:ietf:rfc3986", self.url),)
        if "id" in self.resource:
            return (("", f"{self.kind}/{self.resource['id']}"),)  # of which server is not known
        return ()

    def _extension(self, name: str) -> dict[str, Any] | None:
        """Return an extension of ours, wherever a site has re-based it."""
        for index, extension in enumerate(self.resource.get("extension", ())):
            if str(extension.get("url", "")).endswith(f"/StructureDefinition/{name}"):
                self.note(f"extension[{index}]", "carried")
                return dict(extension)
        return None

    def _marks(self) -> list[Cell]:
        return [self._mark(name, values) for name, values in self.source.set_aside]

    def _mark(self, name: str, values: frozenset[str]) -> Cell:
        """Return the cell that may set a resource aside: a code, or a text, of one element."""
        value = self.resource.get(name)
        found: list[str] = []
        for one in value if isinstance(value, list) else [value]:
            if isinstance(one, Mapping):
                found += [t for s, c in codings(one) for t in (f"{s}|{c}", c)]
                found.append(str(one.get("text", "")))
            elif one is not None:
                found.append(str(one))
        return Cell(name, next((text for text in found if text in values), ""))

    # -- what its code means ----------------------------------------------------------------

    def _item(
        self, concept: Json, where: str, acts: Mapping[tuple[str, str], str] | None = None
    ) -> tuple[str, Item | None]:
        """Return the item's key and what it means: by site file, by ConceptMap, by a known code."""
        codes = codings(concept)
        keys = [f"{system}|{code}" for system, code in codes]
        named = [key for key in keys if key in self.source.items]
        meanings = {(self.source.items[k].observables, self.source.items[k].drain) for k in named}
        if len(meanings) > 1:
            raise Refused("two-codes", "two of its codes mean different things here", column=where)
        if named:
            return named[0], None  # intake finds it by its key
        for code, key in zip(codes, keys, strict=True):
            targets = {t for t in self.source.concepts.get(code, ()) if t in OBSERVABLES}
            if len(targets) == 1:
                self.note(where, "changed", "by a ConceptMap")
                return key, self._known(targets.pop(), key)
        for code, key in zip(codes, keys, strict=True):
            if acts is not None:
                if code in acts:
                    return key, self._known(acts[code], key)
            elif code in _BY_CODE:
                return key, self._known(_BY_CODE[code].name, key)
        return (keys or [""])[0], None

    def _known(self, name: str, key: str) -> Item:
        """Return what an item of a known code means."""
        observable = CHARTED.get(name) or OBSERVABLES[name]
        if observable.derived and name != "output-rate":
            raise PassedOver(f"{name}, which is worked out here from readings")
        return item_of(key, name, observable.kind == "quantity")

    def _meant(self, key: str, meant: Item | None) -> Item | None:
        return meant if meant is not None else self.source.items.get(key)

    def _items_among(
        self, components: Iterable[tuple[int, Json]], parent: Item | None
    ) -> dict[int, tuple[str, Item | None]]:
        """Return the components that are readings of their own, by their index."""
        found = {}
        for index, component in components:
            concept = component.get("code", {})
            if any(system == LOCAL for system, _ in codings(concept)):
                continue  # a part of ours, of what it stands in
            if self._part_named(concept):
                continue
            key, meant = self._item(concept, f"component[{index}].code")
            if meant is not None or key in self.source.items:
                found[index] = (key, meant)
        return found

    def _part_named(self, concept: Json) -> str:
        """Return the part that the site file names a component's code."""
        keys = {f"{system}|{code}" for system, code in codings(concept)}
        named = self.source.columns.components.items()
        return next((part for part, key in named if key in keys), "")

    def _note_codes(self, codes: Sequence[tuple[str, str]], key: str) -> None:
        for index, (system, code) in enumerate(codes):
            where = f"code.coding[{index}]"
            if f"{system}|{code}" == key:
                self.handled.setdefault(where, Handled(where, "carried", "as the item"))
            elif system == LOCAL:
                self.note(where, "carried")
            elif system:
                self.note(where, "carried", "as a further code")
            else:
                self.note(where, "lost", "a code without its system")


def item_of(key: str, name: str, number: bool) -> Item:
    """Return the item of a code that says itself what it is of."""
    done = CHARTED[name].kind == "parts" if name in CHARTED else False
    return Item(
        code=key,
        words={DONE: (Meaning(name),)} if done else {},
        drawn={},
        number=name if number else None,
        unit=None,
        scale="regulator" if name == "suction-set" else None,
        drain=None,
        absent={},
        no_reading=frozenset({""}),
        ignore=None,
        graded_by=None,
        observables=(name,),
    )


# -- small parts -----------------------------------------------------------------------


def codings(concept: Any) -> list[tuple[str, str]]:
    """Return system and code of a concept's codings, the system empty where none is given."""
    if not isinstance(concept, Mapping):
        return []
    return [
        (str(c.get("system", "")), str(c["code"]))
        for c in concept.get("coding", ())
        if isinstance(c, Mapping) and "code" in c
    ]


def shown(concept: Json) -> str | None:
    """Return the name that a concept gives one of its codes."""
    return next((str(c["display"]) for c in concept.get("coding", ()) if "display" in c), None)


def identifiers(resource: Json) -> list[tuple[str, str]]:
    """Return system and value of a resource's identifiers."""
    stated = resource.get("identifier", ())
    stated = stated if isinstance(stated, list) else [stated]
    return [(str(i.get("system", "")), str(i["value"])) for i in stated if "value" in i]
