"""Dealt out, map writes byte for byte what it writes in one process, and says the same of it."""

from __future__ import annotations

import csv
import io
import random
from dataclasses import fields, replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fhirdrain.errors import SourceError
from fhirdrain.intake.item import Share
from fhirdrain.resources.bundle import FolderWriter, Run, Writer
from fhirdrain.site import load_site
from fhirdrain.site.destination import read_destination
from fhirdrain.spread import Spreading, Workers
from fhirdrain.street.mapping import map_sources, opened_sources
from fhirdrain.street.mapping_spread import MapSpread
from fhirdrain.street.patient import NOTHING_MORE, wanted_of
from tests.benchmarks.chart import SITE, SOURCE, write_chart
from tests.conftest import HEADER, ROOT, site_text
from tests.intake.test_any_mending import Lines, Wide, cases, restored

NOW = datetime(2025, 1, 20, 12, tzinfo=UTC)
SAMPLES = ROOT / "sample_bundles"
HERE = Workers(1)


@pytest.fixture(autouse=True)
def shares_of_a_few_records(monkeypatch):
    """Small files are shared as large ones are: in this process, where all of this runs."""
    monkeypatch.setattr(Share, "_RUN", 2)


class Compared:
    """What one process makes of files, and what comes of them when they are dealt out."""

    def __init__(self, folder: Path, site_file: Path, source: str | None, *paths: Path) -> None:
        self.folder = folder
        self.site_file = site_file
        self.source = source
        self.paths = paths
        self.destination = None
        self.form = "transaction"
        self.extras: tuple[str, ...] = ()

    def _site(self):
        site = replace(load_site(self.site_file), destination=self.destination)
        return site, site.source(self.source)

    def alone(self):
        site, source = self._site()
        stream, rejects = io.BytesIO(), self._rejects("alone")
        report = map_sources(
            self.paths, site, source, stream, form=self.form, rejects=rejects,
            wanted=wanted_of(self.extras, site), now=NOW,
        )  # fmt: skip
        return stream.getvalue(), _files(rejects.parent), _said(report, rejects)

    def spread(self, shards, workers=HERE, smallest=1):
        site, source = self._site()
        stream, rejects = io.BytesIO(), self._rejects("spread")
        files = opened_sources(self.paths, source, site)
        run = MapSpread(
            files, self.site_file, site, source, self.form, False, wanted_of(self.extras, site),
            Spreading(workers, self.folder / "work", shards, smallest),
        )  # fmt: skip
        with run.work(now=NOW) as work:
            report = run.map(work, lambda: Writer(stream, self.form), rejects=rejects)
        assert not (self.folder / "work").exists()
        return stream.getvalue(), _files(rejects.parent), _said(report, rejects)

    def _rejects(self, name):
        folder = self.folder / name
        folder.mkdir(exist_ok=True)
        for path in folder.iterdir():
            path.unlink()
        return folder / "refused.csv"

    def assert_the_same(self, *shards, **more):
        written, refused, said = self.alone()
        for number in shards:
            found = self.spread(number, **more)
            assert found[2] == said
            assert found[1] == refused
            assert found[0] == written
        return written, refused, said


def _files(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def _said(report, rejects):
    """Return all that a report says, rejects files by their names."""
    said = {field.name: getattr(report, field.name) for field in fields(report)}
    said["rejects"] = [path.name for path in report.rejects]
    assert report.balanced
    return said


# -- charts of every form ---------------------------------------------------------------------


def test_every_form_of_the_scenario(tmp_path):
    tried = set()
    for path in sorted([*(SAMPLES / "scenario").iterdir(), *(SAMPLES / "forms").iterdir()]):
        for site_file in {path.parent / "site.toml", SAMPLES / "scenario" / "site.toml"}:
            if not site_file.is_file() or path.suffix == ".toml":
                continue
            for name in load_site(site_file).sources:
                compared = Compared(tmp_path, site_file, name, path)
                try:
                    compared.alone()
                except SourceError:
                    continue  # its columns are those of another source
                compared.extras = ("totals",)
                _, _, said = compared.assert_the_same(1, 3)
                if said["mapped"]:
                    tried.add((path.name, load_site(site_file).source(name).kind))
    assert {kind for _, kind in tried} >= {"table", "jsonlines", "hl7v2"}
    assert len(tried) >= 6


def test_fhir_of_other_sites(tmp_path):
    chart = write_chart(tmp_path / "chart.csv", 400)
    ours = Compared(tmp_path, SITE, SOURCE, chart)
    ours.form = "ndjson"
    (tmp_path / "ours.ndjson").write_bytes(ours.alone()[0])
    text = SITE.read_text("utf-8")
    text += '\n[sources.other]\nkind = "fhir"\n'
    (tmp_path / "site.toml").write_text(text, "utf-8")
    (tmp_path / "policy.toml").write_bytes((SITE.parent / "policy.toml").read_bytes())
    compared = Compared(tmp_path, tmp_path / "site.toml", "other", tmp_path / "ours.ndjson")
    _, _, said = compared.assert_the_same(1, 4)
    assert said["items"] > 400


@pytest.mark.parametrize("form", ["transaction", "collection", "ndjson"])
def test_many_patients_in_any_number_of_shards_and_every_form(tmp_path, form):
    chart = write_chart(tmp_path / "chart.csv", 3_000)
    compared = Compared(tmp_path, SITE, SOURCE, chart)
    compared.form = form
    _, _, said = compared.assert_the_same(1, 2, 7, 40)
    assert said["mapped"] == 3_000
    assert said["answers"].total() > 3


def test_what_is_sent_beside_readings_and_where_it_came_from(tmp_path):
    chart = write_chart(tmp_path / "chart.csv", 900)
    compared = Compared(tmp_path, SITE, SOURCE, chart)
    compared.destination = read_destination("there", {"provenance": True}, "settings.toml")
    compared.extras = ("totals", "rates")
    written, _, said = compared.assert_the_same(1, 3)
    assert said["resources"]["Provenance"] == 3
    assert b'"recorded":"2025-01-20T12:00:00' in written


def test_nothing_but_a_header(tmp_path):
    (tmp_path / "empty.csv").write_text(",".join(HEADER) + "\n")
    (tmp_path / "site.toml").write_text(site_text(), "utf-8")
    written, _, said = Compared(
        tmp_path, tmp_path / "site.toml", None, tmp_path / "empty.csv"
    ).assert_the_same(1, 5)
    assert b"entry" not in written
    assert said["items"] == 0


# -- charts in any disorder -------------------------------------------------------------------

ITEMS = [
    ("lvl", ["0", "100", "250", "junk", ""], ["mL", "mls", "", "L"]),
    ("out", ["10", "20", "x"], ["mL"]),
    ("swg", ["present", "absent", "maybe"], [""]),
    ("air", ["none", "cough only", "not looked at"], [""]),
    ("col", ["blutig", "serous"], [""]),
    ("chg", ["full", ""], [""]),
    ("rem", ["out", ""], [""]),
    ("txt", ["a word"], [""]),
    ("odd", ["1"], [""]),
]


def disordered(rng: random.Random, number: int) -> str:
    """Return a chart with patients mixed, versions, ties, ids used twice, and much that is wrong."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(HEADER)
    for line in range(rng.randint(1, 40)):
        item, values, units = rng.choice(ITEMS)
        row = dict.fromkeys(HEADER, "")
        row |= {
            "id": rng.choice(["", f"{number}-{line}", f"r{rng.randint(1, 9)}"]),
            "pat": rng.choice(["p-1", "p-2", "p-3", "Ö-4", "p-5", ""]),
            "drain": rng.choice(["right 1", "left 1", "left 1", "nowhere"]),
            "seen": rng.choice(
                ["", *[f"2025-01-1{d} 0{h}:00" for d in range(3) for h in range(9)]]
            ),
            "stored": rng.choice(["", "", f"2025-01-14 1{rng.randint(0, 9)}:00"]),
            "item": item,
            "value": rng.choice(values),
            "unit": rng.choice(units),
            "state": rng.choice(["", "", "", "struck", "put right", "odd"]),
            "note": rng.choice(["", "closed", "two\nlines", 'a "quote", and, commas']),
        }
        writer.writerow([row[name] for name in HEADER])
    written = text.getvalue()
    if rng.random() < 0.2:
        written = written[:-1]  # without its last line end
    if rng.random() < 0.2:
        written += '"a quote that is never closed,'
    if rng.random() < 0.2:
        written = written.replace("\n", "\n\n", 1)
    return written


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(seed=st.integers(0, 10**6))
def test_any_disorder_and_what_was_mended_of_it(tmp_path_factory, seed):
    rng = random.Random(seed)
    folder = tmp_path_factory.mktemp("disorder")
    (folder / "site.toml").write_text(site_text(), "utf-8")
    paths = []
    for number in range(rng.randint(1, 4)):
        path = folder / f"in-{number}.csv"
        path.write_text(disordered(rng, number), "utf-8")
        paths.append(path)
    compared = Compared(folder, folder / "site.toml", None, *paths)
    _, refused, _ = compared.assert_the_same(rng.randint(1, 9))
    # Some of what was refused is mended, some as it was, and is run again with the sources.
    for name, data in refused.items():
        mended = data.decode().replace("nowhere", "left 1").replace(",junk,", ",300,")
        path = folder / f"mended-{name}"
        path.write_text(mended, "utf-8")
        paths.insert(rng.randint(0, len(paths)), path)
    if refused:
        compared.paths = tuple(paths)
        compared.assert_the_same(rng.randint(1, 9), rng.randint(1, 9))


# -- a folder ---------------------------------------------------------------------------------


@pytest.mark.parametrize("packing", [None, "gzip", "zstd"])
def test_a_folder_is_the_same_too(tmp_path, packing):
    chart = write_chart(tmp_path / "chart.csv", 900)
    site = load_site(SITE)
    source = site.source(SOURCE)
    run = Run(NOW, "0")
    for name in ("alone", "spread"):
        (tmp_path / name).mkdir()
    map_sources(
        [chart], site, source, FolderWriter(tmp_path / "alone", packing, run),
        rejects=tmp_path / "r1",
    )  # fmt: skip
    spread = MapSpread(
        opened_sources([chart], source, site), SITE, site, source, "ndjson", True, NOTHING_MORE,
        Spreading(HERE, tmp_path / "work", 3, 1),
    )  # fmt: skip
    with spread.work() as work:
        spread.map(
            work, lambda: FolderWriter(tmp_path / "spread", packing, run), rejects=tmp_path / "r2"
        )
    alone = _files(tmp_path / "alone")
    assert alone == _files(tmp_path / "spread")
    ending = {None: "", "gzip": ".gz", "zstd": ".zst"}[packing]
    assert set(alone) == {
        f"{kind}.ndjson{ending}" for kind in ("Device", "DeviceUseStatement", "Observation")
    } | {"manifest.json"}


def test_processes_write_the_same(tmp_path):
    """As the command does it, in processes of their own, where nothing is patched."""
    chart = write_chart(tmp_path / "chart.csv", 2_500)
    Compared(tmp_path, SITE, SOURCE, chart).assert_the_same(5, workers=Workers(2))


@pytest.mark.parametrize("form", [Wide(), Lines()], ids=lambda form: form.name)
@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(case=cases, shards=st.integers(1, 9))
def test_rounds_that_were_refused_in_part_and_mended(tmp_path_factory, form, case, shards):
    rows, broken, _ = case
    folder = tmp_path_factory.mktemp("rounds")
    (folder / "site.toml").write_text(form.site, "utf-8")
    spoilt = [dict(row) for row in rows]
    for index, column, odd in broken:
        spoilt[index][column] = odd
    (folder / form.name).write_bytes(form.write(spoilt))
    compared = Compared(folder, folder / "site.toml", None, folder / form.name)
    _, refused, _ = compared.assert_the_same(shards)
    for name, data in refused.items():
        mended = [restored(row, rows, spoilt, broken) for row in form.read(data)]
        (folder / f"mended-{name}-{form.name}").write_bytes(form.rewrite(mended, data))
        compared.paths += (folder / f"mended-{name}-{form.name}",)
    if refused:
        compared.assert_the_same(shards)
