"""Reading one log: the heavy, pure part of ingesting, which any process can do."""

from __future__ import annotations

import tempfile
import traceback
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from healthtrack.errors import LogError, StoreError
from healthtrack.jobs.memory import give_back_large_blocks

if TYPE_CHECKING:
    from healthtrack.chain import ProcessedLog
    from healthtrack.config import VehicleSettings
    from healthtrack.ingest import Pipeline
    from healthtrack.records import Operation, ReadLog
    from healthtrack.store import DriveSamples, SampleFolder

FEWEST_FILES_FOR_A_POOL = 8
"""With fewer, starting worker processes (about a second) costs more than they save."""


@dataclass(frozen=True)
class ReadTask:
    """One log to be read; small, so that it travels to another process cheaply.

    ``content`` is given to a worker that cannot see the file, and ``samples`` to one that can write
    them where they are kept, so that they need not travel back. ``size`` is the file's. [bytes]
    """

    path: Path
    sha256: str
    vehicle_id: str
    vehicle: VehicleSettings
    pipelines: tuple[Pipeline, ...]
    size: int = 0
    content: bytes | None = None
    samples: SampleFolder | None = None


@dataclass(frozen=True)
class LogRead:
    """A log as it was read, and where its samples were written; here where that is nowhere."""

    read: ReadLog
    operation: Operation
    written: tuple[DriveSamples, ...] = ()


def read_one(task: ReadTask) -> LogRead | LogError:
    """Read one log; what is wrong with it is returned, so that the others go on.

    Raises
    ------
    StoreError
        Its samples cannot be written where they are kept: that is no fault of the log.
    """
    give_back_large_blocks()
    try:
        if task.content is None:
            return _kept(task, _processed(task, task.path))
        with tempfile.TemporaryDirectory(prefix="healthtrack-") as folder:
            path = Path(folder) / task.path.name
            path.write_bytes(task.content)
            return _kept(task, _renamed(_processed(task, path), path, task.path))
    except StoreError:
        raise
    except Exception as error:  # noqa: BLE001 - one log must never stop the others
        return _internal(task, error)


def _processed(task: ReadTask, path: Path) -> ProcessedLog | LogError:
    from healthtrack.chain import process_log  # noqa: PLC0415 - only workers need it

    try:
        return process_log(path, task.pipelines, task.vehicle_id, task.vehicle)
    except LogError as error:
        return error
    except OSError as error:
        return LogError("unreadable", f"{path} cannot be read: {error.strerror}.")
    except Exception as error:  # noqa: BLE001 - one log must never stop the others
        return _internal(task, error)


def _internal(task: ReadTask, error: Exception) -> LogError:
    last = traceback.extract_tb(error.__traceback__)[-1]
    return LogError(
        "internal",
        f"healthtrack itself failed on {task.path} ({type(error).__name__}: {error}, in "
        f"{Path(last.filename).name} line {last.lineno}). The fault is ours, not the log's: "
        "please report that line together with the log.",
    )


def _renamed(result: ProcessedLog | LogError, here: Path, there: Path) -> ProcessedLog | LogError:
    """Say in all words where the log really lies, not where the worker had it."""
    if isinstance(result, LogError):
        return LogError(result.reason, result.message.replace(str(here), str(there)))
    notes = tuple(note.replace(str(here), str(there)) for note in result.read.notes)
    return replace(result, read=replace(result.read, notes=notes))


def _kept(task: ReadTask, result: ProcessedLog | LogError) -> LogRead | LogError:
    if isinstance(result, LogError):
        return result
    read = result.read
    if task.samples is None:
        return LogRead(read, result.operation)
    written = task.samples.write_log(task.vehicle_id, task.sha256, read.drives, read.samples)
    return LogRead(replace(read, samples=read.samples.clear()), result.operation, written)
