"""
The mapper: one function over many items, in this process, in several, or on a cluster.

What it needs of a function: it can be found by name, it takes what all items share and one item,
and running it twice does no harm, so that the items of a lost worker are simply done again.
"""

import gc
import multiprocessing
import os
import signal
import sys
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from functools import partial
from threading import Thread
from typing import Any, Final, TypeVar

from agreement.errors import AgreementError

T = TypeVar("T")
Progress = Callable[[int, int, str], None]

MOST_WORKERS: Final = 8  # by default; more only when asked for
_LOADED: Final = "agreement.scale.streamed"  # by the server of which workers are forked
LOST_AGAIN: Final = 3  # times that workers may be lost before it is no accident


class Engine(ABC):
    """Something that maps."""

    def begin(self) -> None:  # noqa: B027 - most have nothing to begin
        """Begin what takes a while, before this process loads what it needs itself."""

    def map(
        self,
        function: Callable[[Any, Any], T],
        shared: Any,
        items: Sequence[Any],
        *,
        progress: Progress | None = None,
        stage: str = "",
    ) -> list[T]:
        """Return ``function(shared, item)`` of every item, in their order."""
        found: dict[int, T] = {}
        for place, result in self._results(function, shared, items):
            found[place] = result
            if progress is not None:
                progress(len(found), len(items), stage)
        return [found[place] for place in range(len(items))]

    @abstractmethod
    def _results(
        self, function: Callable[[Any, Any], T], shared: Any, items: Sequence[Any]
    ) -> Iterator[tuple[int, T]]:
        """Yield the place and the result of every item, as they come."""


class LocalEngine(Engine):
    """
    Workers of this machine; one: this process does it all.

    Processes, not threads: checking and pairing hold Python's lock most of the time.
    """

    def __init__(self, workers: int) -> None:
        self.workers = workers
        self._forks = sys.platform != "win32"

    def begin(self) -> None:
        """Start the server of which workers are forked: it imports while this process does."""
        if self.workers > 1 and self._forks:
            from multiprocessing.forkserver import ensure_running  # which not every system has

            # without threads of its own, so that they share what it imported
            multiprocessing.get_context("forkserver").set_forkserver_preload([_LOADED])
            ensure_running()

    def _results(
        self, function: Callable[[Any, Any], T], shared: Any, items: Sequence[Any]
    ) -> Iterator[tuple[int, T]]:
        if self.workers == 1 or len(items) < 2:
            yield from ((place, function(shared, item)) for place, item in enumerate(items))
            return
        left = dict(enumerate(items))
        self.begin()
        context: Any = multiprocessing.get_context("forkserver" if self._forks else "spawn")
        of_item = partial(_with_shared, function)
        for _ in range(LOST_AGAIN):
            pool = ProcessPoolExecutor(self.workers, context, _made_ready, (shared,))
            try:
                waiting = {pool.submit(of_item, item): place for place, item in left.items()}
                for future in as_completed(waiting):
                    place, result = waiting.pop(future), future.result()
                    del left[place]
                    yield place, result
            except BrokenProcessPool:
                continue  # a worker is gone; what it had not finished is done again
            finally:
                pool.shutdown(cancel_futures=True)
            return
        raise AgreementError(
            f"Workers were lost {LOST_AGAIN} times, most likely for want of memory. "
            "Use fewer --workers, or smaller parts."
        )


_SHARED: list[Any] = []  # in a worker: what all items of its pool have in common


def _with_shared(function: Callable[[Any, Any], T], item: Any) -> T:
    """Call a function with what its worker was given at the start, and one item."""
    return function(_SHARED[0], item)


def _made_ready(shared: Any) -> None:
    """
    Make a worker ready.

    It keeps what all items share, which so travels once; leaves an interrupt to the process that
    asked for the work; ends with it, even if that was killed; and gives memory back when it is free.
    """
    from agreement.tables.spills import give_memory_back

    _SHARED[:] = [shared]
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    Thread(target=_end_with_parent, daemon=True).start()
    gc.freeze()  # what was imported before the fork is never touched again, so it stays shared
    give_memory_back()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


@contextmanager
def engine(workers: int | None = None, scheduler: str | None = None) -> Iterator[Engine]:
    """
    Give the mapper that the command line asks for.

    workers: of this machine; default: one for each processor, at most `MOST_WORKERS`.
    scheduler: address or scheduler file of a Dask cluster that is already running.
    Raises AgreementError if both are given, or the cluster cannot be used; the sentence says why.
    """
    if workers is not None and workers < 1:
        raise AgreementError(f"--workers must be 1 or more; got {workers}.")
    if workers is not None and scheduler is not None:
        raise AgreementError(
            "Give --workers for this machine or --scheduler for a cluster, not both."
        )
    if scheduler is None:
        known = hasattr(os, "sched_getaffinity")
        mine = len(os.sched_getaffinity(0)) if known else os.cpu_count() or 1
        yield LocalEngine(workers or min(MOST_WORKERS, mine))
        return
    from agreement.scale.cluster import cluster

    with cluster(scheduler) as found:
        yield found
