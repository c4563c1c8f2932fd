"""Workers on other machines: a Dask cluster that exists, in the place of local worker processes.

Tasks go to whichever worker is free. One that is lost midway is replaced by the scheduler, and its
task is done once more elsewhere; tasks are pure, so it counts once. Nothing but this process writes
to the store. What a worker needs travels with the task: a log's bytes, a vehicle's history.

A scheduler runs any code that reaches it: keep it inside a network of your own, or use ``tls://``
with certificates as the cluster's own settings say.
"""

from __future__ import annotations

import logging
import time
from contextlib import contextmanager
from importlib.metadata import version
from typing import TYPE_CHECKING, Any, TypeVar

from healthtrack.errors import ClusterError
from healthtrack.jobs.pool import RemoteExecutor, executor_for

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from concurrent.futures import Executor, Future

    from healthtrack.jobs.workspace import Workspace

Result = TypeVar("Result")

CONNECT_SECONDS = 30
"""How long a scheduler may take to answer, and a first worker to be there. [s]"""

COUNT_AGAIN_SECONDS = 2.0
"""How long the number of workers is believed. [s]"""

ALIKE = ("healthtrack", "numpy", "polars", "scipy", "scikit-learn", "statsmodels")
"""Packages that must have the same version everywhere, lest verdicts depend on the worker."""


class ClusterExecutor(RemoteExecutor):
    """The workers of a Dask cluster as an executor.

    Parameters
    ----------
    client : distributed.Client
        Connected to the scheduler.
    """

    def __init__(self, client: Any) -> None:  # noqa: ANN401 - an optional dependency
        self._client = client
        self._executor = client.get_executor(pure=False)
        self._ahead = 0
        self._counted = 0.0

    @property
    def ahead(self) -> int:
        """Twice the workers' threads, as many as there were a moment ago: one busy, one waiting."""
        now = time.monotonic()
        if not self._ahead or now - self._counted > COUNT_AGAIN_SECONDS:  # it asks the scheduler
            threads: dict[str, int] = self._client.nthreads()
            self._ahead, self._counted = 2 * max(1, sum(threads.values())), now
        return self._ahead

    def submit(
        self,
        fn: Callable[..., Result],
        /,
        *args: Any,  # noqa: ANN401 - the interface
        **kwargs: Any,  # noqa: ANN401 - the interface
    ) -> Future[Result]:
        """Send a call to a worker."""
        future: Future[Result] = self._executor.submit(fn, *args, **kwargs)
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:  # noqa: ARG002, FBT001, FBT002 - the interface
        """Let go of what is still under way."""
        self._executor.shutdown(wait=False)


@contextmanager
def engine(
    workspace: Workspace, tasks: int, fewest: int, address: str | None = None
) -> Iterator[Executor | None]:
    """Return where heavy work is done: the cluster where one is named, else this machine.

    Parameters
    ----------
    workspace : Workspace
        Its settings name the cluster and the number of local workers.
    tasks, fewest : int
        How many there are, and from how many on local workers are worth their start.
    address : str or None
        Of a scheduler, as said on the command line; the settings' where it is None.

    Raises
    ------
    ClusterError
        The cluster cannot be used.
    """
    used = workspace.settings.cluster if address is None else address
    if used:
        with cluster(used) as executor:
            yield executor
    else:
        with executor_for(workspace.settings.workers, tasks, fewest) as local:
            yield local


@contextmanager
def cluster(address: str) -> Iterator[ClusterExecutor]:
    """Connect to a cluster and see that its workers have what they need.

    Raises
    ------
    ClusterError
        The extra is not installed, no scheduler answers, no worker is there, or one of them has
        other versions than this process.
    """
    client = _connected(address)
    try:
        _check_workers(client, address)
        executor = ClusterExecutor(client)
        try:
            yield executor
        finally:
            executor.shutdown()
    finally:
        client.close(timeout=CONNECT_SECONDS)


def _connected(address: str) -> Any:  # noqa: ANN401 - an optional dependency
    try:
        import dask  # noqa: PLC0415 - an optional dependency
        import distributed  # noqa: PLC0415 - the same
    except ImportError:
        raise ClusterError(
            "work on a cluster needs the package distributed, which is not installed. Install it "
            "with: pip install 'healthtrack[cluster]', here and on every worker."
        ) from None
    logging.getLogger("distributed").setLevel(logging.ERROR)  # what matters is raised
    # histories of many drives are large, and meant to be
    dask.config.set({"distributed.admin.large-graph-warning-threshold": "1 GB"})
    try:
        connect: Any = distributed.Client  # untyped
        return connect(address, timeout=CONNECT_SECONDS, set_as_default=False)
    except (OSError, ValueError, TypeError) as error:
        told = str(error).strip().splitlines()[0] if str(error).strip() else "no answer"
        raise ClusterError(
            f"no scheduler answers at {address!r} ({told}). Start one with `dask scheduler`, and "
            "workers with `dask worker ADDRESS --nthreads 1`, or leave `--cluster` and the setting "
            "`cluster` away to work on this machine."
        ) from None


def _check_workers(client: Any, address: str) -> None:  # noqa: ANN401 - an optional dependency
    try:
        client.wait_for_workers(1, timeout=CONNECT_SECONDS)
    except TimeoutError:
        raise ClusterError(
            f"the scheduler at {address} has no workers. Start some with `dask worker {address} "
            "--nthreads 1`."
        ) from None
    expected = versions()
    found: dict[str, Any] = client.run(versions, on_error="return")
    for worker, there in sorted(found.items()):
        if isinstance(there, BaseException):
            raise ClusterError(
                f"the worker {worker} cannot run healthtrack ({type(there).__name__}: {there}). "
                "Install healthtrack there in this version, with the same packages."
            )
        for package, wanted in expected.items():
            if there[package] != wanted:
                raise ClusterError(
                    f"the worker {worker} has {package} {there[package]}, this process {wanted}. "
                    "Install the same versions everywhere: verdicts must not depend on the worker."
                )


def versions() -> dict[str, str]:
    """Return the versions that must be alike on all workers."""
    return {package: version(package) for package in ALIKE}
