"""What vehicles of one kind can lend each other, looked up in the store."""

from __future__ import annotations

import logging
import pickle
import tempfile
import weakref
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from healthtrack import chain
from healthtrack.jobs.pool import Failure, run_each
from healthtrack.jobs.recalling import Lookup

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from concurrent.futures import Executor
    from datetime import date

    from healthtrack.baseline import Baseline
    from healthtrack.config import VehicleSettings, WorkspaceSettings
    from healthtrack.jobs.recalling import Recalled
    from healthtrack.jobs.workspace import Workspace
    from healthtrack.records import VehicleHistory
    from healthtrack.store import Store

MOST_SISTERS = 8
"""Vehicles that lend: the first of the kind in the settings. Each more narrows the doubt about the
kind little (by a seventeenth for the ninth) and costs a history to read."""

IN_MEMORY = 32 * 2**20
"""What has been lent is kept on disk beyond this. [bytes]"""

_log = logging.getLogger("healthtrack.verdicts")


@dataclass(frozen=True)
class LendTask:
    """All that it takes to say what one vehicle can lend; ``parts`` are what is kept of it."""

    name: str
    history: VehicleHistory
    vehicle: VehicleSettings
    workspace: WorkspaceSettings
    as_of: date
    parts: dict[str, bytes] = field(default_factory=dict)


def lend_one(task: LendTask) -> tuple[Baseline, ...] | None:
    """Return what one vehicle can lend; None where what is kept of it is damaged. Pure."""
    known = chain.kept_baselines(task.parts) if task.parts else {}
    if known is None:
        return None
    return chain.lent(task.history, task.vehicle, task.workspace, task.as_of, known)


class Kin:
    """The vehicles of a workspace by their kind; each one's baselines are learned once at most.

    Parameters
    ----------
    workspace, store : Workspace, Store
        Where they are.
    as_of : datetime.date
        Nothing after the end of this day (UTC) is used.
    executor : Executor or None
        Where baselines are learned; None does it here.
    """

    def __init__(
        self, workspace: Workspace, store: Store, as_of: date, executor: Executor | None = None
    ) -> None:
        self._workspace, self._store, self._as_of = workspace, store, as_of
        self._executor = executor
        self._lent = _Lent()
        self._of_kind: dict[str, list[str]] = {}
        for name, one in workspace.settings.vehicles.items():
            lenders = self._of_kind.setdefault(one.kind, [])
            if one.kind and len(lenders) <= MOST_SISTERS:  # one more, for those among them
                lenders.append(name)

    def of(self, vehicle: str) -> tuple[Baseline, ...]:
        """Return what others of a vehicle's kind can lend it; nothing where it has no kind.

        A sister of which that cannot be told lends nothing; the log says so.
        """
        kind = self._workspace.settings.vehicles[vehicle].kind
        sisters = [name for name in self._of_kind[kind] if name != vehicle][:MOST_SISTERS]
        self._learn([name for name in sisters if name not in self._lent])
        return tuple(item for name in sisters for item in self._lent.of(name))

    def _learn(self, vehicles: Sequence[str]) -> None:
        lookup = Lookup(self._store, self._workspace.settings, self._as_of)
        damaged = self._ask(lookup.recalled(vehicles))
        self._ask(lookup.whole(damaged))

    def _ask(self, found: Iterable[tuple[str, Recalled | Failure]]) -> list[str]:
        """Note what vehicles lend, and return those of which what is kept is damaged."""
        damaged = []
        for task, lent in run_each(lend_one, self._tasks(found), self._executor, MOST_SISTERS):
            if lent is None:
                damaged.append(task.name)
            elif isinstance(lent, Failure):
                self._fails(task.name, lent)
            else:
                self._lent.note(task.name, lent)
        return damaged

    def _tasks(self, found: Iterable[tuple[str, Recalled | Failure]]) -> Iterator[LendTask]:
        vehicles = self._workspace.settings.vehicles
        common = self._workspace.settings.without_vehicles()
        for name, one in found:
            if isinstance(one, Failure):
                self._fails(name, one)
                continue
            yield LendTask(name, one.history, vehicles[name], common, self._as_of, one.parts)

    def _fails(self, vehicle: str, failure: Failure) -> None:
        _log.warning("lends nothing: %s", failure.words, extra={"vehicle": vehicle})
        self._lent.note(vehicle, ())


class _Lent:
    """What vehicles lend, by name; on disk, so that a fleet of many kinds fills no memory."""

    def __init__(self) -> None:
        self._file = tempfile.SpooledTemporaryFile(IN_MEMORY, prefix="healthtrack-")  # noqa: SIM115 - closed below
        weakref.finalize(self, self._file.close)
        self._places: dict[str, tuple[int, int]] = {}

    def __contains__(self, name: str) -> bool:
        return name in self._places

    def note(self, name: str, lent: tuple[Baseline, ...]) -> None:
        content = pickle.dumps(lent)
        self._places[name] = (self._file.seek(0, 2), len(content))
        self._file.write(content)

    def of(self, name: str) -> tuple[Baseline, ...]:
        start, size = self._places[name]
        self._file.seek(start)
        found: tuple[Baseline, ...] = pickle.loads(self._file.read(size))  # noqa: S301 - our own
        return found
