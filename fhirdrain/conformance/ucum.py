"""UCUM by its grammar: whether a text is a unit. The adaptor of `ucumvert`, for nothing else.

What a unit means and how it converts is `vocabulary.units`' business: the library's factors are
floats, and some differ from UCUM's.
"""

from __future__ import annotations

import re
from functools import cache, lru_cache
from typing import Any

# Of so many characters the parser needs up to 0.2 s; a unit seldom has more than 30.
MOST_CHARACTERS = 500

_ANNOTATION = re.compile(r"\{[^{}]*\}")
# A number takes no exponent (UCUM 2.2, section 7, and its tests), which the library lets pass.
_NUMBER_WITH_EXPONENT = re.compile(r"(?:^|[./(])[0-9]+[+-]")


@cache
def _parser() -> Any:
    # Importing takes 0.1 to 0.7 s, and most runs have no unit that is not known already.
    from ucumvert import get_ucum_parser  # type: ignore[import-untyped]

    return get_ucum_parser()


@lru_cache(maxsize=4096)
def is_ucum(code: str) -> bool | None:
    """Tell whether a code is UCUM (case-sensitive); None: it is too long to be looked at."""
    from lark.exceptions import LarkError

    if len(code) > MOST_CHARACTERS:
        return None
    if _NUMBER_WITH_EXPONENT.search(_ANNOTATION.sub("{}", code)):
        return False
    try:
        _parser().parse(code)
    except LarkError:
        return False
    return True
