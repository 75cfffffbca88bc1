"""The units a drain is charted in: UCUM codes, exact factors, and the spellings met in their place.

The factors are UCUM's own (essence 2.2): m[H2O] is 9.80665 kPa, m[Hg] is 133.3220 kPa, bar is
100000 Pa, L is dm3, [lb_av] is 0.45359237 kg. Arithmetic is in fractions, so nothing is rounded
before the end.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Context, Decimal
from fractions import Fraction

__all__ = [
    "ALIASES",
    "MISLEADING",
    "UCUM",
    "UNITS",
    "Unit",
    "UnitError",
    "convert",
    "rounded",
    "significant",
    "unit_of",
]

UCUM = "http://unitsofmeasure.org"


@dataclass(frozen=True, slots=True)
class Unit:
    """A UCUM code with its kind of quantity and its factor to that kind's base unit."""

    code: str
    kind: str
    factor: Fraction


class UnitError(ValueError):
    """A unit cannot be used; the message says why and `hint` what to write instead.

    `misleading` tells valid UCUM that says something else from what is not known at all.
    """

    def __init__(self, message: str, hint: str = "", *, misleading: bool = False) -> None:
        super().__init__(message)
        self.hint = hint
        self.misleading = misleading


def _unit(code: str, kind: str, factor: str) -> tuple[str, Unit]:
    return code, Unit(code, kind, Fraction(factor))


UNITS: Mapping[str, Unit] = dict(
    (
        # volume, base mL
        _unit("mL", "volume", "1"),
        _unit("cm3", "volume", "1"),
        _unit("L", "volume", "1000"),
        _unit("dL", "volume", "100"),
        _unit("cL", "volume", "10"),
        _unit("uL", "volume", "1/1000"),
        # rate, base mL/h
        _unit("mL/h", "rate", "1"),
        _unit("mL/(8.h)", "rate", "1/8"),
        _unit("mL/(10.h)", "rate", "1/10"),
        _unit("mL/(12.h)", "rate", "1/12"),
        _unit("mL/(24.h)", "rate", "1/24"),
        _unit("mL/d", "rate", "1/24"),
        # air flow, base mL/min
        _unit("mL/min", "air flow", "1"),
        _unit("L/min", "air flow", "1000"),
        # pressure, base Pa
        _unit("cm[H2O]", "pressure", "98.0665"),
        _unit("kPa", "pressure", "1000"),
        _unit("hPa", "pressure", "100"),
        _unit("Pa", "pressure", "1"),
        _unit("mbar", "pressure", "100"),
        _unit("mm[Hg]", "pressure", "133.322"),
        _unit("m[H2O]", "pressure", "9806.65"),
        _unit("mm[H2O]", "pressure", "9.80665"),
        _unit("bar", "pressure", "100000"),
        _unit("MPa", "pressure", "1000000"),
        # length, base mm
        _unit("cm", "length", "10"),
        _unit("mm", "length", "1"),
        _unit("[Ch]", "length", "1/3"),
        # weight of a patient, base kg, and what is said by the kilogram of it
        _unit("kg", "weight", "1"),
        _unit("g", "weight", "1/1000"),
        _unit("[lb_av]", "weight", "0.45359237"),
        _unit("mL/kg", "volume by weight", "1"),
        _unit("mL/kg/h", "rate by weight", "1"),
        # share, base 1
        _unit("%", "share", "1/100"),
    )
)

# Spellings that are met where a UCUM code belongs. Every use is reported to whoever runs the map.
ALIASES: Mapping[str, str] = {
    "ml": "mL",
    "mls": "mL",
    "mLs": "mL",
    "cc": "mL",
    "ccm": "mL",
    "cm^3": "cm3",
    "l": "L",
    "ml/h": "mL/h",
    "mL/hr": "mL/h",
    "ml/hr": "mL/h",
    "cc/h": "mL/h",
    "cc/hr": "mL/h",
    "mL/8h": "mL/(8.h)",
    "mL/10h": "mL/(10.h)",
    "mL/12h": "mL/(12.h)",
    "mL/24h": "mL/(24.h)",
    "ml/24h": "mL/(24.h)",
    "ml/min": "mL/min",
    "LPM": "L/min",
    "l/min": "L/min",
    "cmH2O": "cm[H2O]",
    "cmH20": "cm[H2O]",  # a zero was typed for the letter O
    "cm H2O": "cm[H2O]",
    "cm H20": "cm[H2O]",
    "cmh2o": "cm[H2O]",
    "mmHg": "mm[Hg]",
    "mm Hg": "mm[Hg]",
    "mBar": "mbar",
    "KPa": "kPa",
    "Fr": "[Ch]",
    "Ch": "[Ch]",
}

# Valid UCUM that says something else than its writer meant; a grammar check lets them pass.
MISLEADING: Mapping[str, tuple[str, str]] = {
    "ML": ("is a megalitre in UCUM", "write mL"),
    "mL/24.h": ("is read by UCUM as (mL/24).h, a volume times a time", "write mL/(24.h) or mL/d"),
    "mL/12.h": ("is read by UCUM as (mL/12).h, a volume times a time", "write mL/(12.h)"),
    "mL/10.h": ("is read by UCUM as (mL/10).h, a volume times a time", "write mL/(10.h)"),
    "mL/8.h": ("is read by UCUM as (mL/8).h, a volume times a time", "write mL/(8.h)"),
}


def unit_of(
    text: str,
    site_aliases: Mapping[str, str] | None = None,
    accepted: Sequence[str] = (),
) -> tuple[Unit, bool]:
    """Return the unit a text means, and whether the text was another spelling than the code.

    `site_aliases` are the spellings of one site; they come before the built-in ones. `accepted`
    are the units among which a hint looks for the nearest.
    Raises `UnitError` for what is unknown and for valid UCUM that misleads.
    """
    text = text.strip()
    if text in UNITS:
        return UNITS[text], False
    if text in MISLEADING:
        why, hint = MISLEADING[text]
        raise UnitError(f'the unit "{text}" {why}: refused', hint, misleading=True)
    code = (site_aliases or {}).get(text) or ALIASES.get(text)
    if code is not None:
        return UNITS[code], True
    codes = {code.lower(): code for code in accepted or UNITS}
    spelt = {t.lower(): c for t, c in ALIASES.items() if c in codes.values()} | codes
    nearest = difflib.get_close_matches(text.lower(), spelt, n=1, cutoff=0.5)
    if nearest:
        hint = f'is "{spelt[nearest[0]]}" meant'
    else:
        hint = f"known here: {', '.join(codes.values())}"
    raise UnitError(
        f'the unit "{text}" is not known', f"{hint}. A site file can add spellings under [units]"
    )


def rounded(value: Fraction, significant: int) -> Decimal:
    """Return the value rounded half-even to so many significant digits, exact where it fits."""
    context = Context(prec=significant, rounding=ROUND_HALF_EVEN)
    result = context.divide(Decimal(value.numerator), Decimal(value.denominator))
    # 2.5E+2 is the same number as 250 but not what anybody would chart.
    return Decimal(int(result)) if result == result.to_integral_value() else result


def significant(value: Decimal, digits: int) -> Decimal:
    """Return a number rounded to so many significant digits; one that has no more is untouched."""
    if len(value.as_tuple().digits) <= digits:
        return value
    return rounded(Fraction(value), digits)


def convert(value: Decimal, source: str, target: str, significant: int = 6) -> Decimal:
    """Return a value in another unit of the same kind, rounded once, half-even.

    The same unit, or one with the same factor, gives the digits back untouched.
    Raises `UnitError` when the units are of different kinds.
    """
    one, other = UNITS[source], UNITS[target]
    if one.kind != other.kind:
        raise UnitError(f"{source} is a {one.kind} and {target} a {other.kind}")
    if one.factor == other.factor:
        return value
    return rounded(Fraction(value) * one.factor / other.factor, significant)
