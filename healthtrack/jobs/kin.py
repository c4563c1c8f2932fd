"""What vehicles of one kind can lend each other and say of each other, looked up in the store."""

from __future__ import annotations

import logging
import pickle
import tempfile
import weakref
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Generic, TypeVar

from healthtrack import chain
from healthtrack.jobs.pool import NO_FAULT_OF_ONE, Failure, attempt, run_each
from healthtrack.jobs.recalling import AssessTask, Lookup, hear_one

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from concurrent.futures import Executor
    from datetime import date

    from healthtrack.baseline import Baseline
    from healthtrack.config import WorkspaceSettings
    from healthtrack.drift import Neighbour
    from healthtrack.jobs.recalling import Recalled
    from healthtrack.jobs.workspace import Workspace
    from healthtrack.records import VehicleFinding
    from healthtrack.store import Store

Said = TypeVar("Said")

MOST_SISTERS = 8
"""Vehicles that are asked: the first of the kind in the settings. Each more narrows the doubt about
the kind little (by a seventeenth for the ninth) and costs a history to read."""

IN_MEMORY = 32 * 2**20
"""What was said is kept on disk beyond this. [bytes]"""

_log = logging.getLogger("healthtrack.verdicts")


def lend_one(task: AssessTask) -> tuple[Baseline, ...] | None:
    """Return what one vehicle can lend; None where what is kept of it is damaged. Pure."""
    known = chain.kept_baselines(task.parts) if task.parts else {}
    if known is None:
        return None
    return chain.lent(task.history, task.vehicle, task.workspace, task.as_of, known)


class Kin:
    """The vehicles of a workspace by their kind; each one is asked once at most.

    Parameters
    ----------
    workspace, store : Workspace, Store
        Where they are.
    as_of : datetime.date
        Nothing after the end of this day (UTC) is used.
    executor : Executor or None
        Where they are learned from and followed; None does it here.
    """

    def __init__(
        self, workspace: Workspace, store: Store, as_of: date, executor: Executor | None = None
    ) -> None:
        self._workspace, self._store, self._as_of = workspace, store, as_of
        self._executor = executor
        self._lent: _Spooled[Baseline] = _Spooled()
        self._heard: _Spooled[Neighbour] = _Spooled()
        self._of_kind: dict[str, list[str]] = {}
        for name, one in workspace.settings.vehicles.items():
            lenders = self._of_kind.setdefault(one.kind, [])
            if one.kind and len(lenders) <= MOST_SISTERS:  # one more, for those among them
                lenders.append(name)

    def of(self, vehicle: str) -> tuple[Baseline, ...]:
        """Return what others of a vehicle's kind can lend it; nothing where it has no kind.

        A sister of which that cannot be told lends nothing; the log says so.
        """
        lending = _Asking(lend_one, self._lend_task, self._lent, "lends nothing")
        return self._said_by(self._sisters(vehicle), lending)

    def beside(self, finding: VehicleFinding) -> VehicleFinding:
        """Say beside a verdict what others of the vehicle's kind did meanwhile.

        They are followed as for their own verdicts, and only where the vehicle stands at alert. One
        that cannot be followed is not heard, and where all of it fails the verdict stands as it is;
        the log says so.
        """
        if finding.state not in {"alert", "alarm"} or not self._sisters(finding.vehicle):
            return finding
        found = attempt(self._beside, finding)
        if not isinstance(found, Failure):
            return found
        if isinstance(found.error, NO_FAULT_OF_ONE):
            raise found.error
        _log.warning("others are not heard: %s", found.words, extra={"vehicle": finding.vehicle})
        return finding  # the alert stands whatever can be said of others

    def _beside(self, finding: VehicleFinding) -> VehicleFinding:
        hearing = _Asking(hear_one, self._hear_task, self._heard, "is not heard")
        others = self._said_by(self._sisters(finding.vehicle), hearing)
        return chain.beside_others(finding, self._said_by([finding.vehicle], hearing), others)

    def _sisters(self, vehicle: str) -> list[str]:
        kind = self._workspace.settings.vehicles[vehicle].kind
        return [name for name in self._of_kind[kind] if name != vehicle][:MOST_SISTERS]

    def _said_by(self, vehicles: Sequence[str], asking: _Asking[Said]) -> tuple[Said, ...]:
        """Ask those that were not asked yet, and return what all have said."""
        lookup = Lookup(self._store, self._workspace.settings, self._as_of)
        unasked = [name for name in vehicles if name not in asking.said]
        damaged = self._ask(lookup.recalled(unasked), asking)
        self._ask(lookup.whole(damaged), asking)
        return tuple(item for name in vehicles for item in asking.said.of(name))

    def _ask(
        self, found: Iterable[tuple[str, Recalled | Failure]], asking: _Asking[Said]
    ) -> list[str]:
        """Note what vehicles say, and return those of which what is kept is of no use."""
        damaged = []
        tasks = self._tasks(found, asking)
        for task, said in run_each(asking.work, tasks, self._executor, MOST_SISTERS):
            name = task.history.vehicle
            if said is None:
                damaged.append(name)
            elif isinstance(said, Failure):
                asking.fails(name, said)
            else:
                asking.said.note(name, said)
        return damaged

    def _tasks(
        self, found: Iterable[tuple[str, Recalled | Failure]], asking: _Asking[Said]
    ) -> Iterator[AssessTask]:
        for name, one in found:
            if isinstance(one, Failure):
                asking.fails(name, one)
            else:
                yield asking.task(name, one)

    def _lend_task(self, name: str, found: Recalled) -> AssessTask:
        mine = self._workspace.settings.vehicles[name]
        return AssessTask(found.history, mine, self._common, self._as_of, parts=found.parts)

    def _hear_task(self, name: str, found: Recalled) -> AssessTask:
        return replace(self._lend_task(name, found), sisters=self.of(name))

    @cached_property
    def _common(self) -> WorkspaceSettings:
        return self._workspace.settings.without_vehicles()


@dataclass(frozen=True)
class _Asking(Generic[Said]):
    """What vehicles are asked: how, with what task, and what they have said so far."""

    work: Callable[[AssessTask], tuple[Said, ...] | None]
    task: Callable[[str, Recalled], AssessTask]
    said: _Spooled[Said]
    otherwise: str

    def fails(self, vehicle: str, failure: Failure) -> None:
        """Say in the log that a vehicle says nothing, and why."""
        _log.warning("%s: %s", self.otherwise, failure.words, extra={"vehicle": vehicle})
        self.said.note(vehicle, ())


class _Spooled(Generic[Said]):
    """What vehicles said, by name; on disk, so that a fleet of many kinds fills no memory."""

    def __init__(self) -> None:
        self._file = tempfile.SpooledTemporaryFile(IN_MEMORY, prefix="healthtrack-")  # noqa: SIM115 - closed below
        weakref.finalize(self, self._file.close)
        self._places: dict[str, tuple[int, int]] = {}

    def __contains__(self, name: str) -> bool:
        return name in self._places

    def note(self, name: str, said: tuple[Said, ...]) -> None:
        content = pickle.dumps(said)
        self._places[name] = (self._file.seek(0, 2), len(content))
        self._file.write(content)

    def of(self, name: str) -> tuple[Said, ...]:
        start, size = self._places[name]
        self._file.seek(start)
        found: tuple[Said, ...] = pickle.loads(self._file.read(size))  # noqa: S301 - our own
        return found
