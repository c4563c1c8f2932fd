"""Reading many logs: the heavy, pure part, handed to an executor.

The executor is any :class:`concurrent.futures.Executor`. Local processes are the default; a
cluster engine that offers the same interface can take their place, and nothing else changes.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
import traceback
from collections import deque
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing.connection import wait
from pathlib import Path
from typing import TYPE_CHECKING

from healthtrack.errors import LogError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from concurrent.futures import Executor, Future

    from healthtrack.chain import ProcessedLog
    from healthtrack.config import VehicleSettings
    from healthtrack.ingest import Pipeline

FEWEST_FILES_FOR_A_POOL = 8
"""With fewer, starting worker processes (about a second) costs more than they save."""

ONE_THREAD = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "POLARS_MAX_THREADS")
"""Environment variables that keep a worker process to one thread."""


@dataclass(frozen=True)
class ReadTask:
    """One log to be read; small, so that it travels to another process cheaply."""

    path: Path
    sha256: str
    vehicle_id: str
    vehicle: VehicleSettings
    pipelines: tuple[Pipeline, ...]


def read_one(task: ReadTask) -> ProcessedLog | LogError:
    """Read one log; what is wrong with it is returned, so that the others go on."""
    from healthtrack.chain import process_log  # noqa: PLC0415 - only workers need it

    try:
        return process_log(task.path, task.pipelines, task.vehicle_id, task.vehicle)
    except LogError as error:
        return error
    except OSError as error:
        return LogError("unreadable", f"{task.path} cannot be read: {error.strerror}.")
    except Exception as error:  # noqa: BLE001 - one log must never stop the others
        last = traceback.extract_tb(error.__traceback__)[-1]
        return LogError(
            "internal",
            f"healthtrack itself failed on {task.path} ({type(error).__name__}: {error}, in "
            f"{Path(last.filename).name} line {last.lineno}). The fault is ours, not the log's: "
            "please report that line together with the log.",
        )


def read_all(
    tasks: Iterable[ReadTask], executor: Executor | None, ahead: int
) -> Iterator[tuple[ReadTask, ProcessedLog | LogError]]:
    """Read logs in the order given, at most ``ahead`` of them at a time.

    Parameters
    ----------
    tasks : iterable of ReadTask
        What to read.
    executor : Executor or None
        Where it is done; None reads here, one after the other.
    ahead : int
        How many are under way or wait to be stored; bounds the memory.
    """
    if executor is None:
        for task in tasks:
            yield task, read_one(task)
        return
    under_way: deque[tuple[ReadTask, Future[ProcessedLog | LogError]]] = deque()
    for task in tasks:
        under_way.append((task, executor.submit(read_one, task)))
        if len(under_way) >= ahead:
            yield _oldest(under_way)
    while under_way:
        yield _oldest(under_way)


def _oldest(
    under_way: deque[tuple[ReadTask, Future[ProcessedLog | LogError]]],
) -> tuple[ReadTask, ProcessedLog | LogError]:
    task, future = under_way.popleft()
    return task, future.result()


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
