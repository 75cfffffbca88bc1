"""The examples: what `fhirdrain map` makes of a few invented rows, a resource of every profile.

The patient is invented. Ids are the profiles' names, counted where there are several, so that they
can be told apart; nothing else of what was mapped is altered.
"""

from __future__ import annotations

import csv
import io
import tempfile
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path

from parts import Json, canonical

from fhirdrain.resources.references import Form
from fhirdrain.site import load_site
from fhirdrain.street.mapping import map_sources
from fhirdrain.street.patient import wanted_of
from fhirdrain.vocabulary.jsontext import decode, encode
from fhirdrain.vocabulary.observables import OBSERVABLES

BUNDLE = "drain-bundle"
POLICY = 'name = "North Pier"\nshortest_interval = "1h"\n'
SITE = """
[site]
id = "north-pier"
name = "North Pier Hospital"
time_zone = "Europe/Vienna"
windows = ["07:00", "19:00"]
day_starts = "07:00"
policy = "policy.toml"
[site.systems]
patient = "https://north-pier.example/patient"
reading = "https://north-pier.example/reading"
device = "https://north-pier.example/drain"
order = "https://north-pier.example/order"
performer = "https://north-pier.example/staff"
[drains.R1]
side = "right"
space = "pleural"
[drains.R2]
side = "right"
space = "pleural"
[sources.rounds]
kind = "table"
time_format = "%Y-%m-%d %H:%M"
[sources.rounds.columns]
row = "id"
patient = "pat"
drain = "drain"
time = "seen"
recorded = "stored"
item = "item"
value = "value"
unit = "unit"
status = "state"
performer = "by"
round = "round"
[sources.rounds.columns.components]
"""
ORDER = """
[sources.rounds.items.order]
words = { "suction 2 kPa" = { mode-ordered = "suction", suction-ordered = "2 kPa" } }
"""
HEAD = ("id", "pat", "drain", "seen", "stored", "item", "value", "unit", "state", "by", "round")
# Seen at, item, value, and what else stands in the row.
ROWS: tuple[tuple[str, str, str, dict[str, str]], ...] = (
    (
        "08:00",
        "placed",
        "yes",
        {
            "opening-level": "0",
            "size": "24",
            "indication": "air and fluid after a fall",
            "stored": "2025-03-03 08:20",
            "state": "corrected",
        },
    ),
    (
        "08:00",
        "drain-site",
        "yes",
        {
            "side": "right",
            "space": "pleural",
            "position": "fifth space, towards the armpit",
            "stored": "2025-03-03 08:20",
            "state": "corrected",
        },
    ),
    ("08:05", "order", "suction 2 kPa", {"stored": "2025-03-03 08:06", "state": "corrected"}),
    ("08:10", "mode", "suction", {"reason": "ordered"}),
    ("08:10", "suction-set", "2", {"unit": "kPa"}),
    ("08:10", "suction-source", "connected-on", {}),
    ("09:00", "level", "120", {"unit-number": "1", "stored": "2025-03-03 09:02"}),
    ("09:00", "appearance", "bloody", {"hue": "dark-red", "clots": "small", "round": "nine"}),
    ("09:00", "air-leak", "present", {"at-rest": "none", "on-cough": "present",
                                      "phase": "expiration", "origin": "patient-side",
                                      "round": "nine"}),
    ("09:00", "air-leak-flow", "20", {"unit": "mL/min"}),
    ("09:00", "swing", "present", {"round": "nine"}),
    ("09:00", "suction-bubbling", "gentle", {}),
    ("09:00", "water-seal-level", "2.0", {"unit": "cm"}),
    ("09:00", "pleural-pressure", "-6", {"unit": "cm[H2O]"}),
    ("09:00", "flow", "draining", {}),
    ("09:00", "skin-mark", "12", {"unit": "cm"}),
    ("09:00", "site", "clean", {"stitch": "in-place"}),
    ("09:00", "dressing", "dry-intact", {}),
    ("09:00", "crepitus", "none", {}),
    ("09:00", "connections", "tight", {}),
    ("09:00", "tubing", "free", {}),
    ("09:00", "securement", "secure", {}),
    ("09:00", "unit-position", "upright-below-chest", {}),
    ("09:00", "bedside-supplies", "incomplete", {"clamps": "present", "gloves": "missing"}),
    ("10:00", "level", "150", {}),
    ("10:05", "dressing-done", "reinforced", {}),
    ("10:10", "instilled", "20", {"unit": "mL"}),
    ("10:30", "joined", "yes", {"tube": "R2"}),
    ("11:30", "parted", "yes", {"tube": "R2"}),
    ("12:00", "unit-change", "damaged", {"closing-level": "170", "opening-level": "0"}),
    ("12:30", "crepitus", "not looked at", {}),
    ("18:00", "removed", "planned", {}),
)  # fmt: skip
# A charted amount is a reading, and what levels give is worked out: a drain has one or the other.
AMOUNTS = (("09:00", "output", "40", {"drain": "R2", "unit-number": "1"}),)
SENT = (("09:00", "level", "120", {}), ("10:00", "level", "150", {}))


def examples() -> dict[str, Json]:
    """Return the examples by file name: a resource a profile, and those that they refer to."""
    resources = list(_mapped([*ROWS, *AMOUNTS], "ndjson"))
    by_uuid = {r["id"]: r for r in resources}
    first: dict[str, Json] = {}
    for resource in resources:
        first.setdefault(resource["meta"]["profile"][0], resource)
    # As telling as the first of their profile: a charted amount, and what was not done.
    telling = [r for r in resources if "dataAbsentReason" in r or _charted_amount(r)]
    chosen = dict.fromkeys(r["id"] for r in (*first.values(), *telling))
    for uuid in (queue := list(chosen)):
        text = encode(by_uuid[uuid]).decode()
        new = [other for other in by_uuid if f"/{other}" in text and other not in chosen]
        chosen |= dict.fromkeys(new)
        queue += new
    found = _renamed(by_uuid[uuid] for uuid in by_uuid if uuid in chosen)
    found.append(_bundle())
    return {f"{r['resourceType']}-{r['id']}.json": r for r in found}


def _charted_amount(resource: Json) -> bool:
    return resource["meta"]["profile"][0].endswith("/output") and "method" not in resource


def _renamed(resources: Iterable[Json]) -> list[Json]:
    """Return resources with the names of their profiles as ids, in what refers to them too."""
    chosen = list(resources)
    text = encode(chosen).decode()
    times: Counter[str] = Counter()
    for resource in chosen:
        name = resource["meta"]["profile"][0].rpartition("/")[2]
        times[name] += 1
        number = f"-{times[name]}" if times[name] > 1 else ""
        text = text.replace(resource["id"], name + number)
    renamed: list[Json] = decode(text)
    return renamed


def _bundle() -> Json:
    (bundle,) = _mapped(SENT, "collection")
    meta = {"profile": [canonical("StructureDefinition", BUNDLE)]}
    return {"resourceType": "Bundle", "id": BUNDLE, "meta": meta, **bundle}


def _mapped(rows: Iterable[tuple[str, str, str, dict[str, str]]], form: Form) -> Iterator[Json]:
    charted = {name: o for name, o in OBSERVABLES.items() if not o.derived}
    parts = {part.name for o in charted.values() for part in o.components}
    head = [*HEAD, *sorted(parts)]
    text = io.StringIO()
    table = csv.DictWriter(text, head, restval="", lineterminator="\n")
    table.writeheader()
    for number, (time, item, value, more) in enumerate(rows, 1):
        unit = "mL" if item in ("level", "output") else ""
        row = {"id": str(number), "pat": "demo-C", "drain": "R1", "seen": f"2025-03-03 {time}"}
        row |= {"item": item, "value": value, "unit": unit, "by": "nurse-4", "stored": row["seen"]}
        table.writerow(row | more)
    site_text = SITE + "".join(f'{part} = "{part}"\n' for part in sorted(parts)) + ORDER
    for name, observable in charted.items():
        if observable.form != "ServiceRequest":
            site_text += f'[sources.rounds.items.{name}]\nobservable = "{name}"\n'
            if observable.kind == "parts":
                site_text += 'words = { "yes" = {} }\n'
            if name == "suction-set":
                site_text += 'scale = "regulator"\n'
            if observable.form == "Observation":
                site_text += 'not_done = ["not looked at"]\n'
    stream = io.BytesIO()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for file, content in (
            ("site.toml", site_text),
            ("policy.toml", POLICY),
            ("in.csv", text.getvalue()),
        ):
            (folder / file).write_text(content, encoding="utf-8")
        site = load_site(folder / "site.toml")
        report = map_sources(
            [folder / "in.csv"],
            site,
            site.source(None),
            stream,
            form=form,
            rejects=folder / "rejects",
            wanted=wanted_of(("totals", "rates"), site),
        )
    if report.rejected:
        raise SystemExit(f"rows of the examples are refused: {report.issues}")
    yield from (decode(line) for line in _documents(stream.getvalue(), form))


def _documents(data: bytes, form: Form) -> list[bytes]:
    return data.splitlines() if form == "ndjson" else [data]
