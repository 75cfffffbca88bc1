"""Word lists: bedside words of a language in our words, for items that ask for one by name."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import Any

LANGUAGES = ("de", "en", "es", "fr", "it", "nl", "pt")


@cache
def word_list(language: str) -> Mapping[str, Mapping[str, Any]]:
    """Return a language's words by observable, as a site file would write them under `words`."""
    text = files("fhirdrain.site").joinpath("words", f"{language}.toml").read_text("utf-8")
    return tomllib.loads(text)
