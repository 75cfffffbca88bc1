"""A code system that is at hand: its codes, their order and properties, and filters over them.

Sources: FHIR R4 CodeSystem, ValueSet.compose.include.filter and the FilterOperator code system.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from functools import cached_property

from fhirdrain.conformance.membership import (
    INSIDE,
    OUTSIDE,
    Json,
    Membership,
    Undecidable,
    undecided,
)
from fhirdrain.vocabulary.codes import SNOMED

# A bound of ours: what is larger belongs on a terminology server.
MOST_CODES = 5_000_000

Test = Callable[[str], Membership]

_IDENTITY = ("code", "concept")
# Each relates a concept to the one above it, or (child) to the one below.
_ABOVE, _BELOW = ("parent", "subsumedBy"), ("child",)


class CodeSystem:
    """Index a CodeSystem; all but its codes is worked out when first asked for."""

    def __init__(self, definition: Json) -> None:
        self._concepts = definition.get("concept", [])
        self.url = str(definition.get("url", ""))
        self.version = str(definition.get("version", ""))
        self.complete = definition.get("content") == "complete"
        self.case_sensitive: bool | None = definition.get("caseSensitive")
        self._meaning = definition.get("hierarchyMeaning", "is-a")
        self._declared = {p["code"] for p in definition.get("property", ())}
        codes: set[str] = set()
        for concept, _ in self._walk():
            if not isinstance(concept["code"], str):
                raise TypeError
            codes.add(concept["code"])
            if len(codes) > MOST_CODES:
                raise Undecidable(f"{self.url} has more than {MOST_CODES} codes")
        self.codes = frozenset(codes)

    def _walk(self) -> Iterator[tuple[Json, str]]:
        """Yield each concept and the code above it; without recursion, as a chain may be long."""
        waiting = [(concept, "") for concept in self._concepts]
        while waiting:
            concept, above = waiting.pop()
            yield concept, above
            below = concept.get("concept")
            if below:
                waiting += [(child, concept["code"]) for child in below]

    @cached_property
    def parents(self) -> dict[str, set[str]]:
        """The codes directly above each code, by nesting and by properties."""
        found: dict[str, set[str]] = {}
        for concept, above in self._walk():
            code = concept["code"]
            if above:
                found.setdefault(code, set()).add(above)
            for entry in concept.get("property", ()):
                other = entry.get("valueCode")
                if other and entry["code"] in _ABOVE:
                    found.setdefault(code, set()).add(other)
                elif other and entry["code"] in _BELOW:
                    found.setdefault(other, set()).add(code)
        return found

    @cached_property
    def _children(self) -> dict[str, list[str]]:
        found: dict[str, list[str]] = {}
        for code, above in self.parents.items():
            for parent in above:
                found.setdefault(parent, []).append(code)
        return found

    def below(self, code: str) -> frozenset[str]:
        """Return the codes below a code, at any depth; an order that goes in circles ends too."""
        return self._reached(code, lambda at: self._children.get(at, ()))

    def above(self, code: str) -> frozenset[str]:
        """Return the codes above a code, at any height."""
        return self._reached(code, lambda at: self.parents.get(at, ()))

    def _reached(self, code: str, step: Callable[[str], Iterable[str]]) -> frozenset[str]:
        if self._meaning != "is-a":
            raise Undecidable(f"the hierarchy of {self.url} is {self._meaning}, not is-a")
        found: set[str] = set()
        waiting = [code]
        while waiting:
            new = set(step(waiting.pop())) - found
            found |= new
            waiting += new
        return frozenset(found - {code})

    @cached_property
    def _properties(self) -> dict[str, dict[str, list[str]]]:
        """The values of each property as text, by code."""
        found: dict[str, dict[str, list[str]]] = {name: {} for name in self._declared}
        for concept, _ in self._walk():
            code = concept["code"]
            if "display" in concept:
                found.setdefault("display", {})[code] = [concept["display"]]
            for entry in concept.get("property", ()):
                for key, value in entry.items():
                    if key.startswith("value"):
                        texts = found.setdefault(entry["code"], {}).setdefault(code, [])
                        texts.append(_text(value))
        return found

    def values(self, name: str) -> dict[str, list[str]]:
        """Return the values of a property by code, `parent` and `child` by the hierarchy too."""
        if name == "parent":
            return {code: sorted(above) for code, above in self.parents.items()}
        if name == "child":
            return self._children
        try:
            return self._properties[name]
        except KeyError:
            raise Undecidable(
                f"a filter is on {name}, which {self.url} at hand does not say of its codes"
            ) from None

    @cached_property
    def inactive(self) -> frozenset[str]:
        """The codes that are not in use any more (concept properties `inactive`, `status`)."""
        marks = (("inactive", {"true"}), ("status", {"retired", "inactive"}))
        return frozenset(
            code
            for name, words in marks
            for code, values in self._properties.get(name, {}).items()
            if words.intersection(values)
        )


def _text(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    return str(value.get("code", "")) if isinstance(value, dict) else str(value)


def test_of(entry: Json, url: str, system: CodeSystem | None) -> Test:
    """Return what one filter says of a code that its system `url` has.

    Raises `Undecidable` where it says nothing that can be worked out.
    """
    name, operator, value = entry["property"], entry["op"], entry["value"]
    if operator in ("is-a", "descendent-of", "is-not-a", "generalizes"):
        if name not in _IDENTITY:
            raise Undecidable(f"a filter {operator} is on {name}")
        return _by_order(operator, value, url, system)
    if url == SNOMED and name == "concept":
        raise Undecidable("a filter needs a reference set of SNOMED CT, which is not at hand")
    accepts = _accepting(operator, value)
    if name in _IDENTITY:
        return lambda code: INSIDE if accepts([code]) else OUTSIDE
    values = _at_hand(url, system).values(name)
    unsaid = undecided(f"{url} at hand is not whole")
    sure = _at_hand(url, system).complete

    def test(code: str) -> Membership:
        if not sure and code not in values:
            return unsaid
        return INSIDE if accepts(values.get(code, [])) else OUTSIDE

    return test


def _at_hand(url: str, system: CodeSystem | None) -> CodeSystem:
    if system is None:
        raise Undecidable(f"a filter needs {url}, which is not at hand")
    return system


def _by_order(operator: str, value: str, url: str, system: CodeSystem | None) -> Test:
    with_itself = operator in ("is-a", "generalizes")
    itself = INSIDE if with_itself else OUTSIDE
    if system is None or value not in system.codes:
        unsaid = undecided(f"a filter {operator} needs the hierarchy of {url}")
        return lambda code: itself if code == value else unsaid
    found = system.above(value) if operator == "generalizes" else system.below(value)
    # An order that is not whole may have left out what joins two codes.
    rest = OUTSIDE if system.complete else undecided(f"{url} at hand is not whole")
    if operator == "is-not-a":
        kept = INSIDE if system.complete else rest
        return lambda code: OUTSIDE if code == value or code in found else kept
    return lambda code: itself if code == value else INSIDE if code in found else rest


def _accepting(operator: str, value: str) -> Callable[[list[str]], bool]:
    """Return whether the values of a property satisfy a filter."""
    if operator == "=":
        return lambda texts: value in texts
    if operator == "in":
        listed = {text.strip() for text in value.split(",")}
        return lambda texts: not listed.isdisjoint(texts)
    if operator == "not-in":
        barred = {text.strip() for text in value.split(",")}
        return lambda texts: barred.isdisjoint(texts)
    if operator == "exists" and value in ("true", "false"):
        return lambda texts: bool(texts) == (value == "true")
    if operator == "regex":
        matches = _pattern(value)
        return lambda texts: any(matches(text) for text in texts)
    raise Undecidable(f"the filter {operator} is not known")


def _pattern(value: str) -> Callable[[str], bool]:
    """Return whether a text matches a pattern as a whole.

    Patterns come with what is supplied, so they are run by the engine that pydantic brings: its
    time grows with the text alone, whatever the pattern. What it lacks is undecided.
    """
    from typing import Annotated

    from pydantic import StringConstraints, TypeAdapter, ValidationError
    from pydantic_core import SchemaError

    try:
        kind = Annotated[str, StringConstraints(pattern=f"^(?:{value})$")]
        adapter: TypeAdapter[str] = TypeAdapter(kind)
    except SchemaError:
        raise Undecidable("a filter has a pattern that cannot be used") from None

    def matches(text: str) -> bool:
        try:
            adapter.validate_python(text)
        except ValidationError:
            return False
        return True

    return matches
