"""The nearest codes of others for codes of ours, and how near they are.

The ConceptMaps are made of this table. A word such as `present` has another meaning in another
value set, so each map is of one value set. What is near and is not sent beside our code stands
here too: a receiver may want it, and the comment says what is lost. Codes of ours that are in no
map were not looked for.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from fhirdrain.vocabulary.codes import (
    BODY_SITES,
    DRAIN_INSERTION,
    DRAIN_REMOVAL,
    LOINC,
    OUTPUT,
    OUTPUT_FROM_DRAIN,
    OUTPUT_PERICARDIAL,
    SNOMED,
    SUCTION_DRAINAGE,
    Coding,
)
from fhirdrain.vocabulary.observables import RATES, WORD_CODINGS

__all__ = ["MAPS", "Map", "Near"]

# R4, ConceptMapEquivalence: what the target is, seen from the source.
Equivalence = Literal[
    "equivalent", "wider", "narrower", "inexact", "relatedto", "disjoint", "unmatched"
]


@dataclass(frozen=True, slots=True)
class Near:
    """A code of ours, the code of others it is near to (None: there is none), and how near.

    All but `equivalent` says in words what the difference is (R4 asks for it where the target is
    narrower or inexact: cmd-1).
    """

    ours: str
    equivalence: Equivalence
    theirs: Coding | None = None
    comment: str = ""


@dataclass(frozen=True, slots=True)
class Map:
    """A map from the codes of ours in one value set to one code system of others."""

    name: str
    title: str
    value_set: str
    system: str
    near: tuple[Near, ...]


def _rates() -> Iterator[Near]:
    for hours, rate in RATES.items():
        for coding, drain in ((rate.chest, "chest"), (rate.pericardial, "pericardial")):
            if coding is not None:
                comment = f"Only over exactly {hours} h, in {rate.unit}, of a {drain} drain."
                yield Near("output-rate", "narrower", coding, comment)


def _sites() -> Iterator[Near]:
    for (side, space), coding in BODY_SITES.items():
        ours = f"{side}-{space}"
        if side == "midline":
            yield Near(ours, "wider", coding, "It says nothing of the side.")
        else:
            yield Near(ours, "equivalent", coding)


# Looked for in the tables of LOINC 2.67 and 2.68, and by unit in one of 2025.
_NOT_IN_LOINC = "No term was found in LOINC 2.67 and 2.68."

MAPS = (
    Map(
        "codes-to-loinc",
        "Chest drain codes and their nearest in LOINC",
        "drain",
        LOINC,
        (
            Near(
                "level",
                "disjoint",
                OUTPUT,
                "A height that rises until the unit is changed: sent as an amount it would be"
                " counted again with every reading.",
            ),
            Near(
                "output-total",
                "inexact",
                OUTPUT,
                "Of any interval, not of a shift or a day alone, and not of a pericardial drain;"
                " the shift or day then stands in the effectivePeriod only.",
            ),
            Near(
                "output-total",
                "inexact",
                OUTPUT_PERICARDIAL,
                "Of any interval, not of a shift or a day alone, and of a pericardial drain only.",
            ),
            *_rates(),
            Near(
                "drain-site",
                "relatedto",
                Coding(LOINC, "8931-8", "Chest tube site"),
                "Its name alone was seen; whether it means where the tube lies was not.",
            ),
            *(
                Near(code, "unmatched", comment=_NOT_IN_LOINC)
                for code in (
                    "suction-set",
                    "mode",
                    "air-leak",
                    "air-leak-flow",
                    "suction-bubbling",
                    "swing",
                    "water-seal-level",
                    "round",
                )
            ),
        ),
    ),
    Map(
        "codes-to-snomed",
        "Chest drain codes and their nearest in SNOMED CT",
        "drain",
        SNOMED,
        (
            Near(
                "output-total",
                "wider",
                OUTPUT_FROM_DRAIN,
                "Of any drain and any interval.",
            ),
            Near(
                "air-leak",
                "inexact",
                Coding(SNOMED, "38785003", "Air leakage"),
                "A morphology, of any air that leaks: a weak fit, for reading and not for sending.",
            ),
            Near(
                "suction-set",
                "inexact",
                Coding(SNOMED, "258118009", "Suction drainage measurement"),
                "A measurement, and ours is what is set: a weak fit, for reading and not for"
                " sending.",
            ),
            Near(
                "placed",
                "narrower",
                DRAIN_INSERTION,
                "Of a drain in the pleural space only; it is sent beside ours for those.",
            ),
            Near(
                "removed",
                "narrower",
                DRAIN_REMOVAL,
                "Of a drain between the ribs that was taken out; ours may have come out.",
            ),
        ),
    ),
    Map(
        "swing-to-snomed",
        "Swing and its nearest in SNOMED CT",
        "swing",
        SNOMED,
        (
            Near(
                "present",
                "wider",
                WORD_CODINGS["swing", "present"],
                "It does not say how much; it is sent beside ours for this word.",
            ),
            Near(
                "reduced",
                "wider",
                WORD_CODINGS["swing", "present"],
                "It does not say how much: that the swing is less would be lost.",
            ),
        ),
    ),
    Map(
        "appearance-to-snomed",
        "Appearance of the fluid and its nearest in SNOMED CT",
        "appearance",
        SNOMED,
        (
            Near("serous", "equivalent", WORD_CODINGS["appearance", "serous"]),
            Near(
                "bloody",
                "inexact",
                WORD_CODINGS["appearance", "bloody"],
                "It says that there was bleeding; ours says what the fluid looks like.",
            ),
            Near(
                "purulent",
                "inexact",
                WORD_CODINGS["appearance", "purulent"],
                "A morphologic abnormality; ours says what the fluid looks like.",
            ),
            Near(
                "milky",
                "inexact",
                Coding(SNOMED, "18368008", "Chyle"),
                "A substance; what looks milky need not be chyle. Not sent.",
            ),
        ),
    ),
    Map(
        "mode-to-snomed",
        "How a drain is run and its nearest in SNOMED CT",
        "mode",
        SNOMED,
        (
            Near(
                "suction",
                "inexact",
                SUCTION_DRAINAGE,
                "The procedure, of any drain; ours is the state a chest drain was found in.",
            ),
            Near(
                "clamped",
                "inexact",
                Coding(SNOMED, "40148000", "Clamping of thoracic drain"),
                "The act of clamping; ours is the state a chest drain was found in.",
            ),
        ),
    ),
    Map(
        "drain-site-to-snomed",
        "Side and space of a drain and their nearest in SNOMED CT",
        "drain-site",
        SNOMED,
        tuple(_sites()),
    ),
)
