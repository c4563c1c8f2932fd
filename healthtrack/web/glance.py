"""What the pages show of a workspace: read once from the service's snapshot, kept until it changes.

No request opens the store for this; fifty readers cost one reading.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, TypeVar

from healthtrack.errors import StoreError
from healthtrack.store import Episodes, open_snapshot, snapshot_path

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable, Mapping
    from datetime import datetime

    from healthtrack.jobs.workspace import Workspace
    from healthtrack.records import MaintenanceEvent
    from healthtrack.store import Episode, LogEntry, Store, StoredFinding

T = TypeVar("T")
MOST_KEPT = 300
"""Readings of one snapshot that are kept beside the glance."""


@dataclass(frozen=True)
class Glance:
    """The workspace as of ``published``; None where nothing was ever published.

    ``findings`` hold each vehicle's kept verdicts, oldest first.
    """

    published: datetime | None = None
    logs: tuple[LogEntry, ...] = ()
    findings: Mapping[str, tuple[StoredFinding, ...]] = field(default_factory=dict)
    episodes: tuple[Episode, ...] = ()
    maintenance: tuple[MaintenanceEvent, ...] = ()

    def latest(self, vehicle: str) -> StoredFinding | None:
        """Return the verdict on the latest day, and of that day the one given last."""
        kept = self.findings.get(vehicle, ())
        return max(kept, key=lambda one: (one.as_of, one.assessed), default=None)

    def since(self, vehicle: str) -> datetime | None:
        """Return when the present state was first given, without a break since."""
        found = None
        kept = sorted(self.findings.get(vehicle, ()), key=lambda one: (one.as_of, one.assessed))
        for one in reversed(kept):
            if one.state != kept[-1].state:
                break
            found = one.assessed
        return found

    def logs_of(self, vehicle: str) -> tuple[LogEntry, ...]:
        """Return the logs of one vehicle."""
        return tuple(entry for entry in self.logs if entry.vehicle == vehicle)

    def log(self, sha256: str) -> LogEntry | None:
        """Return the log of a content."""
        return next((entry for entry in self.logs if entry.sha256 == sha256), None)

    def open_episodes(self, vehicle: str | None = None) -> tuple[Episode, ...]:
        """Return the alerts that stand, of one vehicle or all."""
        return tuple(
            one for one in self.episodes if one.closed is None and vehicle in (None, one.vehicle)
        )


class Window:
    """Looks at the workspace through the snapshot, whenever that is a new one."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._reading = threading.Lock()
        self._stamp: tuple[int, int, int] | None = None
        self._seen = Glance()
        self._kept: OrderedDict[Hashable, Any] = OrderedDict()

    def look(self, workspace: Workspace) -> Glance:
        """Return what there is to see now; what was seen before where nothing can be read."""
        path = snapshot_path(workspace.store_path)
        with self._lock:
            try:
                status = path.stat()
                stamp = (status.st_ino, status.st_size, status.st_mtime_ns)
                if stamp != self._stamp:
                    store, published = open_snapshot(
                        workspace.store_path, workspace.settings.store_memory_mb
                    )
                    with store:
                        self._seen = _read(store, workspace, published)
                    self._stamp = stamp
                    self._kept = OrderedDict()
            except (OSError, StoreError):
                return self._seen
            return self._seen

    def recall(self, workspace: Workspace, key: Hashable, read: Callable[[], T | None]) -> T | None:
        """Return what a reading gave, and read again once there is another snapshot.

        Readings that gave None are not kept. One is done at a time: fifty who ask for the same
        wait for the first one's.
        """
        self.look(workspace)
        with self._reading:
            kept = self._kept  # a new snapshot puts another one in its place
            if key in kept:
                kept.move_to_end(key)
                found: T = kept[key]
                return found
            got = read()
            if got is not None:
                kept[key] = got
                while len(kept) > MOST_KEPT:
                    kept.popitem(last=False)
            return got


def _read(store: Store, workspace: Workspace, published: datetime) -> Glance:
    return Glance(
        published,
        store.logs(),
        {vehicle: store.findings(vehicle) for vehicle in workspace.settings.vehicles},
        Episodes(store).all(),
        store.maintenance(),
    )
