"""One transaction: all of it or nothing, in the order R4 prescribes (http.html#trules)."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any
from uuid import uuid4

from fhirdrain.conformance.definitions import is_resource
from fhirdrain.sandbox.call import Answer, Call, pairs_of
from fhirdrain.sandbox.criteria import Criterion
from fhirdrain.sandbox.references import Names, conditional, led
from fhirdrain.sandbox.refusal import Refusal
from fhirdrain.sandbox.stored import Stored
from fhirdrain.sandbox.writing import (
    criteria_of,
    deleted,
    identity,
    of_type,
    one_match,
    unless_changed,
    written,
)

Json = dict[str, Any]


class Transaction:
    """A transaction under way: DELETE first, then POST, PUT and at last GET.

    What conditions match is settled after the deletes and before the writes, since a reference
    may lead to any entry. Conditional references are resolved when all entries are there, and all
    of them before any is put in, so that the order of the entries makes no difference.
    """

    def __init__(self, call: Call, entries: list[Json], calls: list[Call]) -> None:
        self._call = call
        self._storage = call.storage
        self._entries = entries
        self._calls = calls
        self._answers: dict[int, Answer] = {}
        self._names = Names(call.base)
        self._written: dict[int, tuple[Stored, bool]] = {}
        self._led: dict[str, str] = {}
        self._touched: set[tuple[str, str]] = set()
        self._conditions: set[tuple[str, tuple[Criterion, ...]]] = set()

    def done(self, perform: Callable[[Call], Answer]) -> list[Answer]:
        """Do everything and return the answers in the order of the entries; raises `Refusal`."""
        for index in range(len(self._calls)):
            with self._at(index):
                self._possible(index)
        with self._storage.atomic():
            doomed = {}
            for index in self._by("DELETE"):
                with self._at(index):
                    doomed[index] = self._doomed(index)
            for index, id_ in doomed.items():
                one = self._calls[index]
                deletion = self._storage.delete(one.path[0], id_) if id_ else None
                self._answers[index] = deleted(one, deletion)
            targets = {}
            for index in (*self._by("POST"), *self._by("PUT")):
                with self._at(index):
                    targets[index] = self._target(index)
            for index, target in targets.items():
                with self._at(index):
                    self._write(index, *target)
            self._resolve()
            for index, (_, id_) in targets.items():
                with self._at(index):
                    self._alone(index, id_)
            for index in self._by("GET"):
                with self._at(index):
                    self._answers[index] = perform(self._calls[index])
        return [self._answers[index] for index in range(len(self._calls))]

    @contextmanager
    def _at(self, index: int) -> Iterator[None]:
        """Say of a refusal which entry it is about."""
        try:
            yield
        except Refusal as refusal:
            raise refusal.at(f"Bundle.entry[{index}]") from None

    def _by(self, method: str) -> list[int]:
        return [index for index, one in enumerate(self._calls) if one.method == method]

    def _possible(self, index: int) -> None:
        """Refuse what no transaction can hold, before anything is done."""
        one, entry = self._calls[index], self._entries[index]
        if one.method == "GET":
            return
        if one.method not in ("POST", "PUT", "DELETE"):
            raise Refusal(422, "not-supported", f"{one.method} is not done here")
        if one.service.read_only:
            raise Refusal(405, "not-supported", "this server is read-only")
        kind = one.path[0] if one.path else ""
        if not is_resource(kind):
            raise Refusal(400, "value", "the URL names no R4 resource type")
        lengths = {"POST": (1,), "PUT": (2,), "DELETE": (2,)}[one.method]
        if one.method != "POST" and one.query:
            lengths = (1,)
        if len(one.path) not in lengths or one.path[-1][:1] in "_$":
            raise Refusal(400, "value", f"{one.method} of this URL is not done in a transaction")
        if one.method == "DELETE":
            return
        if "resource" not in entry:
            raise Refusal(400, "structure", "the entry needs a resource")
        of_type(entry["resource"], kind)
        if condition := tuple(sorted(self._condition(index))):
            if (kind, condition) in self._conditions:
                raise Refusal(400, "duplicate", "the same identity stands twice")
            self._conditions.add((kind, condition))

    def _condition(self, index: int) -> Sequence[Criterion]:
        one = self._calls[index]
        return pairs_of(one.headers.get("if-none-exist", "")) if one.method == "POST" else one.query

    def _match(self, index: int) -> Stored | None:
        kind = self._calls[index].path[0]
        return one_match(self._storage, kind, self._condition(index), self._call.base)

    def _touch(self, kind: str, id_: str) -> None:
        """Take a resource for one entry alone: if identities overlap, the transaction fails."""
        if (kind, id_) in self._touched:
            raise Refusal(400, "duplicate", "two entries change the same resource")
        self._touched.add((kind, id_))

    def _doomed(self, index: int) -> str:
        """Return the id of what a delete is about, empty where its condition matches nothing."""
        one = self._calls[index]
        there = self._match(index) if one.query else self._storage.latest(*one.path)
        id_ = one.path[1] if not one.query else there.id if there else ""
        if id_:
            unless_changed(one, there)
            self._touch(one.path[0], id_)
        return id_

    def _target(self, index: int) -> tuple[Stored | None, str]:
        """Return what an entry's condition matches, and the id that it has or will have."""
        one, resource = self._calls[index], self._entries[index]["resource"]
        kind = one.path[0]
        there: Stored | None = None
        if one.method == "POST":
            if "if-none-exist" in one.headers:
                there = self._match(index)
            id_ = there.id if there else str(uuid4())
        elif one.query:
            there = self._match(index)
            unless_changed(one, there)
            id_ = identity(self._storage, kind, there, resource.get("id")) or str(uuid4())
        else:
            id_ = one.path[1]
            if resource.get("id") != id_:
                raise Refusal(400, "value", "the resource's id is not the one in the URL")
            unless_changed(one, self._storage.latest(kind, id_))
        self._touch(kind, id_)
        if url := self._entries[index].get("fullUrl"):
            self._names.add(url, f"{kind}/{id_}")
        return there, id_

    def _write(self, index: int, there: Stored | None, id_: str) -> None:
        one = self._calls[index]
        if there is not None and one.method == "POST":
            self._answers[index] = written(one, 200, there)
            return
        entry = self._entries[index]
        resource = self._names.resolved(entry["resource"], entry.get("fullUrl", ""))
        stored, new = self._storage.write(resource, id_, one.method, self._call.base)
        self._answers[index] = written(one, 201 if new else 200, stored)
        self._written[index] = stored, new

    def _resolve(self) -> None:
        """Lead the conditional references of what was written to what is there now."""
        resolved = {}
        for index, (stored, _) in self._written.items():
            with self._at(index):
                body = led(stored.body, self._match_of)
            if body != stored.body:
                resolved[index] = body
        for index, body in resolved.items():
            before, new = self._written[index]
            stored = self._storage.amend(before, body, self._call.base)
            self._answers[index] = written(self._calls[index], 201 if new else 200, stored)

    def _match_of(self, text: str) -> str:
        """Return where a conditional reference leads, and any other as it is."""
        kind, query = conditional(text)
        if not kind:
            return text
        if text not in self._led:
            there = one_match(self._storage, kind, pairs_of(query), self._call.base)
            if there is None:
                raise Refusal(412, "not-found", f"no {kind} matches a conditional reference")
            self._led[text] = f"{kind}/{there.id}"
        return self._led[text]

    def _alone(self, index: int, id_: str) -> None:
        """Refuse a condition that finds what another entry wrote: the two are one identity.

        Conditions that mean the same can be spelt in many ways; what they find tells.
        """
        condition, kind = self._condition(index), self._calls[index].path[0]
        if not condition:
            return
        others = {s.id for s, _ in self._written.values() if s.kind == kind} - {id_}
        found = self._storage.search(kind, criteria_of(condition), base=self._call.base)
        if others.intersection(stored.id for stored in found):
            raise Refusal(400, "duplicate", "the same identity stands twice")
