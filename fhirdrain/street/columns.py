"""Columns of a table as a person names them on the line: `item=code,value=val`."""

from __future__ import annotations

from collections.abc import Collection

from fhirdrain.errors import ConfigurationError


def named_columns(text: str, keys: Collection[str]) -> dict[str, str]:
    """Return the table's names by our keys; raises `ConfigurationError`."""
    named: dict[str, str] = {}
    for pair in text.split(","):
        key, mark, name = pair.strip().partition("=")
        if not mark or not name or key not in keys:
            first, second, *_ = keys
            raise ConfigurationError(
                f'"{pair.strip()}" names no column',
                hint=f"as {first}=NAME,{second}=NAME; known: {', '.join(keys)}",
            )
        named[key] = name
    return named
