"""Which files in the inbox are new: a memory of size and time, so that a look costs little.

Deciding what a log is, and whether it is known, is :mod:`healthtrack.jobs`' business and goes by
content. This only spares it files that have not changed since it last saw them.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from healthtrack.jobs.logs import STILL_ARRIVING

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from datetime import datetime

    from healthtrack.jobs.workspace import Workspace
    from healthtrack.store import LogEntry

_Stamp = tuple[int, int]

WALK_AGAIN_AFTER = timedelta(seconds=30)
"""How old a walk through the folders may be while files from it still wait."""


@dataclass(frozen=True, slots=True)
class Found:
    """What a look into the inbox found: files to be read now, and how many wait in all."""

    ready: tuple[Path, ...]
    waiting: int


class Intake:
    """Remembers what has been dealt with; starts from what the store says."""

    def __init__(self, settle_seconds: float) -> None:
        self._settle = settle_seconds
        self._done: dict[str, _Stamp] = {}
        self._stored: dict[str, tuple[int | None, float]] = {}
        self._last: dict[str, _Stamp] = {}
        self._rules: tuple[_Stamp, ...] = ()
        self._ready: list[str] = []
        self._handled: set[str] = set()
        self._waiting = 0
        self._walked: datetime | None = None

    def start_from(self, workspace: Workspace, entries: Iterable[LogEntry]) -> None:
        """Take what is stored as dealt with, where name and size agree and it is not newer."""
        self._stored = {
            str(workspace.root / entry.name): (entry.size, entry.received.timestamp())
            for entry in entries
            if entry.state == "stored"
        }
        self._walked = None

    def look(self, workspace: Workspace, now: datetime, most: int) -> Found:
        """Return files that are new or changed and have been left alone for long enough.

        While more are ready than are asked for, the folders are not walked again each time: that
        takes half a second where a hundred thousand files lie.

        Parameters
        ----------
        workspace : Workspace
            Whose inbox and quarantine.
        now : datetime
            The moment.
        most : int
            How many are returned at most, the first by name.
        """
        rules_changed = self._forget_if_rules_changed(workspace)
        walked = self._walked is not None and self._walked <= now < self._walked + WALK_AGAIN_AFTER
        left = [path for path in self._ready if path not in self._handled]
        if len(left) < most or not walked or rules_changed:
            self._walk(workspace, now)
            left = self._ready
        waiting = self._waiting - len(self._handled)
        return Found(tuple(Path(path) for path in left[:most]), waiting)

    def _walk(self, workspace: Workspace, now: datetime) -> None:
        seen: dict[str, _Stamp] = {}
        ready = []
        for folder in (workspace.inbox, workspace.quarantine):
            for path, stamp in _files(folder):
                if self._done.get(path) == stamp or self._is_stored(path, stamp):
                    continue
                seen[path] = stamp
                quiet_for = now.timestamp() - stamp[1] / 1e9
                if self._last.get(path) == stamp or quiet_for >= self._settle or not self._settle:
                    ready.append(path)
        self._last = seen
        self._ready, self._waiting, self._walked = sorted(ready), len(seen), now
        self._handled.clear()

    def dealt_with(self, path: Path) -> None:
        """Remember that a file was read, or put aside, as it is now."""
        try:
            status = path.stat()
        except OSError:
            return
        self._done[str(path)] = (status.st_size, status.st_mtime_ns)
        self._handled.add(str(path))

    def _is_stored(self, path: str, stamp: _Stamp) -> bool:
        known = self._stored.get(path)
        if known is None or known[0] != stamp[0] or stamp[1] / 1e9 > known[1]:
            return False
        self._done[path] = stamp
        return True

    def _forget_if_rules_changed(self, workspace: Workspace) -> bool:
        """Look at everything anew when a pipeline or the settings were edited."""
        files = [workspace.root / "healthtrack.toml", *sorted(workspace.pipelines.glob("*.toml"))]
        rules = tuple(_stamp(path) for path in files)
        changed = rules != self._rules and bool(self._rules)
        if changed:
            self._done.clear()
            self._stored.clear()
        self._rules = rules
        return changed


def _stamp(path: Path) -> _Stamp:
    try:
        status = path.stat()
    except OSError:
        return (-1, -1)
    return status.st_size, status.st_mtime_ns


def _files(folder: Path) -> Iterator[tuple[str, _Stamp]]:
    """Walk a folder quickly; what is hidden or still arriving is passed over."""
    waiting = [str(folder)]
    while waiting:
        try:
            entries = list(os.scandir(waiting.pop()))
        except OSError:
            continue
        for entry in entries:
            if entry.name.startswith("."):
                continue
            try:
                if entry.is_dir(follow_symlinks=False):
                    waiting.append(entry.path)
                elif entry.is_file() and not entry.name.endswith(STILL_ARRIVING):
                    status = entry.stat()
                    yield entry.path, (status.st_size, status.st_mtime_ns)
            except OSError:
                continue
