"""One transaction: all of it or nothing, in the order R4 prescribes (http.html#trules)."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any
from uuid import uuid4

from fhirdrain.conformance.definitions import is_resource
from fhirdrain.sandbox.call import Answer, Call, pairs_of
from fhirdrain.sandbox.refusal import Refusal
from fhirdrain.sandbox.stored import Stored
from fhirdrain.sandbox.writing import (
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
    may lead to any entry. Conditional references are resolved after all other entries are there.
    """

    def __init__(self, call: Call, entries: list[Json], calls: list[Call]) -> None:
        self._call = call
        self._storage = call.storage
        self._entries = entries
        self._calls = calls
        self._answers: dict[int, Answer] = {}
        self._names: dict[str, str] = {}
        self._led: dict[str, str] = {}
        self._touched: set[tuple[str, str]] = set()
        self._conditions: set[tuple[str, str]] = set()

    def done(self, perform: Callable[[Call], Answer]) -> list[Answer]:
        """Do everything and return the answers in the order of the entries; raises `Refusal`."""
        for index in range(len(self._calls)):
            with self._at(index):
                self._possible(index)
        with self._storage.atomic():
            for index in self._by("DELETE"):
                with self._at(index):
                    self._delete(index)
            targets: dict[int, tuple[Stored | None, str]] = {}
            for index in (*self._by("POST"), *self._by("PUT")):
                with self._at(index):
                    targets[index] = self._target(index)
            waiting = []
            for index in targets:
                if _is_conditional(self._entries[index]["resource"]):
                    waiting.append(index)
                    continue
                with self._at(index):
                    self._write(index, *targets[index])
            for index in waiting:
                with self._at(index):
                    self._write(index, *targets[index])
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
        if condition := self._condition(index):
            if (kind, condition) in self._conditions:
                raise Refusal(400, "duplicate", "the same identity stands twice")
            self._conditions.add((kind, condition))

    def _condition(self, index: int) -> str:
        one = self._calls[index]
        if one.method == "POST":
            return one.headers.get("if-none-exist", "").removeprefix("?")
        return str(self._entries[index]["request"]["url"]).partition("?")[2]

    def _match(self, index: int) -> Stored | None:
        query = pairs_of(self._condition(index))
        return one_match(self._storage, self._calls[index].path[0], query, self._call.base)

    def _touch(self, kind: str, id_: str) -> None:
        """Take a resource for one entry alone: if identities overlap, the transaction fails."""
        if (kind, id_) in self._touched:
            raise Refusal(400, "duplicate", "two entries change the same resource")
        self._touched.add((kind, id_))

    def _delete(self, index: int) -> None:
        one = self._calls[index]
        kind = one.path[0]
        if one.query:
            there = self._match(index)
            id_ = there.id if there else ""
        else:
            id_ = one.path[1]
            there = self._storage.latest(kind, id_)
        deletion = None
        if id_:
            unless_changed(there, one.headers.get("if-match"))
            self._touch(kind, id_)
            deletion = self._storage.delete(kind, id_)
        self._answers[index] = deleted(one, deletion)

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
            unless_changed(there, one.headers.get("if-match"))
            id_ = identity(self._storage, kind, there, resource.get("id")) or str(uuid4())
        else:
            id_ = one.path[1]
            if resource.get("id") != id_:
                raise Refusal(400, "value", "the resource's id is not the one in the URL")
            unless_changed(self._storage.latest(kind, id_), one.headers.get("if-match"))
        if one.method == "PUT":
            self._touch(kind, id_)
        if url := self._entries[index].get("fullUrl"):
            self._names[url] = f"{kind}/{id_}"
        return there, id_

    def _write(self, index: int, there: Stored | None, id_: str) -> None:
        one = self._calls[index]
        if there is not None and one.method == "POST":
            self._answers[index] = written(one, 200, there)
            return
        resource = _resolved(self._entries[index]["resource"], self._lead)
        stored, new = self._storage.write(resource, id_, one.method, self._call.base)
        self._answers[index] = written(one, 201 if new else 200, stored)

    def _lead(self, text: str) -> str:
        """Return where a reference of a transaction leads."""
        if text in self._names:
            return self._names[text]
        if text.startswith("urn:uuid:"):
            raise Refusal(400, "not-found", "a reference leads to a urn:uuid that no entry has")
        kind, query = _conditional(text)
        if not kind:
            return text
        if text not in self._led:
            there = one_match(self._storage, kind, pairs_of(query), self._call.base)
            if there is None:
                raise Refusal(412, "not-found", f"no {kind} matches a conditional reference")
            self._led[text] = f"{kind}/{there.id}"
        return self._led[text]


def _conditional(text: str) -> tuple[str, str]:
    """Return type and query of a reference by search, empty for any other."""
    kind, mark, query = text.partition("?")
    return (kind, query) if mark and is_resource(kind) else ("", "")


def _is_conditional(value: Any) -> bool:
    """Tell whether anything in a resource refers by a search."""
    if isinstance(value, dict):
        reference = value.get("reference")
        if isinstance(reference, str) and _conditional(reference)[0]:
            return True
        return any(_is_conditional(item) for item in value.values())
    return isinstance(value, list) and any(_is_conditional(item) for item in value)


def _resolved(value: Any, lead: Callable[[str], str]) -> Any:
    """Return a copy of a resource with every reference led to where it goes."""
    if isinstance(value, dict):
        return {
            key: lead(item)
            if key == "reference" and isinstance(item, str)
            else _resolved(item, lead)
            for key, item in value.items()
        }
    if isinstance(value, list):
        return [_resolved(item, lead) for item in value]
    return value
