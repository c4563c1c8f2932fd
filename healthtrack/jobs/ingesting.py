"""Logs into the store: each once, each whole, and what cannot be read aside with its reason."""

from __future__ import annotations

from concurrent.futures.process import BrokenProcessPool
from contextlib import nullcontext, suppress
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from healthtrack import ingest
from healthtrack.errors import LogError, SettingsError, StoreError
from healthtrack.jobs.cluster import engine
from healthtrack.jobs.identities import Identities
from healthtrack.jobs.logs import (
    content_hash,
    find_logs,
    put_into_quarantine,
    release_from_quarantine,
)
from healthtrack.jobs.overlapping import join_stored
from healthtrack.jobs.pool import Failure, RemoteExecutor, run_each, worker_count
from healthtrack.jobs.reading import FEWEST_FILES_FOR_A_POOL, LogRead, ReadTask, read_one
from healthtrack.jobs.workspace import unknown_vehicle
from healthtrack.store import LogEntry, SampleFolder

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from concurrent.futures import Executor
    from contextlib import AbstractContextManager
    from datetime import datetime

    from healthtrack.ingest import Pipeline
    from healthtrack.jobs.logs import LogFile
    from healthtrack.jobs.workspace import Workspace
    from healthtrack.store import Store

Outcome = Literal["stored", "known", "quarantined", "left"]


@dataclass(frozen=True, slots=True)
class FileOutcome:
    """What became of one file.

    ``left`` means that it was not touched, because a person must first say or do something.
    ``waterfall`` says of a stored log how many rows came in, were kept, and were lost and why.
    """

    file: str
    vehicle: str | None
    state: Outcome
    reason: str | None = None
    message: str | None = None
    drives: int = 0
    windows: int = 0
    notes: tuple[str, ...] = ()
    waterfall: ingest.Waterfall | None = None


@dataclass(frozen=True, slots=True)
class _Candidate:
    log: LogFile
    sha256: str
    size_and_time: tuple[int, int]


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
    """Store logs one by one and say of each what became of it.

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
    candidates: dict[str, _Candidate] = {}
    tasks: list[ReadTask] = []
    # one question for all: asking for each known file would cost 3 ms
    stored = {entry.sha256: entry for entry in store.logs() if entry.state == "stored"}
    for log in logs:
        looked_at = _look_at(workspace, stored, log, candidates)
        if isinstance(looked_at, FileOutcome):
            yield looked_at
            continue
        candidates[looked_at.sha256] = looked_at
        tasks.append(_task(workspace, looked_at, pipelines))
    ahead = 2 * worker_count(workspace.settings.workers)
    waiting = _Waiting(Identities(store, workspace.settings.vehicles))
    died: list[FileOutcome] = []
    with _workers(workspace, len(tasks), executor) as used:
        todo = _for_workers(tasks, store, used)
        try:
            for task, result in run_each(read_one, todo, used, ahead, cost=lambda one: one.size):
                candidate = candidates.pop(task.sha256)
                if isinstance(result, Failure):
                    died.append(_not_read(candidate.log, result))
                    continue
                for one in waiting.next(candidate, result):
                    yield _settled(workspace, store, one, now)
        except BrokenProcessPool:
            died += [_worker_died(candidate.log) for candidate in candidates.values()]
    for one in waiting.rest():
        yield _settled(workspace, store, one, now)
    yield from died


_MOST_WAITING, _MOST_WAITING_BYTES = 8, 48 * 2**20

_Read = tuple[_Candidate, "LogRead | LogError"]


class _Waiting:
    """Holds back the first logs of a vehicle that is not known yet, to compare them first."""

    def __init__(self, identities: Identities) -> None:
        self._identities = identities
        self._held: dict[str, list[tuple[_Candidate, LogRead]]] = {}

    def next(self, candidate: _Candidate, result: LogRead | LogError) -> list[_Read]:
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

    def rest(self) -> list[_Read]:
        """Return all that still wait."""
        return [one for vehicle in list(self._held) for one in self._compared(vehicle)]

    def _compared(self, vehicle: str) -> list[_Read]:
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
    workspace: Workspace, candidate: _Candidate, pipelines: Mapping[str, Pipeline]
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


def _look_at(
    workspace: Workspace,
    stored: Mapping[str, LogEntry],
    log: LogFile,
    taken: Mapping[str, _Candidate],
) -> FileOutcome | _Candidate:
    """Settle what can be settled without reading the log."""
    if log.vehicle not in workspace.settings.vehicles:
        return FileOutcome(log.shown, log.vehicle, "left", *_whose(workspace, log))
    try:
        before = _size_and_time(log)
        sha256 = content_hash(log.path)
    except OSError as error:
        message = f"it cannot be read: {error.strerror}. Check its permissions and the disk."
        return FileOutcome(log.shown, log.vehicle, "left", "unreadable", message)
    if sha256 in taken:
        same = f"the same content as {taken[sha256].log.shown}"
        return FileOutcome(log.shown, log.vehicle, "known", message=same)
    known = stored.get(sha256)
    if known is not None:
        release_from_quarantine(workspace, log, sha256)
        other = "" if known.vehicle == log.vehicle else f" for the vehicle {known.vehicle}"
        message = f"stored as {known.name} on {known.received:%Y-%m-%d}{other}"
        return FileOutcome(log.shown, log.vehicle, "known", message=message)
    return _Candidate(log, sha256, before)


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


def _size_and_time(log: LogFile) -> tuple[int, int]:
    status = log.path.stat()
    return status.st_size, status.st_mtime_ns


def _settled(workspace: Workspace, store: Store, one: _Read, now: datetime) -> FileOutcome:
    candidate, result = one
    outcome = _keep(workspace, store, candidate, result, now)
    if outcome.state != "stored" and isinstance(result, LogRead):
        store.sample_catalogue.remove_unnamed([place.file for place in result.written])
    return outcome


def _keep(
    workspace: Workspace,
    store: Store,
    candidate: _Candidate,
    result: LogRead | LogError,
    now: datetime,
) -> FileOutcome:
    log = candidate.log
    assert log.vehicle is not None
    try:
        still_arriving = _size_and_time(log) != candidate.size_and_time
    except OSError:
        still_arriving = True
    if still_arriving:
        message = "it changed while it was read. Run `healthtrack ingest` again when it is whole."
        return FileOutcome(log.shown, log.vehicle, "left", "still_arriving", message)
    size = candidate.size_and_time[0]
    entry = LogEntry(candidate.sha256, log.shown, log.vehicle, now, size=size)
    try:
        if isinstance(result, LogError):
            raise result
        return _store(workspace, store, candidate, entry, result)
    except LogError as error:
        return _quarantine(workspace, store, candidate, entry, error)


def _store(
    workspace: Workspace,
    store: Store,
    candidate: _Candidate,
    entry: LogEntry,
    result: LogRead,
) -> FileOutcome:
    log, read = candidate.log, result.read
    name = log.shown
    if log.origin == "quarantine":  # where it is about to go
        name = workspace.shown(workspace.inbox / log.place)
    entry = replace(entry, name=name, pipeline=read.pipeline)
    windows = result.operation.windows.frame.height
    shorter = None
    try:
        store.add_log(entry, read, result.operation, written=result.written)
    except LogError:  # the rare case: it is of the time of drives that are stored
        shorter = _shorter_copy(candidate, store.overlapping(entry.vehicle, read.drives))
        if shorter is not None:
            store.add_log(
                entry, read, result.operation, replaces=shorter.sha256, written=result.written
            )
        else:
            vehicle = workspace.settings.vehicles[entry.vehicle]
            read, windows = join_stored(store, entry, result, vehicle)
    release_from_quarantine(workspace, log, entry.sha256)
    notes = read.notes
    if shorter is not None:
        notes = (*notes, f"it takes the place of {shorter.name}, a copy of it that was cut short")
    return FileOutcome(
        log.shown,
        log.vehicle,
        "stored",
        drives=read.drives.height,
        windows=windows,
        notes=notes,
        waterfall=ingest.waterfall(read),
    )


def _shorter_copy(candidate: _Candidate, overlapping: Sequence[LogEntry]) -> LogEntry | None:
    """Return the stored log that this one continues, byte for byte: a copy that was cut short."""
    if len(overlapping) != 1:  # a drive of several logs is joined once more
        return None
    (other,) = overlapping
    shorter = other.size is not None and other.size < candidate.size_and_time[0]
    if shorter and content_hash(candidate.log.path, first=other.size) == other.sha256:
        return other
    return None


def _quarantine(
    workspace: Workspace, store: Store, candidate: _Candidate, entry: LogEntry, error: LogError
) -> FileOutcome:
    # first the reason, then the file: if we are stopped in between, the next run tries it again
    store.quarantine_log(
        replace(entry, state="quarantined", reason=error.reason, message=error.message)
    )
    put_into_quarantine(workspace, candidate.log, candidate.sha256)
    return FileOutcome(entry.name, entry.vehicle, "quarantined", error.reason, error.message)


def _worker_died(log: LogFile) -> FileOutcome:
    message = (
        "a worker process died before it was read, most likely for lack of memory. Set a smaller "
        "number of `workers` in healthtrack.toml (1 for none) and run `healthtrack ingest` again."
    )
    return FileOutcome(log.shown, log.vehicle, "left", "worker_died", message)
