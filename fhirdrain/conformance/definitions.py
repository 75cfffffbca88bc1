"""What R4 says of each type, from the compact definitions in `r4/`, and where our profiles are."""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from fhirdrain.errors import ConfigurationError


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
def _data() -> dict[str, Any]:
    text = files("fhirdrain.conformance.r4").joinpath("definitions.json").read_text("utf-8")
    return json.loads(text)  # type: ignore[no-any-return]


def is_type(name: str) -> bool:
    """Tell whether R4 has such a type other than the primitives."""
    return name in _data()["types"]


def is_resource(name: str) -> bool:
    """Tell whether a name is that of a resource type that can stand in data."""
    definition = _data()["types"].get(name)
    return bool(definition and definition["kind"] == "resource" and not definition["abstract"])


def resource_types() -> list[str]:
    """Return the names of all R4 resource types."""
    return [name for name in _data()["types"] if is_resource(name)]


@cache
def elements(owner: str, path: str) -> dict[str, Element]:
    """Return the elements below a path of a type, by their JSON names; empty below a leaf."""
    definition = _data()["types"][owner]["elements"]
    prefix = f"{path}." if path else ""
    found: dict[str, Element] = {}
    for full, facts in definition.items():
        if not full.startswith(prefix) or "." in full[len(prefix) :] or full == path:
            continue
        low, high, types, targets, value_set, same_as = [*facts, *[None] * 6][:6]
        name = full[len(prefix) :]
        choice = name.endswith("[x]")
        for kind in types or ["#"]:
            stem = name.removesuffix("[x]")
            json_name = stem + kind[0].upper() + kind[1:] if choice else name
            where, at = owner, full
            if same_as is not None:
                where, _, at = same_as.partition(".")
            found[json_name] = Element(
                owner=where,
                path=at,
                name=stem,
                type=kind,
                low=low,
                many=high == "*" or int(high) > 1,
                targets=tuple(targets or ()),
                value_set=value_set,
                choice=full if choice else None,
            )
    return found


def has_children(owner: str, path: str) -> bool:
    """Tell whether an element is a group defined in place."""
    return any(full.startswith(f"{path}.") for full in _data()["types"][owner]["elements"])


def codes_of(value_set: str) -> dict[str, list[str]] | None:
    """Return the codes of a required value set by system, None where it cannot be expanded."""
    return _data()["valueSets"].get(value_set)  # type: ignore[no-any-return]


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
    index = json.loads(profiles_folder().joinpath(".index.json").read_text("utf-8"))
    return {
        entry["url"]: entry["type"]
        for entry in index["files"]
        if entry["resourceType"] == "StructureDefinition"
    }
