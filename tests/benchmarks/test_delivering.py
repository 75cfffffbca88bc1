"""What delivery costs the client, and what durability costs the listener: ratios within one run.

    python -m pytest tests/benchmarks/test_delivering.py --benchmark-enable -s

The client's own processor time for posting, against a bare requests session that posts the same
bundles, to a server that answers at once. The listener's acknowledgements a second with 64
connections, durable, against one that only parses and acknowledges. Without --benchmark-enable a small
part of it is run, to see that it still runs.
"""

from __future__ import annotations

import asyncio
import multiprocessing
import tempfile
from collections.abc import Callable
from pathlib import Path
from time import perf_counter, process_time

import requests

from fhirdrain.exchange.auth import Bearer
from fhirdrain.exchange.client import Client
from fhirdrain.exchange.delivery import Entry, deliver
from fhirdrain.exchange.mllp import Listener, Reply
from fhirdrain.site import load_site
from fhirdrain.store import Store
from fhirdrain.street.listening import Counts, Desk, Feed, Works
from fhirdrain.street.patient import Wanted
from fhirdrain.vocabulary.jsontext import encode
from tests.intake.test_hl7v2 import site_text
from tests.storm.feed import message

ENTRIES = 200


# -- the client -----------------------------------------------------------------------------


def answering(port: multiprocessing.Value) -> None:
    """Serve as fast as can be: whatever is posted was created."""
    created = {"response": {"status": "201", "location": "Observation/1/_history/1"}}
    posted = encode({"resourceType": "Bundle", "type": "transaction-response",
                     "entry": [created] * ENTRIES})  # fmt: skip
    found = encode({"resourceType": "Bundle", "type": "searchset", "total": 1,
                    "entry": [{"resource": {"resourceType": "Patient", "id": "1"}}]})  # fmt: skip

    async def talk(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while True:
            try:
                head = await reader.readuntil(b"\r\n\r\n")
            except asyncio.IncompleteReadError:
                break
            length = head.lower().partition(b"content-length:")[2].split(b"\r\n")[0]
            if length:
                await reader.readexactly(int(length))
            body = posted if head.startswith(b"POST") else found
            writer.write(
                b"HTTP/1.1 200 OK\r\nContent-Type: application/fhir+json\r\nContent-Length: %d\r\n\r\n"
                % len(body)
                + body
            )
            await writer.drain()
        writer.close()

    async def run() -> None:
        server = await asyncio.start_server(talk, "127.0.0.1", 0, limit=1 << 24)
        port.value = server.sockets[0].getsockname()[1]
        await server.serve_forever()

    asyncio.run(run())


def started(target: Callable[..., None], *more: object) -> tuple[multiprocessing.Process, int]:
    context = multiprocessing.get_context("spawn")
    port = context.Value("i", 0)
    process = context.Process(target=target, args=(port, *more), daemon=True)
    process.start()
    while not port.value:
        process.join(0.05)
        assert process.is_alive()
    return process, port.value


def entries(count: int) -> list[Entry]:
    """Return amounts as they go out, of one patient for every piece."""
    made = []
    for number in range(count):
        patient = f"p-{number // ENTRIES}"
        subject = {
            "reference": f"Patient?identifier=s|{patient}",
            "identifier": {"system": "s", "value": patient},
        }
        resource = {
            "resourceType": "Observation",
            "identifier": [{"system": "https://pier.example/reading", "value": f"{number:032x}"}],
            "status": "final",
            "category": [{"coding": [{"system": "http://x.example/c", "code": "exam"}]}] * 2,
            "code": {"coding": [{"system": "http://loinc.org", "code": "9129-8"}] * 3},
            "subject": subject,
            "effectivePeriod": {
                "start": "2025-01-10T08:00:00+01:00",
                "end": "2025-01-10T09:00:00+01:00",
            },
            "issued": "2025-01-10T09:04:00+01:00",
            "performer": [{"identifier": {"system": "https://pier.example/staff", "value": "n"}}],
            "valueQuantity": {"value": number, "unit": "mL", "system": "u", "code": "mL"},
            "device": {"reference": "Device/1", "identifier": {"system": "d", "value": "R1.1.x"}},
        }
        condition = f"identifier=https://pier.example/reading|{number:032x}"
        request = {"method": "POST", "url": "Observation", "ifNoneExist": condition}
        body = {"fullUrl": f"urn:uuid:{number}", "resource": resource, "request": request}
        made.append(Entry(number, subject["reference"], body))
    return made


def client_against_a_bare_session(bundles: int, rounds: int) -> list[float]:
    """Return how many times the processor time of a bare session our client takes, a round each."""
    process, port = started(answering)
    sent = entries(bundles * ENTRIES)
    client = Client(f"http://127.0.0.1:{port}/fhir", Bearer(None))
    bare = requests.Session()
    ratios = []
    for _ in range(rounds):
        begin = process_time()
        found = deliver(client, sent)
        ours = process_time() - begin
        assert len(found.created) == len(sent)
        begin = process_time()
        for number in range(bundles):
            piece = [entry.body for entry in sent[number * ENTRIES : (number + 1) * ENTRIES]]
            bundle = {"resourceType": "Bundle", "type": "transaction", "entry": piece}
            # As plainly as it is done: the patient looked up, the bundle posted, the answer read.
            bare.get(f"{client.base}/Patient", params={"identifier": "s|p"}).json()
            answer = bare.post(client.base, json=bundle)
            assert answer.json()["type"] == "transaction-response"
        ratios.append(ours / (process_time() - begin))
    bare.close()
    client.close()
    process.kill()
    return ratios


def test_the_client_costs_little_beyond_a_bare_session(benchmark):
    ratios = client_against_a_bare_session(60 if benchmark.enabled else 2, 3)
    print(f"\nclient: {sorted(ratios)[1]:.2f} of a bare session's processor time")
    benchmark.pedantic(lambda: None)
    if benchmark.enabled:
        assert min(ratios) <= 2


# -- the listener ---------------------------------------------------------------------------


def listening(port: multiprocessing.Value, folder: str, durable: bool) -> None:
    """Listen as `listen` does, without a server behind; or only parse and acknowledge."""
    place = Path(folder)
    site = load_site(place / "site.toml")
    source = site.source(None)

    async def run() -> None:
        if durable:
            stores = [Store(place / "s.sqlite", site.id) for _ in range(2)]
            counts = Counts()
            feed = Feed(
                Desk(stores[0], site, source, counts),
                Works(stores[1], site, source, Wanted()),
            )
            listener = Listener(feed.take)
            running = asyncio.ensure_future(feed.run(asyncio.Event(), listener.stop))
            await asyncio.sleep(0)
        else:
            with Store(place / "other.sqlite", site.id) as store:
                desk = Desk(store, site, source, Counts())

                async def take(data: bytes) -> Reply:
                    return desk.look(data)

                listener, running = Listener(take), asyncio.ensure_future(asyncio.Event().wait())
        port.value = await listener.start("127.0.0.1", 0)
        await running

    asyncio.run(run())


def rate(port: int, connections: int, each: int) -> float:
    """Return how many messages a second are acknowledged on so many connections."""

    async def talk(first: int) -> None:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        for number in range(first, first + each):
            writer.write(b"\x0b" + message(number) + b"\x1c\r")
            answer = await reader.readuntil(b"\x1c\r")
            assert b"|AA|" in answer
        writer.close()

    async def run() -> float:
        begin = perf_counter()
        await asyncio.gather(*(talk(n * each) for n in range(connections)))
        return connections * each / (perf_counter() - begin)

    return asyncio.run(run())


def test_durable_acknowledgements_are_at_least_half_as_many(benchmark):
    connections, each = (64, 200) if benchmark.enabled else (4, 3)
    ratios = []
    for _ in range(3 if benchmark.enabled else 1):
        rates = []
        for durable in (True, False):
            with tempfile.TemporaryDirectory() as folder:
                (Path(folder) / "site.toml").write_text(site_text('drain_from = "OBX-4"', ""))
                process, port = started(listening, folder, durable)
                rates.append(rate(port, connections, each))
                process.kill()
                process.join()
        ratios.append(rates[0] / rates[1])
        print(f"\nlistener: {rates[0]:.0f} messages a second kept, {rates[1]:.0f} only parsed")
    benchmark.pedantic(lambda: None)
    if benchmark.enabled:
        assert max(ratios) >= 0.5
