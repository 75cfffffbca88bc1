"""The policy file: the figures a site decides by, each with its scope and its source."""

from __future__ import annotations

import tomllib
from datetime import timedelta
from decimal import Decimal
from pathlib import Path
from typing import Annotated, Literal

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    StrictInt,
    StringConstraints,
    ValidationError,
    model_validator,
)

from fhirdrain.bedside.policy import Figure, Kind
from fhirdrain.errors import ConfigurationError
from fhirdrain.site.durations import duration
from fhirdrain.site.places import Places
from fhirdrain.vocabulary.observables import OBSERVABLES
from fhirdrain.vocabulary.units import UnitError, convert, unit_of

# What each kind of figure needs, and what it may have beside.
_KEYS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "volume": (("above", "within"), ("after", "appearance")),
    "stopped": (("above", "within", "after"), ()),
    "level": (("above",), ()),
    "not-charted": (("after",), ()),
    "order": ((), ()),
    "air-leak-new": ((), ("rounds",)),
    "air-leak-lasting": (("after",), ()),
    "air-leak-ended": (("rounds",), ()),
    "swing-lost": ((), ()),
    "appearance": ((), ("within", "appearance")),
    "clamped": (("after",), ()),
}
# Amounts of several drains can be added up; of what is seen of them there is no sum.
_TOGETHER = ("volume", "stopped")


Said = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1)]


class FigureSection(BaseModel):
    """One figure of the policy, in the site's words, with the published or local source it has.

    Figures are shown and judged at hand-off, never applied in silence; there are no defaults.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: str
    says: Said
    source: Said
    scope: Literal["drain", "group", "patient"]
    drains: list[str] = []
    kind: Kind
    above: str | None = None
    within: str | None = None
    after: str | None = None
    rounds: StrictInt | None = Field(default=None, ge=1)
    appearance: list[str] = []

    @model_validator(mode="after")
    def _has_what_its_kind_needs(self) -> FigureSection:
        needed, possible = _KEYS[self.kind]
        for key in ("above", "within", "after", "rounds", "appearance"):
            given = bool(getattr(self, key))
            if key in needed and not given:
                raise ValueError(f'a figure of kind {self.kind} needs "{key}"')
            if given and key not in (*needed, *possible):
                raise ValueError(f'a figure of kind {self.kind} has no "{key}"')
        if self.scope != "drain" and self.kind not in _TOGETHER:
            raise ValueError(f"a figure of kind {self.kind} is of one drain, not of several")
        if self.scope == "group" and len(set(self.drains)) < max(2, len(self.drains)):
            raise ValueError("a group is of two drains or more")
        words = OBSERVABLES["appearance"].words
        unknown = [word for word in self.appearance if word not in words]
        if unknown:
            raise ValueError(f'"{unknown[0]}" is no word of appearance: {", ".join(words)}')
        if self.figure().by_weight and self.kind not in _TOGETHER:
            raise ValueError(f"a figure of kind {self.kind} is in mL, not by weight")
        return self

    def figure(self) -> Figure:
        """Return it as the arithmetic reads it; raises ValueError for what cannot be read."""
        return Figure(
            self.name,
            self.kind,
            self.says,
            self.source,
            self.scope,
            tuple(self.drains),
            _volume(self.above)[0] if self.above is not None else None,
            _length(self.within) if self.within else None,
            _length(self.after) if self.after else None,
            self.rounds,
            tuple(self.appearance),
            self.above is not None and _volume(self.above)[1],
        )


_MOST, _LONGEST = Decimal(10**6), timedelta(days=3660)


def _length(text: str) -> timedelta:
    """Return a length of time that is one."""
    length = duration(text)
    if not length:
        raise ValueError(f'"{text}" is no time at all')
    if length > _LONGEST:
        raise ValueError(f'"{text}" is longer than any drain is in place')
    return length


def _volume(text: str) -> tuple[Decimal, bool]:
    """Return a volume like "100 mL" in mL, or "2 mL/kg" in mL/kg and that it is by weight."""
    number, _, code = text.strip().partition(" ")
    try:
        unit, _ = unit_of(code.strip())
        if unit.kind not in ("volume", "volume by weight"):
            raise UnitError(f"{unit.code} is no unit of volume")
        by_weight = unit.kind == "volume by weight"
        if not Decimal(number).is_finite() or not 0 <= Decimal(number) <= _MOST:
            raise UnitError("beyond what is possible")
        return convert(Decimal(number), unit.code, "mL/kg" if by_weight else "mL"), by_weight
    except (UnitError, ArithmeticError):
        raise ValueError(f'"{text}" is not a volume: write 100 mL, or 2 mL/kg') from None


class Policy(BaseModel):
    """The policy file.

    `shortest_interval` is the shortest time a rate may be worked out over; `rolling_hour` asks for
    that of the hour before each reading too, where it is known.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: str
    shortest_interval: str | None = None
    rolling_hour: bool = False
    figures: list[FigureSection] = []

    @model_validator(mode="after")
    def _can_be_read(self) -> Policy:
        shortest = _length(self.shortest_interval) if self.shortest_interval is not None else None
        if self.rolling_hour and (shortest is None or shortest > timedelta(hours=1)):
            raise ValueError("a rolling hour needs a shortest_interval of an hour or less")
        return self

    def read(self) -> list[Figure]:
        """Return its figures as the arithmetic reads them."""
        return [section.figure() for section in self.figures]


def load_policy(path: Path) -> Policy:
    """Return the policy in a file; raises `ConfigurationError` at the place of the first fault."""
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, ValueError) as error:
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
        key = ".".join(map(str, fault["loc"]))
        raise ConfigurationError(
            ": ".join(filter(None, (key, fault["msg"].removeprefix("Value error, ")))),
            place=f"{path}:{line}:{column}" if line else str(path),
        ) from None
