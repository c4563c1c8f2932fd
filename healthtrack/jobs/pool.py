"""Heavy, pure work handed to an executor, one small task after the other.

The executor is any :class:`concurrent.futures.Executor`. Local processes are the default; a
cluster engine that offers the same interface can take their place, and nothing else changes.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections import deque
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager, nullcontext
from multiprocessing.connection import wait
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from concurrent.futures import Executor, Future
    from contextlib import AbstractContextManager

Task = TypeVar("Task")
Result = TypeVar("Result")

ONE_THREAD = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "POLARS_MAX_THREADS")
"""Environment variables that keep a worker process to one thread."""


def run_all(
    function: Callable[[Task], Result],
    tasks: Iterable[Task],
    executor: Executor | None,
    ahead: int,
) -> Iterator[tuple[Task, Result]]:
    """Do tasks in the order given, at most ``ahead`` of them at a time.

    Parameters
    ----------
    function : callable
        Of one task; pure, at the top of a module, so that it can be sent to another process.
    tasks : iterable
        What to do; small, or worth sending.
    executor : Executor or None
        Where it is done; None does it here, one after the other.
    ahead : int
        How many are under way or wait to be fetched; bounds the memory.
    """
    if executor is None:
        for task in tasks:
            yield task, function(task)
        return
    under_way: deque[tuple[Task, Future[Result]]] = deque()
    for task in tasks:
        under_way.append((task, executor.submit(function, task)))
        if len(under_way) >= ahead:
            yield _oldest(under_way)
    while under_way:
        yield _oldest(under_way)


def _oldest(under_way: deque[tuple[Task, Future[Result]]]) -> tuple[Task, Result]:
    task, future = under_way.popleft()
    return task, future.result()


def executor_for(workers: int, tasks: int, fewest: int) -> AbstractContextManager[Executor | None]:
    """Return worker processes where they are worth their start, else None as context.

    Parameters
    ----------
    workers : int
        As in the settings; 0 is one per processor.
    tasks : int
        How many there are.
    fewest : int
        With fewer, starting the workers (a second or two) costs more than they save.
    """
    count = min(worker_count(workers), tasks)
    if count < 2 or tasks < fewest:
        return nullcontext()
    return local_processes(count)


def worker_count(asked: int) -> int:
    """Return how many worker processes to start; ``asked`` 0 is one per processor."""
    return asked or _processors()


def _processors() -> int:
    if hasattr(os, "sched_getaffinity"):  # counts only those that this process may use
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@contextmanager
def local_processes(workers: int) -> Iterator[Executor]:
    """Start worker processes; on any way out they are gone.

    Spawned, not forked: a forked child of a process that has used polars deadlocks. Numerical
    libraries get one thread per worker, or they fight over the processors.
    """
    with _environment(dict.fromkeys(ONE_THREAD, "1")):
        executor = ProcessPoolExecutor(
            workers,
            mp_context=multiprocessing.get_context("spawn"),
            initializer=_start_worker,
        )
        try:
            yield executor
        finally:
            executor.shutdown(wait=True, cancel_futures=True)


@contextmanager
def _environment(changes: dict[str, str]) -> Iterator[None]:
    before = {name: os.environ.get(name) for name in changes}
    os.environ.update(changes)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def _start_worker() -> None:
    # Ctrl-C reaches the whole group; the parent decides what becomes of the work under way
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    """End this worker when the parent is gone, even if it was killed without a word."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        wait([parent.sentinel])
        os._exit(1)
