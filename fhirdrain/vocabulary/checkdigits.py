"""Check digits of LOINC codes (mod 10) and SNOMED CT identifiers (Verhoeff).

Sources: LOINC Users' Guide, appendix on the mod 10 check digit (the Luhn algorithm);
SNOMED CT release file specification, "Check-digit computation" (Verhoeff, dihedral group D5).
"""

from __future__ import annotations

import re
from functools import lru_cache

_D5 = (
    (0, 1, 2, 3, 4, 5, 6, 7, 8, 9),
    (1, 2, 3, 4, 0, 6, 7, 8, 9, 5),
    (2, 3, 4, 0, 1, 7, 8, 9, 5, 6),
    (3, 4, 0, 1, 2, 8, 9, 5, 6, 7),
    (4, 0, 1, 2, 3, 9, 5, 6, 7, 8),
    (5, 9, 8, 7, 6, 0, 4, 3, 2, 1),
    (6, 5, 9, 8, 7, 1, 0, 4, 3, 2),
    (7, 6, 5, 9, 8, 2, 1, 0, 4, 3),
    (8, 7, 6, 5, 9, 3, 2, 1, 0, 4),
    (9, 8, 7, 6, 5, 4, 3, 2, 1, 0),
)
_STEP = (1, 5, 7, 6, 2, 8, 3, 0, 9, 4)


def _permuted(digit: int, times: int) -> int:
    for _ in range(times % 8):
        digit = _STEP[digit]
    return digit


@lru_cache(maxsize=1024)  # the same few stand in millions of resources
def loinc_is_valid(code: str) -> bool:
    """Tell whether a LOINC code has the form NNNNN-N and its check digit is right."""
    if not re.fullmatch(r"[1-9][0-9]{0,6}-[0-9]", code):
        return False
    body, check = code.split("-")
    total = 0
    for place, character in enumerate(reversed(body)):
        doubled = int(character) * (2 if place % 2 == 0 else 1)
        total += doubled - 9 if doubled > 9 else doubled
    return (10 - total % 10) % 10 == int(check)


@lru_cache(maxsize=1024)
def snomed_is_valid(sctid: str) -> bool:
    """Tell whether a SNOMED CT identifier has 6 to 18 digits and a right check digit."""
    if not re.fullmatch(r"[1-9][0-9]{5,17}", sctid):
        return False
    check = 0
    for place, character in enumerate(reversed(sctid)):
        check = _D5[check][_permuted(int(character), place)]
    return check == 0
