"""Full verdicts for the pages: given by the same chain as the reports, once per change.

The store keeps a verdict's words and numbers but not its courses, so what the pages draw is
assessed anew from the snapshot: in a process of its own, one vehicle at a time, only when the
vehicle's logs, work, settings or the day are others than before. Until then the kept verdict shows.
"""

from __future__ import annotations

import logging
import threading
from concurrent.futures import BrokenExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING

from healthtrack.errors import StoreError
from healthtrack.jobs.kin import Kin
from healthtrack.jobs.pool import local_processes
from healthtrack.jobs.recalling import AssessTask, assess_one
from healthtrack.service.journal import LOGGER
from healthtrack.store import open_snapshot

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable
    from concurrent.futures import Executor
    from datetime import date, datetime

    from healthtrack.jobs.workspace import Workspace
    from healthtrack.records import VehicleFinding
    from healthtrack.web.glance import Glance, Window

_log = logging.getLogger(f"{LOGGER}.page")

PAUSE_S = 2.0
"""Between two looks for changes."""


@dataclass(frozen=True)
class _Kept:
    state: Hashable
    finding: VehicleFinding


class Desk:
    """Keeps one full verdict per vehicle up to date, in a thread of its own."""

    def __init__(
        self,
        workspace: Callable[[], Workspace],
        window: Window,
        clock: Callable[[], datetime],
    ) -> None:
        self._workspace, self._window, self._clock = workspace, window, clock
        self._kept: dict[str, _Kept] = {}
        self._failed: dict[str, Hashable] = {}
        self._stop = threading.Event()
        self._pool: Executor | None = None
        self._thread = threading.Thread(target=self._run, name="page-desk", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """End; a verdict under way is broken off, or the interpreter would wait for it."""
        self._stop.set()
        for process in list((getattr(self._pool, "_processes", None) or {}).values()):
            process.kill()
        if self._thread.is_alive():
            self._thread.join(timeout=5)

    def finding(self, vehicle: str) -> VehicleFinding | None:
        """Return the latest full verdict; None where there is none yet."""
        kept = self._kept.get(vehicle)
        return kept.finding if kept else None

    def work(self, executor: Executor | None = None) -> int:
        """Assess what has changed, here or in another process; return how many."""
        return sum(
            self._assess(vehicle, state, executor)
            for vehicle, state in self._changed().items()
            if not self._stop.is_set()
        )

    def _changed(self) -> dict[str, Hashable]:
        workspace = self._workspace()
        seen, as_of = self._window.look(workspace), self._clock().date()
        for gone in set(self._kept) - set(workspace.settings.vehicles):
            self._kept.pop(gone, None)
        if seen.published is None:
            return {}
        states = {
            vehicle: _state(workspace, seen, vehicle, as_of)
            for vehicle in workspace.settings.vehicles
        }
        return {
            vehicle: state
            for vehicle, state in states.items()
            if self._failed.get(vehicle) != state
            and (vehicle not in self._kept or self._kept[vehicle].state != state)
        }

    def _assess(self, vehicle: str, state: Hashable, executor: Executor | None) -> int:
        workspace, as_of = self._workspace(), self._clock().date()
        try:
            store, _ = open_snapshot(workspace.store_path, workspace.settings.store_memory_mb)
            with store:
                task = AssessTask(
                    store.history(vehicle, as_of),
                    workspace.settings.vehicles[vehicle],
                    workspace.settings,
                    as_of,
                    Kin(workspace, store, as_of).of(vehicle),
                )
            if executor is None:
                finding = assess_one(task).finding
            else:
                finding = executor.submit(assess_one, task).result().finding
            assert finding is not None, "a whole history always gives a verdict"
        except (BrokenExecutor, StoreError):
            raise  # not this vehicle's fault: tried again
        except Exception:  # noqa: BLE001 - the other vehicles go on
            self._failed[vehicle] = state
            _log.exception("verdict for the page failed", extra={"vehicle": vehicle})
            return 0
        self._kept[vehicle] = _Kept(state, finding)
        return 1

    def _run(self) -> None:
        while not self._stop.wait(PAUSE_S):
            try:
                if self._changed():  # a process that waits would cost memory for nothing
                    with local_processes(1) as self._pool:
                        self.work(self._pool)
            except Exception:  # noqa: BLE001 - whatever it was
                if not self._stop.is_set():  # the pages go on with what is kept
                    _log.exception("the desk failed")


def _state(workspace: Workspace, seen: Glance, vehicle: str, as_of: date) -> Hashable:
    """Return all that a verdict depends on, small enough to be compared."""
    vehicles = workspace.settings.vehicles
    kind = vehicles[vehicle].kind
    lenders = {name for name, one in vehicles.items() if kind and one.kind == kind} | {vehicle}
    logs = frozenset(entry.sha256 for entry in seen.logs if entry.vehicle in lenders)
    work = tuple(event for event in seen.maintenance if event.vehicle == vehicle)
    settings = workspace.settings
    rules = settings.model_dump_json(include={"alerts", "baseline"})
    return logs, work, vehicles[vehicle].model_dump_json(), rules, as_of
