"""Who does the work: this process, several of this machine, or a cluster. All are executors."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import time
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
        elif self.processes == 1:
            with _ended(ThreadPoolExecutor(1)) as executor:
                yield executor
        else:
            # A forked process would inherit locks in whatever state they are in.
            context = multiprocessing.get_context("spawn")
            pool = ProcessPoolExecutor(self.processes, context, _begin, (os.getpid(),))
            with _ended(pool) as executor:
                yield executor

    def is_loss(self, error: BaseException) -> bool:
        """Tell whether an error says that a worker was lost, and not that its work is wrong."""
        if self.cluster is not None:
            from fhirdrain.spread.cluster import is_loss

            return is_loss(error)
        return isinstance(error, BrokenProcessPool)


@contextmanager
def _ended(executor: Executor) -> Iterator[Executor]:
    """Give an executor that does no more once it is left; interrupted, not even what it is at."""
    try:
        yield executor
    except (KeyboardInterrupt, SystemExit):
        for child in multiprocessing.active_children():
            child.terminate()
        raise
    finally:
        executor.shutdown(cancel_futures=True)


def _begin(parent: int) -> None:
    """Begin as a worker: it is its parent that is interrupted, and it ends when that does."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with, args=(parent,), daemon=True).start()


def _end_with(parent: int) -> None:
    while os.getppid() == parent:
        time.sleep(0.5)
    os._exit(1)
