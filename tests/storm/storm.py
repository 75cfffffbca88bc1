"""Readings through bad weather to a server, the sender and the server killed now and then.

    python -m tests.storm.storm [--readings 20000] [--patients 200] [--faults 0.3] [--kills 30]
                                [--restarts 5] [--seed 1]

Half of the readings are put right while it storms. Afterwards the server holds each of them once, with
the last value and status; exits 1 if it does not.
"""

from __future__ import annotations

import argparse
import io
import random
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from fhirdrain.exchange.auth import Bearer
from fhirdrain.exchange.client import Client
from fhirdrain.exchange.retrieval import fetch
from fhirdrain.site import load_site
from fhirdrain.store import Store
from fhirdrain.street.mapping import map_sources
from tests.conftest import row, rows_of, site_text
from tests.storm.proxy import Proxy


class Sandbox:
    """The sandbox as a process that is killed and started again."""

    def __init__(self, folder: Path) -> None:
        self.data = folder / "server.sqlite"
        self.port = 0
        self.start()

    def start(self) -> None:
        command = [sys.executable, "-m", "fhirdrain", "sandbox", "--port", str(self.port or 0),
                   "--data", str(self.data)]  # fmt: skip
        for _ in range(20):
            self.process = subprocess.Popen(
                command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
            )
            line = self.process.stdout.readline()
            if "http://" in line:
                self.port = int(line.split("127.0.0.1:")[1].split("/")[0])
                return
            self.process.wait(10)
            time.sleep(0.2)
        raise RuntimeError(line)

    def kill(self) -> None:
        self.process.kill()
        self.process.wait(10)
        self.process.stdout.close()


class Storm:
    """One storm: what was charted, the store, the server and the weather between them."""

    def __init__(self, folder: Path, faults: float, seed: int) -> None:
        self.folder = folder
        self.random = random.Random(seed)
        (folder / "site.toml").write_text(site_text(source='time_format = "iso"'))
        self.site = load_site(folder / "site.toml")
        self.path = folder / "s.sqlite"
        self.sandbox = Sandbox(folder)
        self.proxy = Proxy(self.sandbox.port, faults, seed)
        self.base = f"http://127.0.0.1:{self.proxy.port}/fhir"
        self.expected: dict[tuple[str, str], tuple[str, str]] = {}
        self.kills = self.restarts = self.runs = 0

    def chart(self, numbers: range, patients: int, *, again: bool = False) -> None:
        """Map readings, or other values of them, into the store."""
        lines = []
        for number in numbers:
            patient, hour = f"p-{number % patients}", number // patients
            value = str(number % 97 + (1000 if again else 0))
            stored = f"2025-0{2 + again}-01T00:00+01:00"
            seen = f"2025-01-{1 + hour // 24:02}T{hour % 24:02}:00+01:00"
            lines.append(row(id=f"r{number}", pat=patient, item="out", unit="mL", value=value,
                             seen=seen, stored=stored))  # fmt: skip
            self.expected[patient, seen] = (value, "corrected" if again else "final")
        source = self.folder / "in.csv"
        source.write_text(rows_of(*lines))
        with Store(self.path, self.site.id) as store:
            report = map_sources([source], self.site, self.site.source(None), io.BytesIO(),
                                 rejects=self.folder / "r", store=store)  # fmt: skip
        assert report.rejected == 0

    def left(self) -> Counter[str]:
        with Store(self.path, shared=True) as store:
            return Counter(store.outgoing_by_state())

    def send(self, *, kills: int, restarts: int, seconds: float) -> None:
        """Send until nothing is left, killing sender and server so many times on the way."""
        while self.left()["waiting"] + self.left()["parked"] + self.left()["refused"]:
            if self.left()["refused"]:
                with Store(self.path, shared=True) as store, store.commit():
                    store.retry([one.number for one in store.outgoing("refused")])
            self.runs += 1
            sender = subprocess.Popen(
                [sys.executable, "-m", "fhirdrain", "post", "--store", str(self.path), "--server",
                 self.base, "--create-patients", "--at-once", "2"],
                stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            )  # fmt: skip
            if kills > 0:
                time.sleep(self.random.uniform(0.5, seconds))
                if sender.poll() is None:
                    sender.kill()
                    kills -= 1
                    self.kills += 1
            elif restarts > 0:
                time.sleep(self.random.uniform(0.5, seconds))
                self.sandbox.kill()
                self.sandbox.start()
                restarts -= 1
                self.restarts += 1
            sender.wait(600)
            assert self.runs < 2000

    def held(self) -> dict[tuple[str, str], list[tuple[str, str]]]:
        """Return value and status of all amounts that the server holds, by patient and time."""
        client = Client(f"http://127.0.0.1:{self.sandbox.port}/fhir", Bearer(None))
        found: dict[tuple[str, str], list[tuple[str, str]]] = {}
        for r in fetch(client, [("Observation", [("code", "http://loinc.org|9129-8")])]):
            period, subject = r["effectivePeriod"], r["subject"]["identifier"]["value"]
            when = (
                period["end"].replace(":00+", "+", 1)
                if period["end"].count(":") == 3
                else period["end"]
            )
            said = (str(r["valueQuantity"]["value"]), r["status"])
            found.setdefault((subject, when), []).append(said)
        client.close()
        return found

    def close(self) -> None:
        self.proxy.close()
        self.sandbox.kill()

    def faults_in(self) -> list[str]:
        """Return what is not as it must be, a line each."""
        held, wrong = self.held(), []
        for key, said in self.expected.items():
            if held.get(key) != [said]:
                wrong.append(f"{key}: {held.get(key)} and not {said}")
        wrong += [f"{key}: charted by nobody" for key in held.keys() - self.expected.keys()]
        return wrong


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    for name, kind, usual in (
        ("readings", int, 20000), ("patients", int, 200), ("faults", float, 0.3),
        ("kills", int, 30), ("restarts", int, 5), ("seed", int, 1),
    ):  # fmt: skip
        parser.add_argument(f"--{name}", type=kind, default=usual)
    given = parser.parse_args()
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as name:
        storm = Storm(Path(name), given.faults, given.seed)
        try:
            wrong = weather(storm, given.readings, given.patients, given.kills, given.restarts)
            met = ", ".join(f"{kind} {times}" for kind, times in sorted(storm.proxy.met.items()))
            print(f"{len(storm.expected)} readings, half of them put right meanwhile")
            print(f"{storm.proxy.requests} requests, {storm.proxy.met.total()} met a fault: {met}")
            print(f"{storm.runs} runs of the sender, {storm.kills} killed; {storm.restarts} times"
                  " the server was killed and started again")  # fmt: skip
            print(
                f"{len(wrong)} readings are not as they must be; {time.monotonic() - began:.0f} s"
            )
            for line in wrong[:10]:
                print(line)
        finally:
            storm.close()
    return 1 if wrong else 0


def weather(storm: Storm, readings: int, patients: int, kills: int, restarts: int) -> list[str]:
    """Chart, send, put half right, send again; returns what is wrong in the end."""
    seconds = min(0.5 + readings / 2000, 6.0)
    storm.chart(range(readings), patients)
    storm.send(kills=kills // 2, restarts=restarts // 2, seconds=seconds)
    storm.chart(range(readings // 2), patients, again=True)
    storm.send(kills=kills - kills // 2, restarts=restarts - restarts // 2, seconds=seconds)
    return storm.faults_in()


if __name__ == "__main__":
    sys.exit(main())
