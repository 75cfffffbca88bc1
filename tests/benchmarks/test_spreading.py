"""What dealing the work out is worth, and what a cluster costs more than processes.

    python -m pytest tests/benchmarks/test_spreading.py --benchmark-enable -s

Ratios inside one run: of wall time, for the whole command with two processes against one; and of
processor time, that of all processes together, for a cluster that is up against the processes. Without --benchmark-enable a
hundredth of it is run, to see that it still runs.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from contextlib import contextmanager
from pathlib import Path

import pytest

from fhirdrain.resources.bundle import Writer
from fhirdrain.site import load_site
from fhirdrain.spread import Spreading, Workers
from fhirdrain.street.mapping import opened_sources
from fhirdrain.street.mapping_spread import MapSpread
from fhirdrain.street.patient import NOTHING_MORE
from tests.benchmarks.chart import SITE, SOURCE, write_chart
from tests.benchmarks.test_mapping import HUNDREDTH, WHOLE

psutil = pytest.importorskip("psutil")
distributed = pytest.importorskip("distributed")
pytestmark = pytest.mark.filterwarnings("default")


def map_dealt(chart: Path, out: Path, workers: Workers) -> None:
    site = load_site(SITE)
    source = site.source(SOURCE)
    run = MapSpread(
        opened_sources([chart], source, site), SITE, site, source, "ndjson", False, NOTHING_MORE,
        Spreading(workers, out.with_suffix(".work")),
    )  # fmt: skip
    with run.work() as work, out.open("wb") as stream:
        run.map(work, lambda: Writer(stream, "ndjson"), rejects=out.with_suffix(".rejects"))


def command(*args: object) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "fhirdrain", *map(str, args)], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr


@contextmanager
def local_cluster():
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, host="127.0.0.1", dashboard_address="127.0.0.1:0",
        memory_limit=0,
    ) as cluster:  # fmt: skip
        yield Workers.of(None, cluster.scheduler_address)


class Clock:
    """Wall time, and the processor time of this process and all that it started."""

    def __init__(self):
        self._wall, self._cpu = time.perf_counter(), self._spent()

    @staticmethod
    def _spent():
        me = psutil.Process()
        own = me.cpu_times()  # with those that have ended and were waited for
        total = own.user + own.system + own.children_user + own.children_system
        for child in me.children(recursive=True):
            times = child.cpu_times()
            total += times.user + times.system + times.children_user + times.children_system
        return total

    def read(self):
        return time.perf_counter() - self._wall, self._spent() - self._cpu


def timed(function, *args):
    clock = Clock()
    function(*args)
    return clock.read()


def spreading(folder: Path, rows: int, rounds: int) -> dict[str, float]:
    """Return the ratios, each the median of so many rounds."""
    chart, out = write_chart(folder / "chart.csv", rows), folder / "out.ndjson"
    found: dict[str, list[float]] = {}
    mapping = ("map", chart, "--site", SITE, "--source", SOURCE, "--as", "ndjson", "--out")
    for _ in range(rounds):
        alone, _ = timed(command, *mapping, out)
        whole = out.read_bytes()
        two, _ = timed(command, *mapping, folder / "two.ndjson", "--workers", 2)
        checked, _ = timed(command, "check", out)
        checked_by_two, _ = timed(command, "check", out, "--workers", 2)
        _, cost = timed(map_dealt, chart, folder / "dealt.ndjson", Workers(2))
        with local_cluster() as workers:
            # Once, for what only the first run of a cluster does.
            map_dealt(write_chart(folder / "few.csv", 300), folder / "few.ndjson", workers)
            _, cost_there = timed(map_dealt, chart, folder / "there.ndjson", workers)
        for name in ("two", "dealt", "there"):
            assert (folder / f"{name}.ndjson").read_bytes() == whole
        for name, ratio in (
            ("map by two processes, times as fast as by one", alone / two),
            ("check by two processes, times as fast as by one", checked / checked_by_two),
            ("processor time of a cluster, times that of the processes", cost_there / cost),
        ):
            found.setdefault(name, []).append(ratio)
    return {name: statistics.median(ratios) for name, ratios in found.items()}


def test_two_processes_and_a_cluster(request, tmp_path):
    whole = request.config.getoption("--benchmark-enable")
    ratios = spreading(tmp_path, WHOLE if whole else HUNDREDTH, 3 if whole else 1)
    for name, ratio in ratios.items():
        print(f"\n{name}: {ratio:.2f}")
        assert ratio > 0
