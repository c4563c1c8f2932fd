"""What was read goes into the store in lots, one commit for many logs, or aside with its reason.

A transaction costs as much as reading a small log, so logs are stored together. A lot is short:
what a crash costs is read again by the next run, since a log is known once it is stored.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, replace
from itertools import groupby
from typing import TYPE_CHECKING, Literal

from healthtrack import ingest
from healthtrack.errors import LogError, StoreError
from healthtrack.jobs.logs import content_hash, put_into_quarantine, release_from_quarantine
from healthtrack.jobs.overlapping import join_stored
from healthtrack.jobs.reading import LogRead
from healthtrack.store import LogEntry, NewLog

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from datetime import datetime

    import polars as pl

    from healthtrack.jobs.logs import LogFile
    from healthtrack.jobs.workspace import Workspace
    from healthtrack.store import Store

MOST_LOGS, MOST_BYTES, LONGEST_WAIT = 32, 16 * 2**20, 0.5
"""A lot is stored once it holds so many logs, their samples so many bytes, or its first log has
waited so long [s]. Measured on logs of 3 600 rows with 600 windows: inserting and committing takes
20 ms of processor time each one by one and 11.5 ms sixteen together. The bytes bound the memory."""

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
class Candidate:
    """A log that is to be read, with its content's hash, and its size and time before."""

    log: LogFile
    sha256: str
    size_and_time: tuple[int, int]


Read = tuple[Candidate, LogRead | LogError]
"""A log and what came of reading it."""


class Lots:
    """Takes logs that were read, in order, and stores them together.

    Parameters
    ----------
    workspace, store
        Where they go.
    now : datetime
        When they were received; time zone UTC.
    seconds : callable
        A clock that only runs forward. [s]
    """

    def __init__(
        self,
        workspace: Workspace,
        store: Store,
        now: datetime,
        seconds: Callable[[], float] = time.monotonic,
    ) -> None:
        self._workspace = workspace
        self._store = store
        self._now = now
        self._seconds = seconds
        self._waiting: list[Read] = []
        self._bytes = 0
        self._since = 0.0
        self._done: list[FileOutcome] = []

    def add(self, logs: Iterable[Read]) -> None:
        """Take logs; whenever they are enough, all that wait are stored.

        Raises
        ------
        StoreError
            The store cannot be written. What :meth:`done` returns is stored none the less.
        """
        for one in logs:
            self._take(one)

    def _take(self, one: Read) -> None:
        size = int(one[1].read.samples.estimated_size()) if isinstance(one[1], LogRead) else 0
        if self._waiting and self._bytes + size > MOST_BYTES:
            self.settle()  # a long log is stored alone
        if not self._waiting:
            self._since = self._seconds()
        self._waiting.append(one)
        self._bytes += size
        waited = self._seconds() - self._since
        if len(self._waiting) >= MOST_LOGS or self._bytes >= MOST_BYTES or waited >= LONGEST_WAIT:
            self.settle()

    def settle(self) -> None:
        """Store all that wait; raises as :meth:`add`."""
        waiting, self._waiting, self._bytes = self._waiting, [], 0
        for whole, some in groupby(waiting, self._is_whole):
            logs = list(some)
            for outcome in self._together(logs) if whole else map(self._apart, logs):
                self._done.append(outcome)  # one by one: the next may fail

    def done(self) -> list[FileOutcome]:
        """Return what became of logs since this was last asked, each told once."""
        done, self._done = self._done, []
        return done

    def recent_windows(self, vehicle: str, most: int) -> pl.DataFrame:
        """Return the vehicle's latest windows, with those of the logs that wait."""
        if any(candidate.log.vehicle == vehicle for candidate, _ in self._waiting):
            self.settle()
        return self._store.recent_windows(vehicle, most)

    def _is_whole(self, one: Read) -> bool:
        candidate, result = one
        return isinstance(result, LogRead) and not _still_arriving(candidate)

    def _together(self, logs: list[Read]) -> Iterator[FileOutcome]:
        while logs:
            stored = self._stored([self._new(*one) for one in logs])
            yield from (self._told(*one) for one in logs[:stored])
            yield from map(self._apart, logs[stored : stored + 1])
            logs = logs[stored + 1 :]

    def _stored(self, logs: Sequence[NewLog]) -> int:
        """Return how many were stored, from the first on."""
        try:
            return self._store.add_logs(logs)
        except StoreError:
            return 0  # whose fault it is will be seen: the first is tried alone

    def _new(self, candidate: Candidate, result: LogRead | LogError) -> NewLog:
        assert isinstance(result, LogRead)
        log, name = candidate.log, candidate.log.shown
        if log.origin == "quarantine":  # where it is about to go
            name = self._workspace.shown(self._workspace.inbox / log.place)
        entry = replace(self._entry(candidate), name=name, pipeline=result.read.pipeline)
        return NewLog(entry, result.read, result.operation, result.written)

    def _entry(self, candidate: Candidate) -> LogEntry:
        log = candidate.log
        assert log.vehicle is not None
        size = candidate.size_and_time[0]
        return LogEntry(candidate.sha256, log.shown, log.vehicle, self._now, size=size)

    def _told(
        self,
        candidate: Candidate,
        result: LogRead | LogError,
        windows: int | None = None,
        notes: tuple[str, ...] = (),
    ) -> FileOutcome:
        """Put a stored log back to its place, and say what became of it."""
        assert isinstance(result, LogRead)
        log, read = candidate.log, result.read
        release_from_quarantine(self._workspace, log, candidate.sha256)
        return FileOutcome(
            log.shown,
            log.vehicle,
            "stored",
            drives=read.drives.height,
            windows=result.operation.windows.frame.height if windows is None else windows,
            notes=(*read.notes, *notes),
            waterfall=ingest.waterfall(read),
        )

    def _apart(self, one: Read) -> FileOutcome:
        """Settle one log by itself: it cannot be stored, or not just so."""
        candidate, result = one
        outcome = self._settled(candidate, result)
        if outcome.state != "stored" and isinstance(result, LogRead):
            self._store.sample_catalogue.remove_unnamed([place.file for place in result.written])
        return outcome

    def _settled(self, candidate: Candidate, result: LogRead | LogError) -> FileOutcome:
        if _still_arriving(candidate):
            message = (
                "it changed while it was read. Run `healthtrack ingest` again when it is whole"
            )
            log = candidate.log
            return FileOutcome(log.shown, log.vehicle, "left", "still_arriving", message)
        try:
            if isinstance(result, LogError):
                raise result
            return self._alone(candidate, result)
        except LogError as error:
            return self._quarantined(candidate, error)

    def _alone(self, candidate: Candidate, result: LogRead) -> FileOutcome:
        log, store = self._new(candidate, result), self._store
        try:
            store.add_log(log.entry, log.read, log.operation, written=log.written)
        except LogError:  # it is of the time of drives that are stored
            pass
        else:
            return self._told(candidate, result)
        shorter = _shorter_copy(candidate, store.overlapping(log.entry.vehicle, log.read.drives))
        if shorter is not None:
            store.add_log(
                log.entry, log.read, log.operation, replaces=shorter.sha256, written=log.written
            )
            note = f"it takes the place of {shorter.name}, a copy of it that was cut short"
            return self._told(candidate, result, notes=(note,))
        vehicle = self._workspace.settings.vehicles[log.entry.vehicle]
        read, windows = join_stored(store, log.entry, result, vehicle)
        return self._told(candidate, replace(result, read=read), windows)

    def _quarantined(self, candidate: Candidate, error: LogError) -> FileOutcome:
        entry = self._entry(candidate)
        # first the reason, then the file: if we are stopped in between, the next run tries it again
        self._store.quarantine_log(
            replace(entry, state="quarantined", reason=error.reason, message=error.message)
        )
        put_into_quarantine(self._workspace, candidate.log, candidate.sha256)
        return FileOutcome(entry.name, entry.vehicle, "quarantined", error.reason, error.message)


def size_and_time(log: LogFile) -> tuple[int, int]:
    """Return a file's size [bytes] and when it was last written [ns]."""
    status = log.path.stat()
    return status.st_size, status.st_mtime_ns


def _still_arriving(candidate: Candidate) -> bool:
    try:
        return size_and_time(candidate.log) != candidate.size_and_time
    except OSError:
        return True


def _shorter_copy(candidate: Candidate, overlapping: Sequence[LogEntry]) -> LogEntry | None:
    """Return the stored log that this one continues, byte for byte: a copy that was cut short."""
    if len(overlapping) != 1:  # a drive of several logs is joined once more
        return None
    (other,) = overlapping
    shorter = other.size is not None and other.size < candidate.size_and_time[0]
    if shorter and content_hash(candidate.log.path, first=other.size) == other.sha256:
        return other
    return None
