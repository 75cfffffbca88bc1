"""Whatever the model allows survives map, post and read unchanged."""

from __future__ import annotations

import csv
import io
import itertools
from datetime import datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fhirdrain.exchange.auth import Bearer
from fhirdrain.exchange.client import Client
from fhirdrain.sandbox.server import running
from fhirdrain.site import load_site
from fhirdrain.street.mapping import map_sources
from fhirdrain.street.posting import post, prepare
from fhirdrain.street.reading import Wanted, read_drains
from fhirdrain.street.tour import SAME
from fhirdrain.vocabulary.observables import OBSERVABLES
from fhirdrain.vocabulary.units import UNITS

CHARTED = {name: o for name, o in OBSERVABLES.items() if not o.derived}
COMPONENTS = {c.name: c for o in CHARTED.values() for c in o.components}
ABSENT = {"not_done": "nd", "unable": "un", "refused": "re", "not_applicable": "na"}
HEAD = ["id", "pat", "stay", "drain", "seen", "since", "until", "stored", "item", "value", "unit", "state",
        "by", "note", "round", *COMPONENTS]  # fmt: skip
SYSTEM = "https://test.example/patient"
VIENNA = ZoneInfo("Europe/Vienna")


def site_text() -> str:
    text = f"""
[site]
id = "any"
name = "Any Site"
time_zone = "Europe/Vienna"
windows = ["07:00", "19:00"]
day_starts = "07:00"
significant_digits = 12
[site.systems]
patient = "{SYSTEM}"
encounter = "https://test.example/stay"
reading = "https://test.example/reading"
device = "https://test.example/drain"
order = "https://test.example/order"
performer = "https://test.example/staff"
item = "https://test.example/item"
[drains.R1]
side = "right"
space = "pleural"
[drains.M1]
space = "mediastinal"
[drains.P1]
space = "pericardial"
[sources.any]
kind = "table"
thousands = "'"
[sources.any.columns]
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
round = "round"
[sources.any.columns.components]
"""
    text += "".join(f'{name} = "{name}"\n' for name in COMPONENTS)
    for name, o in CHARTED.items():
        text += f'[sources.any.items.{name}]\nobservable = "{name}"\n'
        if o.kind == "parts":
            text += 'words = { "yes" = {} }\n'
        elif o.kind == "words" and name != "air-leak":
            text += f'words = {{ "in other words" = "{o.words[0]}" }}\n'
        if name == "suction-set":
            text += 'scale = "regulator"\n'
        if o.kind == "quantity":
            text += f'unit = "{o.units[-1]}"\n'
        if o.form == "Observation":
            text += "".join(f'{reason} = ["{word}"]\n' for reason, word in ABSENT.items())
    return text


# What FHIR's string may hold: nothing below U+0020 but tab and line ends. A cell is trimmed.
plain = st.text(
    st.characters(codec="utf-8", exclude_categories=("Cc", "Cs", "Zs", "Zl", "Zp", "Cn")),
    min_size=1,
    max_size=12,
)
note = st.lists(plain, min_size=1, max_size=3).flatmap(
    lambda parts: st.sampled_from([" ", "\n", "\t", ", "]).map(lambda mark: mark.join(parts))
)


@st.composite
def number(draw, low, high):
    places = draw(st.integers(0, 3))
    value = draw(st.decimals(low, high, places=places, allow_nan=False, allow_infinity=False))
    return format(value, "f")


@st.composite
def part(draw, component):
    if component.kind == "words":
        return draw(st.sampled_from(component.words))
    if component.kind == "integer":
        return str(draw(st.integers(1, 9)))
    if component.kind == "text":
        return draw(plain)
    if component.kind == "drain":
        return "P1"
    return draw(number(component.low, component.high))


@st.composite
def row(draw, number_of_row):
    name = draw(st.sampled_from(list(CHARTED)))
    o = CHARTED[name]
    cells = {"id": str(number_of_row), "item": name, "drain": draw(st.sampled_from(["R1", "M1"]))}
    moment = datetime(2025, 10, 25, 12, tzinfo=VIENNA) + timedelta(
        minutes=draw(st.integers(0, 3000))
    )
    cells["seen"] = moment.astimezone(VIENNA).isoformat()
    if draw(st.booleans()):
        cells["stored"] = (moment + timedelta(minutes=draw(st.integers(-60, 600)))).isoformat()
    for key, text in (("stay", plain), ("by", plain), ("note", note)):
        if draw(st.booleans()):
            cells[key] = draw(text)
    if o.form == "Observation":
        cells["round"] = draw(st.sampled_from(["", "r-1", "r-2"]))
    if name == "output" and draw(st.booleans()):
        cells["since"] = (moment - timedelta(hours=2)).isoformat()
    if o.form == "ServiceRequest" and draw(st.booleans()):
        cells["until"] = (moment + timedelta(hours=3)).isoformat()
    cells["state"] = draw(
        st.sampled_from(["", "final", "preliminary", "corrected", "entered-in-error"])
    )
    if o.form == "Observation" and draw(st.integers(0, 9)) == 0:
        return cells | {"value": draw(st.sampled_from(list(ABSENT.values())))}
    if o.kind == "quantity":
        cells["unit"] = draw(st.sampled_from(o.units))
        in_unit = UNITS[o.units[0]].factor / UNITS[cells["unit"]].factor
        low, high = (Decimal(int(Fraction(bound) * in_unit)) for bound in (o.low, o.high))
        cells["value"] = draw(number(low, high))
    else:
        others = ["in other words"] if o.kind == "words" and name != "air-leak" else []
        cells["value"] = draw(st.sampled_from([*o.words, *others])) if o.words else "yes"
    for component in o.components:
        needed = component.kind == "drain" or name == "air-leak"
        if needed or draw(st.booleans()):
            cells[component.name] = draw(part(component))
    if name == "placed":
        cells.setdefault("unit", "")
    if name == "air-leak":
        seen = {cells["at-rest"], cells["on-cough"]}
        cells["value"] = (
            "present" if "present" in seen else "none" if seen == {"none"} else "undetermined"
        )
    if name == "bedside-supplies":
        cells["value"] = "incomplete" if "missing" in cells.values() else "complete"
    return cells


rows = st.integers(1, 10).flatmap(lambda n: st.tuples(*(row(i) for i in range(n))))


class There:
    """Where readings go; kept out of what a failing example prints."""

    def __init__(self, *parts):
        self.parts = parts


@pytest.fixture(scope="module")
def there(tmp_path_factory):
    folder = tmp_path_factory.mktemp("survival")
    (folder / "site.toml").write_text(site_text(), encoding="utf-8")
    with running("test") as base:
        yield There(
            folder, load_site(folder / "site.toml"), Client(base, Bearer(None)), itertools.count()
        )


@given(rows)
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_any_reading_survives_map_post_and_read(there, charted):
    folder, site, client, count = there.parts
    patient = f"p-{next(count)}"
    text = io.StringIO()
    writer = csv.DictWriter(text, HEAD, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows({"pat": patient, **cells} for cells in charted)
    (folder / "in.csv").write_text(text.getvalue(), encoding="utf-8", newline="")
    with (folder / "out.json").open("wb") as stream:
        report = map_sources(
            [folder / "in.csv"],
            site,
            site.source(None),
            stream,
            rejects=folder / "r.csv",
            keep_items=True,
        )
    assert report.balanced
    # Amounts that only check levels are not sent; nothing else is left behind.
    assert [(issue.rule, issue.message) for issue in report.issues] == []
    assert all("the levels, not sent" in why for why in report.set_aside)
    checks = {c.amount.identity for s in report.drains for c in s.ledger.checks}
    sent = {key(r): r for r in report.readings if r.identity not in checks}
    assert len(sent) == len(charted) - len(checks)
    delivery = post(client, prepare(str(folder / "out.json")), create_patients=True)
    assert (delivery.refused, delivery.different, delivery.parked, delivery.waiting) == (
        [],
        [],
        [],
        [],
    )
    _, readings, issues = read_drains(client, Wanted(patient=(SYSTEM, patient)))
    assert issues == []
    back = {key(r): r for r in readings}
    assert back.keys() == sent.keys()
    for name, reading in back.items():
        lost = [
            attribute
            for attribute in (*SAME, "round")
            if shown(getattr(reading, attribute)) != shown(getattr(sent[name], attribute))
            and (reading.observable, attribute) not in UNSTATED
        ]
        assert lost == [], (name, lost)
    for row in charted:
        same = [r for r in report.readings if r.row == row["id"]]
        assert [as_charted(r) for r in same] == [wanted(row)] * len(same) != []
        if row.get("since") and same[0].identity not in checks:
            assert back[key(same[0])].start == datetime.fromisoformat(row["since"])


def as_charted(reading):
    """Return what a reading says, in the words of the row it came from."""
    value = reading.text or reading.value
    if reading.absent is not None:
        value = ABSENT[reading.absent]
    elif isinstance(reading.value, Decimal):
        value = str(reading.original[0] if reading.original else reading.value)
    parts = {name: str(part) for name, part in reading.parts.items()}
    return reading.observable, value, reading.time, reading.note, reading.performer, parts


def wanted(row):
    """Return what a row says, in the same order."""
    o = CHARTED[row["item"]]
    value = row["value"] if o.kind != "parts" or row["value"] in ABSENT.values() else None
    if o.kind == "quantity" and value not in ABSENT.values():
        number = Decimal(value)
        value = str(number if number else abs(number))  # -0 is 0
    parts = {c.name: row[c.name] for c in o.components if row.get(c.name, "unknown") != "unknown"}
    moment = datetime.fromisoformat(row["seen"])
    return o.name, value, moment, row.get("note"), row.get("by"), parts


# R4 has no place for it: a DeviceUseStatement knows no encounter.
UNSTATED = {("drain-site", "encounter")}


def key(reading):
    return reading.identity, reading.observable


def shown(value):
    return str(value) if isinstance(value, Decimal) else value
