"""How map and check compare with the least that any program can do, and with a typed library.

    python -m pytest tests/benchmarks/test_mapping.py --benchmark-enable -s
    python -m tests.benchmarks.table          # all figures of the README, as a table

Every figure is a ratio inside one run, of processor time. The floor is msgspec decoding and
encoding the same NDJSON; the library is fhir.resources, building and dumping the same resources.
Without --benchmark-enable a hundredth of it is run, to see that it still runs.
"""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
import time
from pathlib import Path

import msgspec
import pytest

from fhirdrain.conformance import check_file
from fhirdrain.site import load_site
from fhirdrain.street.mapping import map_sources
from fhirdrain.street.patient import Wanted, drains_of, summarise, to_send
from fhirdrain.vocabulary.jsontext import decode, encode
from tests.benchmarks.chart import SITE, SOURCE, write_chart

WHOLE, HUNDREDTH = 200_000, 2_000


def seconds(function, *args):
    """Return processor time and result."""
    start = time.process_time()
    found = function(*args)
    return time.process_time() - start, found


def mapped(chart: Path, out: Path):
    site = load_site(SITE)
    with out.open("wb") as stream:
        return map_sources(
            [chart], site, site.source(SOURCE), stream, form="ndjson",
            rejects=chart.with_suffix(".rejects"),
        )  # fmt: skip


def floor(path: Path) -> None:
    decoder = msgspec.json.Decoder()
    with path.open("rb") as stream:
        for line in stream:
            msgspec.json.encode(decoder.decode(line))


def library(path: Path, most: int) -> float:
    """Return the seconds that fhir.resources takes for one Observation, built and dumped."""
    from fhir.resources.R4B.observation import Observation

    with path.open(encoding="utf-8") as stream:
        lines = [line for line in stream if line.startswith('{"resourceType":"Observation"')]
    bodies = [json.loads(line) for line in lines[:most]]

    def built() -> None:
        for body in bodies:
            Observation.model_validate(body).model_dump_json()

    return seconds(built)[0] / len(bodies)


def whole_runs(folder: Path, rows: int) -> dict[str, float]:
    """Return the ratios of map and of check over a chart of so many rows."""
    chart, out = write_chart(folder / "chart.csv", rows), folder / "out.ndjson"
    mapping, report = seconds(mapped, chart, out)
    assert (report.items, report.rejected) == (rows, 0)
    resources = sum(report.resources.values())
    least, _ = seconds(floor, out)
    checking, issues = seconds(check_file, out)
    assert [i for i in issues if i.is_error] == []
    typed = library(out, min(resources, 2_000)) * resources
    return {
        "map, times the floor": mapping / least,
        "map, times as fast as the library": typed / mapping,
        "check, times the floor": checking / least,
        "check, times as fast as the library": typed / checking,
    }


def one_reading(folder: Path, times: int) -> float:
    """Return how many times as fast a reading is made an Observation and written as typed."""
    chart, out = write_chart(folder / "one.csv", 300), folder / "one.ndjson"
    site = load_site(SITE)
    with out.open("wb") as stream:
        report = map_sources(
            [chart], site, site.source(SOURCE), stream, form="ndjson",
            rejects=folder / "one.rejects", keep_items=True,
        )  # fmt: skip
    (patient,) = {r.patient for r in report.readings}
    drains = drains_of(patient, report.readings, site.settings)
    summaries, *_ = summarise(drains, site.settings)

    def made() -> int:
        count = 0
        for _ in range(times):
            for _, body in to_send(drains, summaries, site, "ndjson", Wanted()):
                count += bool(encode(body))
        return count

    ours, count = seconds(made)
    return library(out, 300) / (ours / count)


def peak_memory(folder: Path, rows: int) -> int:
    """Return the peak memory in kB of a process of its own that maps so many rows."""
    chart = write_chart(folder / f"memory-{rows}.csv", rows)
    program = (
        "import resource, sys\nfrom pathlib import Path\n"
        "from tests.benchmarks.test_mapping import mapped\n"
        f"mapped(Path({str(chart)!r}), Path('/dev/null'))\n"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    return int(done.stdout)


def start_up(rounds: int) -> dict[str, float]:
    """Return how long commands take to start, in terms of `python -c pass` (wall time)."""
    sample = SITE.parent.parent / "invalid" / "category.json"
    commands = {
        "pass": [sys.executable, "-c", "pass"],
        "--help": [sys.executable, "-m", "fhirdrain", "--help"],
        "about": [sys.executable, "-m", "fhirdrain", "about"],
        "check": [sys.executable, "-m", "fhirdrain", "check", str(sample)],
    }
    least: dict[str, list[float]] = {name: [] for name in commands}
    for _ in range(rounds):
        for name, command in commands.items():
            start = time.perf_counter()
            subprocess.run(command, capture_output=True, check=False)
            least[name].append(time.perf_counter() - start)
    found = {name: min(times) for name, times in least.items()}
    return {name: found[name] / found["pass"] for name in commands if name != "pass"}


def test_map_and_check_against_the_floor_and_the_library(request, tmp_path):
    pytest.importorskip("fhir.resources.R4B.observation")
    whole = request.config.getoption("--benchmark-enable")
    for name, ratio in whole_runs(tmp_path, WHOLE if whole else HUNDREDTH).items():
        print(f"\n{name}: {ratio:.1f}")
        assert ratio > 0


def test_one_reading_against_the_library(request, tmp_path):
    pytest.importorskip("fhir.resources.R4B.observation")
    whole = request.config.getoption("--benchmark-enable")
    found = [one_reading(tmp_path, 50 if whole else 1) for _ in range(5 if whole else 1)]
    print(f"\none reading: {statistics.median(found):.1f} times as fast as the library")
    assert min(found) > 1


def test_memory_does_not_grow_with_the_rows(request, tmp_path):
    sizes = (10_000, 100_000, 1_000_000) if request.config.getoption("--benchmark-enable") else (
        1_000, 5_000,
    )  # fmt: skip
    peaks = [peak_memory(tmp_path, rows) for rows in sizes]
    for rows, peak in zip(sizes, peaks, strict=True):
        print(f"\n{rows:>9} rows: {peak / 1024:.0f} MB at most")
    assert peaks[-1] < 1.3 * peaks[0]


def test_starting(request):
    rounds = 10 if request.config.getoption("--benchmark-enable") else 1
    for name, ratio in start_up(rounds).items():
        print(f"\n{name}: {ratio:.1f} times python -c pass")
        assert ratio > 0


def in_order(value):
    """Return JSON with the keys of every object in one order: the models have an order of theirs."""
    if isinstance(value, dict):
        return {key: in_order(value[key]) for key in sorted(value)}
    return [in_order(one) for one in value] if isinstance(value, list) else value


def test_the_fast_way_and_the_typed_way_give_the_same_bytes(tmp_path):
    """What map writes is what the typed models make of it: nothing is dropped or respelled."""
    pytest.importorskip("fhir.resources.R4B.observation")
    from fhir.resources.R4B import get_fhir_model_class

    chart, out = write_chart(tmp_path / "chart.csv", 600), tmp_path / "out.ndjson"
    mapped(chart, out)
    tried = {}
    for line in out.read_bytes().splitlines():
        body = decode(line)
        assert encode(body) == line
        model = get_fhir_model_class(body["resourceType"]).model_validate(body)
        typed = decode(model.model_dump_json().encode())
        assert encode(in_order(typed)) == encode(in_order(body))
        tried[body["resourceType"]] = tried.get(body["resourceType"], 0) + 1
    assert tried.keys() == {"Device", "DeviceUseStatement", "Observation"}
    assert tried["Observation"] > 600
