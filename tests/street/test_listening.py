"""listen: from the wire to the server, by the command itself, stopped and killed in between."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import ssl
import stat
import subprocess
import sys
import time
import urllib.request
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from fhirdrain.exchange.auth import Bearer
from fhirdrain.exchange.client import Client
from fhirdrain.exchange.retrieval import fetch
from fhirdrain.sandbox.server import running
from fhirdrain.site import load_site
from fhirdrain.store import Store
from fhirdrain.street.listening import Counts, Desk, Works
from fhirdrain.street.patient import Wanted
from fhirdrain.street.watching import _answer
from tests.exchange.test_sign_in import Certificates
from tests.intake.test_hl7v2 import obx, site_text

SITE = 'drain_from = "OBX-4"'


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "site.toml").write_text(site_text(SITE, ""))
    return tmp_path


@pytest.fixture
def server():
    with running("0") as base:
        yield base


@contextmanager
def listening(folder: Path, *more: str):
    """Run the command; gives its process and port."""
    command = [
        sys.executable, "-m", "fhirdrain", "listen", "--site", "site.toml", "--store", "s.sqlite",
        "--bind", "127.0.0.1:0", *more,
    ]  # fmt: skip
    env = {**os.environ, "PYTHONUNBUFFERED": "1"}
    process = subprocess.Popen(command, cwd=folder, stderr=subprocess.PIPE, text=True, env=env)
    said = []
    try:
        port = 0
        while not port:
            line = process.stderr.readline()
            assert line, "".join(said)
            said.append(line)
            found = re.search(r"listening on .*:(\d+)", line)
            port = int(found[1]) if found else 0
        yield process, port, said
    finally:
        if process.poll() is None:
            process.kill()
        process.wait(20)
        process.stderr.close()


def ended(process, sign=signal.SIGTERM) -> int:
    process.send_signal(sign)
    return process.wait(30)


def message(
    number: int, *rows: str, patient: str = "p-1", made: str = "20250110120000+0100"
) -> bytes:
    segments = [
        f"MSH|^~\\&|app|fac|||{made}||ORU^R01^ORU_R01|m-{number}|P|2.6",
        f"PID|||{patient}^^^PIER^MR", "OBR|1||f-1||||202501101000+0100", *rows,
    ]  # fmt: skip
    return ("\r".join(segments) + "\r").encode()


def level(number: int, value: object, drain: str = "right 1", **more: str) -> str:
    hour = 8 + number % 12
    return obx(str(value), f4=drain, f21=f"r-{number}", f14=f"20250110{hour:02}00+0100", **more)


class Sender:
    """One connection."""

    def __init__(self, port: int) -> None:
        self.line = socket.create_connection(("127.0.0.1", port), timeout=20)
        self.rest = b""

    def ask(self, data: bytes) -> str:
        """Send a message and return what MSA-1 says, with the words of the first ERR."""
        self.line.sendall(b"\x0b" + data + b"\x1c\r")
        while b"\x1c\r" not in self.rest:
            piece = self.line.recv(65536)
            if not piece:
                raise ConnectionError
            self.rest += piece
        answer, _, self.rest = self.rest.partition(b"\x1c\r")
        segments = answer.decode().split("\r")
        told = next(s for s in segments if s.startswith("MSA")).split("|")
        fault = next((s for s in segments if s.startswith("ERR")), "")
        return " ".join([*told[1:2], *fault.split("|")[8:9]])

    def ask_by(self, tls: ssl.SSLContext | None, data: bytes) -> str:
        """Send a message by TLS, if that is given."""
        if tls is not None:
            self.line = tls.wrap_socket(self.line, server_hostname="127.0.0.1")
        return self.ask(data)

    def close(self) -> None:
        self.line.close()


def held(base: str) -> dict[str, tuple[str, str]]:
    """Return value and status of what a server holds as charted, by identifier."""
    client = Client(base, Bearer(None))
    try:
        found = fetch(client, [("Observation", [("code", "level")])])
        return {
            r["identifier"][0]["value"]: (str(r["valueQuantity"]["value"]), r["status"])
            for r in found
            if "valueQuantity" in r
        }
    finally:
        client.close()


def until(check, seconds: float = 30) -> None:
    deadline = time.monotonic() + seconds
    while not check():
        assert time.monotonic() < deadline
        time.sleep(0.1)


def test_from_the_wire_to_the_server_and_a_clean_end(folder, server):
    with listening(folder, "--server", server, "--create-patients", "--log", "log.jsonl") as (
        process, port, _said,
    ):  # fmt: skip
        sender = Sender(port)
        assert [sender.ask(message(n, level(n, n * 10))) for n in range(5)] == ["AA"] * 5
        assert sender.ask(message(3, level(3, 30))) == "AA"  # once more, and kept once
        assert sender.ask(message(9, level(9, 1, drain="nowhere"))).startswith("AE this names no")
        assert sender.ask(b"hello").startswith("AR")
        until(lambda: len(held(server)) == 5)
        corrected = message(10, level(4, 44, status="C"), made="20250110130000+0100")
        assert sender.ask(corrected) == "AA"
        until(lambda: ("44", "corrected") in held(server).values())
        assert ended(process) == 0
        rest = process.stderr.read()
        assert "6 messages accepted, 1 again, 2 refused" in rest
        sender.close()
    assert stat.S_IMODE((folder / "s.sqlite").stat().st_mode) == 0o600
    lines = [json.loads(line) for line in (folder / "log.jsonl").read_text().splitlines()]
    assert stat.S_IMODE((folder / "log.jsonl").stat().st_mode) == 0o600
    # One id leads from a message to the answer of the server.
    first = next(line for line in lines if line["event"] == "message")["correlation"]
    known = {line["event"] for line in lines if first in str(line.get("correlation"))}
    assert known == {"message", "worked out", "answered"}
    text = (folder / "log.jsonl").read_text()
    assert not any(word in text for word in ("p-1", "right 1", "nowhere", "r-1"))


def test_what_was_acknowledged_outlives_a_kill(folder, server):
    with listening(folder) as (process, port, _):
        sender = Sender(port)
        for n in range(8):
            assert sender.ask(message(n, level(n, n * 10))) == "AA"
        process.kill()
        process.wait(20)
        sender.close()
    with listening(folder, "--server", server, "--create-patients") as (process, port, _):
        until(lambda: len(held(server)) == 8)
        sender = Sender(port)
        assert sender.ask(message(0, level(0, 0))) == "AA"  # as after a lost acknowledgement
        sender.close()
        assert ended(process) == 0
    assert len(held(server)) == 8


ODD = [b" \r", b"MSH\r", b"\x0c\r", b"OBX|1|ST|lvl^a \\ b^99||1||||||F\r", b"\\\r", b"|\r"]


def test_no_message_spoils_another(folder):
    with listening(folder, "--watch", "0") as (process, port, said):
        at = re.search(r"watched at (http://127\.0\.0\.1:\d+)/metrics", "".join(said))[1]
        for number, odd in enumerate(ODD):
            sender = Sender(port)
            head, _, rest = message(number, level(1, 10)).partition(b"\r")
            assert sender.ask(head + b"\r" + odd + rest)[:2] in ("AA", "AE", "AR")
            assert sender.ask(message(100 + number, level(2, number))) == "AA"
            sender.close()
        with urllib.request.urlopen(f"{at}/health") as answer:
            assert answer.status == 200
        assert ended(process) == 0


def test_with_tls_only_those_are_heard_who_show_a_certificate(folder):
    made = Certificates(folder)
    own, key = made.issue("server")
    client, client_key = made.issue("client")
    more = ("--tls-certificate", str(own), "--tls-key", str(key), "--tls-clients", str(made.bundle))
    with listening(folder, *more) as (process, port, _):
        known = ssl.create_default_context(cafile=made.bundle)
        known.load_cert_chain(client, client_key)
        sender = Sender(port)
        assert sender.ask_by(known, message(1, level(1, 10))) == "AA"
        sender.close()
        for tls in (None, ssl.create_default_context(cafile=made.bundle)):
            stranger = Sender(port)
            with pytest.raises((OSError, ConnectionError)):
                stranger.ask_by(tls, message(2, level(2, 10)))
            stranger.close()
        assert ended(process) == 0
        assert "1 messages accepted" in process.stderr.read()


@pytest.mark.parametrize(
    ("more", "part"),
    [
        (["--tls-certificate", "x.pem"], "TLS needs"),
        (["--tls-certificate", "x.pem", "--tls-key", "y.key"], "TLS cannot be set up"),
        (["--bind", "nowhere"], "no HOST:PORT"),
    ],
)
def test_how_not_to_listen(folder, more, part):
    command = [
        sys.executable,
        "-m",
        "fhirdrain",
        "listen",
        "--site",
        "site.toml",
        "--store",
        "s",
        *more,
    ]
    told = subprocess.run(
        command, cwd=folder, capture_output=True, text=True, timeout=60, check=False
    )
    assert (told.returncode, part in told.stderr) == (2, True)


def test_it_ends_soon_though_the_server_never_answers(folder):
    deaf = socket.create_server(("127.0.0.1", 0))
    base = f"http://127.0.0.1:{deaf.getsockname()[1]}/fhir"
    with listening(folder, "--server", base) as (process, port, _):
        sender = Sender(port)
        assert sender.ask(message(1, level(1, 10))) == "AA"
        time.sleep(2)
        sender.close()
        begin = time.monotonic()
        assert ended(process) == 0
        assert time.monotonic() - begin < 25
    deaf.close()


def test_a_second_process_is_locked_out_and_one_may_look(folder):
    with listening(folder) as (process, _port, _):
        second = subprocess.run(
            [sys.executable, "-m", "fhirdrain", "listen", "--site", "site.toml", "--store",
             "s.sqlite", "--bind", "127.0.0.1:0"],
            cwd=folder, capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip
        assert second.returncode == 2
        assert "the store is in use by another process" in second.stderr
        looked = subprocess.run(
            [sys.executable, "-m", "fhirdrain", "outbox", "--store", "s.sqlite"],
            cwd=folder, capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip
        assert looked.returncode == 0
        assert ended(process, signal.SIGINT) == 0


def test_metrics_and_health(folder, server):
    with listening(folder, "--watch", "0") as (process, port, said):
        at = re.search(r"watched at (http://127\.0\.0\.1:\d+)/metrics", "".join(said))[1]
        sender = Sender(port)
        sender.ask(message(1, level(1, 10)))
        sender.ask(b"hello")
        until(lambda: read(f"{at}/metrics")["fhirdrain_waiting"] > 0)
        found = read(f"{at}/metrics")
        assert found["fhirdrain_messages_accepted_total"] == 1
        assert found["fhirdrain_messages_refused_total"] == 1
        assert found["fhirdrain_messages_new"] == 0
        assert found["fhirdrain_oldest_waiting_seconds"] < 60
        with urllib.request.urlopen(f"{at}/health") as answer:
            assert (answer.status, answer.read()) == (200, b"ok\n")
        sender.close()
        assert ended(process) == 0


def read(url: str) -> dict[str, float]:
    """Return the samples at a URL, as the reference reader of OpenMetrics reads them."""
    with urllib.request.urlopen(url) as answer:
        assert answer.headers["Content-Type"].startswith("application/openmetrics-text")
        families = text_string_to_metric_families(answer.read().decode())
        return {sample.name: sample.value for family in families for sample in family.samples}


# -- the desk and the works by themselves ----------------------------------------------------


class Office:
    def __init__(self, folder: Path) -> None:
        self.site = load_site(folder / "site.toml")
        self.store = Store(folder / "s.sqlite", self.site.id)
        source = self.site.source(None)
        self.counts = Counts()
        self.desk = Desk(self.store, self.site, source, self.counts)
        self.works = Works(self.store, self.site, source, Wanted(totals=True))

    def take(self, *messages: bytes) -> list[str]:
        replies = self.desk.take(messages)
        while self.works.work():
            pass
        return [reply.verdict for reply in replies]

    def levels(self) -> list[tuple[str, str]]:
        found = [one.resource for one in self.store.outgoing("waiting")]
        return sorted(
            (str(r["valueQuantity"]["value"]), r["status"])
            for r in found
            if r["resourceType"] == "Observation" and "method" not in r and "valueQuantity" in r
        )


@pytest.fixture
def office(folder):
    office = Office(folder)
    yield office
    office.store.close()


def test_a_withdrawal_before_its_original_is_held_until_that_comes(office):
    gone = message(1, level(1, "", status="W"), made="20250110130000+0100")
    assert office.take(gone) == ["accept"]
    assert office.store.messages_by_state() == {"held": 1}
    assert office.levels() == []
    other = message(2, level(2, 5), patient="p-2")
    office.take(other)
    assert office.store.messages_by_state() == {"held": 1, "done": 1}
    office.take(message(3, level(1, 100)))
    assert office.store.messages_by_state() == {"done": 3}
    assert ("100", "entered-in-error") in office.levels()


def test_a_message_of_which_one_part_is_wrong_is_refused_whole(office):
    both = message(1, level(1, 10), level(2, "much", f2="ST"))
    assert office.take(both) == ["error"]
    assert office.store.messages_by_state() == {}
    assert office.levels() == []


def test_messages_of_one_batch_are_one_commit_with_what_comes_of_them(office, monkeypatch):
    office.desk.take([message(n, level(n, n * 10)) for n in range(3)])

    def fall_over(*_):
        raise RuntimeError

    with monkeypatch.context() as patch:
        patch.setattr(office.store, "settle_messages", fall_over)
        with pytest.raises(RuntimeError):
            office.works.work()
    assert office.store.messages_by_state() == {"new": 3}
    assert office.levels() == []
    assert office.works.work() == 3
    assert len(office.levels()) == 3


def test_a_resend_is_known_but_for_the_time_it_was_made_at(office):
    assert office.take(message(1, level(1, 10))) == ["accept"]
    office.take(message(1, level(1, 10), made="20250110120500+0100"))
    assert (office.counts.accepted, office.counts.again) == (1, 1)
    # Another content under the same id is another message.
    office.take(message(1, level(2, 10)))
    assert office.counts.accepted == 2


def test_what_the_site_file_does_not_know_any_more_is_held_until_it_does(office, folder):
    office.desk.take([message(1, level(1, 10)), message(2, level(2, 20), patient="p-2")])
    text = (folder / "site.toml").read_text()
    (folder / "site.toml").write_text(text.replace("items.lvl]", "items.other]"))
    site = load_site(folder / "site.toml")
    works = Works(office.store, site, site.source(None), Wanted())
    assert works.work() == 2
    assert office.store.messages_by_state() == {"held": 2}
    assert works.work() == 0
    again = Works(office.store, office.site, office.site.source(None), Wanted())
    again.work()
    assert office.store.messages_by_state() == {"done": 2}
    assert len(office.levels()) == 2


def test_of_corrections_of_one_minute_the_last_stands_however_they_are_worked_out(folder):
    told = [
        message(1, level(1, 100)),
        message(2, level(1, 120, status="C"), made="20250110120100+0100"),
        message(3, level(1, 130, status="C"), made="20250110120100+0100"),
    ]
    for number, batches in enumerate(([told], [[one] for one in told], [told[:2], told[2:]])):
        place = folder / f"b{number}"
        place.mkdir()
        (place / "site.toml").write_text(site_text(SITE, ""))
        office = Office(place)
        for batch in batches:
            office.take(*batch)
        assert office.levels() == [("130", "corrected")]
        assert office.store.messages_by_state() == {"done": 3}
        office.store.close()


def test_a_correction_that_names_nothing_is_refused(office):
    said = {"f4": "right 1", "f14": "202501100900+0100"}
    nameless = message(1, obx("100", status="C", **said)).replace(b"|f-1|", b"||")
    (reply,) = office.desk.take([nameless])
    assert [(f.code, f.place) for f in reply.faults] == [("101", "OBX-21")]
    plain = message(2, obx("100", **said)).replace(b"|f-1|", b"||")
    assert office.take(plain) == ["accept"]


def test_a_resend_is_known_when_the_message_itself_is_forgotten(office):
    first = message(1, level(1, 100))
    office.take(first, message(2, level(1, 120, status="C"), made="20250110120200+0100"))
    with office.store.commit():
        assert office.store.forget(datetime.now(UTC) + timedelta(days=1))[0] == 2
    office.take(message(1, level(1, 100), made="20250110120900+0100"))
    assert office.levels() == [("120", "corrected")]
    assert office.counts.again == 1


def test_a_store_that_breaks_is_said_and_what_is_kept_stays(office):
    office.take(message(1, level(1, 10)))
    assert office.counts.fault("works", RuntimeError("x")) == 2.0
    status, _, text = _answer("/health", office.store, office.counts)
    assert (status, text) == (503, "works: RuntimeError\n")
    office.counts.faults.clear()
    assert _answer("/health", office.store, office.counts)[0] == 200
    assert _answer("/else", office.store, office.counts)[0] == 404


def test_what_cannot_be_kept_is_not_acknowledged(office, monkeypatch):
    office.store._base._base.execute("PRAGMA max_page_count = 1")  # as on a disk that is full
    replies = office.desk.take([message(n, level(n, 1, f17="x" * 50_000)) for n in range(20)])
    assert {reply.verdict for reply in replies} == {"error"}
    assert {fault.code for reply in replies for fault in reply.faults} == {"207"}
    assert office.store.messages_by_state() == {}


def test_what_is_in_force_does_not_rest_on_the_order_of_messages(folder):
    told = [message(n, level(n, n * 10), made=f"202501101{n % 10}0000+0100") for n in range(6)] + [
        message(9, level(3, 33, status="C"), made="20250111100000+0100")
    ]
    outcomes = []
    for number, order in enumerate((told, told[::-1])):
        place = folder / str(number)
        place.mkdir()
        (place / "site.toml").write_text(site_text(SITE, ""))
        office = Office(place)
        for one in order:
            office.take(one)
        outcomes.append(office.levels())
        office.store.close()
    assert outcomes[0] == outcomes[1]
    assert ("33", "corrected") in outcomes[0]
