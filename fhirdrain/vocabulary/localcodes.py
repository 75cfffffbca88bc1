"""Every code of our own CodeSystem with its meaning, gathered from the table of observables."""

from __future__ import annotations

from collections.abc import Mapping

from fhirdrain.vocabulary.codes import LOCAL
from fhirdrain.vocabulary.observables import (
    AS_CHARTED,
    CALCULATED,
    CATEGORY_CODE,
    OBSERVABLES,
    SIDES,
    SPACES,
)


def _gather() -> dict[str, str]:
    codes: dict[str, str] = {}
    for coding in (CATEGORY_CODE, CALCULATED, AS_CHARTED):
        codes[coding.code] = str(coding.display)
    for observable in OBSERVABLES.values():
        for coding in observable.codes:
            if coding.system == LOCAL:
                codes[coding.code] = observable.title
        for component in observable.components:
            codes.setdefault(component.name, component.title)
    for observable in OBSERVABLES.values():
        for word in (*observable.words, *(w for c in observable.components for w in c.words)):
            codes.setdefault(word, word.replace("-", " "))
    for side in SIDES:
        for space in SPACES:
            codes[f"{side}-{space}"] = f"{side} side, {space} space"
    return codes


LOCAL_CODES: Mapping[str, str] = _gather()
