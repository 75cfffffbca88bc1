"""Sheets to look at: of the scenario at its six hand-offs, and of readings made up for a test."""

from __future__ import annotations

import io
import tempfile
from collections.abc import Iterable
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any

from fhirdrain.bedside.reading import Reading
from fhirdrain.bedside.settings import Settings
from fhirdrain.handoff.plain import plain_text
from fhirdrain.handoff.sheet import Sheet
from fhirdrain.site import load_site
from fhirdrain.site.policy import Policy, load_policy
from fhirdrain.store import Store
from fhirdrain.street.handing_over import Known, Rules, known_from_store, sheets_of
from fhirdrain.street.mapping import map_sources
from tests.conftest import ROOT, at

SCENARIO = ROOT / "sample_bundles" / "scenario"
SOURCES = (("rounds", "rounds.csv"), ("surgery", "surgery.tsv"))
SITE = load_site(SCENARIO / "site.toml")
RULES = Rules(SITE.settings, load_policy(SITE.policy) if SITE.policy else None)

# When the scenario's sheets are made; the night before the fourth has 13 hours.
SIX = {
    "Fri 19:05": "2025-10-24T19:05+02:00",
    "Sat 07:05": "2025-10-25T07:05+02:00",
    "Sat 19:05": "2025-10-25T19:05+02:00",
    "Sun 07:05": "2025-10-26T07:05+01:00",
    "Sun 19:05": "2025-10-26T19:05+01:00",
    "Mon 07:05": "2025-10-27T07:05+01:00",
}


def fill(path: Path) -> None:
    """Map the scenario's two charts into a store."""
    with Store(path, SITE.id) as store, tempfile.TemporaryDirectory() as folder:
        for name, file in SOURCES:
            map_sources(
                [SCENARIO / file], SITE, SITE.source(name), io.BytesIO(),
                rejects=Path(folder) / f"{name}.rejects", store=store,
            )  # fmt: skip


@cache
def scenario_sheets(name: str) -> tuple[Sheet, ...]:
    """Return one of the scenario's six sheets, a page a patient, from what was stored by then."""
    when = datetime.fromisoformat(SIX[name])
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "ward.sqlite"
        fill(path)
        with Store(path, SITE.id) as store:
            return tuple(sheets_of(known_from_store(store, SITE, when, None), RULES, when))


def sheets(
    settings: Settings,
    readings: Iterable[Reading],
    now: float,
    *,
    told: Iterable[Reading] | None = None,
    policy: Policy | None = None,
) -> list[Sheet]:
    """Return the sheets of readings so many hours after the start of the tests' day."""
    known = Known({"p-1": list(readings)}, None if told is None else {"p-1": list(told)})
    return sheets_of(known, Rules(settings, policy), at(now))


def said(settings: Settings, *readings: Reading, now: float, **more: Any) -> str:
    """Return what one patient's sheet says in English, its line breaks taken out."""
    return flat(plain_text(sheets(settings, readings, now, **more), "en"))


def flat(text: str) -> str:
    """Return a text in one line."""
    return " ".join(text.split())


def part(sheet: Sheet, drain: str, name: str, language: str = "en") -> str:
    """Return what a part of a sheet says of a drain, in one line; empty where it has no such part."""
    text = plain_text([sheet], language)
    found = [block for block in sheet.blocks if block.drain.name == drain]
    assert len(found) == 1, [block.drain.name for block in sheet.blocks]
    lines = [one for one in found[0].parts if one.name == name]
    if not lines:
        return ""
    from fhirdrain.handoff.language import Language

    words = Language(language, sheet.bed.settings.zone, sheet.bed.at)
    shown = []
    for line in lines[0].lines:
        before = f"[{words.say(line.struck)}] " if line.struck is not None else ""
        shown.append(before + words.say(line.says))
        # What is said of a part stands in the text, whatever its line breaks.
        assert flat(words.say(line.says)) in flat(text)
    return " | ".join(shown)
