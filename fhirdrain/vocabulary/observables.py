"""What can be observed of a drain: name, codes, kind of value, words, units, components.

This table is the one source of the profiles, of intake's refusals and of the checker's rules.
Words are ours where no standard has them. Bounds are bounds of the possible, not clinical
figures: beyond them a number was mistyped or carries another unit (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Literal

from fhirdrain.vocabulary.codes import (
    APPEARANCE,
    BASE,
    DRAIN_INSERTION,
    DRAIN_REMOVAL,
    LOINC,
    OUTPUT,
    OUTPUT_FROM_DRAIN,
    OUTPUT_MDC,
    OUTPUT_PERICARDIAL,
    PLEURAL_PRESSURE,
    PLEURAL_PRESSURE_MDC,
    SNOMED,
    SUCTION_DRAINAGE,
    Coding,
    local,
)
from fhirdrain.vocabulary.units import convert

__all__ = [
    "ABSENT_REASONS",
    "AS_CHARTED",
    "BESIDE",
    "CALCULATED",
    "CATEGORY_CODE",
    "CHARTED",
    "CHARTED_REASONS",
    "CHARTED_TOTAL",
    "MOST_COUNT",
    "OBSERVABLES",
    "OUTPUT_CODES",
    "PATIENT_WEIGHT",
    "RATES",
    "SIDES",
    "SPACES",
    "WORD_CODINGS",
    "Component",
    "Observable",
    "Rate",
    "by_code",
    "profile_url",
    "value_of_parts",
]

SIDES = ("left", "right", "midline", "unknown")
SPACES = ("pleural", "mediastinal", "pericardial", "unknown")

CATEGORY_CODE = local("chest-drain", "Chest drain observation")
CALCULATED = local("calculated", "Calculated from other observations")
AS_CHARTED = local("as-charted", "Value and unit as charted, before conversion")

# Why a reading has no value, and R4's data-absent-reason for it: what is charted, and named by
# lists of the site file, and what a message says beside.
ABSENT_REASONS: Mapping[str, str] = {
    "not_done": "not-performed",
    "unable": "unknown",
    "refused": "asked-declined",
    "not_applicable": "not-applicable",
    "not_asked": "not-asked",
    "error": "error",
    "temp_unknown": "temp-unknown",
}

CHARTED_REASONS = ("not_done", "unable", "refused", "not_applicable")

# Nearest verified codes of others for words of ours; sent beside ours.
WORD_CODINGS: Mapping[tuple[str, str], Coding] = {
    ("swing", "present"): Coding(SNOMED, "719293005", "Chest drain fluid swinging"),
    ("appearance", "serous"): Coding(SNOMED, "256913008", "Serous"),
    ("appearance", "bloody"): Coding(SNOMED, "255345002", "Hemorrhagic"),
    ("appearance", "purulent"): Coding(SNOMED, "255316004", "Purulent"),
}

# No drain has seen more units; what is larger was put into the wrong cell.
MOST_COUNT = 9999

Kind = Literal["quantity", "words", "parts"]
Timing = Literal["moment", "interval", "either"]


@dataclass(frozen=True, slots=True)
class _Bounded:
    """What has units and bounds of the possible, `low` and `high` in the first unit."""

    units: tuple[str, ...] = field(default=(), kw_only=True)
    low: Decimal | None = field(default=None, kw_only=True)
    high: Decimal | None = field(default=None, kw_only=True)

    def beyond(self, value: Decimal, unit: str) -> str:
        """Return how a number in a unit of its kind is not possible; empty when it is."""
        # Numbers beyond all measure are not worth converting.
        number = convert(value, unit, self.units[0], 28) if value.adjusted() < 30 else value
        if self.low is not None and number < self.low:
            return "is negative" if self.low == 0 else f"is below {self.low} {self.units[0]}"
        if self.high is not None and number > self.high:
            return f"is above {self.high} {self.units[0]}, more than is possible"
        return ""


@dataclass(frozen=True, slots=True)
class Component(_Bounded):
    """A part of an observation: words, a number with one unit, a count, free text, or a drain."""

    name: str
    title: str
    kind: Literal["words", "quantity", "integer", "text", "drain"]
    words: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Observable(_Bounded):
    """One observable; `kind` says where its value is: a quantity, a word, or only in its parts.

    `units` is the closed list it accepts, the first being the one it is sent in (a rate is sent in
    the unit its code asks for). `form` is the FHIR resource it is stated as. `derived` ones are
    worked out from readings and are never charted. `component_names` are in the table's order.
    """

    name: str
    title: str
    kind: Kind
    codes: tuple[Coding, ...]
    form: Literal["Observation", "ServiceRequest", "Procedure", "DeviceUseStatement"] = (
        "Observation"
    )
    words: tuple[str, ...] = ()
    components: tuple[Component, ...] = ()
    timing: Timing = "moment"
    derived: bool = False
    component_names: tuple[str, ...] = field(init=False)

    def __post_init__(self) -> None:
        names = tuple(component.name for component in self.components)
        object.__setattr__(self, "component_names", names)

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
_LEAST_WEIGHT, _MOST_WEIGHT = Decimal("0.1"), Decimal(700)  # in kg

_UNIT_NUMBER = Component("unit-number", "Number of the collection unit", "integer")
_LEAK = ("none", "present", "not-tested")
_MODES = ("suction", "water-seal", "clamped", "capped", "bag-or-valve")


def _level(name: str, title: str) -> Component:
    return Component(name, title, "quantity", units=_VOLUME, low=_ZERO, high=_MOST_VOLUME)


def _total(name: str, title: str) -> Component:
    units = ("mL", "cm3")
    return Component(name, title, "quantity", units=units, low=_ZERO, high=10 * _MOST_VOLUME)


def _supply(name: str, title: str) -> Component:
    return Component(name, title, "words", words=("present", "missing"))


def _words(
    name: str, title: str, *words: str, components: tuple[Component, ...] = ()
) -> Observable:
    return Observable(
        name, title, "words", (local(name, title),), words=words, components=components
    )


_TUBE = Component("tube", "The tube that shares the unit", "drain")


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
        timing="interval",
    ),
    Observable(
        "output-total",
        "Fluid drained in a shift or a day",
        "quantity",
        (local("output-total", "Fluid drained in a shift or a day"),),
        units=("mL", "cm3"),
        low=_ZERO,
        high=10 * _MOST_VOLUME,
        components=(
            Component(
                "covered",
                "Share of the time in place that is accounted for",
                "quantity",
                units=("%",),
                low=_ZERO,
                high=Decimal(100),
            ),
            _total("at-least", "At least, where not all of the time is accounted for"),
            _total("at-most", "At most, where an amount may have been charted twice"),
        ),
        timing="interval",
        derived=True,
    ),
    Observable(
        "output-rate",
        "Fluid drained by the hour, a mean",
        "quantity",
        (local("output-rate", "Fluid drained by the hour, a mean"),),
        units=("mL/h", "mL/(8.h)", "mL/(10.h)", "mL/(12.h)", "mL/(24.h)"),
        low=_ZERO,
        components=(
            Component(
                "by-weight",
                "By the kilogram of the patient's weight",
                "quantity",
                units=("mL/kg/h",),
                low=_ZERO,
            ),
            Component(
                "weight",
                "The weight it was worked out with",
                "quantity",
                units=("kg",),
                low=_LEAST_WEIGHT,
                high=_MOST_WEIGHT,
            ),
        ),
        timing="interval",
        derived=True,
    ),
    Observable(
        "instilled",
        "Volume put in through the drain",
        "quantity",
        (local("instilled", "Volume put in through the drain"),),
        units=_VOLUME,
        low=_ZERO,
        high=_MOST_VOLUME,
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
    _words(
        "suction-source",
        "State of the suction source",
        "connected-on",
        "connected-off",
        "disconnected-open",
        "disconnected-closed",
        "not-checked",
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
        "air-leak-flow",
        "Flow of the air leak",
        "quantity",
        (local("air-leak-flow", "Flow of the air leak"),),
        units=("mL/min", "L/min"),
        low=_ZERO,
        high=Decimal(50000),
    ),
    # The suction side of a wet unit: never an air leak.
    _words("suction-bubbling", "Bubbling in the suction chamber", "none", "gentle", "vigorous"),
    _words(
        "swing",
        "Swing of the fluid with breathing",
        "present",
        "reduced",
        "absent",
        "not-assessable",
        "not-expected",
    ),
    Observable(
        "water-seal-level",
        "Height of the water in the seal",
        "quantity",
        (local("water-seal-level", "Height of the water in the seal"),),
        units=("cm", "mm"),
        low=_ZERO,
        high=Decimal(50),
    ),
    Observable(
        "pleural-pressure",
        "Pressure in the pleural space, signed",
        "quantity",
        (PLEURAL_PRESSURE, PLEURAL_PRESSURE_MDC),
        units=_SUCTION,
        low=-2 * _MOST_SUCTION,
        high=2 * _MOST_SUCTION,
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
    _words("flow", "Whether fluid comes", "draining", "slow", "not-draining"),
    Observable(
        "skin-mark",
        "Mark on the tube at the skin",
        "quantity",
        (local("skin-mark", "Mark on the tube at the skin"),),
        units=("cm", "mm"),
        low=_ZERO,
        high=Decimal(100),
    ),
    _words(
        "site",
        "State of the skin where the tube goes in",
        "clean",
        "red",
        "swollen",
        "oozing",
        "leaking",
        components=(
            Component(
                "stitch", "Stitch that holds the tube", "words", words=("in-place", "missing")
            ),
        ),
    ),
    _words("dressing", "State of the dressing", "dry-intact", "damp", "soiled", "loose"),
    _words("dressing-done", "What was done to the dressing", "changed", "reinforced"),
    _words("crepitus", "Air under the skin", "none", "at-site", "beyond-site"),
    _words("connections", "Connections of the tubing", "tight", "loose", "disconnected"),
    _words("tubing", "How the tubing runs", "free", "looped", "kinked"),
    _words("securement", "How the tube is held", "secure", "loose"),
    _words(
        "unit-position",
        "How the collection unit stands",
        "upright-below-chest",
        "above-chest",
        "not-upright",
    ),
    _words(
        "bedside-supplies",
        "What must lie ready at the bedside",
        "complete",
        "incomplete",
        components=(
            _supply("clamps", "Clamps"),
            _supply("occlusive-gauze", "Occlusive gauze"),
            _supply("dry-gauze", "Dry gauze"),
            _supply("tape", "Tape"),
            _supply("sterile-water", "Sterile water"),
            _supply("gloves", "Gloves"),
        ),
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
        components=(
            _level("opening-level", "Level of the first unit when it was opened"),
            Component(
                "size",
                "Size of the tube",
                "quantity",
                units=("[Ch]", "mm"),
                low=Decimal(1),
                high=Decimal(60),
            ),
            Component("indication", "Why it was placed", "text"),
        ),
    ),
    Observable(
        "removed",
        "Removal of the drain",
        "words",
        (local("removed", "Removal of the drain"), DRAIN_REMOVAL),
        form="Procedure",
        words=("planned", "accidental"),
    ),
    Observable(
        "joined",
        "A further tube led into the unit of the drain",
        "parts",
        (local("joined", "A further tube led into the unit of the drain"),),
        form="Procedure",
        components=(_TUBE,),
    ),
    Observable(
        "parted",
        "A tube taken off the unit of the drain",
        "parts",
        (local("parted", "A tube taken off the unit of the drain"),),
        form="Procedure",
        components=(_TUBE,),
    ),
    Observable(
        "round",
        "Readings taken together",
        "parts",
        (local("round", "Readings taken together"),),
        timing="either",
        derived=True,
    ),
)

OBSERVABLES: Mapping[str, Observable] = {observable.name: observable for observable in _TABLE}

# What is charted beside and is no observation of a drain: it helps the arithmetic, and is not sent.
CHARTED_TOTAL = Observable(
    "charted-total",
    "Sum that the source itself charts beside its parts",
    "quantity",
    (),
    units=_VOLUME,
    low=_ZERO,
    high=10 * _MOST_VOLUME,
    timing="interval",
)
PATIENT_WEIGHT = Observable(
    "patient-weight",
    "Weight of the patient",
    "quantity",
    (),
    units=("kg", "g", "[lb_av]"),
    low=_LEAST_WEIGHT,
    high=_MOST_WEIGHT,
)
BESIDE: Mapping[str, Observable] = {o.name: o for o in (CHARTED_TOTAL, PATIENT_WEIGHT)}

# What a site's items can say.
CHARTED: Mapping[str, Observable] = {
    **{name: known for name, known in OBSERVABLES.items() if not known.derived},
    **BESIDE,
}

# The code of an output depends on the space: pericardial drains have their own.
OUTPUT_CODES: Mapping[str, tuple[Coding, ...]] = {
    "pericardial": (OUTPUT_PERICARDIAL, OUTPUT_FROM_DRAIN),
}


@dataclass(frozen=True, slots=True)
class Rate:
    """The unit and LOINC codes of a rate over just so many hours; not every drain has one."""

    unit: str
    chest: Coding
    pericardial: Coding | None


# A rate of another length has our own code, in mL/h. The names were not verified.
RATES: Mapping[int, Rate] = {
    1: Rate("mL/h", Coding(LOINC, "9130-6"), Coding(LOINC, "9169-4")),
    8: Rate("mL/(8.h)", Coding(LOINC, "9131-4"), Coding(LOINC, "9170-2")),
    10: Rate("mL/(10.h)", Coding(LOINC, "9132-2"), None),
    12: Rate("mL/(12.h)", Coding(LOINC, "9133-0"), Coding(LOINC, "9172-8")),
    24: Rate("mL/(24.h)", Coding(LOINC, "9134-8"), Coding(LOINC, "9173-6")),
}


def by_code() -> Mapping[tuple[str, str], Observable]:
    """Return the observable each code of an Observation stands for."""
    found = {
        (coding.system, coding.code): observable
        for observable in OBSERVABLES.values()
        if observable.form == "Observation"
        for coding in observable.codes
    }
    output, rate = OBSERVABLES["output"], OBSERVABLES["output-rate"]
    found |= {(c.system, c.code): output for codes in OUTPUT_CODES.values() for c in codes}
    found[OUTPUT_MDC.system, OUTPUT_MDC.code] = output
    codes = [c for r in RATES.values() for c in (r.chest, r.pericardial) if c is not None]
    return found | {(c.system, c.code): rate for c in codes}


def value_of_parts(name: str, parts: Mapping[str, object]) -> str | None:
    """Return the word that an observation's parts imply, None when they imply none.

    An air leak is none only when none was seen at rest and on cough; what must lie ready is not
    complete when something of it is missing.
    """
    if name == "air-leak":
        seen = {parts.get("at-rest"), parts.get("on-cough")}
        if "present" in seen:
            return "present"
        if seen == {"none"}:
            return "none"
        return "undetermined" if seen != {None} else None
    if name == "bedside-supplies" and "missing" in parts.values():
        return "incomplete"
    return None
