"""The policy file: the figures a site decides by, each with its scope and its source."""

from __future__ import annotations

import tomllib
from decimal import Decimal
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from fhirdrain.errors import ConfigurationError
from fhirdrain.site.places import Places


class Figure(BaseModel):
    """One figure of the policy, in the site's words, with the published or local source it has.

    Figures are shown and judged at hand-off, never applied in silence; there are no defaults.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: str
    says: str = Field(min_length=1)
    source: str = Field(min_length=1)
    scope: Literal["drain", "group", "patient"]
    drains: list[str] = []
    kind: Literal["volume", "level", "not-charted", "air-leak-ended"]
    above: str | None = None
    within: str | None = None
    after: str | None = None
    rounds: int | None = None
    appearance: list[str] = []


class Policy(BaseModel):
    """The policy file. `shortest_interval` is the shortest time a rate may be worked out over."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: str
    shortest_interval: str | None = None
    figures: list[Figure] = []


def load_policy(path: Path) -> Policy:
    """Return the policy in a file; raises `ConfigurationError` at the place of the first fault."""
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigurationError(
            f"the policy file cannot be read: {error}", place=str(path)
        ) from None
    try:
        return Policy.model_validate(tomllib.loads(text, parse_float=Decimal))
    except tomllib.TOMLDecodeError as error:
        raise ConfigurationError(f"not valid TOML: {error}", place=str(path)) from None
    except ValidationError as error:
        fault = error.errors()[0]
        line, column = Places(text).of(fault["loc"])
        raise ConfigurationError(
            f"{'.'.join(map(str, fault['loc']))}: {fault['msg']}",
            place=f"{path}:{line}:{column}" if line else str(path),
        ) from None
