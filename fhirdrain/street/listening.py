"""listen: messages from the wire into the store, acknowledged once kept, and on to the server.

A message is looked at by the site file, kept as it came (fsync), and only then acknowledged; all
that came meanwhile are kept in one commit. Readings, numbers and what goes out follow behind, each
batch in one commit with the state of its messages; what goes out is sent as `post` sends it.
Whatever stops in between goes on where it was.
"""

from __future__ import annotations

import asyncio
import hashlib
import re
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from fhirdrain.errors import FhirdrainError
from fhirdrain.exchange.client import Client
from fhirdrain.exchange.mllp import Fault, Reply
from fhirdrain.intake.hl7v2 import Results
from fhirdrain.intake.item import ARRIVAL_STEP, SourceItem
from fhirdrain.log import event
from fhirdrain.site import Site, Source
from fhirdrain.store import Received, Store
from fhirdrain.storefile import StoreError
from fhirdrain.street.following import Taken, take_items
from fhirdrain.street.patient import Wanted
from fhirdrain.street.posting import post_waiting
from fhirdrain.vocabulary.hl7text import Hl7Error, Message, charset_of
from fhirdrain.vocabulary.v2tables import CANCELLED

_MOST_TOGETHER = 256
_QUIET = 0.05  # seconds without a message
_LONGEST_BUSY = 5.0  # seconds after which what is new is worked out while messages come
_MOST_LEFT = 50_000  # messages behind which the works do not wait any more
_SECONDS_BETWEEN = 1.0  # between two looks for something to send
_LONGEST_PAUSE = 60.0
_LONGEST_END = 10.0  # seconds that a stop waits for each of works and courier
_PARKED_FOR = 60.0  # seconds after which what is parked is tried again


@dataclass(slots=True)
class Counts:
    """What came of messages since the start, for those who watch."""

    accepted: int = 0
    again: int = 0
    refused: int = 0
    sent: int = 0
    failures: int = 0
    faults: dict[str, str] = field(default_factory=dict)

    def fault(self, where: str, error: Exception, pause: float = _SECONDS_BETWEEN) -> float:
        """Note a fault of ours, or of the store, that goes on; returns how long to wait."""
        event("fault", code=where, error=type(error).__name__)
        self.faults[where] = type(error).__name__
        return min(pause * 2, _LONGEST_PAUSE)


class Desk:
    """Takes messages in: looks at each, keeps those that are right, and says what came of it."""

    def __init__(self, store: Store, site: Site, source: Source, counts: Counts) -> None:
        self.store = store
        self.site = site
        self.source = source
        self.counts = counts
        self._reader = Results(Path(source.name), source, site)

    def take(self, batch: Sequence[bytes]) -> list[Reply]:
        """Return the reply to each message; those that are accepted are kept by then."""
        replies = [self.look(data) for data in batch]
        right = [d for d, reply in zip(batch, replies, strict=True) if reply.verdict == "accept"]
        kept = self.keep(right) if right else Reply("accept")
        return [kept if reply.verdict == "accept" else reply for reply in replies]

    def look(self, data: bytes) -> Reply:
        """Return what is to be said of a message by itself, and note it if it is refused."""
        try:
            reply = self._looked_at(data)
        except Exception as error:
            # A fault of ours: no other message may suffer from it, and this one is not kept.
            event("our fault", correlation=cause_of(data), error=type(error).__name__)
            reply = Reply("error", [Fault("207", "MSH", "the message could not be looked at")])
        if reply.verdict != "accept":
            self.counts.refused += 1
            codes = ",".join(fault.code for fault in reply.faults)
            event("message", correlation=cause_of(data), answer=reply.verdict, code=codes)
        return reply

    def keep(self, batch: Sequence[bytes]) -> Reply:
        """Keep messages that were looked at, in one commit, and return the reply to all of them."""
        named = [(key_of(data), data) for data in batch]
        try:
            with self.store.commit():
                new = self.store.put_messages((k, data, _cause(k)) for k, data in named)
        except FhirdrainError as error:
            self.counts.refused += len(batch)
            event("not kept", messages=len(batch), error=error.message)
            return Reply(
                "error", [Fault("207", "MSH", "the message could not be kept: send it again")]
            )
        self.counts.accepted += new
        self.counts.again += len(batch) - new
        for key, _ in named:
            event("message", correlation=_cause(key), answer="accept")
        return Reply("accept")

    def _looked_at(self, data: bytes) -> Reply:
        """Return what is to be said of a message by itself: can all of it be read?"""
        try:
            # The header alone: what is behind it is read below.
            first = re.split(rb"[\r\n]", data.strip(), maxsplit=1)[0]
            header = Message(first.decode(charset_of(data, "utf-8"), "replace"))
        except Hl7Error as error:
            return Reply("reject", [Fault("100", "MSH", str(error))])
        if header.kind != "ORU^R01":
            return Reply("reject", [Fault("200", "MSH-9", "only ORU^R01 is taken")])
        if not header.header.text(10):
            return Reply("reject", [Fault("101", "MSH-10", "a message needs an id")])
        items = self._reader.read(1, data)
        faults = [_fault_of(item) for item in items if item.issue is not None]
        faults += [_UNNAMED for item in items if item.row is None and _puts_right(item)]
        return Reply("error", faults) if faults else Reply("accept")


_UNNAMED = Fault("101", "OBX-21", "what puts something right names it: OBX-21, or OBR-3")


def _puts_right(item: SourceItem) -> bool:
    return any(reading.status not in _PLAIN for reading in item.readings)


_PLAIN = ("registered", "preliminary", "final", CANCELLED)


def _fault_of(item: SourceItem) -> Fault:
    """Return why an item is refused, in words without its value."""
    assert item.issue is not None
    place, _, words = item.issue.message.partition(": ")
    known = place.startswith(("OBX-", "OBR-", "PID-", "PV1-", "MSH-", "NTE-"))
    where = place if known else "MSH"
    if where.startswith("OBX-") and item.part:
        where = f"{item.part}-{where.removeprefix('OBX-')}"
    text = words if known else item.issue.message
    text = f"{text} ({item.issue.hint})" if item.issue.hint else text
    code = {"unknown-item": "103", "unknown-word": "103", "status": "103", "no-patient": "101"}
    return Fault(code.get(item.issue.rule, "102"), where, text)


def key_of(data: bytes) -> str:
    """Return what a resend of a message has in common with it: all but when it was made (MSH-7).

    Another content under the same id is another message: a sender may begin to count anew.
    """
    segment, end, rest = data.strip(b"\r\n").partition(b"\r")
    fields = segment.split(segment[3:4] or b"|")
    if len(fields) > 6:
        fields[6] = b""
    return hashlib.sha256(b"|".join(fields) + end + rest).hexdigest()


def cause_of(data: bytes) -> str:
    """Return the correlation id of a message, which says nothing of what is in it."""
    return _cause(key_of(data))


def _cause(key: str) -> str:
    return key[:16]


class Works:
    """Works out what follows from messages that are kept; one thread's."""

    def __init__(self, store: Store, site: Site, source: Source, wanted: Wanted) -> None:
        self.store = store
        self.site = site
        self.source = source
        self.wanted = wanted
        self._reader = Results(Path(source.name), source, site)
        self._first = True

    def work(self) -> int:
        """Take up the messages that are new, in one commit; returns how many there were.

        A message that says what cannot be settled yet (it takes back what did not come, say) is
        held, and looked at again with what comes next of its patient.
        """
        new = self.store.messages("new", most=_MOST_TOGETHER)
        if self._first:
            # The site file may have been mended since they were held.
            new = [*self.store.messages("held"), *new]
            self._first = False
        if not new:
            return 0
        reasons: dict[int, str] = {}
        items = {one.number: self._items(one, reasons) for one in new}
        patients = {item.patient for own in items.values() for item in own}
        known = {one.number for one in new}
        held = [one for one in self.store.messages("held") if one.number not in known]
        for one in held:
            said_before = self._items(one, {})
            if patients & {item.patient for item in said_before}:
                items[one.number] = said_before
        causes = {one.number: one.cause for one in (*held, *new)}
        began = time.monotonic()
        taken: list[tuple[Taken, str]] = []
        for patient in sorted(patients):
            numbers = {
                item.arrival: number
                for number, said in items.items()
                for item in said
                if item.patient == patient
            }
            own = [i for said in items.values() for i in said if i.arrival in numbers]
            cause = ",".join(dict.fromkeys(causes[number] for number in numbers.values()))
            found = take_items(patient, own, self.site, self.store, self.wanted)
            taken.append((found, cause))
            for item, issue in found.held:
                reasons[numbers[item.arrival]] = issue.message
        # Nobody else writes readings, so all but the writing is done before others are kept out.
        with self.store.commit():
            for found, cause in taken:
                found.keep(self.store, cause)
            self.store.settle_messages(
                (number, "held" if number in reasons else "done", reasons.get(number, ""))
                for number in items
            )
        seconds = round(time.monotonic() - began, 3)
        event(
            "worked out",
            correlation=[one.cause for one in new],
            messages=len(new),
            items=sum(map(len, items.values())),
            seconds=seconds,
        )
        return len(new)

    def left(self) -> int:
        """Return how many messages are still new."""
        return self.store.messages_by_state().get("new", 0)

    def _items(self, message: Received, reasons: dict[int, str]) -> list[SourceItem]:
        """Return the readings of a message, with places in the order in which messages came.

        It was whole when it was acknowledged; where it cannot be read by the site file as that is
        now, all of it is held, and `reasons` says why.
        """
        items = []
        read = self._reader.read(1, message.body)
        faults = [item.issue.message for item in read if item.issue is not None]
        if faults:
            reasons[message.number] = faults[0]
            return []
        for number, item in enumerate(read):
            item.source = self.source.name
            item.arrival = message.number * 1000 * ARRIVAL_STEP + number
            # What is set aside says nothing, unless that takes back what it once said.
            if item.patient and (not item.set_aside or item.silent):
                items.append(item)
        return items


@dataclass(slots=True)
class Courier:
    """Sends what waits, again and again, and waits longer after each failure; one thread's."""

    store: Store
    client: Client
    counts: Counts
    create_patients: bool = False
    at_once: int = 1
    stopped: threading.Event = field(default_factory=threading.Event)

    def run(self) -> None:
        """Send until stopped; what is being sent then is sent first."""
        pause, looked = _SECONDS_BETWEEN, 0.0
        while not self.stopped.is_set():
            try:
                states = self.store.outgoing_by_state()
                # A patient may have come to the server by now.
                late = time.monotonic() - looked > _PARKED_FOR
                first = not looked and any(self.store.unsaid(self.client.base))
                if states.get("waiting") or first or (states.get("parked") and late):
                    looked = time.monotonic()
                    delivery = post_waiting(
                        self.client,
                        self.store,
                        create_patients=self.create_patients,
                        at_once=self.at_once,
                    )
                    self.counts.sent += delivery.delivered
                    if delivery.failure is not None:
                        raise delivery.failure
                pause = _SECONDS_BETWEEN
                self.counts.faults.pop("courier", None)
            except StoreError as error:
                pause = self.counts.fault("courier", error, pause)
            except FhirdrainError as error:
                self.counts.failures += 1
                wait = getattr(error, "wait", None) or 0.0
                pause = max(min(pause * 2, _LONGEST_PAUSE), wait)
                event("not sent", error=error.message, wait=pause)
            except Exception as error:
                pause = self.counts.fault("courier", error, pause)
            self.stopped.wait(pause)


@dataclass(slots=True)
class Feed:
    """Puts the desk, the works and the courier to work while messages come."""

    desk: Desk
    works: Works
    courier: Courier | None = None
    _queue: asyncio.Queue[tuple[bytes, asyncio.Future[Reply]]] | None = None
    _busy: float = 0.0

    async def take(self, data: bytes) -> Reply:
        """Hand a message in and wait until it is kept, or refused."""
        assert self._queue is not None
        self._busy = time.monotonic()
        reply = self.desk.look(data)
        if reply.verdict != "accept":
            return reply
        future: asyncio.Future[Reply] = asyncio.get_running_loop().create_future()
        await self._queue.put((data, future))
        return await future

    async def run(self, until: asyncio.Event, stop_listening: Callable[[], object]) -> None:
        """Work until told to end, then finish what was begun."""
        loop = asyncio.get_running_loop()
        self._queue = asyncio.Queue(4 * _MOST_TOGETHER)
        done = threading.Event()
        threads = [threading.Thread(target=self._work, args=(done,), daemon=True)]
        if self.courier is not None:
            threads.append(threading.Thread(target=self.courier.run, daemon=True))
        for thread in threads:
            thread.start()
        keeping = asyncio.ensure_future(self._keep(loop))
        await until.wait()
        stopping = stop_listening()
        if asyncio.iscoroutine(stopping):
            await stopping
        keeping.cancel()
        with suppress(asyncio.CancelledError):
            await keeping
        done.set()
        if self.courier is not None:
            self.courier.stopped.set()
        for thread in threads:
            # What is being asked of a server that does not answer may be left: it is asked again.
            await loop.run_in_executor(None, thread.join, _LONGEST_END)

    async def _keep(self, loop: asyncio.AbstractEventLoop) -> None:
        assert self._queue is not None
        while True:
            batch = [await self._queue.get()]
            while not self._queue.empty() and len(batch) < _MOST_TOGETHER:
                batch.append(self._queue.get_nowait())
            data = [one for one, _ in batch]
            try:
                reply = await asyncio.shield(loop.run_in_executor(None, self.desk.keep, data))
            except Exception as error:
                self.desk.counts.fault("desk", error)
                reply = Reply("error", [Fault("207", "MSH", "the message could not be kept")])
            for _, future in batch:
                if not future.done():
                    future.set_result(reply)

    def _work(self, done: threading.Event) -> None:
        """Work out what is new when no messages come, and every few seconds while they do.

        Acknowledgements come first: whoever waits for one sends nothing meanwhile.
        """
        last, behind = 0.0, False
        while True:
            now = time.monotonic()
            busy = now - self._busy < _QUIET and now - last < _LONGEST_BUSY
            if busy and not behind and not done.is_set():
                done.wait(_QUIET)
                continue
            last = now
            try:
                worked = self.works.work()
                self.desk.counts.faults.pop("works", None)
                if worked:
                    behind = self.works.left() > _MOST_LEFT
                    continue
            except Exception as error:
                # What is kept stays kept; whoever watches is told, and it is tried again.
                done.wait(self.desk.counts.fault("works", error))
            if done.is_set():
                return
            done.wait(0.05)


def metrics(store: Store, counts: Counts) -> str:
    """Return how the feed stands, in the OpenMetrics text format."""
    states, oldest = store.outgoing_by_state(), store.oldest_waiting()
    messages, last = store.messages_by_state(), store.last_confirmed()
    waited = max(time.time() - oldest.timestamp(), 0.0) if oldest else 0.0
    gauges: Iterable[tuple[str, str, float]] = (
        ("waiting", "Resources that wait to go out.", states.get("waiting", 0)),
        ("oldest_waiting_seconds", "How long the oldest of them has waited.", waited),
        ("refused", "Resources that the server refused.", states.get("refused", 0)),
        ("parked", "Resources whose patient the server does not know.", states.get("parked", 0)),
        ("messages_new", "Messages kept and not yet worked out.", messages.get("new", 0)),
        ("messages_held", "Messages that cannot be settled yet.", messages.get("held", 0)),
        (
            "last_success_timestamp_seconds",
            "When the server last confirmed something.",
            last.timestamp() if last else 0,
        ),
    )
    counters: Iterable[tuple[str, str, float]] = (
        ("messages_accepted", "Messages accepted.", counts.accepted),
        ("messages_again", "Messages that had come before.", counts.again),
        ("messages_refused", "Messages refused.", counts.refused),
        ("sent", "Resources that the server confirmed.", counts.sent),
        ("send_failures", "Times that the server or the line failed.", counts.failures),
    )
    lines = []
    for kind, rows, suffix in (("gauge", gauges, ""), ("counter", counters, "_total")):
        for name, text, value in rows:
            lines += [f"# TYPE fhirdrain_{name} {kind}", f"# HELP fhirdrain_{name} {text}"]
            lines.append(f"fhirdrain_{name}{suffix} {value:g}" if value < 1e6 else
                         f"fhirdrain_{name}{suffix} {value:.3f}")  # fmt: skip
    return "\n".join([*lines, "# EOF", ""])
