"""Code systems that no package lists: what the form of a code alone says of it.

Some are defined by a grammar, which decides; of the others a form that is broken is outside, and
one that is kept is undecided.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import cache

from fhirdrain.conformance.definitions import Definitions
from fhirdrain.conformance.membership import INSIDE, Membership, undecided
from fhirdrain.conformance.ucum import is_ucum
from fhirdrain.vocabulary.checkdigits import loinc_is_valid, snomed_is_valid
from fhirdrain.vocabulary.codes import LOINC, SNOMED
from fhirdrain.vocabulary.units import UCUM

LANGUAGES = "urn:ietf:bcp:47"
MIME_TYPES = "urn:ietf:bcp:13"
COUNTRIES = "urn:iso:std:iso:3166"
REGIONS = "urn:iso:std:iso:3166:-2"
CURRENCIES = "urn:iso:std:iso:4217"
AREAS = "http://unstats.un.org/unsd/methods/m49/m49.htm"

# RFC 5646 2.1.1, RFC 6838 4.2: case means nothing in these.
CASELESS = frozenset({LANGUAGES, MIME_TYPES})

# RFC 5646, 2.1: the grammar, and the tags that are older than it.
_LANGUAGE = re.compile(
    r"""(?: (?: [a-z]{2,3} (?:-[a-z]{3}){0,3} | [a-z]{4,8} )      # language, extlang
            (?: -[a-z]{4} )? (?: -(?:[a-z]{2}|[0-9]{3}) )?        # script, region
            (?: -(?:[a-z0-9]{5,8}|[0-9][a-z0-9]{3}) )*            # variants
            (?: -[0-9a-wy-z](?:-[a-z0-9]{2,8})+ )*                # extensions
            (?: -x(?:-[a-z0-9]{1,8})+ )?
        | x(?:-[a-z0-9]{1,8})+
        | en-gb-oed | sgn-(?:be-fr|be-nl|ch-de)
        | i-(?:ami|bnn|default|enochian|hak|klingon|lux|mingo|navajo|pwn|tao|tay|tsu)
        )""",
    re.VERBOSE | re.IGNORECASE | re.ASCII,
)
# RFC 6838, 4.2: names; RFC 2045, 5.1: parameters.
_NAME = r"[A-Za-z0-9][A-Za-z0-9!#$&^_.+-]{0,126}"
_TOKEN = r"[A-Za-z0-9!#$%&'*+.^_`{|}~-]+"
_MIME_TYPE = re.compile(
    rf'{_NAME}/{_NAME}(?:\s*;\s*{_TOKEN}=(?:{_TOKEN}|"(?:[^"\\\r\n]|\\.)*"))*', re.ASCII
)
# A SNOMED CT expression (compositional grammar): at least one id, and what an id never has.
_EXPRESSION = re.compile(r"\s*(?:===|<<<)?\s*\(*\s*[1-9][0-9]{5,17}\s*[|+:,{)].*", re.DOTALL)


def by_form(system: str, code: str) -> Membership | None:
    """Return what its form says of a code; None for a system whose codes have no known form."""
    judge = _FORMS.get(system)
    return judge(code) if judge else None


def _broken(what: str) -> Membership:
    return Membership(False, f"it cannot be {what}: its form is another")


def _not_at_hand(what: str) -> Membership:
    return undecided(f"{what} is not at hand, so whether it has the code was not looked up")


def _language(code: str) -> Membership:
    return INSIDE if _LANGUAGE.fullmatch(code) else _broken("a language tag (BCP 47)")


def _mime_type(code: str) -> Membership:
    if code in ("xml", "json", "ttl"):  # R4, CapabilityStatement.format
        return undecided("no MIME type, yet R4 lets a CapabilityStatement name its formats so")
    return INSIDE if _MIME_TYPE.fullmatch(code) else _broken("a MIME type (BCP 13)")


def _unit(code: str) -> Membership:
    valid = is_ucum(code)
    if valid is None:
        return undecided("the unit is too long to be looked at")
    return INSIDE if valid else Membership(False, "it is not UCUM")


def _loinc(code: str) -> Membership:
    # Parts, answers and answer lists (LP, LA, LL) have a check digit of another kind.
    if loinc_is_valid(code) or re.fullmatch(r"L[A-Z][0-9]+-[0-9]", code, re.ASCII):
        return _not_at_hand("LOINC")
    return Membership(False, "it cannot be a LOINC code: its form or check digit is wrong")


def _snomed(code: str) -> Membership:
    if snomed_is_valid(code):
        return _not_at_hand("SNOMED CT")
    if _EXPRESSION.fullmatch(code):
        return undecided("a SNOMED CT expression, which is not looked into here")
    return Membership(False, "it cannot be a SNOMED CT code: its form or check digit is wrong")


@cache
def _countries() -> frozenset[str]:
    found = Definitions().find("ValueSet", "http://hl7.org/fhir/ValueSet/iso3166-1-2") or {}
    return frozenset(c["code"] for part in found["compose"]["include"] for c in part["concept"])


def _country(code: str) -> Membership:
    if code in _countries():
        return INSIDE
    if re.fullmatch(r"[A-Z]{2,3}|[0-9]{3}", code, re.ASCII):
        return undecided("of ISO 3166 only the two-letter codes that R4 lists are at hand")
    return _broken("a country of ISO 3166")


def _listed(what: str, form: str) -> Callable[[str], Membership]:
    pattern = re.compile(form, re.ASCII)

    def judge(code: str) -> Membership:
        return _not_at_hand(what) if pattern.fullmatch(code) else _broken(f"a code of {what}")

    return judge


_FORMS: dict[str, Callable[[str], Membership]] = {
    LANGUAGES: _language,
    MIME_TYPES: _mime_type,
    UCUM: _unit,
    LOINC: _loinc,
    SNOMED: _snomed,
    COUNTRIES: _country,
    REGIONS: _listed("ISO 3166-2", "[A-Z]{2}-[A-Z0-9]{1,3}"),
    CURRENCIES: _listed("ISO 4217", "[A-Z]{3}"),
    AREAS: _listed("M49", "[0-9]{3}"),
}
