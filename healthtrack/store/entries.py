"""What the store says of a log and of a verdict."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import date, datetime

    from healthtrack.records import Operation, ReadLog
    from healthtrack.store.samples import DriveSamples


@dataclass(frozen=True, slots=True)
class LogEntry:
    """One log file as the store knows it; ``sha256`` of its bytes is its identity.

    ``state`` is ``"stored"`` or ``"quarantined"``; a quarantined log has a ``reason`` code and a
    ``message`` for a person, and no drives. ``size`` is that of the file. [bytes]
    """

    sha256: str
    name: str
    vehicle: str
    received: datetime
    state: str = "stored"
    pipeline: str | None = None
    reason: str | None = None
    message: str | None = None
    rows: int | None = None
    size: int | None = None
    notes: tuple[str, ...] = field(default=(), compare=False)


@dataclass(frozen=True, slots=True)
class NewLog:
    """A log that is to be stored: what is known of it, what was read from it, what that shows.

    ``written`` says where a worker has put the samples; they are not in ``read`` then.
    """

    entry: LogEntry
    read: ReadLog
    operation: Operation
    written: tuple[DriveSamples, ...] = ()


@dataclass(frozen=True, slots=True)
class StoredFinding:
    """A verdict as it was given: for which day, when, and the whole of it as JSON text."""

    vehicle: str
    as_of: date
    assessed: datetime
    state: str
    document: str
