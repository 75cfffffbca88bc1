"""Write the scenario's two charts in other forms, and what becomes of them.

    python sample_bundles/build.py            write the files
    python sample_bundles/build.py --check    exit 1 if a file differs from what would be written

`scenario/rounds.csv` and `scenario/surgery.tsv` are the source; from them come, in `forms/`, wide
tables, JSON lines and HL7 v2 messages with their site file, and in `valid/` transaction bundles and
NDJSON.
"""

from __future__ import annotations

import csv
import io
import json
import re
import sys
import tempfile
from collections import Counter
from collections.abc import Iterable, Mapping
from datetime import datetime
from pathlib import Path

from fhirdrain.resources.references import Form
from fhirdrain.site import Source, load_site
from fhirdrain.street.mapping import map_sources

HERE = Path(__file__).parent
SCENARIO = HERE / "scenario"
CHARTS = {"rounds": ("rounds.csv", ","), "surgery": ("surgery.tsv", "\t")}
# Our keys whose cells belong to one item; the others are shared by the items of a round.
OWN = ("row", "item", "value", "unit")

Row = dict[str, str]


def rows_of(chart: str) -> list[Row]:
    file, delimiter = CHARTS[chart]
    with (SCENARIO / file).open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream, delimiter=delimiter))


def columns_of(chart: str) -> Mapping[str, str]:
    columns = load_site(SCENARIO / "site.toml").source(chart).columns
    return {key: name for key, name in columns.model_dump().items() if isinstance(name, str)}


def wide(chart: str) -> str:
    """Return a chart as a wide table: what was charted together is one row.

    A row with several versions stays alone, or a later version would blank what it was with.
    """
    names, rows = columns_of(chart), rows_of(chart)
    own = {names[key] for key in OWN}
    versions = Counter(row[names["row"]] for row in rows)
    items = sorted({row[names["item"]] for row in rows})
    rounds: list[tuple[Row, Row]] = []
    for row in rows:
        shared = {name: cell for name, cell in row.items() if name not in own}
        item, cell = row[names["item"]], row[names["value"]]
        unit = row[names["unit"]]
        alone = versions[row[names["row"]]] > 1
        last = rounds[-1] if rounds else None
        if alone or last is None or last[0].get("alone") or last[0]["key"] != repr(shared):
            head = {"key": repr(shared), names["row"]: row[names["row"]], **shared}
            rounds.append((head | ({"alone": "yes"} if alone else {}), {}))
        elif item in rounds[-1][1]:
            rounds.append(({**last[0], names["row"]: row[names["row"]]}, {}))
        rounds[-1][1][item] = f"{cell} {unit}".strip()
    header = [names["row"], *(name for name in rows[0] if name not in own), *items]
    text = io.StringIO()
    writer = csv.DictWriter(
        text,
        header,
        delimiter=CHARTS[chart][1],
        lineterminator="\n",
        extrasaction="ignore",
        restval="",
    )
    writer.writeheader()
    writer.writerows({**head, **cells} for head, cells in rounds)
    return text.getvalue()


def lines(chart: str) -> str:
    """Return a chart as JSON lines: a patient's drain at a time, and a list of what was charted."""
    names = columns_of(chart)
    outer = [names[key] for key in ("patient", "encounter", "drain", "time")]
    grouped: list[tuple[tuple[str, ...], list[Row]]] = []
    for row in rows_of(chart):
        key = tuple(row[name] for name in outer)
        if not grouped or grouped[-1][0] != key:
            grouped.append((key, []))
        grouped[-1][1].append({n: c for n, c in row.items() if n not in outer and c})
    return "".join(
        json.dumps({**dict(zip(outer, key, strict=True)), "charted": group}, ensure_ascii=False)
        + "\n"
        for key, group in grouped
    )


def oru(chart: str) -> str:
    """Return a chart as HL7 v2: what was charted together of a patient is one message.

    What belongs to one row alone (its start, the numbers of the unit) stands in OBX beside it,
    under an OBR of their own.
    """
    source = load_site(SCENARIO / "site.toml").source(chart)
    names = columns_of(chart)
    helpers = {names["start"]: "DTM"} | dict.fromkeys(source.columns.components.values(), "NM")
    shared = [names[key] for key in ("patient", "encounter", "time", "recorded")]
    grouped: dict[tuple[str, ...], list[Row]] = {}
    for row in rows_of(chart):
        grouped.setdefault(tuple(row[name] for name in shared), []).append(row)
    segments: list[str] = []
    for number, ((patient, stay, seen, stored), rows) in enumerate(grouped.items(), 1):
        # Without an offset, which would be that of every time that has none.
        made = stamp(stored or seen, source)[:12]
        header = ["MSH", "^~\\&", chart, "NPIER", "", "", made, "", "ORU^R01^ORU_R01"]
        header += [f"{chart}-{number}", "P", "2.6", "", "", "", "", "", "UNICODE UTF-8"]
        visit = ["PV1", *[""] * 18, stay]
        order = ["OBR", *[""] * 6, stamp(seen, source), *[""] * 14, stamp(stored, source)]
        segments.append("|".join(header))
        segments.append(f"PID|||{patient}^^^NPIER^MR~x{patient}^^^OTHER^PI")
        segments.append("|".join(visit))
        opened = False
        for row in rows:
            beside = {name: row[name] for name in helpers if row[name]}
            if beside or not opened:
                segments.append("|".join(order).rstrip("|"))
            opened = not beside
            label = escaped(row[names["drain"]])
            for name, text in beside.items():
                kind = helpers[name]
                value = stamp(text, source) if kind == "DTM" else text
                segments.append(f"OBX||{kind}|{name}^^99NP|{label}|{value}||||||F")
            segments += observation(row, names, source, label)
    return "\n".join(segments) + "\n"


def stamp(text: str, source: Source) -> str:
    """Return a time of a chart as HL7 writes it, without an offset where it has none."""
    if not text:
        return ""
    pattern = source.time_format
    if pattern == "iso":
        return datetime.fromisoformat(text).strftime("%Y%m%d%H%M%z")
    try:
        return datetime.strptime(text, pattern).strftime("%Y%m%d%H%M%z")
    except ValueError:
        return datetime.strptime(text, pattern.replace(" %z", "")).strftime("%Y%m%d%H%M")


def observation(row: Row, names: Mapping[str, str], source: Source, label: str) -> list[str]:
    """Return the OBX of a row, and its comment."""
    value, unit = row[names["value"]], row[names["unit"]]
    kind = "NM" if re.fullmatch(r"\d+", value) else "ST"
    status = "W" if row[names["status"]] in source.status_words else "F"
    cells = ["OBX", "", kind, f"{row[names['item']]}^^99NP", label]
    cells += [escaped(value), unit and f"{unit}^^UCUM", "", "", "", ""]
    cells += [status, "", "", "", "", row[names["performer"]], "", "", "", "", row[names["row"]]]
    segments = ["|".join(cells).rstrip("|")]
    if row[names["note"]]:
        segments.append(f"NTE|||{escaped(row[names['note']])}")
    return segments


def escaped(text: str) -> str:
    """Return a text as it stands in a field."""
    marks = {"\\": "\\E\\", "|": "\\F\\", "^": "\\S\\", "&": "\\T\\", "~": "\\R\\"}
    return "".join(marks.get(character, character) for character in text)


def site_file() -> str:
    """Return the site file of the other forms: that of the scenario, its sources told otherwise."""
    text = (SCENARIO / "site.toml").read_text("utf-8")
    head, *sources = re.split(r"^# -{20,}\n(?=\[sources)", text, flags=re.M)
    sources[-1], units = re.split(r"^(?=\[units\])", sources[-1], flags=re.M)
    head = head.replace('policy = "policy.toml"', 'policy = "../scenario/policy.toml"')
    forms = (_as_wide, _as_lines, _as_messages)
    told = [form(source) for form in forms for source in sources]
    return f"# Written by build.py from ../scenario/site.toml.\n\n{head}{''.join(told)}{units}"


def _renamed(source: str, form: str) -> str:
    return re.sub(r"\[sources\.(\w+)", rf"[sources.\1-{form}", source)


def _as_wide(source: str) -> str:
    source = source.replace('kind = "table"\n', 'kind = "table"\nlayout = "wide"\n')
    return re.sub(
        r"^(item|value|unit) = \"[^\"]*\"\n", "", _renamed(source, "wide"), count=3, flags=re.M
    )


def _as_lines(source: str) -> str:
    source = source.replace('kind = "table"\n', 'kind = "jsonlines"\n')
    source = re.sub(r"^delimiter = .*\n", "", source, flags=re.M)
    columns, mark, items = source.partition(".items.")
    outer = ("patient", "encounter", "drain", "time")

    def path(match: re.Match[str]) -> str:
        key, name = match[1], match[2]
        return f'{key} = "{name if key in outer else f"charted[].{name}"}"'

    section, mark_columns, named = columns.partition(".columns]")
    named = re.sub(r'^([\w-]+) = "([^"]*)"', path, named, flags=re.M)
    section = re.sub(r'column = "([^"]*)"', r'column = "charted[].\1"', section)
    return _renamed(section + mark_columns + named + mark + items, "lines")


def _as_messages(source: str) -> str:
    source = _renamed(source, "hl7").replace(
        'kind = "table"\n', 'kind = "hl7v2"\ndrain_from = "OBX-4"\npatient_type = "MR"\n'
    )
    source = re.sub(r"^(delimiter|decimal|time_format|status_words) = .*\n", "", source, flags=re.M)
    source = re.sub(r'column = "[^"]*"', 'column = "NTE-3"', source)
    head, mark, rest = source.partition(".columns]")
    named, parts, behind = rest.partition("[sources.")
    start = re.search(r"^start = .*\n", named, flags=re.M)
    assert start is not None
    return f"{head}{mark}\n{start[0]}\n{parts}{behind}"


def mapped(chart: str, form: Form) -> bytes:
    site = load_site(SCENARIO / "site.toml")
    stream = io.BytesIO()
    with tempfile.TemporaryDirectory() as folder:
        map_sources(
            [SCENARIO / CHARTS[chart][0]],
            site,
            site.source(chart),
            stream,
            form=form,
            rejects=Path(folder) / "rejects",
        )
    return stream.getvalue()


def build() -> dict[Path, bytes]:
    """Return the content of every file by its path."""
    files: dict[Path, bytes] = {HERE / "forms" / "site.toml": site_file().encode()}
    for chart, (file, _) in CHARTS.items():
        suffix = Path(file).suffix
        files[HERE / "forms" / f"{chart}.wide{suffix}"] = wide(chart).encode()
        files[HERE / "forms" / f"{chart}.jsonl"] = lines(chart).encode()
        files[HERE / "forms" / f"{chart}.hl7"] = oru(chart).encode()
        files[HERE / "valid" / f"{chart}.transaction.json"] = mapped(chart, "transaction")
        files[HERE / "valid" / f"{chart}.ndjson"] = mapped(chart, "ndjson")
    return files


def different(files: Mapping[Path, bytes]) -> Iterable[Path]:
    return [p for p, data in files.items() if not p.is_file() or p.read_bytes() != data]


def main() -> int:
    stale = different(files := build())
    if "--check" in sys.argv:
        if stale:
            print("differs:", ", ".join(sorted(path.name for path in stale)))
        return 1 if stale else 0
    for path in stale:
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(files[path])
    return 0


if __name__ == "__main__":
    sys.exit(main())
