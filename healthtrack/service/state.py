"""What the service shows of itself: one document, published as a file, over HTTP and as metrics."""

from __future__ import annotations

import json
import os
from dataclasses import asdict, dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

STATUS_FILE = "status.json"
FOLDER = "service"
"""The service's own folder in the workspace: status, log, lock, requests."""


@dataclass(frozen=True, slots=True)
class JobStatus:
    """How one job stands."""

    job: str
    next_due: datetime | None = None
    last_done: datetime | None = None
    finished: datetime | None = None
    failures: int = 0
    message: str = ""
    overdue: bool = False


@dataclass(frozen=True, slots=True)
class Status:
    """How the service stands; ``published`` says as of when.

    ``letters`` counts addresses by the state of their letter, ``alerts`` open episodes by state.
    """

    version: str
    pid: int
    started: datetime
    published: datetime
    busy_with: str = ""
    stopping: bool = False
    jobs: tuple[JobStatus, ...] = ()
    letters: dict[str, int] = field(default_factory=dict)
    undelivered: tuple[str, ...] = ()
    alerts: dict[str, int] = field(default_factory=dict)
    unacknowledged: tuple[str, ...] = ()
    logs: dict[str, int] = field(default_factory=dict)
    drives: int = 0
    inbox_waiting: int = 0
    left: tuple[str, ...] = ()
    snapshot: datetime | None = None
    disk_free_bytes: int = 0
    trouble: tuple[str, ...] = ()

    @property
    def is_well(self) -> bool:
        """Whether nothing wants a person."""
        failing = any(job.overdue or job.failures >= 3 for job in self.jobs)
        return not failing and not self.trouble

    def as_dict(self) -> dict[str, Any]:
        """Return the document, ready for JSON."""
        found: dict[str, Any] = json.loads(json.dumps(asdict(self), default=_plain))
        return found | {"is_well": self.is_well}


def _plain(value: object) -> str:
    return value.isoformat() if isinstance(value, datetime) else str(value)


def publish(status: Status, folder: Path) -> None:
    """Write the document, whole, in the place of the one before; raises OSError."""
    folder.mkdir(parents=True, exist_ok=True)
    temporary = folder / f".{STATUS_FILE}.part"
    temporary.write_text(json.dumps(status.as_dict(), indent=1), encoding="utf-8")
    os.replace(temporary, folder / STATUS_FILE)  # noqa: PTH105 - the atomic one, by its own name


def published(root: Path) -> dict[str, Any] | None:
    """Return what a workspace's service last published; None where it never did."""
    try:
        text = (root / FOLDER / STATUS_FILE).read_text(encoding="utf-8")
        found: dict[str, Any] = json.loads(text)
    except (OSError, ValueError):
        return None
    return found


def metrics(status: Status) -> str:
    """Return the metrics in Prometheus' text format, version 0.0.4."""
    lines: list[str] = []
    for name, kind, words, samples in _metrics(status):
        lines += [f"# HELP healthtrack_{name} {words}", f"# TYPE healthtrack_{name} {kind}"]
        for label, value in samples:
            lines.append(f"healthtrack_{name}{label} {value:.17g}")
    return "\n".join(lines) + "\n"


_Samples = list[tuple[str, float]]


def _metrics(status: Status) -> Iterator[tuple[str, str, str, _Samples]]:
    jobs = status.jobs
    yield "well", "gauge", "1 where nothing wants a person.", [("", float(status.is_well))]
    yield "published_timestamp_seconds", "gauge", "As of when this is.", _when(status.published)
    yield "started_timestamp_seconds", "gauge", "When the service started.", _when(status.started)
    yield (
        *("job_last_success_timestamp_seconds", "gauge", "When a job was last done."),
        [(_label("job", job.job), job.finished.timestamp()) for job in jobs if job.finished],
    )
    yield (
        *("job_next_due_timestamp_seconds", "gauge", "When a job is due next."),
        [(_label("job", job.job), job.next_due.timestamp()) for job in jobs if job.next_due],
    )
    yield (
        *("job_failures_in_a_row", "gauge", "Failures since a job was last done."),
        [(_label("job", job.job), job.failures) for job in jobs],
    )
    yield (
        *("job_overdue", "gauge", "1 where a job should have been done over an hour ago."),
        [(_label("job", job.job), float(job.overdue)) for job in jobs],
    )
    yield (
        "letters",
        "gauge",
        "Letters by state, one per address.",
        _counted("state", status.letters),
    )
    yield "alerts_open", "gauge", "Open alert episodes by state.", _counted("state", status.alerts)
    yield "logs", "gauge", "Logs by state.", _counted("state", status.logs)
    yield "drives", "gauge", "Drives in the store.", [("", status.drives)]
    yield "inbox_waiting", "gauge", "Files not dealt with yet.", [("", status.inbox_waiting)]
    yield "disk_free_bytes", "gauge", "Free where the store is.", [("", status.disk_free_bytes)]
    if status.snapshot is not None:
        yield (
            *("snapshot_timestamp_seconds", "gauge", "As of when readers see the store."),
            _when(status.snapshot),
        )


def _when(moment: datetime) -> _Samples:
    return [("", moment.timestamp())]


def _counted(label: str, counts: dict[str, int]) -> _Samples:
    return [(_label(label, name), count) for name, count in counts.items()]


def _label(name: str, value: str) -> str:
    escaped = value.replace("\\", r"\\").replace('"', r"\"").replace("\n", r"\n")
    return f'{{{name}="{escaped}"}}'
