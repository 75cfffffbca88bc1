"""Sums that a site charts beside their parts: held against the ledger, never entered in it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from fhirdrain.bedside.findings import Finding
from fhirdrain.bedside.ledger import Ledger
from fhirdrain.bedside.reading import Reading
from fhirdrain.bedside.settings import Settings
from fhirdrain.bedside.totals import total
from fhirdrain.bedside.windows import Window
from fhirdrain.vocabulary.observables import CHARTED_TOTAL

__all__ = ["SumCheck", "check_sums", "sums_in"]

Verdict = Literal["agrees with", "differs from", "cannot be compared with"]


@dataclass(frozen=True, slots=True)
class SumCheck:
    """A charted sum, what is known of its time, and how the two go together.

    `why` says in words what differs, or what keeps them from being compared.
    """

    charted: Reading
    verdict: Verdict
    why: str = ""

    def finding(self) -> Finding | None:
        """Return what a person should look at; None where the two agree."""
        if self.verdict == "agrees with":
            return None
        kind = "sum-differs" if self.verdict == "differs from" else "sum-not-compared"
        one = self.charted
        message = f"{one.amount} {one.unit} charted as a sum {self.verdict} its parts: {self.why}"
        return Finding(kind, one.drain, one.episode, one.time, message, (one,))


def sums_in(readings: Iterable[Reading]) -> list[Reading]:
    """Return the charted sums among readings that stand and say a number."""
    return [r for r in readings if r.observable == CHARTED_TOTAL.name and r.amount is not None]


def check_sums(
    sums: Iterable[Reading],
    ledger: Ledger | None,
    settings: Settings,
    *,
    now: datetime,
    doubles: Iterable[Sequence[Reading]] = (),
) -> list[SumCheck]:
    """Hold one drain's charted sums against what its ledger knows of the time they are over.

    `doubles` are groups of amounts that may be one, as in `totals`. A sum outside of
    what is known for sure differs; one that unknown time could make up for is not compared.
    """
    doubles = list(doubles)
    return [_check(reading, ledger, settings, now, doubles) for reading in sums]


def _check(
    charted: Reading,
    ledger: Ledger | None,
    settings: Settings,
    now: datetime,
    doubles: Iterable[Sequence[Reading]],
) -> SumCheck:
    value = charted.amount
    assert value is not None
    if charted.start is None:
        why = f"no start is stated, and no shift or day that it may be of ends {_at(charted.time)}"
        return SumCheck(charted, "cannot be compared with", why)
    if ledger is None:
        return SumCheck(charted, "cannot be compared with", "nothing else is charted of this drain")
    window = Window(charted.start, charted.time)
    known = total(ledger, window, settings, now=max(now, window.end), doubles=doubles)
    since = f"from {_at(window.start)}"
    if known.value == value:
        return SumCheck(charted, "agrees with")
    if any(o.end > window.end or (o.start and o.start < window.start) for o in known.outputs):
        why = "an amount reaches across its start or its end"
        return SumCheck(charted, "cannot be compared with", why)
    if known.value is not None:
        return SumCheck(charted, "differs from", f"{known.value} mL {since}")
    if known.at_least is not None and value < known.at_least:
        return SumCheck(charted, "differs from", f"at least {known.at_least} mL {since}")
    if known.at_most is not None and value > known.at_most:
        return SumCheck(charted, "differs from", f"at most {known.at_most} mL {since}")
    return SumCheck(charted, "cannot be compared with", f"not all of the time {since} is known")


def _at(moment: datetime) -> str:
    return f"{moment:%d %b %H:%M}"
