"""What all tests share: a clean environment, a small site, and a sandbox on a free loopback port."""

from __future__ import annotations

import io
import os
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import settings as hypothesis_settings

from fhirdrain.bedside.reading import Reading
from fhirdrain.bedside.settings import Settings
from fhirdrain.conformance import check
from fhirdrain.sandbox.server import running
from fhirdrain.site import Site, load_site
from fhirdrain.street.mapping import map_sources
from fhirdrain.street.report import MapReport
from fhirdrain.vocabulary.jsontext import decode

# Before the fixture below puts something in its place.
say_our_fault = check._say_our_fault

ROOT = Path(__file__).resolve().parent.parent
SHARED = ROOT.parent / "shared"

# The same commit gives the same answer; HYPOTHESIS_PROFILE=search looks for new cases.
hypothesis_settings.register_profile("same", derandomize=True)
hypothesis_settings.register_profile("search")
hypothesis_settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "same"))

SITE = """
[site]
id = "test-site"
name = "Test Site"
time_zone = "Europe/Vienna"
windows = ["07:00", "19:00"]
day_starts = "07:00"
{site}
[site.systems]
patient = "https://test.example/patient"
encounter = "https://test.example/stay"
reading = "https://test.example/reading"
device = "https://test.example/drain"
order = "https://test.example/order"
performer = "https://test.example/staff"
item = "https://test.example/item"

[drains.R1]
side = "right"
space = "pleural"
labels = ["right 1"]
{drain}
[drains.L1]
side = "left"
space = "pleural"
labels = ["left 1"]

[sources.rounds]
kind = "table"
status_words = {{ "struck" = "entered-in-error", "put right" = "corrected" }}
set_aside = [{{ column = "note", values = ["closed"] }}, {{ column = "by", values = ["nobody"] }}]
{source}
[sources.rounds.columns]
row = "id"
patient = "pat"
encounter = "stay"
drain = "drain"
time = "seen"
start = "since"
end = "until"
recorded = "stored"
item = "item"
value = "value"
unit = "unit"
status = "state"
performer = "by"
note = "note"
[sources.rounds.columns.components]
unit-number = "no"
closing-level = "closing"
opening-level = "opening"

[sources.rounds.items.lvl]
observable = "level"
unit = "mL"
[sources.rounds.items.out]
observable = "output"
[sources.rounds.items.out2]
observable = "output"
unit = "mL"
drain = "L1"
[sources.rounds.items.chg]
observable = "unit-change"
[sources.rounds.items.suc]
words = {{ "20 cm" = {{ mode = "suction", suction-set = "20 cm[H2O]" }}, "on seal" = {{ mode = "water-seal" }}, "minus 20" = {{ suction-set = "20 cm[H2O]" }}, "Wasserschloss" = {{ mode = "water-seal" }} }}
number = {{ observable = "suction-set", unit = "cm[H2O]", scale = "regulator" }}
[sources.rounds.items.wall]
observable = "suction-set"
unit = "mm[Hg]"
scale = "wall-gauge"
[sources.rounds.items.mod]
observable = "mode"
words = {{ "clamped for the walk" = {{ value = "clamped", reason = "walking" }} }}
[sources.rounds.items.ord]
words = {{ "suction 20" = {{ mode-ordered = "suction", suction-ordered = "20 cm[H2O]" }}, "suction 10" = {{ mode-ordered = "suction", suction-ordered = "10 cm[H2O]" }}, "seal" = {{ mode-ordered = "water-seal" }} }}
[sources.rounds.items.air]
observable = "air-leak"
words = {{ "none" = {{ at-rest = "none", on-cough = "none" }}, "cough only" = {{ at-rest = "none", on-cough = "present" }}, "none at rest" = {{ at-rest = "none", on-cough = "not-tested" }} }}
not_done = ["not looked at"]
[sources.rounds.items.swg]
observable = "swing"
refused = ["would not"]
[sources.rounds.items.col]
observable = "appearance"
words = {{ "blutig" = {{ value = "bloody", hue = "dark-red" }} }}
[sources.rounds.items.drs]
observable = "dressing"
[sources.rounds.items.cre]
observable = "crepitus"
[sources.rounds.items.lie]
observable = "drain-site"
words = {{ "left front" = {{ side = "left", space = "pleural", position = "front" }} }}
[sources.rounds.items.lie2]
observable = "drain-site"
words = {{ "right" = {{ side = "right" }} }}
[sources.rounds.items.plc]
observable = "placed"
words = {{ "in" = {{ }} }}
[sources.rounds.items.rem]
observable = "removed"
[sources.rounds.items.txt]
ignore = "free text, kept in the chart"
[units]
"mls" = "mL"
"""

HEADER = [
    "id",
    "pat",
    "stay",
    "drain",
    "seen",
    "since",
    "until",
    "stored",
    "item",
    "value",
    "unit",
    "state",
    "by",
    "note",
    "no",
    "closing",
    "opening",
]


@pytest.fixture(autouse=True)
def our_faults_are_raised(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a test fail where a check falls over, which users are told in an issue."""

    def raised(error: Exception, run: object) -> None:
        raise error

    monkeypatch.setattr(check, "_say_our_fault", raised)


@pytest.fixture(autouse=True)
def _clean_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in list(os.environ):
        lower = name.lower()
        if lower.endswith("_proxy") or name.startswith("FHIRDRAIN_") or "CA_BUNDLE" in name:
            monkeypatch.delenv(name)


def site_text(*, site: str = "", drain: str = "", source: str = "") -> str:
    """Return the test site file, with lines added to its sections."""
    return SITE.format(site=site, drain=drain, source=source)


def row(**cells: str) -> str:
    """Return one line of the test source, unnamed cells filled with what they usually hold."""
    usual = {"pat": "p-1", "drain": "right 1", "seen": "2025-01-10 10:00"}
    known = {**usual, **cells}
    return ",".join(known.get(name, "") for name in HEADER)


@pytest.fixture
def site(tmp_path: Path) -> Site:
    """The test site."""
    return make_site(tmp_path)


def make_site(folder: Path, **sections: str) -> Site:
    """Return the test site with lines added."""
    path = folder / "site.toml"
    path.write_text(site_text(**sections), encoding="utf-8")
    return load_site(path)


class Run:
    """The outcome of mapping some rows: the report, the bundle, its resources by type."""

    def __init__(self, report: MapReport, data: bytes, rejects: Path) -> None:
        self.report = report
        self.data = data
        self.rejects = rejects
        self.bundle: dict[str, Any] = decode(data)
        self.resources = [entry["resource"] for entry in self.bundle.get("entry", [])]

    def of(self, kind: str) -> list[dict[str, Any]]:
        """Return the resources of a type."""
        return [r for r in self.resources if r["resourceType"] == kind]

    def observation(self, code: str) -> list[dict[str, Any]]:
        """Return the Observations with a code."""
        return [
            r
            for r in self.of("Observation")
            if any(coding["code"] == code for coding in r["code"]["coding"])
        ]

    @property
    def derived(self) -> list[dict[str, Any]]:
        """Return the Observations that were worked out."""
        return [r for r in self.of("Observation") if "derivedFrom" in r]


def map_files(
    folder: Path, text: str, *files: tuple[str, bytes | str], rejects: str = "refused", **more: Any
) -> Run:
    """Map files through a site file, given as a text; every item is accounted for."""
    (folder / "site.toml").write_text(text, encoding="utf-8")
    site = load_site(folder / "site.toml")
    paths = []
    for name, data in files:
        paths.append(folder / name)
        paths[-1].write_bytes(data if isinstance(data, bytes) else data.encode())
    stream, target = io.BytesIO(), folder / rejects
    report = map_sources(
        paths, site, site.source(None), stream, rejects=target, keep_items=True, **more
    )
    assert report.balanced
    return Run(report, stream.getvalue(), target)


def rows_of(*lines: str, header: str | None = None) -> str:
    """Return lines of the test source under its header."""
    return "\n".join([header or ",".join(HEADER), *lines]) + "\n"


Mapper = Callable[..., Run]


@pytest.fixture
def mapped(tmp_path: Path) -> Mapper:
    """Map lines of the test source through the test site."""

    def run(*lines: str, header: str | None = None, form: Any = "transaction", **more: str) -> Run:
        file = ("rounds.csv", rows_of(*lines, header=header))
        return map_files(tmp_path, site_text(**more), file, rejects="refused.csv", form=form)

    return run


@pytest.fixture
def server() -> Iterator[str]:
    """The base URL of a fresh sandbox."""
    with running("test") as base:
        yield base


# -- readings without files ------------------------------------------------------------------

START = datetime(2025, 1, 10, 7, 0, tzinfo=UTC)
_count = iter(range(10**9))


def at(hours: float) -> datetime:
    """Return a time so many hours after the start of the tests' day."""
    return START + timedelta(hours=hours)


def reading(observable: str, hours: float, value: Any = None, **more: Any) -> Reading:
    """Return a reading of the drain R1, with an identity of its own."""
    if isinstance(value, int):
        value = Decimal(value)
    base = Reading(
        source="test",
        patient="p-1",
        drain="R1",
        observable=observable,
        time=at(hours),
        value=value,
        unit="mL" if isinstance(value, Decimal) else None,
        identity=f"{observable}-{next(_count)}",
    )
    return replace(base, **more)


def level(hours: float, value: int, **more: Any) -> Reading:
    """Return a level."""
    return reading("level", hours, value, **more)


def amount(hours: float, value: int, **more: Any) -> Reading:
    """Return a charted amount."""
    return reading("output", hours, value, **more)


def change(
    hours: float, closing: int | None = None, opening: int | None = None, **more: Any
) -> Reading:
    """Return a change of the unit."""
    parts: dict[str, Any] = dict(more.pop("parts", {}))
    if closing is not None:
        parts["closing-level"] = Decimal(closing)
    if opening is not None:
        parts["opening-level"] = Decimal(opening)
    return reading("unit-change", hours, "full", parts=parts, **more)


@pytest.fixture
def settings() -> Settings:
    """Settings in UTC, with shifts from 07:00 and 19:00 and nothing assumed."""
    return Settings(zone=ZoneInfo("UTC"), windows=(time(7), time(19)), day_starts=time(7))
