"""The adaptor of Dask distributed, an optional library: its cluster as an executor."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import contextmanager
from typing import Any

from fhirdrain.errors import ConfigurationError, UnreachableError

_SECONDS_TO_ANSWER = 10


@contextmanager
def connected(address: str) -> Iterator[tuple[Executor, int]]:
    """Give a cluster's executor and how many threads it has; raises `UnreachableError`."""
    distributed = _distributed(address)
    try:
        # A client that found nobody may stop another one for ever, when it is collected.
        _knock(address)
        client = distributed.Client(address, timeout=_SECONDS_TO_ANSWER, set_as_default=False)
    except (OSError, TimeoutError):
        raise UnreachableError(
            "no scheduler of a cluster answers", place=address, hint="is it as tcp://host:8786?"
        ) from None
    except ValueError as error:
        raise ConfigurationError(f"no address of a scheduler: {error}", place=address) from None
    with client:
        threads = sum(client.nthreads().values())
        if not threads:
            raise UnreachableError("the cluster has no workers", place=address)
        # Not pure: what a piece of work is worth is the file that it writes.
        yield client.get_executor(pure=False, retries=2), threads


def _knock(address: str) -> None:
    """Raise `OSError` when nobody takes a connection there, `ValueError` for what is no address."""
    from distributed.comm.addressing import parse_address, parse_host_port

    scheme, place = parse_address(address)
    if scheme in ("tcp", "tls"):
        with socket.create_connection(parse_host_port(place), _SECONDS_TO_ANSWER):
            return


def is_loss(error: BaseException) -> bool:
    """Tell whether workers were lost with a piece of work, more often than the cluster bears."""
    distributed = _distributed("")
    lost = (
        distributed.KilledWorker,
        distributed.client.FutureCancelledError,
        distributed.CommClosedError,
    )
    return isinstance(error, lost)


def _distributed(place: str) -> Any:
    try:
        import distributed
    except ImportError:
        raise ConfigurationError(
            "a cluster needs the library distributed",
            place=place,
            hint="pip install 'fhirdrain[cluster]'",
        ) from None
    return distributed
