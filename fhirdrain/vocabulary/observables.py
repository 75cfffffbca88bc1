"""What can be observed of a drain: name, codes, kind of value, words, units, components.

This table is the one source of the profiles, of intake's refusals and of the checker's rules.
Words are ours where no standard has them. Bounds are bounds of the possible, not clinical
figures: beyond them a number was mistyped or carries another unit (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from fhirdrain.vocabulary.codes import (
    APPEARANCE,
    BASE,
    DRAIN_INSERTION,
    DRAIN_REMOVAL,
    OUTPUT,
    OUTPUT_FROM_DRAIN,
    OUTPUT_PERICARDIAL,
    SNOMED,
    SUCTION_DRAINAGE,
    Coding,
    local,
)

__all__ = [
    "ABSENT_REASONS",
    "AS_CHARTED",
    "CALCULATED",
    "CATEGORY_CODE",
    "OBSERVABLES",
    "SIDES",
    "SPACES",
    "WORD_CODINGS",
    "Component",
    "Observable",
    "profile_url",
]

SIDES = ("left", "right", "midline", "unknown")
SPACES = ("pleural", "mediastinal", "pericardial", "unknown")

CATEGORY_CODE = local("chest-drain", "Chest drain observation")
CALCULATED = local("calculated", "Calculated from other observations")
AS_CHARTED = local("as-charted", "Value and unit as charted, before conversion")

# Why a reading has no value (the site file's lists), and R4's data-absent-reason for it.
ABSENT_REASONS: Mapping[str, str] = {
    "not_done": "not-performed",
    "unable": "unknown",
    "refused": "asked-declined",
    "not_applicable": "not-applicable",
}

# Nearest verified codes of others for words of ours; sent beside ours.
WORD_CODINGS: Mapping[tuple[str, str], Coding] = {
    ("swing", "present"): Coding(SNOMED, "719293005", "Chest drain fluid swinging"),
    ("appearance", "serous"): Coding(SNOMED, "256913008", "Serous"),
    ("appearance", "bloody"): Coding(SNOMED, "255345002", "Hemorrhagic"),
    ("appearance", "purulent"): Coding(SNOMED, "255316004", "Purulent"),
}

Kind = Literal["quantity", "words", "parts"]


@dataclass(frozen=True, slots=True)
class Component:
    """A part of an observation: words, or a number with one unit, or a count, or free text."""

    name: str
    title: str
    kind: Literal["words", "quantity", "integer", "text"]
    words: tuple[str, ...] = ()
    units: tuple[str, ...] = ()
    low: Decimal | None = None
    high: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Observable:
    """One observable; `kind` says where its value is: a quantity, a word, or only in its parts.

    `units` is the closed list it accepts, the first being the one it is sent in.
    `form` is the FHIR resource it is stated as.
    """

    name: str
    title: str
    kind: Kind
    codes: tuple[Coding, ...]
    form: Literal["Observation", "ServiceRequest", "Procedure", "DeviceUseStatement"] = (
        "Observation"
    )
    words: tuple[str, ...] = ()
    units: tuple[str, ...] = ()
    low: Decimal | None = None
    high: Decimal | None = None
    components: tuple[Component, ...] = ()
    period: bool = False

    @property
    def component_names(self) -> tuple[str, ...]:
        """Return the names of its components, in the order of the table."""
        return tuple(component.name for component in self.components)

    def component(self, name: str) -> Component:
        """Return a component by name; raises KeyError."""
        for component in self.components:
            if component.name == name:
                return component
        raise KeyError(name)


def profile_url(name: str, base: str = BASE) -> str:
    """Return the canonical URL of an observable's profile."""
    return f"{base}/StructureDefinition/{name}"


_VOLUME = ("mL", "cm3", "L")
# A gauge in mm[Hg] is accepted only where the site file itself says that a regulator shows it.
_SUCTION = ("cm[H2O]", "kPa", "hPa", "mbar", "Pa", "mm[Hg]")
_MOST_VOLUME = Decimal(10000)
_MOST_SUCTION = Decimal(100)
_ZERO = Decimal(0)

_UNIT_NUMBER = Component("unit-number", "Number of the collection unit", "integer")
_LEAK = ("none", "present", "not-tested")
_MODES = ("suction", "water-seal", "clamped", "capped", "bag-or-valve")


def _level(name: str, title: str) -> Component:
    return Component(name, title, "quantity", units=_VOLUME, low=_ZERO, high=_MOST_VOLUME)


_TABLE = (
    Observable(
        "level",
        "Level in the chamber of the collection unit",
        "quantity",
        (local("level", "Level in the chamber of the collection unit"),),
        units=_VOLUME,
        low=_ZERO,
        high=_MOST_VOLUME,
        components=(_UNIT_NUMBER,),
    ),
    Observable(
        "output",
        "Fluid drained in an interval",
        "quantity",
        (OUTPUT, OUTPUT_FROM_DRAIN),
        units=_VOLUME,
        low=_ZERO,
        high=_MOST_VOLUME,
        components=(_UNIT_NUMBER,),
        period=True,
    ),
    Observable(
        "unit-change",
        "Change of the collection unit",
        "words",
        (local("unit-change", "Change of the collection unit"),),
        words=(
            "full",
            "damaged",
            "contaminated",
            "knocked-over",
            "clotted",
            "emptied",
            "swapped",
            "routine",
            "other",
        ),
        components=(
            _level("closing-level", "Level of the old unit when it was closed"),
            _level("opening-level", "Level of the new unit when it was opened"),
            _UNIT_NUMBER,
        ),
    ),
    Observable(
        "suction-set",
        "Suction set, below atmosphere",
        "quantity",
        (local("suction-set", "Suction set, below atmosphere"),),
        units=_SUCTION,
        low=_ZERO,
        high=_MOST_SUCTION,
    ),
    Observable(
        "suction-source",
        "State of the suction source",
        "words",
        (local("suction-source", "State of the suction source"),),
        words=(
            "connected-on",
            "connected-off",
            "disconnected-open",
            "disconnected-closed",
            "not-checked",
        ),
    ),
    Observable(
        "mode",
        "How the drain is run",
        "words",
        (local("mode", "How the drain is run"),),
        words=_MODES,
        components=(
            Component(
                "reason",
                "Why it is run so",
                "words",
                words=(
                    "ordered",
                    "transport",
                    "walking",
                    "procedure",
                    "trial",
                    "unit-change",
                    "found-so",
                ),
            ),
        ),
    ),
    Observable(
        "suction-ordered",
        "Suction ordered, below atmosphere",
        "quantity",
        (SUCTION_DRAINAGE,),
        form="ServiceRequest",
        units=_SUCTION,
        low=_ZERO,
        high=_MOST_SUCTION,
    ),
    Observable(
        "mode-ordered",
        "How the drain is to be run",
        "words",
        (SUCTION_DRAINAGE,),
        form="ServiceRequest",
        words=_MODES,
    ),
    Observable(
        "air-leak",
        "Air leak",
        "words",
        (local("air-leak", "Air leak"),),
        words=("none", "present", "undetermined"),
        components=(
            Component("at-rest", "Air leak at rest", "words", words=_LEAK),
            Component("on-cough", "Air leak on coughing", "words", words=_LEAK),
            Component(
                "phase",
                "Phase of breathing in which it bubbles",
                "words",
                words=("expiration", "inspiration", "continuous"),
            ),
            Component(
                "origin",
                "Where the air comes from",
                "words",
                words=("patient-side", "system", "not-established"),
            ),
        ),
    ),
    Observable(
        "swing",
        "Swing of the fluid with breathing",
        "words",
        (local("swing", "Swing of the fluid with breathing"),),
        words=("present", "reduced", "absent", "not-assessable", "not-expected"),
    ),
    Observable(
        "appearance",
        "Appearance of the drained fluid",
        "words",
        (APPEARANCE,),
        words=(
            "serous",
            "serosanguineous",
            "bloody",
            "purulent",
            "milky",
            "cloudy",
            "clear",
            "green-brown",
            "nothing-to-see",
            "other",
        ),
        components=(
            Component("hue", "Shade of blood", "words", words=("bright-red", "dark-red")),
            Component("clots", "Clots", "words", words=("none", "small", "large")),
        ),
    ),
    Observable(
        "dressing",
        "State of the dressing",
        "words",
        (local("dressing", "State of the dressing"),),
        words=("dry-intact", "damp", "soiled", "loose"),
    ),
    Observable(
        "dressing-done",
        "What was done to the dressing",
        "words",
        (local("dressing-done", "What was done to the dressing"),),
        words=("changed", "reinforced"),
    ),
    Observable(
        "crepitus",
        "Air under the skin",
        "words",
        (local("crepitus", "Air under the skin"),),
        words=("none", "at-site", "beyond-site"),
    ),
    Observable(
        "drain-site",
        "Where the drain lies",
        "parts",
        (local("drain-site", "Where the drain lies"),),
        form="DeviceUseStatement",
        components=(
            Component("side", "Side", "words", words=SIDES),
            Component("space", "Space", "words", words=SPACES),
            Component("position", "Position in words", "text"),
        ),
    ),
    Observable(
        "placed",
        "Placing of the drain",
        "parts",
        (local("placed", "Placing of the drain"), DRAIN_INSERTION),
        form="Procedure",
        components=(_level("opening-level", "Level of the first unit when it was opened"),),
    ),
    Observable(
        "removed",
        "Removal of the drain",
        "words",
        (local("removed", "Removal of the drain"), DRAIN_REMOVAL),
        form="Procedure",
        words=("planned", "accidental"),
    ),
)

OBSERVABLES: Mapping[str, Observable] = {observable.name: observable for observable in _TABLE}

# The code of an output depends on the space: pericardial drains have their own.
OUTPUT_CODES: Mapping[str, tuple[Coding, ...]] = {
    "pericardial": (OUTPUT_PERICARDIAL, OUTPUT_FROM_DRAIN),
}
