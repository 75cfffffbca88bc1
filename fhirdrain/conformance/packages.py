"""Definitions that a user supplies: in folders, in files, and in FHIR packages (.tgz).

What cannot be used is an issue, and the rest is still read. Source: the FHIR NPM package
specification (from memory).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from fhirdrain.conformance import raw
from fhirdrain.conformance.archives import definition_issue, files_of, printable
from fhirdrain.conformance.definitions import KINDS, Supplied
from fhirdrain.errors import SourceError
from fhirdrain.issues import Issue

Json = dict[str, Any]

CORE = "hl7.fhir.r4.core"
_MANIFEST = "package.json"
_SPOKEN = re.compile(r"4\.0(\.\d+)?")
_ACCEPTED = re.compile(r"4\.[03]([.-].*)?")


@dataclass
class Supplies:
    """What was supplied.

    `definitions` are the StructureDefinitions, ValueSets and CodeSystems, each URL once.
    `instances` are all other resources, which references may point to, by `Type/id` and by URL.
    """

    definitions: list[Supplied] = field(default_factory=list)
    instances: dict[str, Json] = field(default_factory=dict)
    issues: list[Issue] = field(default_factory=list)


@dataclass(frozen=True)
class _Resource:
    """A resource with where it stands: a file, and in a Bundle the path of its entry."""

    value: Json
    file: str
    location: str = ""
    full_url: str = ""

    @property
    def origin(self) -> str:
        return f"{self.file} {self.location}" if self.location else self.file


def supplied(paths: Iterable[Path]) -> Supplies:
    """Return the definitions and other resources in folders, files and packages.

    The first definition of a URL stands. Raises `SourceError` for a path that is not there or is
    none of these.
    """
    found = Supplies()
    known: dict[tuple[str, str], Supplied] = {}
    origins: dict[str, str] = {}
    names, wanted = {CORE}, []
    for path in paths:
        resources, manifest = _read(path, found.issues)
        if manifest is not None:
            names.add(str(manifest.value.get("name")))
            if not _is_usable(manifest, found.issues):
                continue
            wanted += [(name, manifest.file) for name in _dependencies(manifest, found.issues)]
        for resource in resources:
            if _is_definition(resource, found.issues):
                _define(resource, known, found.issues)
            else:
                _keep(resource, found.instances, origins, found.issues)
    found.definitions = list(known.values())
    for name, file in dict.fromkeys(wanted):
        if name not in names:
            what = f"the package depends on {printable(name)}, which is not supplied"
            hint = "what refers to its definitions cannot be checked: supply it too"
            found.issues.append(definition_issue(what, file, "warning", "not-supported", hint))
    return found


# -- which resources there are --------------------------------------------------------------------


def _is_definition(resource: _Resource, issues: list[Issue]) -> bool:
    """Tell whether a resource defines something for us; say so where its FHIR version is another.

    A logical model defines no resource, so nothing here can be held against it.
    """
    value = resource.value
    kind = value["resourceType"]
    if kind not in KINDS or (kind == "StructureDefinition" and value.get("kind") == "logical"):
        return False
    version = value.get("fhirVersion", "4.0.1")
    if kind == "StructureDefinition" and not _ACCEPTED.fullmatch(str(version)):
        what = f"the definition is for FHIR {printable(version)}, and is taken as one for R4"
        issues.append(definition_issue(what, resource.file, "warning", location=resource.location))
    return True


def _define(
    resource: _Resource, known: dict[tuple[str, str], Supplied], issues: list[Issue]
) -> None:
    value, kind = resource.value, resource.value["resourceType"]
    needed = ("url", "type") if kind == "StructureDefinition" else ("url",)
    for name in needed:
        if not (isinstance(value.get(name), str) and value[name]):
            what = f"the {kind} has no {name}, so it cannot be used"
            issues.append(definition_issue(what, resource.file, location=resource.location))
            return
    entry = Supplied(value, resource.origin)
    first = known.setdefault((kind, value["url"]), entry)
    if first.definition != value:
        what = f"{first.origin} defines the same URL in another way, and came first"
        hint = "supply one of the two"
        issues.append(definition_issue(what, resource.file, hint=hint, location=resource.location))


def _keep(
    resource: _Resource, instances: dict[str, Json], origins: dict[str, str], issues: list[Issue]
) -> None:
    value = resource.value
    names = [resource.full_url, value.get("url")]
    if isinstance(value.get("id"), str):
        names.append(f"{value['resourceType']}/{value['id']}")
    for name in names:
        if not (isinstance(name, str) and name):
            continue
        if instances.setdefault(name, value) == value:
            origins.setdefault(name, resource.origin)
            continue
        what = f"{origins[name]} has another resource of the same id or URL, and came first"
        issues.append(definition_issue(what, resource.file, "warning", location=resource.location))
        return


def _is_usable(manifest: _Resource, issues: list[Issue]) -> bool:
    """Tell whether a package is for a release of FHIR that is spoken; say so where it is not."""
    stated = manifest.value.get("fhirVersions", manifest.value.get("fhir-version-list"))
    versions = [str(v) for v in stated] if isinstance(stated, list) else []
    if manifest.value.get("name") == CORE:
        what = "R4's own definitions are built in, so this package is left aside"
        issues.append(definition_issue(what, manifest.file, "information"))
        return False
    if not versions:
        what = "the package does not say which release of FHIR it is for, and is taken as for R4"
        issues.append(definition_issue(what, manifest.file, "warning"))
    elif not any(_ACCEPTED.fullmatch(v) for v in versions):
        what = f"the package is for FHIR {printable(', '.join(versions))}; it is left aside"
        issues.append(definition_issue(what, manifest.file, hint="4.0.1 is spoken"))
        return False
    elif not any(_SPOKEN.fullmatch(v) for v in versions):
        what = (
            f"the package is for FHIR {printable(', '.join(versions))}, and is taken as for 4.0.1"
        )
        issues.append(definition_issue(what, manifest.file, "warning"))
    return True


def _dependencies(manifest: _Resource, issues: list[Issue]) -> list[str]:
    stated = manifest.value.get("dependencies", {})
    if isinstance(stated, dict):
        return list(stated)
    issues.append(
        definition_issue("the dependencies of the package are not an object", manifest.file)
    )
    return []


# -- reading --------------------------------------------------------------------------------------


def _read(path: Path, issues: list[Issue]) -> tuple[list[_Resource], _Resource | None]:
    """Return the resources at a path, and the manifest where it is a package."""
    resources: list[_Resource] = []
    manifest = None
    try:
        for name, file, data in files_of(path, issues):
            value = _value(data, file, issues)
            if value is None:
                continue
            if name == _MANIFEST:
                manifest = _Resource(value, file)
            elif isinstance(value.get("resourceType"), str):
                resources += _unpacked(_Resource(value, file), issues)
            else:
                what = "it holds no FHIR resource, and is left aside"
                issues.append(definition_issue(what, file, "information"))
    except OSError as error:
        raise SourceError(f"cannot be read: {error.strerror}", place=str(path)) from None
    if manifest is None and path.is_file() and not path.name.lower().endswith(".json"):
        what = "the archive has no package/package.json, so its release of FHIR is not known"
        issues.append(definition_issue(what, str(path), "warning"))
    return resources, manifest


def _value(data: bytes, file: str, issues: list[Issue]) -> Json | None:
    """Return the JSON object in a file, None where there is none that can be used."""
    value, _, found = raw.parse(data, file)
    for issue in found:
        fatal = issue.severity == "fatal"
        issues.append(replace(issue, severity="error", rule="definition") if fatal else issue)
    if any(issue.severity == "fatal" for issue in found):
        return None
    if not isinstance(value, dict):
        issues.append(definition_issue("it holds no FHIR resource, which is a JSON object", file))
        return None
    level: list[Any] = [value]
    for _ in range(raw.MOST_DEPTH):
        below = (item.values() if isinstance(item, dict) else item for item in level)
        level = [v for values in below for v in values if isinstance(v, dict | list)]
    if level:
        issues.append(definition_issue(f"it is nested more than {raw.MOST_DEPTH} deep", file))
        return None
    return value


def _unpacked(resource: _Resource, issues: list[Issue]) -> Iterator[_Resource]:
    """Yield a resource, and of a Bundle those in it, at any depth."""
    yield resource
    entries = resource.value.get("entry", []) if resource.value["resourceType"] == "Bundle" else []
    if not isinstance(entries, list):
        issues.append(definition_issue("the entries of the Bundle are not an array", resource.file))
        return
    for index, entry in enumerate(entries):
        place = f"{resource.location or 'Bundle'}.entry[{index}].resource"
        inner = entry.get("resource") if isinstance(entry, dict) else None
        if isinstance(inner, dict) and isinstance(inner.get("resourceType"), str):
            full_url = entry.get("fullUrl")
            full_url = full_url if isinstance(full_url, str) else ""
            yield from _unpacked(_Resource(inner, resource.file, place, full_url), issues)
        else:
            what = "the entry has no resource"
            issues.append(definition_issue(what, resource.file, "warning", location=place))
