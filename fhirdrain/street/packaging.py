"""package: our profiles as a FHIR package, under our canonical URLs or a site's own.

A site re-bases profiles, extensions, value sets, maps and guide, never the code system: a code
must mean the same everywhere. The layout is that of npm packages (FHIR package specification, from
memory): what defines in `package/`, examples in `package/example/`.
"""

from __future__ import annotations

import gzip
import io
import re
import tarfile
from pathlib import Path
from typing import BinaryIO
from urllib.parse import urlsplit

from fhirdrain.conformance.definitions import profiles_folder
from fhirdrain.errors import ConfigurationError
from fhirdrain.vocabulary.codes import BASE
from fhirdrain.vocabulary.jsontext import decode, encode_pretty

# All that moves; what begins so stands in `url`s, references, expressions and `meta.profile`.
_MOVED = re.compile(
    re.escape(BASE) + r"(?=/(?:StructureDefinition|ValueSet|ConceptMap|ImplementationGuide)/)"
)
# What a package may be called: lower-case labels joined by dots, two at least (from memory).
_NAME = re.compile(r"[a-z][a-z0-9-]*(?:\.[a-z0-9][a-z0-9-]*)+")
# Of RFC 3986 what canonical bases are made of: no query, no fragment, no slash at the end.
_BASE = re.compile(r"https?://[A-Za-z0-9._~:\[\]-]+(?:/[A-Za-z0-9._~%+:@-]+)*")


def write_package(stream: BinaryIO, base: str = BASE, name: str = "") -> int:
    """Write our package to a stream and return how many files are in it.

    The same input gives the same bytes. Raises `ConfigurationError` for a base that is not an
    absolute http(s) URL, and for a name that no package can have.
    """
    _check_base(base)
    if name and not _NAME.fullmatch(name):
        raise ConfigurationError(
            f'"{name}" cannot be the name of a package', hint="lower-case labels joined by dots"
        )
    files = _files(base, name or _name_of(base))
    with (
        gzip.GzipFile(filename="", mode="wb", fileobj=stream, mtime=0) as zipped,
        tarfile.open(mode="w", fileobj=zipped, format=tarfile.USTAR_FORMAT) as archive,
    ):
        for path, content in sorted(files.items()):
            entry = tarfile.TarInfo(path)  # of no time, nobody and nobody's group
            entry.size = len(content)
            archive.addfile(entry, io.BytesIO(content))
    return len(files)


def _files(base: str, name: str) -> dict[str, bytes]:
    """Return the content of a package by its path."""
    folder = profiles_folder()
    files = {}
    for path in (*folder.glob("*.json"), *(folder / "examples").glob("*.json")):
        inside = "package/example" if path.parent != folder else "package"
        text = _MOVED.sub(lambda _: base, path.read_text("utf-8"))
        files[f"{inside}/{path.name}"] = _named(path, text, base, name)
    return files


def _named(path: Path, text: str, base: str, name: str) -> bytes:
    """Return a file with the package's name and base where it states them."""
    stated = {"package.json": {"name": name, "canonical": base}}
    if path.name.startswith("ImplementationGuide-"):
        stated[path.name] = {"packageId": name}
    if not (more := stated.get(path.name)):
        return text.encode()
    return encode_pretty({**decode(text), **more}) + b"\n"


def _check_base(base: str) -> None:
    try:
        right = _BASE.fullmatch(base) is not None and bool(urlsplit(base).hostname)
        right = right and urlsplit(base).port != 0
    except ValueError:  # a port or a bracket that is none
        right = False
    if not right:
        raise ConfigurationError(
            "the base must be an absolute http or https URL",
            hint="no slash at the end, no query, no fragment: https://north-pier.example/fhir",
        )


def _name_of(base: str) -> str:
    """Return the name of the package of a base: its own, or the host's labels from the last on."""
    if base == BASE:
        return str(decode(profiles_folder().joinpath("package.json").read_bytes())["name"])
    host = urlsplit(base).hostname or ""
    name = ".".join([*reversed(host.split(".")), "fhirdrain"])
    if not _NAME.fullmatch(name):
        raise ConfigurationError("the host gives no name for a package", hint="give it with --name")
    return name
