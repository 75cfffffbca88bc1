"""Where a key stands in a TOML file, since tomllib does not say."""

from __future__ import annotations

import re
from collections.abc import Sequence

_HEADER = re.compile(r"\s*\[\[?\s*(?P<path>[^\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(
    r"\s*(?P<key>(?:[\w-]+|\"[^\"]*\"|'[^']*')(?:\s*\.\s*(?:[\w-]+|\"[^\"]*\"))*)\s*="
)
_PART = re.compile(r"[\w-]+|\"[^\"]*\"|'[^']*'")


def _parts(dotted: str) -> tuple[str, ...]:
    return tuple(part.strip("\"'") for part in _PART.findall(dotted))


class Places:
    """The line and column of each key and section of a TOML text."""

    def __init__(self, text: str) -> None:
        self._found: dict[tuple[str, ...], tuple[int, int]] = {}
        section: tuple[str, ...] = ()
        tables: dict[tuple[str, ...], int] = {}
        for number, line in enumerate(text.splitlines(), 1):
            if header := _HEADER.match(line):
                section = _parts(header["path"])
                if line.lstrip().startswith("[["):
                    index = tables.get(section, -1) + 1
                    tables[section] = index
                    section = (*section, str(index))
                self._found.setdefault(section, (number, line.index("[") + 1))
            elif key := _KEY.match(line):
                path = (*section, *_parts(key["key"]))
                self._found.setdefault(path, (number, key.start("key") + 1))

    def of(self, path: Sequence[str | int]) -> tuple[int, int]:
        """Return line and column of a path, or of the nearest section above it; else (0, 0)."""
        wanted = tuple(str(part) for part in path)
        while wanted:
            if wanted in self._found:
                return self._found[wanted]
            wanted = wanted[:-1]
        return (0, 0)
