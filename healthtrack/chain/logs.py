"""A log in, operating points out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from healthtrack.ingest import read_log
from healthtrack.operating import find_operation

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from healthtrack.config import VehicleSettings
    from healthtrack.ingest import Pipeline
    from healthtrack.records import Operation, ReadLog, Windows


@dataclass(frozen=True)
class ProcessedLog:
    """A log as it was read, and what it shows of the engine's operation."""

    read: ReadLog
    operation: Operation

    @property
    def windows(self) -> Windows:
        """The steady operating points."""
        return self.operation.windows


def process_log(
    path: Path, pipelines: Sequence[Pipeline], vehicle_id: str, vehicle: VehicleSettings
) -> ProcessedLog:
    """Read one log and find its windows, standstills and pulls.

    Raises
    ------
    LogError
        Where the log cannot be read; it carries the reason.
    """
    read = read_log(path, pipelines, vehicle_id, vehicle)
    return ProcessedLog(read, find_operation(read.samples, vehicle))
