"""Definitions by canonical URL: R4's own from `r4/`, ours from `profiles/`, and supplied ones."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal

from fhirdrain.errors import ConfigurationError
from fhirdrain.vocabulary.jsontext import decode

Json = dict[str, Any]
Kind = Literal["StructureDefinition", "ValueSet", "CodeSystem"]
KINDS: tuple[Kind, ...] = ("StructureDefinition", "ValueSet", "CodeSystem")

R4 = "hl7.fhir.r4.core 4.0.1"
OURS = "fhirdrain"
_TYPE = "http://hl7.org/fhir/StructureDefinition/"


# What comes of reading a definition that is not of the shape R4 gives it.
BROKEN = (AttributeError, LookupError, TypeError, ValueError, ArithmeticError)


def split_canonical(canonical: str) -> tuple[str, str]:
    """Return URL and version of a canonical reference; the version is empty when none is named."""
    url, _, version = canonical.partition("|")
    return url, version


@dataclass(frozen=True)
class Supplied:
    """A definition from outside R4, and the file it came from."""

    definition: Json
    origin: str


@dataclass(frozen=True)
class Definitions:
    """Looks definitions up by canonical URL; R4's own come first and are read when asked for.

    Immutable: `extended` returns another one. Definitions are FHIR JSON. Those of R4 hold facts
    only; of a type the snapshot, of a profile the differential. `with_ours` adds those of our own
    package.
    """

    supplied: Mapping[tuple[Kind, str], Supplied] = field(default_factory=dict)
    with_ours: bool = False

    def find(self, kind: Kind, canonical: str) -> Json | None:
        """Return the definition a canonical names, whatever version it names; None if unknown."""
        url, _ = split_canonical(canonical)
        entry = self.supplied.get((kind, url))
        if entry is not None:
            return entry.definition
        return self._own(kind, url) or _r4(kind, url)

    def _own(self, kind: Kind, url: str) -> Json | None:
        return _our(kind, url) if self.with_ours else None

    def structure(self, canonical: str) -> Json | None:
        """Return a StructureDefinition."""
        return self.find("StructureDefinition", canonical)

    def type(self, name: str) -> Json | None:
        """Return the StructureDefinition of a type of R4 by its name (`Observation`, `code`)."""
        return _r4("StructureDefinition", _TYPE + name)

    def origin(self, kind: Kind, canonical: str) -> str:
        """Return where a definition came from; empty when it is unknown."""
        url, _ = split_canonical(canonical)
        if entry := self.supplied.get((kind, url)):
            return entry.origin
        if self.with_ours and (kind, url) in _our_files():
            return OURS
        return R4 if (url, kind) in _lines() else ""

    def extended(self, entries: Iterable[Supplied]) -> tuple[Definitions, list[Supplied]]:
        """Return definitions with more of them, and those left out as they were known already.

        The first definition of a URL stands, so what R4 and an earlier source say is not altered;
        an equal one is not counted as left out.
        """
        supplied = dict(self.supplied)
        left_out = []
        for entry in entries:
            key = entry.definition["resourceType"], entry.definition["url"]
            known = supplied.get(key)
            own = self._own(*key)
            if known is None and own is None and key[::-1] not in _lines():
                supplied[key] = entry
            elif (known.definition if known else own) != entry.definition:
                left_out.append(entry)
        return Definitions(supplied, self.with_ours), left_out


@cache
def _lines() -> dict[tuple[str, str], bytes]:
    """Return the lines of R4's definitions by URL and kind, not yet decoded."""
    found = {}
    text = files("fhirdrain.conformance.r4").joinpath("definitions.txt").read_bytes()
    for line in text.splitlines():
        url, kind, body = line.split(b" ", 2)
        found[url.decode(), kind.decode()] = body
    return found


@cache
def constraints() -> dict[str, Json]:
    """Return R4's constraints as an element holds them, by their names in `definitions.txt`."""
    found = {}
    text = files("fhirdrain.conformance.r4").joinpath("constraints.txt").read_text("utf-8")
    for line in text.splitlines():
        name, body = line.split(" ", 1)
        found[name] = {"key": name.rstrip("'"), **decode(body)}
    return found


@cache
def _r4(kind: Kind, url: str) -> Json | None:
    body = _lines().get((url, kind))
    if body is None:
        return None
    definition: Json = {"resourceType": kind, **decode(body)}
    for view in ("snapshot", "differential"):
        for element in definition.get(view, {}).get("element", ()):
            if "constraint" in element:
                element["constraint"] = [constraints()[name] for name in element["constraint"]]
            element.setdefault("id", element["path"])
    return definition


# -- what R4 itself says ----------------------------------------------------------------------


@cache
def _kinds() -> dict[str, str]:
    """Return every type of R4 that is not abstract with its kind: resource, complex-type, ..."""
    found = {}
    for (url, kind), body in _lines().items():
        head = body[:400]
        if kind == "StructureDefinition" and b'"derivation":"constraint"' not in head:
            kind_of_type = head.partition(b'"kind":"')[2].partition(b'"')[0].decode()
            found[url.removeprefix(_TYPE)] = kind_of_type + "!" * (b'"abstract":true' in head)
    return found


def is_type(name: str) -> bool:
    """Tell whether R4 has such a type other than the primitives."""
    return _kinds().get(name, "primitive-type") != "primitive-type"


def is_resource(name: str) -> bool:
    """Tell whether a name is that of a resource type that can stand in data."""
    return _kinds().get(name) == "resource"


def shown_type(name: object, otherwise: str = "resource of no type of R4") -> str:
    """Return a resource type for a message; what is none may be anything, a name among it."""
    return name if isinstance(name, str) and is_resource(name) else otherwise


@cache
def _element_names() -> tuple[frozenset[str], frozenset[str]]:
    """Return the names of all elements of R4 in lower case, and the stems of choices."""
    text = files("fhirdrain.conformance.r4").joinpath("definitions.txt").read_bytes()
    names = {name.decode().lower() for name in _LAST_STEP.findall(text)}
    return frozenset(names), frozenset(n[: -len("[x]")] for n in names if n.endswith("[x]"))


_LAST_STEP = re.compile(rb'"path":"[^"]*\.([^".]+)"')


def shown_key(key: str, otherwise: str) -> str:
    """Return a JSON key for a message if R4 has an element of that name, however it is spelt.

    Any other may be anything, a name among it.
    """
    names, stems = _element_names()
    plain = key.removeprefix("_").lower()
    typed = any(plain.startswith(s) and plain[len(s) :] in _types_in_lower_case() for s in stems)
    return key if plain in names or typed or plain == "resourcetype" else otherwise


@cache
def _types_in_lower_case() -> frozenset[str]:
    return frozenset(name.lower() for name in _kinds())


def resource_types() -> list[str]:
    """Return the names of all R4 resource types."""
    return [name for name, kind in _kinds().items() if kind == "resource"]


@cache
def type_names() -> frozenset[str]:
    """Return the names of all types of R4, abstract ones too."""
    return frozenset(_kinds())


@cache
def ancestry(name: str) -> tuple[str, ...]:
    """Return a type of R4 and those it is made from, the nearest first."""
    definition = _r4("StructureDefinition", _TYPE + name)
    base = (definition or {}).get("baseDefinition", "").removeprefix(_TYPE)
    return (name, *ancestry(base)) if base else (name,)


@dataclass(frozen=True, slots=True)
class Element:
    """One element as JSON names it: `valueQuantity` for the Quantity of a `value[x]`.

    `path` is its path in the type that defines it, `name` its FHIRPath name, `choice` the
    definition's path where it is one of several types.
    """

    owner: str
    path: str
    name: str
    type: str
    low: int
    many: bool
    targets: tuple[str, ...]
    value_set: str | None
    choice: str | None


@cache
def elements(owner: str, path: str) -> dict[str, Element]:
    """Return the elements below a path of a type, by their JSON names; empty below a leaf."""
    definition = _r4("StructureDefinition", _TYPE + owner)
    if definition is None:
        raise KeyError(owner)
    found: dict[str, Element] = {}
    prefix = f"{owner}.{path}." if path else f"{owner}."
    for facts in definition["snapshot"]["element"]:
        full = facts["path"]
        if not full.startswith(prefix) or "." in full[len(prefix) :]:
            continue
        name = full[len(prefix) :]
        choice = name.endswith("[x]")
        same_as = facts.get("contentReference", "").lstrip("#")
        binding = facts.get("binding", {})
        value_set = binding.get("valueSet") if binding.get("strength") == "required" else None
        for entry in facts.get("type") or [{"code": "#"}]:
            kind = entry["code"]
            stem = name.removesuffix("[x]")
            json_name = stem + kind[0].upper() + kind[1:] if choice else name
            where, _, at = (same_as or full).partition(".")
            found[json_name] = Element(
                owner=where,
                path=at,
                name=stem,
                type=kind,
                low=facts["min"],
                many=facts["max"] not in ("0", "1"),
                targets=tuple(t.rsplit("/", 1)[-1] for t in entry.get("targetProfile", ())),
                value_set=split_canonical(value_set)[0] if value_set else None,
                choice=full.partition(".")[2] if choice else None,
            )
    return found


@cache
def types_below(kind: str) -> dict[str, str]:
    """Return the types of the elements of a type by their JSON names; empty for one not known.

    A group defined in place, of which `Timing.repeat` is one, is named by its path.
    """
    owner, _, path = kind.partition(".")
    if owner not in _kinds():
        return {}
    in_place = ("BackboneElement", "Element", "#")
    return {
        name: f"{e.owner}.{e.path}" if e.type in in_place and e.path else e.type
        for name, e in elements(owner, path).items()
    }


def has_children(owner: str, path: str) -> bool:
    """Tell whether an element is a group defined in place."""
    return bool(path and elements(owner, path))


# -- ours -------------------------------------------------------------------------------------


def profiles_folder() -> Path:
    """Return the folder of our profiles, in the installed package or beside the checkout's."""
    package = files("fhirdrain")
    for folder in (package / "profiles", package / ".." / "profiles"):
        path = Path(str(folder)).resolve()
        if path.joinpath("package.json").is_file():
            return path
    raise ConfigurationError("the profiles are not installed with the package")


@cache
def our_profiles() -> dict[str, str]:
    """Return the canonical URLs of our own profiles with the type each is of."""
    return {
        entry["url"]: entry["type"]
        for entry in _index()
        if entry["resourceType"] == "StructureDefinition"
    }


@cache
def _index() -> list[Json]:
    index = decode(profiles_folder().joinpath(".index.json").read_bytes())
    return list(index["files"])


@cache
def _our_files() -> dict[tuple[str, str], Path]:
    folder = profiles_folder()
    return {
        (entry["resourceType"], entry["url"]): folder / entry["filename"]
        for entry in _index()
        if entry["resourceType"] in KINDS
    }


@cache
def _our(kind: Kind, url: str) -> Json | None:
    path = _our_files().get((kind, url))
    return None if path is None else dict(decode(path.read_bytes()))


def our_files() -> list[Path]:
    """Return the files of our own definitions."""
    return list(_our_files().values())


@cache
def standard() -> Definitions:
    """Return R4's definitions and ours."""
    return Definitions(with_ours=True)
