"""A drain's resources in order, and the run as a transaction, a collection or NDJSON."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import Any, BinaryIO

from fhirdrain.bedside.rates import Rate
from fhirdrain.bedside.reading import Reading
from fhirdrain.bedside.totals import Total
from fhirdrain.packed import SUFFIXES, Packing, packed
from fhirdrain.resources.derived import output_of, rate_of, rounds_of, total_of
from fhirdrain.resources.destination import own_id
from fhirdrain.resources.device import procedure_of, site_of, use_of
from fhirdrain.resources.drain import Making
from fhirdrain.resources.observation import observation_of
from fhirdrain.resources.order import request_of
from fhirdrain.resources.references import Form, token
from fhirdrain.vocabulary.jsontext import encode, encode_pretty
from fhirdrain.vocabulary.observables import OBSERVABLES

Resource = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Extras:
    """What is sent only when it is asked for: totals and rates."""

    totals: Sequence[Total] = ()
    rates: Sequence[Rate] = ()


def resources_of(
    making: Making, set_aside: Iterable[Reading] = (), extras: Extras | None = None
) -> Iterator[Resource]:
    """Yield a drain's resources but its Device, each after those it refers to.

    The Devices of a patient go before them all (`device_of`), since tubes refer to one another.
    `set_aside` are amounts that only check the levels: they are not sent.
    """
    drain = making.drain
    left_out = {reading.identity for reading in set_aside}
    outputs = drain.ledger.outputs if drain.ledger is not None else []
    yield use_of(making)
    for order in drain.orders:
        yield request_of(making, order)
    intervals = {o.closing.identity: o for o in outputs if o.basis == "amount"}
    observed = []
    for reading in drain.readings:
        form = OBSERVABLES[reading.observable].form
        if form == "Procedure":
            yield procedure_of(making, reading)
        elif form == "DeviceUseStatement":
            yield site_of(making, reading)
        elif form == "Observation" and reading.identity not in left_out:
            yield observation_of(making, reading, intervals.get(reading.identity))
            observed.append(reading)
    yield from rounds_of(making, observed)
    for output in outputs:
        if output.basis == "levels":
            yield output_of(making, output)
    for rate in extras.rates if extras else ():
        yield rate_of(making, rate)
    for total in extras.totals if extras else ():
        yield total_of(making, total)


def entry_of(resource: Resource, form: Form) -> Resource:
    """Return the bundle entry of a resource; in a transaction it is a conditional create.

    A resource that has an id of ours is put under it.
    """
    entry: Resource = {"fullUrl": f"urn:uuid:{own_id(resource)}", "resource": resource}
    if form == "transaction" and "id" in resource:
        entry["request"] = {
            "method": "PUT",
            "url": f"{resource['resourceType']}/{resource['id']}",
        }
    elif form == "transaction":
        identifier = resource["identifier"][0]
        entry["request"] = {
            "method": "POST",
            "url": resource["resourceType"],
            "ifNoneExist": f"identifier={token(identifier['system'], identifier['value'])}",
        }
    return entry


def text_of(resource: Resource, form: Form) -> bytes:
    """Return what is written of a resource: a line of NDJSON, or an entry of a bundle."""
    if form != "ndjson":
        return encode(entry_of(resource, form))
    kind = resource["resourceType"]
    return encode({"resourceType": kind, "id": own_id(resource), **resource}) + b"\n"


class Writer:
    """Writes resources to a stream as they come, in one of the three forms.

    Use as a context manager: a bundle is closed when it is left without an error. `counts` are
    the resources by type, in the order in which the types came.
    """

    by_type = False

    def __init__(self, stream: BinaryIO, form: Form) -> None:
        self._stream = stream
        self.form = form
        self.counts: dict[str, int] = {}

    def __enter__(self) -> Writer:
        if self.form != "ndjson":
            self._stream.write(b'{"resourceType":"Bundle","type":"%s"' % self.form.encode())
        return self

    def write(self, resource: Resource) -> None:
        """Write one resource."""
        self.put({resource["resourceType"]: 1}, text_of(resource, self.form))

    def put(self, counts: Mapping[str, int], text: bytes) -> None:
        """Write the text of so many resources, those of a bundle joined as its entries are."""
        self._next(counts).write(text)

    def put_from(self, counts: Mapping[str, int], stream: BinaryIO, length: int) -> None:
        """Write the text of so many resources, which are the next bytes of a stream."""
        into = self._next(counts)
        held = memoryview(self._held)
        while length:
            # Into the same place again and again: new memory for each piece takes as long again.
            read = stream.readinto(held[:length])  # type: ignore[attr-defined]
            if not read:
                raise EOFError("a piece of work breaks off")
            into.write(held[:read])
            length -= read

    @cached_property
    def _held(self) -> bytearray:
        return bytearray(1 << 20)

    def _next(self, counts: Mapping[str, int]) -> BinaryIO:
        """Count what comes next, and return where it goes."""
        if self.form != "ndjson":
            self._stream.write(JOINT if self.counts else b',"entry":[\n')
        self._count(counts)
        return self._stream

    def _count(self, counts: Mapping[str, int]) -> None:
        for kind, number in counts.items():
            self.counts[kind] = self.counts.get(kind, 0) + number

    def __exit__(self, kind: object, error: object, trace: object) -> None:
        if kind is None and self.form != "ndjson":
            # A bundle without entries has no `entry`: an empty array is not FHIR.
            self._stream.write(b"\n]}\n" if self.counts else b"}\n")


# Between the entries of a bundle.
JOINT = b",\n"


class PieceWriter(Writer):
    """Holds what is written, until it is `taken` as pieces that another writer can `put`."""

    def __init__(self, form: Form, *, by_type: bool = False) -> None:
        self.form = form
        self.by_type = by_type
        self.counts = {}
        self._texts: dict[str, tuple[dict[str, int], list[bytes]]] = {}

    def __enter__(self) -> PieceWriter:
        return self

    def put(self, counts: Mapping[str, int], text: bytes) -> None:
        """Hold the text of a resource."""
        (kind,) = counts
        held, texts = self._texts.setdefault(kind if self.by_type else "", ({}, []))
        held[kind] = held.get(kind, 0) + 1
        texts.append(text)

    def taken(self) -> list[tuple[dict[str, int], bytes]]:
        """Return what is held as counts and text, and hold it no more."""
        joint = b"" if self.form == "ndjson" else JOINT
        found = [(counts, joint.join(texts)) for counts, texts in self._texts.values()]
        self._texts.clear()
        return found

    def __exit__(self, kind: object, error: object, trace: object) -> None:
        pass


# What a folder holds beside its NDJSON.
MANIFEST = "manifest.json"


@dataclass(frozen=True, slots=True)
class Run:
    """What names a run: up to when its sources say something, and a UUID."""

    upto: datetime
    uuid: str


class FolderWriter(Writer):
    """Writes NDJSON into a folder, a file for each type: `Observation.ndjson`.

    So does HL7's Bulk Data Access guide (hl7.org/fhir/uv/bulkdata), and it lists them in a
    manifest, as is done here when the folder is left without an error; what stands in that is from
    memory of the guide. `packing` packs each file.
    """

    by_type = True

    def __init__(self, folder: Path, packing: Packing | None, run: Run) -> None:
        self._run = run
        self.form = "ndjson"
        self.counts = {}
        self._folder = folder
        self._packing = packing
        self._files: dict[str, BinaryIO] = {}
        self._stack = ExitStack()

    def __enter__(self) -> FolderWriter:
        return self

    def file_of(self, kind: str) -> str:
        """Return the name of the file for a type of resource."""
        return f"{kind}.ndjson{SUFFIXES[self._packing] if self._packing else ''}"

    def _next(self, counts: Mapping[str, int]) -> BinaryIO:
        """Count lines of resources that are all of one type, and return where they go."""
        (kind,) = counts
        stream = self._files.get(kind)
        if stream is None:
            file = self._stack.enter_context(self._folder.joinpath(self.file_of(kind)).open("wb"))
            stream = self._stack.enter_context(packed(file, self._packing))
            self._files[kind] = stream
        self._count(counts)
        return stream

    def __exit__(self, kind: object, error: object, trace: object) -> None:
        self._stack.close()
        if kind is None:
            output = [
                {"type": kind, "url": self.file_of(kind), "count": number}
                for kind, number in self.counts.items()
            ]
            manifest = {
                "transactionTime": self._run.upto.isoformat(),
                "request": f"urn:uuid:{self._run.uuid}",
                "requiresAccessToken": False,
                "output": output,
                "error": [],
            }
            self._folder.joinpath(MANIFEST).write_bytes(encode_pretty(manifest) + b"\n")
