"""Check digits against published worked examples, and of every code that is sent."""

from __future__ import annotations

import pytest

from fhirdrain.vocabulary import codes
from fhirdrain.vocabulary.checkdigits import loinc_is_valid, snomed_is_valid
from fhirdrain.vocabulary.codes import LOINC, MDC, SNOMED, Coding
from fhirdrain.vocabulary.maps import MAPS
from fhirdrain.vocabulary.observables import OBSERVABLES, OUTPUT_CODES, RATES, WORD_CODINGS


def named() -> list[Coding]:
    """Return the codes of others that are sent, or that a concept map leads to."""
    found = [value for value in vars(codes).values() if isinstance(value, Coding)]
    found += codes.BODY_SITES.values()
    found += [c for o in OBSERVABLES.values() for c in o.codes]
    found += [c for group in OUTPUT_CODES.values() for c in group]
    found += [c for rate in RATES.values() for c in (rate.chest, rate.pericardial) if c]
    found += [near.theirs for table in MAPS for near in table.near if near.theirs]
    return [*found, *WORD_CODINGS.values()]


@pytest.mark.parametrize("coding", sorted(set(named()), key=lambda c: (c.system, c.code)), ids=str)
def test_every_code_named_has_a_right_check_digit(coding):
    if coding.system == LOINC:
        assert loinc_is_valid(coding.code)
    elif coding.system == SNOMED:
        assert snomed_is_valid(coding.code)
    elif coding.system == MDC:
        # ISO/IEEE 11073-10101: context-free codes are partition * 65536 + term code.
        assert 0 < int(coding.code) >> 16 < 256
    else:
        assert coding.system.startswith("http")


# LOINC Users' Guide, mod 10 check digit: 12345 gives 5 (from memory). The others are codes of
# LOINC's own FHIR examples (body weight, heart rate, glucose).
@pytest.mark.parametrize("code", ["12345-5", "29463-7", "8867-4", "15074-8"])
def test_loinc_codes_with_right_digits(code):
    assert loinc_is_valid(code)


@pytest.mark.parametrize("code", ["12345-6", "9129-9", "9129", "09129-8", "9129-8 ", ""])
def test_loinc_codes_with_wrong_digits_or_form(code):
    assert not loinc_is_valid(code)


# SNOMED CT release file specification, "Check-digit computation": 73211009 (diabetes mellitus)
# and 22298006 (myocardial infarction) are its terms (from memory); a swapped pair must not pass.
@pytest.mark.parametrize("sctid", ["73211009", "22298006", "138875005"])
def test_snomed_ids_with_right_digits(sctid):
    assert snomed_is_valid(sctid)


@pytest.mark.parametrize("sctid", ["73211090", "37211009", "22298005", "12345", "0732110090"])
def test_snomed_ids_with_wrong_digits_or_form(sctid):
    assert not snomed_is_valid(sctid)


def test_every_single_digit_slip_is_caught():
    good = "251843005"
    for place in range(len(good)):
        for digit in "0123456789":
            slipped = good[:place] + digit + good[place + 1 :]
            assert snomed_is_valid(slipped) == (slipped == good)
