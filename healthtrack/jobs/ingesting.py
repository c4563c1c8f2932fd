"""Logs into the store: each once, each whole, and what cannot be read aside with its reason."""

from __future__ import annotations

from concurrent.futures.process import BrokenProcessPool
from contextlib import nullcontext, suppress
from dataclasses import replace
from typing import TYPE_CHECKING

from healthtrack import ingest
from healthtrack.errors import LogError, SettingsError, StoreError
from healthtrack.jobs.cluster import engine
from healthtrack.jobs.identities import Identities
from healthtrack.jobs.logs import content_hash, find_logs, release_from_quarantine
from healthtrack.jobs.lots import Candidate, FileOutcome, Lots, size_and_time
from healthtrack.jobs.memory import give_back_large_blocks
from healthtrack.jobs.pool import Failure, RemoteExecutor, run_each, worker_count
from healthtrack.jobs.reading import FEWEST_FILES_FOR_A_POOL, LogRead, ReadTask, read_one
from healthtrack.jobs.workspace import unknown_vehicle

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from concurrent.futures import Executor
    from contextlib import AbstractContextManager
    from datetime import datetime

    from healthtrack.ingest import Pipeline
    from healthtrack.jobs.logs import LogFile
    from healthtrack.jobs.lots import Read
    from healthtrack.jobs.workspace import Workspace
    from healthtrack.store import LogEntry, SampleFolder, Store

__all__ = ["FileOutcome", "forget_deleted", "ingest_logs", "load_pipelines"]


def load_pipelines(workspace: Workspace, name: str | None = None) -> dict[str, Pipeline]:
    """Return the workspace's pipelines, or the named one alone.

    Raises
    ------
    SettingsError
        One cannot be used, there are none, or not the named one.
    """
    pipelines = ingest.load_pipelines(workspace.pipelines)
    if not pipelines:
        raise SettingsError(
            f"{workspace.pipelines} holds no pipeline (*.toml), so no log can be read. Copy one "
            "there from a fresh workspace (`healthtrack init DIR`) and edit it."
        )
    if name is None:
        return pipelines
    if name not in pipelines:
        raise SettingsError(_no_pipeline(name, pipelines, workspace))
    return {name: pipelines[name]}


def _no_pipeline(name: str, pipelines: Mapping[str, Pipeline], workspace: Workspace) -> str:
    return (
        f"there is no pipeline {name!r} in {workspace.shown(workspace.pipelines)} (there: "
        f"{', '.join(sorted(pipelines))})."
    )


def ingest_logs(
    workspace: Workspace,
    store: Store,
    logs: Sequence[LogFile],
    pipelines: Mapping[str, Pipeline],
    now: datetime,
    executor: Executor | None = None,
) -> Iterator[FileOutcome]:
    """Store logs, a few together, and say of each what became of it.

    Parameters
    ----------
    workspace, store
        Where they go.
    logs : sequence of LogFile
        From :func:`healthtrack.jobs.logs.find_logs`.
    pipelines : mapping of str to Pipeline
        Tried in turn, unless the vehicle's settings name one of them.
    now : datetime
        When they were received; time zone UTC.
    executor : Executor or None
        Where they are read; None starts worker processes of its own where that is worth it.

    Yields
    ------
    FileOutcome
        One per log. Whenever the process ends, what was yielded before is in the store, whole.
    """
    give_back_large_blocks()
    candidates: dict[str, Candidate] = {}
    tasks: list[ReadTask] = []
    for looked_at in _looked_at(workspace, store, logs):
        if isinstance(looked_at, FileOutcome):
            yield looked_at
            continue
        candidates[looked_at.sha256] = looked_at
        tasks.append(_task(workspace, looked_at, pipelines))
    lots, died = Lots(workspace, store, now), []
    drives = store.drive_counts(_vehicles_of(candidates))
    waiting = _Waiting(Identities(lots, workspace.settings.vehicles, drives))
    try:
        with _workers(workspace, len(tasks), executor) as used:
            for one in _read(tasks, candidates, workspace, store, used):
                if isinstance(one, FileOutcome):
                    died.append(one)
                    continue
                lots.add(waiting.next(*one))
                del one  # a long log is let go before the next is read
                yield from lots.done()
        lots.add(waiting.rest())
        lots.settle()
    except StoreError:
        yield from lots.done()
        raise
    yield from lots.done()
    yield from died


def _vehicles_of(candidates: Mapping[str, Candidate]) -> set[str]:
    vehicles = {candidate.log.vehicle for candidate in candidates.values()}
    return {vehicle for vehicle in vehicles if vehicle is not None}


def _read(
    tasks: list[ReadTask],
    candidates: dict[str, Candidate],
    workspace: Workspace,
    store: Store,
    executor: Executor | None,
) -> Iterator[Read | FileOutcome]:
    """Read logs in their order; an outcome is of one that no worker brought to an end."""
    ahead = 2 * worker_count(workspace.settings.workers)
    todo = _for_workers(tasks, store, executor)
    try:
        for task, result in run_each(
            read_one, todo, executor, ahead, cost=_text_bytes, most_cost=_MOST_AHEAD_BYTES
        ):
            candidate = candidates.pop(task.sha256)
            if isinstance(result, Failure):
                yield _not_read(candidate.log, result)
            else:
                yield candidate, result
            del result
    except BrokenProcessPool:
        for candidate in candidates.values():
            yield _worker_died(candidate.log)


_ASKED_AT_A_TIME = 2_000
"""Logs of which the store is asked at once; listing all it holds would cost more and more."""

_MOST_AHEAD_BYTES = 40 * 2**20
"""So much text is read ahead; what comes of it takes twice as much. [byte]"""

_PACKED = 8
"""A packed log holds about so many times its size."""

_MOST_WAITING, _MOST_WAITING_BYTES = 8, 24 * 2**20


def _text_bytes(task: ReadTask) -> float:
    packed = task.path.suffix.lower() in {".gz", ".zip", ".parquet"}
    return task.size * (_PACKED if packed else 1)


class _Waiting:
    """Holds back the first logs of a vehicle that is not known yet, to compare them first."""

    def __init__(self, identities: Identities) -> None:
        self._identities = identities
        self._held: dict[str, list[tuple[Candidate, LogRead]]] = {}

    def next(self, candidate: Candidate, result: LogRead | LogError) -> list[Read]:
        """Take a log that was read, and return those of which all is known that will be."""
        vehicle = candidate.log.vehicle
        if isinstance(result, LogError) or vehicle is None:
            return [(candidate, result)]
        before = [] if vehicle in self._held else self.rest()  # no more wait than of one vehicle
        if self._identities.knows(vehicle):
            return [*before, (candidate, self._checked(candidate.log, result))]
        held = self._held.setdefault(vehicle, [])
        held.append((candidate, result))
        size = sum(one.read.samples.estimated_size() for _, one in held)
        if len(held) < _MOST_WAITING and size < _MOST_WAITING_BYTES:
            return before
        return [*before, *self._compared(vehicle)]

    def rest(self) -> list[Read]:
        """Return all that still wait."""
        return [one for vehicle in list(self._held) for one in self._compared(vehicle)]

    def _compared(self, vehicle: str) -> list[Read]:
        held = self._held.pop(vehicle)
        logs = [(one.log.shown, read.operation.windows.frame) for one, read in held]
        wrong = self._identities.strangers(vehicle, logs)
        return [(one, wrong.get(at, read)) for at, (one, read) in enumerate(held)]

    def _checked(self, log: LogFile, result: LogRead) -> LogRead | LogError:
        """Return the result, or the reason why it is another vehicle's log."""
        try:
            self._identities.check(str(log.vehicle), result.operation.windows.frame, log.shown)
        except LogError as error:
            return error
        return result


def _workers(
    workspace: Workspace, tasks: int, given: Executor | None
) -> AbstractContextManager[Executor | None]:
    if given is not None or not tasks:
        return nullcontext(given)
    return engine(workspace, tasks, FEWEST_FILES_FOR_A_POOL)


def _for_workers(
    tasks: Iterable[ReadTask], store: Store, executor: Executor | None
) -> Iterator[ReadTask]:
    """Give each task what its worker needs: the log itself, and where the samples are written."""
    remote = isinstance(executor, RemoteExecutor)
    folder = _written_by_workers(store, remote=remote)
    for task in tasks:
        content = None
        if remote:
            with suppress(OSError):  # gone in the meantime: that is told when it is to be kept
                content = task.path.read_bytes()
        yield replace(task, content=content, samples=folder)


def _written_by_workers(store: Store, *, remote: bool) -> SampleFolder | None:
    """Return where workers write samples; None where only this process can."""
    catalogue = store.sample_catalogue
    if not catalogue.outside or (remote and not catalogue.folder.anywhere):
        return None
    catalogue.claim()
    return catalogue.folder


def _not_read(log: LogFile, failure: Failure) -> FileOutcome:
    """Return the outcome for a log that no worker brought to an end; storage that fails ends it."""
    if isinstance(failure.error, StoreError):
        raise failure.error
    message = (
        f"the workers that read it died ({failure.error}). Nothing of it was stored; it is where "
        "it was, and the next `healthtrack ingest` tries it again."
    )
    return FileOutcome(log.shown, log.vehicle, "left", "worker_died", message)


def forget_deleted(workspace: Workspace, store: Store) -> int:
    """Forget quarantined logs whose file someone deleted from quarantine; returns how many."""
    entries = [entry for entry in store.logs() if entry.state == "quarantined"]
    if not entries:
        return 0
    folder = [workspace.quarantine] if workspace.quarantine.is_dir() else []
    there = {content_hash(log.path) for path in folder for log in find_logs(workspace, [path])}
    gone = [entry for entry in entries if entry.sha256 not in there]
    for entry in gone:
        store.forget_quarantined(entry.sha256)
    return len(gone)


def _task(
    workspace: Workspace, candidate: Candidate, pipelines: Mapping[str, Pipeline]
) -> ReadTask:
    vehicle_id = candidate.log.vehicle or ""
    vehicle = workspace.settings.vehicles[vehicle_id]
    chosen = tuple(pipelines.values())
    if len(pipelines) > 1 and vehicle.pipeline:
        if vehicle.pipeline not in pipelines:
            raise SettingsError(
                f"[vehicles.{vehicle_id}] names a pipeline that does not exist: "
                f"{_no_pipeline(vehicle.pipeline, pipelines, workspace)}"
            )
        chosen = (pipelines[vehicle.pipeline],)
    size = candidate.size_and_time[0]
    return ReadTask(candidate.log.path, candidate.sha256, vehicle_id, vehicle, chosen, size)


def _looked_at(
    workspace: Workspace, store: Store, logs: Sequence[LogFile]
) -> Iterator[Candidate | FileOutcome]:
    """Settle what can be settled without reading logs."""
    taken: dict[str, Candidate] = {}
    for first in range(0, len(logs), _ASKED_AT_A_TIME):
        hashed = [_hashed(workspace, log) for log in logs[first : first + _ASKED_AT_A_TIME]]
        stored = store.stored_logs([one.sha256 for one in hashed if isinstance(one, Candidate)])
        for one in hashed:
            outcome = (
                None if isinstance(one, FileOutcome) else _known(workspace, stored, one, taken)
            )
            if outcome is None and isinstance(one, Candidate):
                taken[one.sha256] = one
            yield outcome or one


def _hashed(workspace: Workspace, log: LogFile) -> Candidate | FileOutcome:
    if log.vehicle not in workspace.settings.vehicles:
        return FileOutcome(log.shown, log.vehicle, "left", *_whose(workspace, log))
    try:
        before = size_and_time(log)
        return Candidate(log, content_hash(log.path), before)
    except OSError as error:
        message = f"it cannot be read: {error.strerror}. Check its permissions and the disk."
        return FileOutcome(log.shown, log.vehicle, "left", "unreadable", message)


def _known(
    workspace: Workspace,
    stored: Mapping[str, LogEntry],
    one: Candidate,
    taken: Mapping[str, Candidate],
) -> FileOutcome | None:
    """Return what is to be said of a log whose content was there before."""
    log, sha256 = one.log, one.sha256
    if sha256 in taken:
        same = f"the same content as {taken[sha256].log.shown}"
        return FileOutcome(log.shown, log.vehicle, "known", message=same)
    known = stored.get(sha256)
    if known is None:
        return None
    release_from_quarantine(workspace, log, sha256)
    other = "" if known.vehicle == log.vehicle else f" for the vehicle {known.vehicle}"
    message = f"stored as {known.name} on {known.received:%Y-%m-%d}{other}"
    return FileOutcome(log.shown, log.vehicle, "known", message=message)


def _whose(workspace: Workspace, log: LogFile) -> tuple[str, str]:
    known = workspace.settings.vehicles
    if log.vehicle is not None:
        return "unknown_vehicle", unknown_vehicle(log.vehicle, known)
    inbox = workspace.shown(workspace.inbox)
    names = ", ".join(known) or "none yet"
    message = (
        f"nothing tells which vehicle it is from. Move it into {inbox}/VEHICLE/, or give --vehicle "
        f"(vehicles in healthtrack.toml: {names})."
    )
    return "no_vehicle", message


def _worker_died(log: LogFile) -> FileOutcome:
    message = (
        "a worker process died before it was read, most likely for lack of memory. Set a smaller "
        "number of `workers` in healthtrack.toml (1 for none) and run `healthtrack ingest` again."
    )
    return FileOutcome(log.shown, log.vehicle, "left", "worker_died", message)
