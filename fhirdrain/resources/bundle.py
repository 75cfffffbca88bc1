"""A drain's resources in order, and the run as a transaction, a collection or NDJSON."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, BinaryIO

from fhirdrain.bedside.rates import Rate
from fhirdrain.bedside.reading import Reading
from fhirdrain.bedside.totals import Total
from fhirdrain.resources.derived import output_of, rate_of, rounds_of, total_of
from fhirdrain.resources.destination import own_id
from fhirdrain.resources.device import procedure_of, site_of, use_of
from fhirdrain.resources.drain import Making
from fhirdrain.resources.observation import observation_of
from fhirdrain.resources.order import request_of
from fhirdrain.resources.references import Form, token
from fhirdrain.vocabulary.jsontext import encode
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
            line = encode({"resourceType": kind, "id": own_id(resource), **resource})
            self._stream.write(line + b"\n")
        else:
            self._stream.write(b',"entry":[\n' if first else b",\n")
            self._stream.write(encode(entry_of(resource, self.form)))

    def __exit__(self, kind: object, error: object, trace: object) -> None:
        if kind is None and self.form != "ndjson":
            # A bundle without entries has no `entry`: an empty array is not FHIR.
            self._stream.write(b"\n]}\n" if self.counts else b"}\n")
