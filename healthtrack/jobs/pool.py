"""Heavy, pure work handed to an executor, one small task after the other.

The executor is any :class:`concurrent.futures.Executor`. Local processes are the default; a
cluster engine that offers the same interface can take their place, and nothing else changes.
"""

from __future__ import annotations

import math
import multiprocessing
import os
import signal
import threading
from abc import abstractmethod
from collections import deque
from concurrent.futures import BrokenExecutor, CancelledError, Executor, ProcessPoolExecutor
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from multiprocessing.connection import wait
from time import process_time
from typing import TYPE_CHECKING, TypeVar

from healthtrack.errors import ClusterError, HealthtrackError, StoreError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from concurrent.futures import Future
    from contextlib import AbstractContextManager

Task = TypeVar("Task")
Result = TypeVar("Result")

ONE_THREAD = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "POLARS_MAX_THREADS")
"""Environment variables that keep a worker process to one thread."""

MOST_IN_A_BATCH = 32
"""Tasks sent to a remote worker at once, however quick they are; bounds what a lost one repeats."""

_GONE = (
    "the cluster's scheduler is gone. What was finished before is kept; nothing else was changed. "
    "See that the scheduler runs, then run this again."
)


NO_FAULT_OF_ONE = (StoreError, ClusterError, BrokenExecutor)
"""What ends a run instead of being told of one vehicle."""


@dataclass(frozen=True, slots=True)
class Failure:
    """What a task ended with instead of a result."""

    error: Exception

    @property
    def words(self) -> str:
        """What to tell a person: the message of a fault that can be mended, else what it was."""
        if isinstance(self.error, HealthtrackError):
            return str(self.error)
        return f"healthtrack itself failed ({type(self.error).__name__}: {self.error})"


class RemoteExecutor(Executor):
    """An executor whose workers share neither memory nor disk with this process.

    Sending a task costs milliseconds there, so tasks are sent in batches; a worker that is lost
    is the executor's own to replace.
    """

    batch_seconds: float = 0.25
    """A batch is worth sending when it takes about this long: five times the least that pays, few
    enough for one scheduler, and small beside a night. [s]"""

    @property
    @abstractmethod
    def ahead(self) -> int:
        """How many batches keep all workers busy without filling anyone's memory."""


def run_all(
    function: Callable[[Task], Result],
    tasks: Iterable[Task],
    executor: Executor | None,
    ahead: int,
    cost: Callable[[Task], float] | None = None,
) -> Iterator[tuple[Task, Result]]:
    """Do tasks in the order given; the first that fails ends it with its exception.

    Parameters are those of :func:`run_each`.
    """
    for task, result in run_each(function, tasks, executor, ahead, cost):
        if isinstance(result, Failure):
            raise result.error
        yield task, result


def run_each(
    function: Callable[[Task], Result],
    tasks: Iterable[Task],
    executor: Executor | None,
    ahead: int,
    cost: Callable[[Task], float] | None = None,
    most_cost: float = math.inf,
) -> Iterator[tuple[Task, Result | Failure]]:
    """Do tasks in the order given, at most ``ahead`` of them at a time; one may fail alone.

    Parameters
    ----------
    function : callable
        Of one task; pure, at the top of a module, so that it can be sent to another process.
    tasks : iterable
        What to do; small, or worth sending.
    executor : Executor or None
        Where it is done; None does it here, one after the other.
    ahead : int
        How many are under way or wait to be fetched; bounds the memory. A remote executor knows
        better and counts batches.
    cost : callable or None
        Of one task, in any unit (bytes, rows); how many seconds a unit takes is learned from the
        tasks that are done. None takes all tasks for alike.
    most_cost : float
        Tasks under way here wait for each other once they come to so much: their results fill the
        memory. [unit of cost]

    Raises
    ------
    concurrent.futures.BrokenExecutor
        All local workers are gone.
    ClusterError
        The cluster is gone.
    """
    if isinstance(executor, RemoteExecutor):
        yield from _run_batches(function, tasks, executor, cost)
        return
    if executor is None:
        for task in tasks:
            yield task, attempt(function, task)
        return
    under_way: deque[tuple[Task, Future[Result]]] = deque()
    total = 0.0
    for task in tasks:
        under_way.append((task, executor.submit(function, task)))
        total += cost(task) if cost else 0.0
        while len(under_way) >= ahead or (total >= most_cost and under_way):
            total -= cost(under_way[0][0]) if cost else 0.0
            done = _oldest(under_way)
            yield done
            del done  # it may be large
    while under_way:
        last = _oldest(under_way)
        yield last
        del last


def attempt(function: Callable[[Task], Result], task: Task) -> Result | Failure:
    """Do one task; what it raises is returned."""
    try:
        return function(task)
    except Exception as error:  # noqa: BLE001 - one task must never stop the others
        return Failure(error)


def _oldest(
    under_way: deque[tuple[Task, Future[Result]]],
) -> tuple[Task, Result | Failure]:
    task, future = under_way.popleft()
    result: Result | Failure
    try:
        result = future.result()
    except BrokenExecutor:
        raise
    except Exception as error:  # noqa: BLE001 - one task must never stop the others
        result = Failure(error)
    return task, result


# ---------------------------------------------------------------- batches for remote workers


@dataclass
class _Pace:
    """How long a unit of cost takes, as learned so far."""

    seconds: float = 0.0
    cost: float = 0.0

    def learn(self, seconds: float, cost: float) -> None:
        self.seconds += seconds
        self.cost += cost

    def expected(self, cost: float) -> float:
        """Return the seconds that some cost will take; endless while nothing is known."""
        return cost * self.seconds / self.cost if self.seconds else float("inf")


def _batches(
    tasks: Iterable[Task], cost: Callable[[Task], float] | None, pace: _Pace, seconds: float
) -> Iterator[tuple[list[Task], float]]:
    batch: list[Task] = []
    total = 0.0
    for task in tasks:
        batch.append(task)
        total += cost(task) if cost else 1.0
        if pace.expected(total) >= seconds or len(batch) >= MOST_IN_A_BATCH:
            yield batch, total
            batch, total = [], 0.0
    if batch:
        yield batch, total


def do_batch(
    function: Callable[[Task], Result], tasks: Sequence[Task]
) -> tuple[list[Result | Failure], float]:
    """Do some tasks on a worker, and say how long they took. [s]."""
    from threadpoolctl import threadpool_limits  # noqa: PLC0415 - comes with the extra `cluster`

    began = process_time()
    with threadpool_limits(1):  # sums of several threads differ in their last bit
        results = [attempt(function, task) for task in tasks]
    return results, process_time() - began


def _run_batches(
    function: Callable[[Task], Result],
    tasks: Iterable[Task],
    executor: RemoteExecutor,
    cost: Callable[[Task], float] | None,
) -> Iterator[tuple[Task, Result | Failure]]:
    pace = _Pace()
    under_way: deque[tuple[list[Task], float, Future[tuple[list[Result | Failure], float]]]]
    under_way = deque()

    def settled() -> Iterator[tuple[Task, Result | Failure]]:
        batch, total, future = under_way.popleft()
        try:
            results, seconds = future.result()
        except CancelledError:
            raise ClusterError(_GONE) from None
        except Exception:  # noqa: BLE001 - the workers that took it died, or could not
            # which task was it, if any? What waits at a worker that dies is suspected with it
            for task in batch:
                yield task, _alone(function, task, executor)
            return
        pace.learn(seconds, total)
        yield from zip(batch, results, strict=True)

    for batch, total in _batches(tasks, cost, pace, executor.batch_seconds):
        under_way.append((batch, total, executor.submit(do_batch, function, batch)))
        while len(under_way) >= executor.ahead:
            yield from settled()
    while under_way:
        yield from settled()


def _alone(
    function: Callable[[Task], Result], task: Task, executor: RemoteExecutor
) -> Result | Failure:
    try:
        (result,), _ = executor.submit(do_batch, function, [task]).result()
    except CancelledError:
        raise ClusterError(_GONE) from None
    except Exception as error:  # noqa: BLE001 - one task must never stop the others
        return Failure(error)
    return result


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
