"""Sending entries: in lanes and pieces, once each, and looking at what became of every one.

At least once on the wire, exactly once in effect: every request can be made again without doing
more, and what was not answered is asked for again. One that is refused goes alone.
"""

from __future__ import annotations

import re
import threading
import time
from collections import ChainMap, Counter, deque
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, fields, replace
from typing import Any
from urllib.parse import parse_qsl

from fhirdrain.errors import (
    ConfigurationError,
    FhirdrainError,
    ServerError,
    SignInError,
    UnreachableError,
)
from fhirdrain.exchange.answers import (
    answers_in,
    is_answer_to,
    located,
    status_of,
    version_of,
)
from fhirdrain.exchange.client import (
    BusyError,
    CertificateError,
    Client,
    RequestRefused,
    Way,
)
from fhirdrain.exchange.differences import differences
from fhirdrain.exchange.patience import BUSY
from fhirdrain.exchange.patients import find_patient, subject_of
from fhirdrain.issues import Issue, from_operation_outcome
from fhirdrain.log import event
from fhirdrain.vocabulary.jsontext import Text, decode, encode

Json = dict[str, Any]

MOST_ENTRIES = 200
_CONFLICTS = (409, 412)
_FOR_ALL = (UnreachableError, BusyError, SignInError, CertificateError, ConfigurationError)
_TRIES = 3  # of what conflicts with what another sender does at the same time
_NO_TRANSACTION = "the server takes no transactions: one resource was sent after the other"
_NO_CONDITION = (
    "the server knows no conditional requests: what is there was searched for first, and another"
    " sender could come in between"
)


@dataclass(frozen=True, slots=True)
class Entry:
    """One outgoing entry: a bundle entry with the lane in which its order is kept.

    `cause` is the correlation id of what it goes out because of.
    """

    index: int
    lane: str
    body: Json
    cause: str = ""

    @property
    def label(self) -> str:
        """Return a name for messages that holds no patient's values."""
        return f"entry {self.index} ({self.body['resource'].get('resourceType', '?')})"

    @property
    def url(self) -> str:
        """Return the full URL by which others refer to it."""
        return str(self.body.get("fullUrl", ""))


@dataclass(slots=True)
class Delivery:
    """What became of everything that was sent.

    `created`, `present` (there already, and the same), `updated`, `different` (there already, not
    the same, with what differs), `uncompared` (there already, and why it could not be compared),
    `refused` (with the server's reason), `parked` (its patient is not known there, or what it
    refers to is not there), `waiting` (not known to be there, since the server or the line failed:
    `failure`). `gone` are refused ones that were there and are not any more. `locations` and
    `versions` are where each is now and in which version, by full URL; `told` is what the server
    said, `notes` what has to be known of how it was sent.
    """

    created: list[Entry] = field(default_factory=list)
    present: list[Entry] = field(default_factory=list)
    updated: list[Entry] = field(default_factory=list)
    different: list[tuple[Entry, list[str]]] = field(default_factory=list)
    uncompared: list[tuple[Entry, str]] = field(default_factory=list)
    refused: list[tuple[Entry, str]] = field(default_factory=list)
    parked: list[tuple[Entry, str]] = field(default_factory=list)
    gone: list[Entry] = field(default_factory=list)
    waiting: list[Entry] = field(default_factory=list)
    locations: dict[str, str] = field(default_factory=dict)
    versions: dict[str, str] = field(default_factory=dict)
    told: list[Issue] = field(default_factory=list)
    notes: dict[str, None] = field(default_factory=dict)
    failure: FhirdrainError | None = None

    @property
    def delivered(self) -> int:
        """Return how many entries the server now holds."""
        there = (self.created, self.present, self.updated, self.different, self.uncompared)
        return sum(len(entries) for entries in there)

    def take(self, other: Delivery) -> None:
        """Add what became of others."""
        for one in fields(self):
            mine, theirs = getattr(self, one.name), getattr(other, one.name)
            if isinstance(mine, list):
                mine.extend(theirs)
            elif isinstance(mine, dict):
                mine.update(theirs)
        self.failure = self.failure or other.failure


def entries_of(bundle: Mapping[str, Any]) -> list[Entry]:
    """Return a bundle's entries with their lanes: entries of one subject share a lane."""
    lanes: dict[str, str] = {}
    found = []
    for index, entry in enumerate(bundle.get("entry", ())):
        lane = _lane(entry.get("resource", {}), lanes)
        lanes.setdefault(str(entry.get("fullUrl", "")), lane)
        found.append(Entry(index, lane, dict(entry)))
    return found


def _lane(resource: Mapping[str, Any], lanes: Mapping[str, str]) -> str:
    if resource.get("resourceType") == "Provenance":
        # It goes behind what it tells of.
        targets = (target.get("reference") for target in resource.get("target", ()))
        return next((lanes[target] for target in targets if target in lanes), "")
    return str(
        subject_of(resource).get("reference") or subject_of(resource).get("identifier") or ""
    )


def lanes_of(entries: Iterable[Entry]) -> dict[str, list[Entry]]:
    """Return entries by lane, in their order."""
    lanes: dict[str, list[Entry]] = {}
    for entry in entries:
        lanes.setdefault(entry.lane, []).append(entry)
    return lanes


def pieces(entries: Iterable[Entry], most: int = MOST_ENTRIES) -> Iterator[list[Entry]]:
    """Yield the entries lane by lane, at most so many together, in their order."""
    for lane in lanes_of(entries).values():
        for start in range(0, len(lane), most):
            yield lane[start : start + most]


def deliver(
    client: Client,
    entries: Iterable[Entry],
    *,
    create_patients: bool = False,
    most: int = MOST_ENTRIES,
    told: Callable[[int], None] | None = None,
    settled: Callable[[Delivery], None] | None = None,
    known: Mapping[str, str] | None = None,
    missing: Collection[str] = (),
    way: Way | None = None,
    at_once: int = 1,
) -> Delivery:
    """Send entries to a server and return what became of each.

    `told` hears how many are through, `settled` what became of each lane, in this thread. `known`
    is where the server has what was sent before, by full URL, and `missing` are full URLs of what
    it does not have and will not get. So many lanes go `at_once`.

    A lane whose patient the server does not know is parked, the others go on. An entry that is
    refused goes alone, with what refers to it. When the server or the line fails, everything not
    yet sent is left waiting.
    """
    before = dict(known or {})
    delivery = Delivery(locations=dict(before))
    stop = threading.Event()
    lanes = list(lanes_of(entries).values())

    def send(lane: Sequence[Entry]) -> Delivery:
        if stop.is_set():
            return Delivery(waiting=list(lane))
        sender = _Sender(client, way or Way(), before, set(missing), most)
        found = sender.send(lane, create_patients=create_patients)
        if isinstance(found.failure, _FOR_ALL):
            stop.set()  # what the server does to one patient's it need not do to the others'
        return found

    done = 0
    if told is not None:
        told(0)
    with ThreadPoolExecutor(max(at_once, 1)) as pool:
        # One at a time needs no thread, and keeps what is said in its order.
        outcomes = map(send, lanes) if at_once <= 1 else pool.map(send, lanes)
        for lane, found in zip(lanes, outcomes, strict=True):
            delivery.take(found)
            if settled is not None:
                settled(found)
            done += len(lane)
            if told is not None:
                told(done)
    return delivery


class _Sender:
    """Sends the entries of one lane."""

    def __init__(
        self, client: Client, way: Way, known: dict[str, str], missing: set[str], most: int
    ) -> None:
        self.client = client
        # Where a type has no conditional requests, each of it is looked for by itself.
        self.way = replace(way, kind="single") if way.no_create or way.no_update else way
        # What is learned here stands before what was known, which may be of everybody.
        self.known: ChainMap[str, str] = ChainMap({}, known)
        self.missing = missing
        self.most = most
        self.found = Delivery()

    def send(self, entries: Sequence[Entry], *, create_patients: bool) -> Delivery:
        found = self.found
        queue = deque(entries)
        try:
            reason = find_patient(
                self.client,
                entries[0].body["resource"],
                self.known,
                self.way,
                create=create_patients,
            )
        except RequestRefused as refusal:
            found.told += refusal.issues
            found.refused += [(entry, refusal.message) for entry in entries]
            return found
        except FhirdrainError as error:
            found.failure, found.waiting = error, list(entries)
            return found
        if reason:
            found.parked += [(entry, reason) for entry in entries]
            return found
        size, tries = self.most, 0
        while queue and found.failure is None:
            piece = self._next(queue, size)
            if not piece:
                continue
            try:
                self._send_piece(piece)
            except RequestRefused as refusal:
                tries += 1
                size = self._divide(piece, refusal, queue, size, again=tries < _TRIES)
            except FhirdrainError as error:
                found.failure = error
                found.waiting += piece
            else:
                size, tries = min(self.most, size * 2), 0
        found.waiting += queue
        return found

    # -- pieces -----------------------------------------------------------------------------

    def _next(self, queue: deque[Entry], size: int) -> list[Entry]:
        """Take the next entries that can go together; park what refers to what is not there."""
        piece: list[Entry] = []
        here: set[str] = set()
        size = 1 if self.way.kind == "single" else size
        while queue and len(piece) < size:
            rests_on = set(_references(queue[0].body["resource"]))
            if rests_on & self.missing:
                self._park(queue.popleft(), "what it refers to is not on the server")
                continue
            if self.way.kind != "transaction" and rests_on & here:
                break  # only a transaction leads from one of its entries to another
            entry = queue.popleft()
            piece.append(entry)
            here.add(entry.url)
        return piece

    def _park(self, entry: Entry, reason: str) -> None:
        self.found.parked.append((entry, reason))
        self.missing.add(entry.url)

    def _refuse(self, entry: Entry, reason: str) -> None:
        event("refused", correlation=entry.cause, said=reason)
        self.found.refused.append((entry, reason))
        if entry.url not in self.known:
            self.missing.add(entry.url)

    def _divide(
        self,
        piece: Sequence[Entry],
        refusal: RequestRefused,
        queue: deque[Entry],
        size: int,
        *,
        again: bool,
    ) -> int:
        """Decide of a piece that was refused as a whole; returns how many go together next.

        What can be blamed goes alone; of what nobody names the one is found by halving.
        """
        unsupported = any(issue.code == "not-supported" for issue in refusal.issues)
        if self.way.kind != "single" and (refusal.status in (405, 501) or unsupported):
            self.way = replace(self.way, kind="single")
            self.found.notes[_NO_TRANSACTION] = None
            queue.extendleft(reversed(piece))
            return size
        if refusal.status == 409 and again:
            queue.extendleft(reversed(piece))  # another sender was at it: it may be there by now
            return size
        if len(piece) == 1:
            if refusal.status in _CONFLICTS:
                self._reread(piece[0], self._prepared(piece[0].body), refusal.message)
            else:
                self.found.told += refusal.issues
                self._refuse(piece[0], refusal.message)
            return size
        blamed = _blamed(refusal, len(piece)) if refusal.status not in (413, *_CONFLICTS) else {}
        for index, issues in blamed.items():
            self.found.told += issues
            reasons = "; ".join(dict.fromkeys(issue.message for issue in issues))
            self._refuse(piece[index], f"HTTP {refusal.status}: {reasons}")
        queue.extendleft(e for n, e in reversed([*enumerate(piece)]) if n not in blamed)
        return size if blamed else len(piece) // 2

    def _send_piece(self, piece: Sequence[Entry]) -> None:
        """Send entries and judge the answers; raises what stops the whole of them."""
        bodies = [self._prepared(entry.body) for entry in piece]
        causes = list(dict.fromkeys(entry.cause for entry in piece if entry.cause))
        began = time.monotonic()
        try:
            if self.way.kind == "single":
                answers = [self._alone(body) for body in bodies]
            else:
                bundle = {"resourceType": "Bundle", "type": self.way.kind, "entry": bodies}
                repeatable = all(_repeatable(body) for body in bodies)
                answer = self.client.transaction(
                    bundle, repeatable=repeatable, correlation=causes[0] if causes else ""
                )
                answers = answers_in(answer, len(piece), self.client.base)
        except FhirdrainError as error:
            status = error.status if isinstance(error, RequestRefused) else None
            event("not taken", correlation=causes, entries=len(piece), status=status)
            raise
        seconds = round(time.monotonic() - began, 3)
        told = Counter(status_of(answer) for answer in answers)
        event("answered", correlation=causes, entries=len(piece), seconds=seconds, outcome=told)
        for entry, got in zip(piece, answers, strict=True):
            if not is_answer_to(entry.body["resource"], got):
                raise ServerError(
                    "the answers are not those to what was sent, in its order",
                    place=self.client.base,
                )
        for entry, sent, got in zip(piece, bodies, answers, strict=True):
            self._judge(entry, sent, got)

    def _prepared(self, body: Json) -> Json:
        """Return an entry whose references to what was sent before lead to where it is now.

        Its resource is written out: most are never looked at again.
        """
        prepared: Json = {key: body[key] for key in ("fullUrl", "request") if key in body}
        resource = body["resource"]
        if _is_by_id(body["request"]):
            resource = {**resource, "id": body["request"]["url"].rpartition("/")[2]}
        return {**prepared, "resource": _led(resource, self.known)}

    def _unconditional(self, kind: str, request: Json) -> Json:
        """Return a request without its condition, which is looked for here."""
        self.found.notes[_NO_CONDITION] = None
        held = self._held(kind, request)
        if len(held) == 1:
            return {"method": "PUT", "url": f"{kind}/{held[0]['id']}"}
        return {"method": "POST", "url": kind}

    def _held(self, kind: str, request: Mapping[str, Any]) -> list[Json]:
        """Return what the server holds by the condition of a request, or at its address."""
        if _is_by_id(request):
            try:
                return [self.client.get(request["url"])]
            except RequestRefused as refusal:
                if refusal.status in (404, 410):
                    return []
                raise
        condition = request.get("ifNoneExist") or str(request.get("url", "")).partition("?")[2]
        found = self.client.search(kind, parse_qsl(condition))
        return [e["resource"] for e in found if e["resource"].get("resourceType") == kind]

    def _alone(self, body: Json) -> Json:
        """Send one entry as a request of its own, and return its answer as a bundle would."""
        resource, request = decode(body["resource"]), body["request"]
        kind = resource["resourceType"]
        if request["method"] == "PUT":
            url = request["url"]
            if kind in self.way.no_update and "?" in url:
                with self.client.lock:
                    request = self._unconditional(kind, request)
                    return self._asked(request["method"], request["url"], resource)
            return self._asked("PUT", url, resource, match=request.get("ifMatch", ""))
        condition = request.get("ifNoneExist", "")
        if kind not in self.way.no_create:
            return self._asked("POST", kind, resource, condition)
        with self.client.lock:
            self.found.notes[_NO_CONDITION] = None
            held = self._held(kind, request)
            if len(held) > 1:
                raise RequestRefused(412, [_several(len(held))], self.client.base)
            if held:
                return {"response": {"status": "200"}, "resource": held[0]}
            return self._asked("POST", kind, resource)

    def _asked(
        self, method: str, url: str, resource: Json, condition: str = "", match: str = ""
    ) -> Json:
        if method == "PUT" and "?" not in url:
            resource = {**resource, "id": url.rpartition("/")[2]}
        answer = self.client.put_one(method, url, resource, condition, match)
        body = answer.body if isinstance(answer.body, dict) else {}
        told = {"status": str(answer.status), "location": answer.location, "etag": answer.etag}
        return {"response": told, "resource": body}

    # -- answers ----------------------------------------------------------------------------

    def _judge(self, entry: Entry, sent: Json, answer: Mapping[str, Any]) -> None:
        status = status_of(answer)
        location = located(answer)
        found = self.found
        if status in ("200", "201", "304") and entry.url:
            # Where the server does not say, later pieces find it by its identifier.
            self._is_at(entry, location or _by_identifier(entry.body), version_of(answer))
        if status == "201":
            found.created.append(entry)
        elif status in ("200", "304") and sent.get("request", {}).get("method") == "PUT":
            found.updated.append(entry)
        elif status in ("200", "304"):
            self._compare(entry, sent, answer.get("resource"), location)
        elif status.isdigit() and (int(status) in BUSY or status >= "500"):
            found.waiting.append(entry)
            found.failure = ServerError(
                f"HTTP {status} for an entry: the server took a part", place=self.client.base
            )
        elif status in map(str, _CONFLICTS):
            self._reread(entry, sent, f"HTTP {status}")
        else:
            issues = from_operation_outcome(answer["response"].get("outcome"))
            found.told += issues
            reasons = [
                f"HTTP {status or 'without a status'}",
                *dict.fromkeys(i.message for i in issues),
            ]
            self._refuse(entry, "; ".join(reasons))

    def _is_at(self, entry: Entry, location: str, version: str | None) -> None:
        if version is not None:
            self.found.versions[entry.url] = version
        self.found.locations[entry.url] = location
        self.known[entry.url] = location

    def _compare(self, entry: Entry, sent: Json, held: Any, location: str | None) -> None:
        """Look at what the server kept: it does not say whether that is what was sent."""
        if not isinstance(held, dict) or held.get("resourceType") in (None, "OperationOutcome"):
            try:
                if location is None:
                    raise ServerError("the server does not say where it is")
                held = self.client.get(location)
            except ServerError as error:
                self.found.uncompared.append((entry, error.message))
                return
        found = differences(decode(sent["resource"]), held)
        if found:
            self.found.different.append((entry, found))
        else:
            self.found.present.append(entry)

    def _reread(self, entry: Entry, sent: Json, reason: str) -> None:
        """Decide of an entry that met a conflict, by what the server holds of its identity."""
        resource = decode(sent["resource"])
        kind = str(resource["resourceType"])
        try:
            held = self._held(kind, entry.body["request"])
            if len(held) != 1:
                status = reason.partition(":")[0]
                several = f"{status}: the server holds {len(held)} of this identifier"
                what = several if held else reason
                if not held and _is_by_id(entry.body["request"]):
                    what = f"{status}: it was on the server and is not any more"
                    self.found.gone.append(entry)
                self._refuse(entry, what)
                return
            at = f"{kind}/{held[0]['id']}"
            self._is_at(entry, at, version_of({"resource": held[0]}))
            found = differences(resource, held[0])
            if entry.body["request"].get("method") != "PUT":
                self._compare(entry, sent, held[0], at)
            elif not found:
                self.found.updated.append(entry)
            elif _is_by_id(entry.body["request"]):
                self.found.different.append((entry, found))  # somebody else was at it
            else:
                self._asked("PUT", at, resource)
                self.found.updated.append(entry)
        except RequestRefused as refusal:
            self.found.told += refusal.issues
            self._refuse(entry, refusal.message)
        except FhirdrainError as error:
            self.found.failure = error
            self.found.waiting.append(entry)


def _several(count: int) -> Issue:
    message = f"the server holds {count} of this identifier"
    return Issue("error", "duplicate", "server", message)


def _blamed(refusal: RequestRefused, count: int) -> dict[int, list[Issue]]:
    """Return the entries that a refusal names, with what it says of each."""
    blamed: dict[int, list[Issue]] = {}
    for issue in refusal.issues:
        match = re.match(r"(?:Bundle\.)?entry\[(\d+)\]", issue.location or "")
        if issue.is_error and match and int(match[1]) < count:
            blamed.setdefault(int(match[1]), []).append(issue)
    return blamed if len(blamed) < count else {}


# As `encode` writes them: a text within a text has its quotes escaped, and is not met.
_REFERENCE = re.compile(rb'"reference":("(?:[^"\\]|\\.)*")')
_URN = re.compile(rb'"reference":"(urn:[^"\\]+)"')


def _references(resource: Json) -> list[str]:
    """Return the references of a resource to other entries."""
    return [found.decode() for found in _URN.findall(encode(resource))]


def _led(resource: Json, known: Mapping[str, str]) -> Text:
    """Return a resource, written out, whose references lead to where things are."""

    def leads(match: re.Match[bytes]) -> bytes:
        where = known.get(decode(match[1]))
        return match[0] if where is None else b'"reference":' + encode(where)

    return Text(_REFERENCE.sub(leads, encode(resource)))


def _is_by_id(request: Mapping[str, Any]) -> bool:
    """Tell whether a request is an update at an address, of a version that is known."""
    return request.get("method") == "PUT" and "?" not in str(request.get("url", ""))


def _repeatable(body: Json) -> bool:
    request = body.get("request", {})
    return request.get("method") == "PUT" or bool(request.get("ifNoneExist"))


def _by_identifier(body: Json) -> str:
    """Return a conditional reference to what was sent before."""
    condition = body.get("request", {}).get("ifNoneExist")
    if condition:
        return f"{body['resource']['resourceType']}?{condition}"
    return str(body["request"]["url"])
