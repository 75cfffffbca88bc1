"""What is right and wrong in a survey, and what to write instead.

A verdict is of a code with a unit, a word, a profile, a name, or of the values. What cannot be
judged says so.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from fhirdrain.conformance.ucum import is_ucum
from fhirdrain.survey.survey import Seen, Survey, Tally, Unit, Values
from fhirdrain.vocabulary.checkdigits import loinc_is_valid, snomed_is_valid
from fhirdrain.vocabulary.codes import (
    BASE,
    LOCAL,
    LOINC,
    MDC,
    OUTPUT,
    OUTPUT_FROM_DRAIN,
    OUTPUT_PERICARDIAL,
    PLEURAL_PRESSURE,
    SNOMED,
)
from fhirdrain.vocabulary.maps import MAPS
from fhirdrain.vocabulary.observables import (
    AS_CHARTED,
    CHARTED,
    OBSERVABLES,
    RATES,
    WORD_CODINGS,
    Component,
    Observable,
    by_code,
)
from fhirdrain.vocabulary.units import (
    ALIASES,
    MISLEADING,
    UCUM,
    UNITS,
    UnitError,
    convert,
    unit_of,
)
from fhirdrain.vocabulary.v2tables import MDC_UNITS

__all__ = ["VERDICTS", "Row", "Verdict", "judged"]

Verdict = Literal[
    "right",
    "not preferred",
    "spelling",
    "wrong kind",
    "disagrees",
    "no unit",
    "unknown unit",
    "check digit",
    "not a chest drain's",
    "other name",
    "like levels",
    "like amounts",
    "size",
    "unknown word",
    "unknown profile",
    "not judged",
]
VERDICTS: dict[Verdict, str] = {
    "right": "the unit or word that is sent for this code",
    "not preferred": "right, and not what is preferred",
    "spelling": "not UCUM; the UCUM code is known",
    "wrong kind": "valid UCUM that is not of this code, or says something else than was meant",
    "disagrees": "the unit's text says something else than its code",
    "no unit": "a number without a unit",
    "unknown unit": "neither UCUM nor a spelling that is known",
    "check digit": "no code of its system: the check digit is wrong",
    "not a chest drain's": "a code of something else",
    "other name": "the name beside the code is not the code's",
    "like levels": "under a code of amounts, and rising like levels of a chamber",
    "like amounts": "under a code of levels, and rising and falling like amounts",
    "size": "so large or so small that another unit may be meant",
    "unknown word": "a word that has no meaning here yet",
    "unknown profile": "a profile that is not ours",
    "not judged": "nothing is known of it",
}
# What somebody has to look at.
FAULTS = frozenset(VERDICTS) - {"right", "not preferred", "not judged", "unknown profile"}

_BY_CODE = by_code()
_RATE_UNITS = {
    (coding.system, coding.code): (rate.unit, "mL/d") if hours == 24 else (rate.unit,)
    for hours, rate in RATES.items()
    for coding in (rate.chest, rate.pericardial)
    if coding is not None
}
# LOINC and SNOMED CT: what drains are often mapped to by mistake (facts of the code systems).
_NOT_DRAINS = {
    (LOINC, "9187-6"): "urine output",
    (LOINC, "9257-7"): "the total of all outputs, not of one drain",
    (LOINC, "9203-1"): "a wound drain's output",
    (SNOMED, "251844004"): "a surgical drain's output",
    (SNOMED, "251845003"): "a wound drain's output",
    (MDC, "26668"): "the partition-relative form of 157740",
}
_NAMES = {
    (coding.system, coding.code): coding.display
    for coding in (
        OUTPUT,
        OUTPUT_PERICARDIAL,
        OUTPUT_FROM_DRAIN,
        PLEURAL_PRESSURE,
        *(code for observable in OBSERVABLES.values() for code in observable.codes),
    )
    if coding.display is not None
}
_PARTS = {(LOCAL, part.name): part for o in OBSERVABLES.values() for part in o.components}
Known = Observable | Component

_SITE_SAYS = "the site file says what it means"
_NO_MEANING = "what the code means is not known here"
_LEAST_STEPS = 6  # of a series, before rising and falling say anything
_LEAST_SERIES_SHARE = 0.5


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a survey.

    `of` says what the verdict is of, `what` the unit, word, profile or name as it was met; `write`
    is what to write instead, where that is known, and `why` says more.
    """

    system: str
    code: str
    observable: str
    of: Literal["code", "unit", "word", "profile", "name", "values"]
    what: str
    count: int
    first: str
    last: str
    verdict: Verdict
    write: str = ""
    why: str = ""


def judged(survey: Survey, *, rare: int = 3) -> list[Row]:
    """Return a survey's lines, code by code; texts met less than `rare` times are only counted."""
    rows: list[Row] = []
    for (system, code), tally in sorted(survey.tallies.items()):
        rows += _of_code(system, code, tally, survey.meanings.get(code, ""), rare)
    return rows


def _of_code(system: str, code: str, tally: Tally, meaning: str, rare: int) -> Iterator[Row]:
    observable: Known | None = CHARTED.get(meaning) or _BY_CODE.get((system, code))
    observable = observable or _PARTS.get((system, code))
    name = meaning or (observable.name if observable is not None else "")

    def row(
        of: Literal["code", "unit", "word", "profile", "name", "values"],
        what: str,
        seen: Seen,
        verdict: Verdict,
        write: str = "",
        why: str = "",
    ) -> Row:
        return Row(
            system, code, name, of, what, seen.count, seen.first, seen.last, verdict, write, why
        )

    found = _code_verdict(system, code)
    if found is not None:
        yield row("code", code, tally.seen, *found)
    right = _NAMES.get((system, code))
    for text, count in sorted(tally.names.items()):
        if right is not None and text.casefold() != right.casefold():
            seen = Seen(count, "", "")
            yield row("name", text, seen, "other name", right)
    for unit, seen in sorted(tally.units.items()):
        verdict, write, why = _unit_verdict(system, code, unit, observable)
        yield row("unit", _shown(unit), seen, verdict, write, why)
        size = _size(unit, tally.values[unit], observable)
        if size is not None:
            yield row("values", _shown(unit), seen, "size", *size)
    series = _series(tally, observable)
    if series is not None:
        yield row("values", "", tally.seen, *series)
    hidden = tally.rarer
    for (word_system, word), seen in sorted(tally.words.items()):
        if not word_system and seen.count < rare:
            hidden += seen.count
            continue
        verdict, write, why = _word_verdict(word_system, word, observable)
        yield row(
            "word", f"{word_system}|{word}" if word_system else word, seen, verdict, write, why
        )
    if hidden:
        yield row("word", "", Seen(hidden), "not judged", "", "texts that are rare, and not shown")
    for profile, seen in sorted(tally.profiles.items()):
        known = observable is not None and profile.endswith(f"/StructureDefinition/{name}")
        ours = profile.startswith(f"{BASE}/")
        if known:
            why = "" if ours else "ours, under another base"
            yield row("profile", profile, seen, "right" if ours else "not preferred", "", why)
        else:
            yield row("profile", profile, seen, "unknown profile")


def _code_verdict(system: str, code: str) -> tuple[Verdict, str, str] | None:
    if system == LOINC and not loinc_is_valid(code):
        return "check digit", "", "LOINC's check digit is mod 10"
    if system == SNOMED and not snomed_is_valid(code):
        return "check digit", "", "SNOMED CT's check digit is Verhoeff's"
    if (system, code) in _NOT_DRAINS:
        write = "157740" if system == MDC else ""
        return "not a chest drain's", write, _NOT_DRAINS[system, code]
    if (system, code) not in _BY_CODE and (near := _near("drain", system, code)):
        return "not judged", "", near
    known = (system, code) in _BY_CODE or (system, code) in _PARTS or code == AS_CHARTED.code
    if system == LOCAL and not known:
        return "not a chest drain's", "", "no code of our system"
    return None


def _shown(unit: Unit) -> str:
    """Return a unit as it was met: its code, and its text where that is another."""
    _, code, text = unit
    return " / ".join(dict.fromkeys(part for part in (code, text) if part)) or "(none)"


def _unit_verdict(
    system: str, code: str, unit: Unit, observable: Known | None
) -> tuple[Verdict, str, str]:
    unit_system, unit_code, text = unit
    if unit_system == MDC:
        unit_code = MDC_UNITS.get(unit_code, unit_code)
    written = unit_code or text
    if not written:
        wanted = _accepted(system, code, observable)
        if not wanted:
            return "not judged", "", _NO_MEANING
        return "no unit", wanted[0] if len(wanted) == 1 else "", ""
    if unit_code and text and _disagree(text, unit_code):
        return "disagrees", "", f"{text} beside {unit_code}"
    if written in MISLEADING:
        why, hint = MISLEADING[written]
        return "wrong kind", hint.removeprefix("write ").split(" or ")[0], why
    accepted = _accepted(system, code, observable)
    if written in UNITS:
        if not accepted:
            return "not judged", "", _NO_MEANING
        if written not in accepted:
            kind = UNITS[written].kind
            return "wrong kind", "", f"a {kind}, and the code takes {', '.join(accepted)}"
        if written != accepted[0]:
            return "not preferred", accepted[0], ""
        if unit_code and unit_system not in ("", UCUM, MDC):
            return "not preferred", accepted[0], f"with the system {UCUM}"
        return "right", "", ""
    if written in ALIASES:
        means = ALIASES[written]
        fits = not accepted or means in accepted
        why = "" if fits else f"and the code takes {', '.join(accepted)}"
        # `ml` is UCUM: of one unit, litre, it has two letters.
        if fits and written in ("ml", "l", "ml/h", "ml/min", "l/min"):
            return "not preferred", means, "UCUM has both letters for litre"
        return "spelling" if fits else "wrong kind", means, why
    if is_ucum(written):
        if accepted:
            return "wrong kind", "", f"valid UCUM, and the code takes {', '.join(accepted)}"
        return "not judged", "", _NO_MEANING
    try:
        unit_of(written, None, accepted)
    except UnitError as error:
        return "unknown unit", "", error.hint.partition(". ")[0]
    return "unknown unit", "", ""


def _accepted(system: str, code: str, observable: Known | None) -> tuple[str, ...]:
    if (system, code) in _RATE_UNITS:
        return _RATE_UNITS[system, code]
    return observable.units if observable is not None else ()


def _disagree(text: str, code: str) -> bool:
    try:
        said, _ = unit_of(text)
    except UnitError as error:
        return error.misleading and text != code
    known = UNITS.get(ALIASES.get(code, code))
    return known is not None and (said.kind, said.factor) != (known.kind, known.factor)


def _size(unit: Unit, values: Values, observable: Known | None) -> tuple[str, str] | None:
    """Return which unit the size of values speaks for, and why; None where it is usual."""
    if observable is None or not observable.units or values.high is None or values.low is None:
        return None
    written = unit[1] or unit[2]
    code = written if written in UNITS else ALIASES.get(written, "")
    if code not in observable.units:
        return None
    middle = values.middle
    beyond = observable.beyond(values.high, code) or observable.beyond(values.low, code)
    if beyond:
        others = [
            other
            for other in observable.units
            if other != code and not observable.beyond(values.high, other) and values.low >= 0
        ]
        why = f"up to {values.high} {code}" if values.low >= 0 else f"down to {values.low} {code}"
        return (others[0] if others else ""), f"{why}, which {beyond}"
    if middle is None:
        return None
    if observable.units[0] == "mL" and UNITS[code].factor == 1:
        # An infant's drain gives little too; so much less than a mL, and never a whole one, not.
        if middle < 2 and values.whole - values.zero < values.count / 10:
            return "L", f"about {middle:.1f} {code} and seldom a whole number: litres?"
    elif code == "L" and middle > 20:
        return "mL", f"about {middle:.0f} L: mL?"
    if observable.name.startswith("suction") and code == "cm[H2O]" and middle < 4:
        converted = convert(Decimal(str(round(middle, 1))), "kPa", code)
        return "kPa", f"about {middle:.1f} {code}; in kPa it would be {converted} {code}"
    return None


def _series(tally: Tally, observable: Known | None) -> tuple[Verdict, str, str] | None:
    """Return whether series under a code of amounts rise like levels, or the other way round."""
    if observable is None or observable.name not in ("output", "level"):
        return None
    long = [s for s in tally.series.values() if s.rose + s.fell >= _LEAST_STEPS]
    if not long:
        return None
    # A level falls only when the unit is changed; amounts fall about as often as they rise.
    like_levels = sum(s.fell <= (s.rose + s.fell) * 0.15 for s in long)
    like_amounts = sum(s.fell >= (s.rose + s.fell) * 0.3 for s in long)
    if observable.name == "output" and like_levels > len(long) * _LEAST_SERIES_SHARE:
        why = f"{like_levels} of {len(long)} series: whoever adds them up counts them twice"
        return "like levels", f"{LOCAL}|level", why
    if observable.name == "level" and like_amounts > len(long) * _LEAST_SERIES_SHARE:
        return "like amounts", f"{LOINC}|9129-8", f"{like_amounts} of {len(long)} series"
    return None


def _near(value_set: str, system: str, code: str) -> str:
    """Return which code of ours another's is near to, by our ConceptMaps; empty where none is."""
    for known in MAPS:
        for near in known.near if known.value_set == value_set else ():
            theirs = near.theirs
            if theirs is not None and (theirs.system, theirs.code) == (system, code):
                # What the target is, seen from ours: R4's ConceptMapEquivalence.
                return f"{near.equivalence} to our {near.ours}: {near.comment}"
    return ""


def _word_verdict(system: str, word: str, observable: Known | None) -> tuple[Verdict, str, str]:
    if observable is None:
        return "not judged", "", _NO_MEANING
    if system == LOCAL:
        return ("right" if word in observable.words else "unknown word"), "", ""
    for (name, ours), coding in WORD_CODINGS.items():
        if name == observable.name and (coding.system, coding.code) == (system, word):
            return "not preferred", f"{LOCAL}|{ours}", ""
    if system == SNOMED and not snomed_is_valid(word):
        return "check digit", "", "SNOMED CT's check digit is Verhoeff's"
    if not system and word in observable.words:
        return "not preferred", f"{LOCAL}|{word}", "a text where a code belongs"
    return "unknown word", "", _near(observable.name, system, word) or _SITE_SAYS
