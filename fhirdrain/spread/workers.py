"""Who does the work: this process, several of this machine, or a cluster. All are executors."""

from __future__ import annotations

import multiprocessing
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Workers:
    """So many processes of this machine, or those of the cluster whose scheduler has an address.

    One is this process itself.
    """

    processes: int = 1
    cluster: str | None = None

    @classmethod
    def of(cls, processes: int | None, cluster: str | None) -> Workers:
        """Return those of a cluster, else so many processes; raises `UnreachableError`."""
        if cluster is None:
            return cls(processes or 1)
        from fhirdrain.spread.cluster import connected

        with connected(cluster) as (_, threads):
            return cls(threads, cluster)

    @contextmanager
    def executor(self) -> Iterator[Executor]:
        """Give an executor; raises `UnreachableError` when no scheduler answers.

        What was not begun when it is left is not done any more.
        """
        if self.cluster is not None:
            from fhirdrain.spread.cluster import connected

            with connected(self.cluster) as (found, _):
                yield found
            return
        executor: Executor
        if self.processes == 1:
            executor = ThreadPoolExecutor(1)
        else:
            # A forked process would inherit locks in whatever state they are in.
            context = multiprocessing.get_context("spawn")
            executor = ProcessPoolExecutor(self.processes, mp_context=context)
        try:
            yield executor
        finally:
            executor.shutdown(cancel_futures=True)

    def is_loss(self, error: BaseException) -> bool:
        """Tell whether an error says that a worker was lost, and not that its work is wrong."""
        if self.cluster is not None:
            from fhirdrain.spread.cluster import is_loss

            return is_loss(error)
        return isinstance(error, BrokenProcessPool)
