"""Reading one log: the heavy, pure part of ingesting, which any process can do."""

from __future__ import annotations

import traceback
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from healthtrack.errors import LogError

if TYPE_CHECKING:
    from healthtrack.chain import ProcessedLog
    from healthtrack.config import VehicleSettings
    from healthtrack.ingest import Pipeline

FEWEST_FILES_FOR_A_POOL = 8
"""With fewer, starting worker processes (about a second) costs more than they save."""


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
