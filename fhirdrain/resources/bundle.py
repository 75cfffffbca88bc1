"""A drain's resources in order, and the run as a transaction, a collection or NDJSON."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any, BinaryIO

from fhirdrain.bedside.reading import Reading
from fhirdrain.resources.device import device_of, procedure_of, site_of, use_of
from fhirdrain.resources.drain import Making
from fhirdrain.resources.identity import uuid_of
from fhirdrain.resources.observation import derived_output, observation_of
from fhirdrain.resources.order import request_of
from fhirdrain.resources.references import Form, token
from fhirdrain.vocabulary.jsontext import encode
from fhirdrain.vocabulary.observables import OBSERVABLES

Resource = dict[str, Any]


def resources_of(making: Making, set_aside: Iterable[Reading] = ()) -> Iterator[Resource]:
    """Yield a drain's resources, each after those it refers to.

    `set_aside` are amounts that only check the levels: they are not sent.
    """
    drain = making.drain
    left_out = {reading.identity for reading in set_aside}
    yield device_of(making)
    yield use_of(making)
    for order in drain.orders:
        yield request_of(making, order)
    intervals = (
        {o.closing.identity: o for o in drain.ledger.outputs if o.basis == "amount"}
        if drain.ledger is not None
        else {}
    )
    for reading in drain.readings:
        form = OBSERVABLES[reading.observable].form
        if form == "Procedure":
            yield procedure_of(making, reading)
        elif form == "DeviceUseStatement":
            yield site_of(making, reading)
        elif form == "Observation" and reading.identity not in left_out:
            yield observation_of(making, reading, intervals.get(reading.identity))
    for output in drain.ledger.outputs if drain.ledger is not None else ():
        if output.basis == "levels":
            yield derived_output(making, output)


def _uuid(resource: Resource) -> str:
    identifier = resource["identifier"][0]
    # A drain's Device and its DeviceUseStatement share one identifier.
    prefix = "" if resource["resourceType"] != "DeviceUseStatement" else "use|"
    return uuid_of(identifier["system"], prefix + identifier["value"])


def entry_of(resource: Resource, form: Form) -> Resource:
    """Return the bundle entry of a resource; in a transaction it is a conditional create."""
    entry: Resource = {"fullUrl": f"urn:uuid:{_uuid(resource)}", "resource": resource}
    if form == "transaction":
        identifier = resource["identifier"][0]
        entry["request"] = {
            "method": "POST",
            "url": resource["resourceType"],
            "ifNoneExist": f"identifier={token(identifier['system'], identifier['value'])}",
        }
    return entry


class Writer:
    """Writes resources to a stream as they come, in one of the three forms.

    Use as a context manager: a bundle is closed when it is left without an error.
    """

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
        first = not self.counts
        kind = resource["resourceType"]
        self.counts[kind] = self.counts.get(kind, 0) + 1
        if self.form == "ndjson":
            self._stream.write(encode({"resourceType": kind, "id": _uuid(resource), **resource}))
            self._stream.write(b"\n")
        else:
            self._stream.write(b',"entry":[\n' if first else b",\n")
            self._stream.write(encode(entry_of(resource, self.form)))

    def __exit__(self, kind: object, error: object, trace: object) -> None:
        if kind is None and self.form != "ndjson":
            # A bundle without entries has no `entry`: an empty array is not FHIR.
            self._stream.write(b"\n]}\n" if self.counts else b"}\n")
