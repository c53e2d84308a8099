"""An ordered map over work: in this process, on several processes of this machine, or on a cluster. All of it gives the same results."""

from __future__ import annotations

import multiprocessing
import os
import signal
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import AbstractContextManager
from types import TracebackType
from typing import Protocol, TypeVar

from regcheck.errors import WorkerError

T = TypeVar("T")
R = TypeVar("R")


class OrderedMap(Protocol):
    """Applies a function to items, several at once, and gives the results in the order of the items."""

    @property
    def workers(self) -> int:
        """How many items are worked on at once."""

    def __call__(self, function: Callable[[T], R], items: Iterable[T]) -> Iterator[R]:
        """Yield the result for each item; what the function raises is raised here."""


class InTurn:
    """One item after the other, in this process."""

    workers = 1

    def __call__(self, function: Callable[[T], R], items: Iterable[T]) -> Iterator[R]:
        """Yield the result for each item."""
        return map(function, items)


class Processes(AbstractContextManager["Processes"]):
    """Several processes of this machine, begun when the first work comes and ended with the block."""

    def __init__(self, workers: int) -> None:
        self.workers = workers
        self._pool: ProcessPoolExecutor | None = None
        self._others: set[int | None] = set()

    def __enter__(self) -> Processes:
        """Return itself; no process runs yet."""
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        """End every process: at once where work was broken off."""
        self._end(at_once=kind is not None)

    def _started(self) -> ProcessPoolExecutor:
        if self._pool is None:
            self._others = {child.pid for child in multiprocessing.active_children()}
            context = multiprocessing.get_context("spawn")  # alike on every system, and safe beside threads
            self._pool = ProcessPoolExecutor(self.workers, mp_context=context, initializer=_begin_worker)
        return self._pool

    def _end(self, *, at_once: bool) -> None:
        pool, self._pool = self._pool, None
        if pool is None:
            return
        if at_once:
            pool.shutdown(wait=False, cancel_futures=True)
            for child in multiprocessing.active_children():
                if child.pid not in self._others:
                    child.terminate()
        pool.shutdown()

    def __call__(self, function: Callable[[T], R], items: Iterable[T]) -> Iterator[R]:
        """Yield the result for each item. WorkerError: a process was ended from outside."""
        pool = self._started()
        ahead: deque[Future[R]] = deque()
        rest = iter(items)
        try:
            for item in rest:
                ahead.append(pool.submit(function, item))
                if len(ahead) > self.workers:
                    yield ahead.popleft().result()
            while ahead:
                yield ahead.popleft().result()
        except BrokenProcessPool:
            self._end(at_once=True)
            raise WorkerError(
                "a worker process was ended from outside before its work was done; is there memory for all of them? Give fewer --workers"
            ) from None
        finally:
            for future in ahead:
                future.cancel()


def _begin_worker() -> None:
    signal.signal(signal.SIGINT, signal.SIG_DFL)  # Ctrl-C ends a worker without a word; the parent speaks
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "1")
