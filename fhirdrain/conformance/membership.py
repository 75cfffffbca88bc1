"""The answer to whether a code is in a value set: inside, outside, or undecided and why."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

Json = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Membership:
    """Say whether a code is inside; None: it cannot be decided, and `reason` says why.

    A reason holds no code of the data: that may be a patient's.
    """

    inside: bool | None
    reason: str = ""


INSIDE = Membership(True)
OUTSIDE = Membership(False)


class Undecidable(Exception):
    """A definition cannot be used; the message is the reason."""


def undecided(reason: str) -> Membership:
    """Return that it cannot be decided."""
    return Membership(None, reason)


def any_of(answers: Iterable[Membership]) -> Membership:
    """Return inside if one is, else undecided if one is, else outside."""
    best = OUTSIDE
    for answer in answers:
        if answer.inside:
            return answer
        if best.inside is False and (answer.inside is None or not best.reason):
            best = answer
    return best


def all_of(answers: Iterable[Membership]) -> Membership:
    """Return outside if one is, else undecided if one is, else inside."""
    worst = INSIDE
    for answer in answers:
        if answer.inside is False:
            return answer
        if answer.inside is None and worst.inside:
            worst = answer
    return worst
