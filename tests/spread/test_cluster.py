"""On a Dask cluster, too, every row is there once: also when a worker is killed in the middle."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from contextlib import contextmanager

import pytest

from fhirdrain.conformance import check_file
from fhirdrain.errors import UnreachableError
from fhirdrain.spread import Spreading, Workers
from fhirdrain.street.checking import Against
from fhirdrain.street.checking_spread import begun, check_spread
from tests.benchmarks.chart import SITE, SOURCE, write_chart
from tests.spread.test_map_spread import Compared

distributed = pytest.importorskip("distributed")
pytestmark = pytest.mark.filterwarnings("default")


@contextmanager
def cluster_of(workers: int):
    """Give the address of a cluster of so many processes on loopback, and a client of it."""
    with (
        distributed.LocalCluster(
            n_workers=workers, threads_per_worker=1, host="127.0.0.1", dashboard_address="127.0.0.1:0",
            memory_limit=0,
        ) as cluster,
        distributed.Client(cluster, set_as_default=False) as client,
    ):  # fmt: skip
        yield cluster.scheduler_address, client


@pytest.fixture(scope="module")
def cluster():
    with cluster_of(2) as found:
        yield found


def test_a_cluster_writes_the_same(tmp_path, cluster):
    address, _ = cluster
    workers = Workers.of(None, address)
    assert workers == Workers(2, address)
    chart = write_chart(tmp_path / "chart.csv", 2_500)
    _, _, said = Compared(tmp_path, SITE, SOURCE, chart).assert_the_same(5, workers=workers)
    assert said["items"] == 2_500


def test_a_worker_is_killed_in_the_middle_and_every_row_is_there_once(tmp_path):
    chart = write_chart(tmp_path / "chart.csv", 12_000)
    compared = Compared(tmp_path, SITE, SOURCE, chart)
    compared.form = "ndjson"
    alone, _, said = compared.alone()
    manifest = tmp_path / "work" / "fhirdrain-work.json"
    with cluster_of(2) as (address, client):
        workers = Workers.of(None, address)
        pids = list(client.run(os.getpid).values())
        found = []
        run = threading.Thread(
            target=lambda: found.append(compared.spread(24, workers=workers, smallest=1 << 17))
        )
        run.start()
        end = time.monotonic() + 60
        while not (manifest.exists() and "shard-" in manifest.read_text()):
            assert time.monotonic() < end
            time.sleep(0.01)
        os.kill(pids[0], signal.SIGKILL)
        done = json.loads(manifest.read_text())["done"]
        run.join(120)
        assert pids[0] not in client.run(os.getpid).values()
    assert sum(name.startswith("shard-") for name in done) < 24, "it was not in the middle"
    assert found[0][0] == alone
    assert found[0][2] == said
    rows = [
        identifier["value"]
        for line in found[0][0].splitlines()
        if (resource := json.loads(line))["resourceType"] == "Observation"
        for identifier in resource["identifier"][:1]
    ]
    assert len(rows) == len(set(rows)) > 12_000
    assert said["items"] == said["mapped"] == 12_000


def test_the_check_is_the_same_on_a_cluster(tmp_path, cluster):
    address, _ = cluster
    out = tmp_path / "out.ndjson"
    compared = Compared(tmp_path, SITE, SOURCE, write_chart(tmp_path / "chart.csv", 600))
    compared.form = "ndjson"
    out.write_bytes(compared.alone()[0].replace(b'"code":"mL"', b'"code":"ml"'))
    against = Against()
    workers = Workers.of(None, address)
    spreading = Spreading(workers, tmp_path / "checking", None, 1 << 14)
    checker, _ = against.checker()
    with begun([str(out)], against, spreading) as work:
        assert len(work.layout["reading"]) > 4
        found = list(check_spread([str(out)], against, checker, workers, work))
    alone = check_file(out)
    assert len(alone) > 100
    assert found == alone


def test_the_command(tmp_path, cluster):
    address, _ = cluster
    chart = write_chart(tmp_path / "chart.csv", 900)

    def command(out, *more):
        return subprocess.run(
            [
                sys.executable, "-m", "fhirdrain", "map", "chart.csv", "--site", str(SITE),
                "--source", SOURCE, "--out", out, *more,
            ],
            cwd=tmp_path, capture_output=True, text=True, check=False,
        )  # fmt: skip

    assert command("alone.json").returncode == 0
    dealt = command("dealt.json", "--cluster", address)
    assert (dealt.returncode, chart.exists()) == (0, True), dealt.stderr
    assert (tmp_path / "dealt.json").read_bytes() == (tmp_path / "alone.json").read_bytes()
    nowhere = command("-", "--cluster", address)
    assert nowhere.returncode == 2
    assert "a cluster needs a folder that all of it sees (hint: name one with --work)" in (
        nowhere.stderr
    )


def test_nobody_answers():
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{taken.getsockname()[1]}"
        with pytest.raises(UnreachableError, match="no scheduler of a cluster answers"):
            Workers.of(None, address)


@pytest.mark.parametrize("address", ["", "nowhere:", "http://127.0.0.1:1", "tcp://:x"])
def test_no_address(address, tmp_path):
    from fhirdrain.errors import FhirdrainError

    with pytest.raises(FhirdrainError):
        Workers.of(None, address)
