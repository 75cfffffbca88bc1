"""The adaptor of Dask distributed, an optional library: its cluster as an executor."""

from __future__ import annotations

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


def is_loss(error: BaseException) -> bool:
    """Tell whether workers were lost with a piece of work, more often than the cluster bears."""
    distributed = _distributed("")
    lost = (distributed.KilledWorker, distributed.client.FutureCancelledError)
    return isinstance(error, (*lost, OSError))


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
