"""The account of a run of map: every item that came in, and what became of it."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from fhirdrain.bedside.findings import Finding
from fhirdrain.bedside.policy import Answer, Judgement
from fhirdrain.bedside.reading import Reading
from fhirdrain.intake.item import SourceItem
from fhirdrain.issues import Issue
from fhirdrain.street.patient import DrainSummary


@dataclass(slots=True)
class MapReport:
    """What came of a run: items in = mapped + rejected + set aside, always.

    `respelled`, `drawn` and `assumed` count what was read as something else: units, words of a
    list, dates without a time, `handled` what FHIR elements of others were changed or lost.
    `unused` are parts that an item does not have. `ahead` are items stored before the time they
    speak of. `judgements` are figures of the site's policy that are met, as known at each patient's
    last reading, and `answers` counts those to all. `half_timed` are rows with versions that say
    when they were stored and others that do not, `said_of_several` row ids of several patients or
    items.
    """

    items: int = 0
    mapped: int = 0
    rejected: int = 0
    set_aside: Counter[str] = field(default_factory=Counter)
    respelled: Counter[tuple[str, str]] = field(default_factory=Counter)
    drawn: Counter[tuple[str, str]] = field(default_factory=Counter)
    assumed: Counter[str] = field(default_factory=Counter)
    unused: Counter[tuple[str, str]] = field(default_factory=Counter)
    handled: Counter[tuple[str, str, str]] = field(default_factory=Counter)
    ahead: int = 0
    issues: list[Issue] = field(default_factory=list)
    set_aside_items: list[SourceItem] = field(default_factory=list)
    readings: list[Reading] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    judgements: list[Judgement] = field(default_factory=list)
    answers: Counter[Answer] = field(default_factory=Counter)
    drains: list[DrainSummary] = field(default_factory=list)
    resources: dict[str, int] = field(default_factory=dict)
    versions: int = 0
    outgoing: dict[str, int] = field(default_factory=dict)
    rejects: list[Path] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    half_timed: int = 0
    said_of_several: int = 0

    @property
    def balanced(self) -> bool:
        """Tell whether every item is accounted for."""
        return self.items == self.mapped + self.rejected + self.set_aside.total()

    def count(self, item: SourceItem) -> None:
        """Count an item that came in, and what in it was read as something else than it says."""
        self.items += item.counted
        for element, became, how in item.handled:
            if became != "carried" and item.issue is None and not item.set_aside:
                self.handled[became, re.sub(r"\[\d+\]", "", element), how] += 1
        if item.issue is not None:
            return
        if item.respelled or item.drawn or item.assumed or item.unused:  # which is seldom
            self.respelled.update(item.respelled)
            self.drawn.update(item.drawn)
            self.assumed.update(item.assumed)
            self.unused.update((column, item.item) for column in item.unused)
        recorded = item.recorded
        self.ahead += recorded is not None and any(recorded < r.time for r in item.readings)

    def reject(self, issue: Issue) -> None:
        """Count a refused item, with its reason."""
        self.rejected += 1
        self.issues.append(issue)

    def set_item_aside(self, item: SourceItem, why: str, *, keep: bool) -> None:
        """Count an item set aside, and keep it if it is to be shown."""
        self.set_aside[why] += 1
        if keep:
            self.set_aside_items.append(item)

    def add(self, other: MapReport) -> None:
        """Add what another part of the run has to say, behind what is here."""
        for name in _NUMBERS:
            setattr(self, name, getattr(self, name) + getattr(other, name))
        for name in _COUNTERS:
            if found := getattr(other, name):
                getattr(self, name).update(found)
        for name in _LISTS:
            getattr(self, name).extend(getattr(other, name))

    def conclude(self) -> None:
        """Note what can only be said of the whole run."""
        if self.said_of_several:
            self.notes.append(
                f"{self.said_of_several} row ids were charted for several patients or under several"
                " items: each stands until the source withdraws it"
            )
        if self.half_timed:
            self.notes.append(
                f"{self.half_timed} rows have versions with a stored time and without one:"
                " of those the last that came stands"
            )


_NUMBERS = ("items", "mapped", "rejected", "ahead", "versions", "half_timed", "said_of_several")
_COUNTERS = ("set_aside", "respelled", "drawn", "assumed", "unused", "handled", "answers")
_LISTS = (
    "issues", "set_aside_items", "readings", "findings", "judgements", "drains", "notes",
)  # fmt: skip
