"""Factors against UCUM and NIST, and the worked numbers of bedside practice."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from fhirdrain.vocabulary.units import UNITS, convert

# The Unified Code for Units of Measure, essence 2.2: the defining values.
UCUM_DEFINITIONS = {
    "cm[H2O]": Fraction("9.80665") * 1000 / 100,  # m[H2O] = 9.80665 kPa
    "mm[Hg]": Fraction("133.3220") * 1000 / 1000,  # m[Hg] = 133.3220 kPa
    "mbar": Fraction(100000, 1000),  # bar = 100000 Pa
    "hPa": Fraction(100),
    "kPa": Fraction(1000),
    "Pa": Fraction(1),
}


@pytest.mark.parametrize(("code", "pascal"), UCUM_DEFINITIONS.items())
def test_pressures_have_ucums_factors(code, pascal):
    assert UNITS[code].factor == pascal


# NIST Special Publication 811, appendix B.8: centimeter of water, conventional, and millimeter of
# mercury, conventional, in Pa (7 digits as printed).
@pytest.mark.parametrize(("code", "printed"), [("cm[H2O]", "98.06650"), ("mm[Hg]", "133.3224")])
def test_pressures_agree_with_nist_to_six_digits(code, printed):
    assert abs(UNITS[code].factor - Fraction(printed)) / Fraction(printed) < Fraction(1, 10**5)


def test_ucum_and_nist_differ_in_the_seventh_digit_of_mercury_and_ucum_is_used():
    assert UNITS["mm[Hg]"].factor != Fraction("133.3224")


# Conversion table of bedside pressures, worked by hand from UCUM's factors.
@pytest.mark.parametrize(
    ("water", "kilopascal"),
    [
        ("2", "0.196133"),
        ("5", "0.4903325"),
        ("10", "0.980665"),
        ("15", "1.4709975"),
        ("20", "1.96133"),
        ("25", "2.4516625"),
        ("40", "3.92266"),
    ],
)
def test_water_to_kilopascal(water, kilopascal):
    assert convert(Decimal(water), "cm[H2O]", "kPa", 8) == Decimal(kilopascal)


@pytest.mark.parametrize(
    ("value", "source", "target", "expected"),
    [
        ("10", "cm[H2O]", "mm[Hg]", "7.3556"),
        ("20", "cm[H2O]", "mm[Hg]", "14.711"),
        ("1", "kPa", "cm[H2O]", "10.197"),
        ("20", "mm[Hg]", "cm[H2O]", "27.190"),
        ("80", "mm[Hg]", "cm[H2O]", "108.76"),
    ],
)
def test_pressures_across_units(value, source, target, expected):
    assert convert(Decimal(value), source, target, 5) == Decimal(expected)


def test_rates_per_shift_and_day_are_rates_per_hour():
    # LOINC 9131-4 to 9134-8 in the units of their example: mL/(8.h) ... mL/(24.h); UCUM d = 24 h.
    assert convert(Decimal(240), "mL/(24.h)", "mL/h") == 10
    assert convert(Decimal(50), "mL/(8.h)", "mL/h") == Decimal("6.25")
    assert UNITS["mL/d"].factor == UNITS["mL/(24.h)"].factor


def test_french_gauge_is_a_third_of_a_millimetre():
    assert UNITS["[Ch]"].factor == Fraction(1, 3)
