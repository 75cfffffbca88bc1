from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest

from fhirdrain.vocabulary.units import (
    ALIASES,
    MISLEADING,
    UNITS,
    UnitError,
    convert,
    rounded,
    unit_of,
)


def test_every_alias_leads_to_a_unit_and_is_none_itself():
    for text, code in ALIASES.items():
        assert code in UNITS
        assert text not in UNITS


@pytest.mark.parametrize(
    "text", ["cc", "mls", "ml", "cmH2O", "cmH20", "mmHg", "mL/24h", "LPM", "Fr"]
)
def test_spellings_met_in_practice_are_known_and_said_to_be_other_spellings(text):
    unit, respelled = unit_of(text)
    assert respelled
    assert unit.code != text


def test_a_code_is_itself():
    assert unit_of(" cm[H2O] ") == (UNITS["cm[H2O]"], False)


@pytest.mark.parametrize("text", ["ML", "mL/24.h"])
def test_valid_ucum_that_misleads_is_refused_with_what_to_write(text):
    assert text in MISLEADING
    with pytest.raises(UnitError, match="refused") as caught:
        unit_of(text)
    assert "write mL" in caught.value.hint


def test_case_is_never_guessed():
    for text in ("Ml", "MLS", "CMH2O", "MMHG"):
        with pytest.raises(UnitError):
            unit_of(text)


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ("Ml", '"mL"'),
        ("mI", '"mL"'),
        ("mmLs", '"mL"'),
        ("floz", "mL, cm3, L"),
        ("litres", "mL, cm3, L"),
    ],
)
def test_an_unknown_unit_names_the_nearest_that_is_accepted(text, hint):
    with pytest.raises(UnitError) as caught:
        unit_of(text, None, ("mL", "cm3", "L"))
    assert hint in caught.value.hint


def test_a_hint_is_never_a_misspelling():
    with pytest.raises(UnitError) as caught:
        unit_of("cmH20x")
    assert '"cm[H2O]"' in caught.value.hint


def test_the_sites_spellings_come_first():
    assert unit_of("strokes", {"strokes": "mL"})[0].code == "mL"


def test_the_same_factor_keeps_the_digits():
    assert str(convert(Decimal("19.00"), "cm3", "mL")) == "19.00"
    assert str(convert(Decimal("19"), "mL", "mL")) == "19"


def test_conversion_rounds_half_even_and_writes_no_exponent():
    assert str(convert(Decimal("0.25"), "L", "mL")) == "250"
    assert str(rounded(Fraction(25, 10), 1)) == "2"
    assert str(rounded(Fraction(35, 10), 1)) == "4"
    assert str(rounded(Fraction(123456789), 3)) == "123000000"


def test_units_of_different_kinds_do_not_convert():
    with pytest.raises(UnitError, match=r"cm\[H2O\] is a pressure and mL a volume"):
        convert(Decimal(1), "cm[H2O]", "mL")
