"""Messages through broken connections to the listener, which is killed now and then.

    python -m tests.storm.feed [--messages 3000] [--senders 8] [--kills 15] [--seed 1]

A sender that gets no answer sends again, on a new connection, as senders do; now and then it breaks a
connection itself, half way through a message or before it has read the answer. Afterwards every message
that was acknowledged is on the server once, with the right value; exits 1 if not.
"""

from __future__ import annotations

import argparse
import os
import random
import re
import socket
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

from fhirdrain.exchange.auth import Bearer
from fhirdrain.exchange.client import Client
from fhirdrain.exchange.retrieval import fetch
from fhirdrain.store import Store
from tests.intake.test_hl7v2 import obx, site_text
from tests.storm.storm import Sandbox


class Feed:
    """A listener that is killed, its senders, and the server behind it."""

    def __init__(self, folder: Path, seed: int) -> None:
        self.folder = folder
        self.random = random.Random(seed)
        (folder / "site.toml").write_text(site_text('drain_from = "OBX-4"', ""))
        self.sandbox = Sandbox(folder)
        self.port = 0
        self.acknowledged: dict[int, int] = {}
        self.sent = self.breaks = self.kills = 0
        self._lock = threading.Lock()
        self.start()

    def start(self) -> None:
        command = [
            sys.executable, "-m", "fhirdrain", "listen", "--site", "site.toml", "--store", "f.sqlite",
            "--bind", f"127.0.0.1:{self.port}", "--server",
            f"http://127.0.0.1:{self.sandbox.port}/fhir", "--create-patients",
        ]  # fmt: skip
        env = {**os.environ, "PYTHONUNBUFFERED": "1"}
        for _ in range(20):
            self.process = subprocess.Popen(
                command, cwd=self.folder, stderr=subprocess.PIPE, text=True, env=env
            )
            line = self.process.stderr.readline()
            found = re.search(r"listening on .*:(\d+)", line)
            if found:
                self.port = int(found[1])
                return
            self.process.wait(10)
            self.process.stderr.close()
            time.sleep(0.2)
        raise RuntimeError(line)

    def kill(self) -> None:
        self.process.kill()
        self.process.wait(10)
        self.process.stderr.close()

    def send(self, numbers: range, seed: int) -> None:
        """Send messages until each is acknowledged, over lines that break."""
        rng = random.Random(seed)
        line = None
        for number in numbers:
            data = b"\x0b" + message(number) + b"\x1c\r"
            while True:
                try:
                    if line is None:
                        line = socket.create_connection(("127.0.0.1", self.port), timeout=10)
                    breaks = rng.random()
                    if breaks < 0.05:
                        line.sendall(data[: len(data) // 2])
                        raise ConnectionError
                    line.sendall(data if breaks < 0.9 else data + data)
                    with self._lock:
                        self.sent += 1
                    if breaks < 0.1:
                        raise ConnectionError
                    answers = [answer(line) for _ in range(1 if breaks < 0.9 else 2)]
                    assert all("|AA|" in one for one in answers), answers
                    with self._lock:
                        self.acknowledged[number] = value(number)
                    break
                except (OSError, ConnectionError):
                    with self._lock:
                        self.breaks += 1
                    if line is not None:
                        line.close()
                    line = None
                    time.sleep(rng.uniform(0, 0.1))
        if line is not None:
            line.close()

    def run(self, messages: int, senders: int, kills: int) -> list[str]:
        """Send so many messages, kill the listener so often; returns what is wrong in the end."""
        threads = [
            threading.Thread(target=self.send, args=(range(n, messages, senders), n))
            for n in range(senders)
        ]
        for thread in threads:
            thread.start()
        while any(thread.is_alive() for thread in threads):
            if self.kills < kills:
                time.sleep(self.random.uniform(0.3, 2.0))
                self.kill()
                self.kills += 1
                self.start()
            else:
                time.sleep(0.1)
        deadline = time.monotonic() + 300
        while time.monotonic() < deadline and not self.is_settled():
            time.sleep(0.3)
        return self.faults_in()

    def is_settled(self) -> bool:
        with Store(self.folder / "f.sqlite", shared=True) as store:
            states, messages = store.outgoing_by_state(), store.messages_by_state()
        return not states.get("waiting") and not messages.get("new")

    def faults_in(self) -> list[str]:
        client = Client(f"http://127.0.0.1:{self.sandbox.port}/fhir", Bearer(None))
        held: dict[int, list[str]] = {}
        for r in fetch(client, [("Observation", [("code", "http://loinc.org|9129-8")])]):
            number = int(r["subject"]["identifier"]["value"].removeprefix("p-"))
            held.setdefault(number, []).append(str(r["valueQuantity"]["value"]))
        client.close()
        return [
            f"message {number}: {held.get(number)} and not {said}"
            for number, said in self.acknowledged.items()
            if held.get(number) != [str(said)]
        ]

    def close(self) -> None:
        self.kill()
        self.sandbox.kill()


def value(number: int) -> int:
    return number % 991


def message(number: int) -> bytes:
    amount = obx(
        str(value(number)), "out", f4="right 1", f21=f"r-{number}", f14="202501101000+0100"
    )
    segments = [
        f"MSH|^~\\&|app|fac|||20250110120000+0100||ORU^R01^ORU_R01|m-{number}|P|2.6",
        f"PID|||p-{number}^^^PIER^MR", "OBR|1||f-1||||202501101000+0100", amount,
    ]  # fmt: skip
    return ("\r".join(segments) + "\r").encode()


def answer(line: socket.socket) -> str:
    """Read one acknowledgement, a byte at a time: what follows is the next one's."""
    data = b""
    while not data.endswith(b"\x1c\r"):
        piece = line.recv(1)
        if not piece:
            raise ConnectionError
        data += piece
    return data.decode()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    for name, usual in (("messages", 3000), ("senders", 8), ("kills", 15), ("seed", 1)):
        parser.add_argument(f"--{name}", type=int, default=usual)
    given = parser.parse_args()
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as name:
        feed = Feed(Path(name), given.seed)
        try:
            wrong = feed.run(given.messages, given.senders, given.kills)
            print(f"{len(feed.acknowledged)} messages acknowledged, sent {feed.sent} times;"
                  f" {feed.breaks} lines broke, the listener was killed {feed.kills} times")  # fmt: skip
            print(f"{len(wrong)} are not on the server once; {time.monotonic() - began:.0f} s")
            for line in wrong[:10]:
                print(line)
        finally:
            feed.close()
    return 1 if wrong or len(feed.acknowledged) < given.messages else 0


if __name__ == "__main__":
    sys.exit(main())
