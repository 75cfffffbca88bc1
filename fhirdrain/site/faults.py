"""What is wrong in a site file, as issues with line and column and the nearest known name."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from fhirdrain.issues import Issue
from fhirdrain.site.model import (
    ColumnsSection,
    DrainSection,
    ItemSection,
    NumberSection,
    SiteFile,
    SourceSection,
    SystemsSection,
)
from fhirdrain.site.places import Places


class Faults:
    """Collects the faults of one file, each at the place of the key it is about."""

    def __init__(self, path: Path, places: Places) -> None:
        self.path = path
        self.places = places
        self.issues: list[Issue] = []

    def add(self, message: str, *loc: str, hint: str = "") -> None:
        """Add a fault at a key."""
        line, column = self.places.of(loc)
        self.issues.append(
            fault_of(
                self.path, message, hint=hint, line=line, column=column, location=".".join(loc)
            )
        )


def nearest(word: str, known: Iterable[str]) -> str:
    """Return a hint that names the nearest known name, or all of them when none is near."""
    known = list(known)
    lower = {name.lower(): name for name in known}
    close = difflib.get_close_matches(word.lower(), list(lower), n=1, cutoff=0.5)
    if close:
        return f'nearest known: "{lower[close[0]]}"'
    return f"known: {', '.join(known[:12])}{', ...' if len(known) > 12 else ''}" if known else ""


def fault_of(
    path: Path, message: str, *, hint: str = "", line: int = 0, column: int = 0, location: str = ""
) -> Issue:
    """Return the issue of one fault."""
    return Issue(
        "error",
        "invalid",
        "site-file",
        message,
        hint=hint,
        file=str(path),
        line=line,
        column=column,
        location=location,
    )


def from_pydantic(path: Path, places: Places, fault: Any) -> Issue:
    """Turn a fault of the model into an issue, an unknown key with the nearest known one."""
    loc = [part for part in fault["loc"] if not str(part).startswith(("function-", "union_"))]
    line, column = places.of(loc)
    dotted = ".".join(str(part) for part in loc)
    if fault["type"] == "extra_forbidden":
        known = _known_keys(SiteFile, loc[:-1])
        message, hint = f'unknown key "{loc[-1]}"', nearest(str(loc[-1]), known)
    elif fault["type"] == "missing":
        message, hint = f'the key "{loc[-1]}" is missing', ""
    elif fault["type"] == "literal_error":
        words = re.findall(r"'([^']+)'", fault["ctx"]["expected"])
        message, hint = f'unknown word "{fault["input"]}"', nearest(str(fault["input"]), words)
    else:
        message, hint = f"{dotted}: {fault['msg'].removeprefix('Value error, ')}", ""
    return fault_of(path, message, hint=hint, line=line, column=column, location=dotted)


def _known_keys(model: type[BaseModel], loc: Sequence[Any]) -> list[str]:
    """Return the keys a section of the file may have."""
    by_section: dict[str, type[BaseModel]] = {
        "drains": DrainSection,
        "sources": SourceSection,
        "items": ItemSection,
        "columns": ColumnsSection,
        "number": NumberSection,
        "systems": SystemsSection,
    }
    for part in loc:
        if part in by_section:
            model = by_section[part]
        elif part in model.model_fields:
            annotation = model.model_fields[part].annotation
            if isinstance(annotation, type) and issubclass(annotation, BaseModel):
                model = annotation
    return list(model.model_fields)
