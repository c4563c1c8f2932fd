"""Verdicts that go on from what the last ones left behind in the store.

A task carries only the drives since then. What cannot be used (a log that came late, work entered
afterwards, other settings, a damaged part) is said in the log at debug level, and the vehicle is
judged from its first drive on.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING, TypeVar

from healthtrack import chain
from healthtrack.jobs.pool import Failure, attempt
from healthtrack.store import KeptParts
from healthtrack.store.histories import histories, windows_by_vehicle

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from datetime import date

    from healthtrack.baseline import Baseline
    from healthtrack.config import VehicleSettings, WorkspaceSettings
    from healthtrack.drift import Neighbour
    from healthtrack.records import VehicleFinding, VehicleHistory
    from healthtrack.store import Store

Found = TypeVar("Found")

MOST_VEHICLES = 32
"""Looked up at a time: the fixed cost of the questions is then the smaller part."""

MOST_DRIVES = 400
"""Whose windows are read at a time, if not one vehicle has more: some 0.2 MB each at an hour of
driving."""

_log = logging.getLogger("healthtrack.verdicts")


@dataclass(frozen=True)
class AssessTask:
    """All that a verdict rests on.

    ``parts`` are what the last one left behind; the history then holds no more windows than are
    needed beside it.
    """

    history: VehicleHistory
    vehicle: VehicleSettings
    workspace: WorkspaceSettings
    as_of: date
    sisters: tuple[Baseline, ...] = ()
    parts: dict[str, bytes] = field(default_factory=dict)


@dataclass(frozen=True)
class Outcome:
    """A verdict with what it leaves behind, which may be nothing; or why there is no verdict.

    ``unchanged`` names parts that are as they were and are not sent back.
    """

    finding: VehicleFinding | None
    parts: dict[str, bytes] = field(default_factory=dict)
    unchanged: frozenset[str] = frozenset()
    misfit: str = ""


def assess_one(task: AssessTask) -> Outcome:
    """Give one verdict; pure, in any process."""
    asked = chain.Asked(task.vehicle, task.workspace, task.as_of, task.sisters)
    if task.parts:
        kept = chain.kept_from_parts(task.parts, task.vehicle, task.workspace)
        if kept is None:
            return Outcome(None, misfit="what was kept is damaged or of another version")
        found = chain.assess_on(task.history, asked, kept)
        if isinstance(found, chain.Misfit):
            return Outcome(None, misfit=found.reason)
    else:
        found = chain.assess_whole(task.history, asked)
    if found.kept is None:
        return Outcome(found.finding)
    parts = chain.kept_to_parts(found.kept)
    same = frozenset(name for name, one in parts.items() if task.parts.get(name) == one)
    changed = {name: one for name, one in parts.items() if name not in same}
    return Outcome(found.finding, changed, same)


def hear_one(task: AssessTask) -> tuple[Neighbour, ...] | None:
    """Return what one vehicle can say of others; None where what is kept of it is no use. Pure."""
    asked = chain.Asked(task.vehicle, task.workspace, task.as_of, task.sisters)
    kept = None
    if task.parts:
        kept = chain.kept_from_parts(task.parts, task.vehicle, task.workspace)
        if kept is None:
            return None
    found = chain.neighbours(task.history, asked, kept)
    return None if isinstance(found, chain.Misfit) else found


@dataclass(frozen=True)
class Recalled:
    """A history as far as a verdict needs it; whole, and no parts, where it must begin anew."""

    history: VehicleHistory
    parts: dict[str, bytes] = field(default_factory=dict)


@dataclass(frozen=True)
class _Bare:
    """A history whose windows are still to be read: those of the drives wanted."""

    history: VehicleHistory
    wanted: Sequence[str]
    parts: dict[str, bytes] = field(default_factory=dict)


class Lookup:
    """Looks vehicles up in the store, many at a time.

    A question costs more than its answer. Where one about many fails, they are asked for one by
    one, so that only those at fault fail.

    Parameters
    ----------
    store : Store
        Where they are.
    workspace : WorkspaceSettings
        As set.
    as_of : datetime.date
        Nothing after the end of this day (UTC) is looked at.
    """

    def __init__(self, store: Store, workspace: WorkspaceSettings, as_of: date) -> None:
        self._store, self._workspace, self._as_of = store, workspace, as_of

    def recalled(self, vehicles: Sequence[str]) -> Iterator[tuple[str, Recalled | Failure]]:
        """Yield vehicles in their order, with what a verdict needs beside what is kept of them."""
        return self._each(vehicles, self._as_needed)

    def whole(self, vehicles: Sequence[str]) -> Iterator[tuple[str, Recalled | Failure]]:
        """Yield vehicles in their order, with their histories from the first drive on."""
        return self._each(vehicles, self._from_the_start)

    def _each(
        self, vehicles: Sequence[str], look: Callable[[Sequence[str]], dict[str, _Bare]]
    ) -> Iterator[tuple[str, Recalled | Failure]]:
        for start in range(0, len(vehicles), MOST_VEHICLES):
            bare = _together(look, vehicles[start : start + MOST_VEHICLES])
            for some in _of_few_drives(bare):
                fine = {name: one for name, one in some.items() if isinstance(one, _Bare)}
                read = _together(partial(self._read, fine), list(fine))
                failed = {name: one for name, one in some.items() if isinstance(one, Failure)}
                found = read | failed
                yield from ((name, found[name]) for name in some)

    def _as_needed(self, vehicles: Sequence[str]) -> dict[str, _Bare]:
        parts = KeptParts(self._store).read_several(vehicles)
        found = histories(self._store, vehicles, self._as_of, with_windows=False)
        return {name: self._needed(history, parts[name]) for name, history in found.items()}

    def _needed(self, history: VehicleHistory, parts: dict[str, bytes]) -> _Bare:
        kept = chain.kept_outline(parts) if parts else None
        if kept is not None:
            settings = self._workspace.vehicles[history.vehicle]
            basis = chain.basis_of(settings, self._workspace)
            reason = chain.misfit(kept, history, basis, self._as_of)
            if not reason:
                return _Bare(history, chain.windows_to_read(kept, history), parts)
            from_the_start(history.vehicle, reason)
        return _Bare(history, history.drives["drive"].to_list())

    def _from_the_start(self, vehicles: Sequence[str]) -> dict[str, _Bare]:
        found = histories(self._store, vehicles, self._as_of, with_windows=False)
        return {
            name: _Bare(history, history.drives["drive"].to_list())
            for name, history in found.items()
        }

    def _read(self, bare: Mapping[str, _Bare], vehicles: Sequence[str]) -> dict[str, Recalled]:
        wanted = {name: bare[name].wanted for name in vehicles}
        windows = windows_by_vehicle(self._store, wanted)
        return {
            name: Recalled(replace(bare[name].history, windows=windows[name]), bare[name].parts)
            for name in vehicles
        }


def _together(
    look: Callable[[Sequence[str]], Mapping[str, Found]], vehicles: Sequence[str]
) -> dict[str, Found | Failure]:
    """Look vehicles up in one go; where that fails, one by one."""
    found = attempt(look, vehicles)
    if not isinstance(found, Failure):
        return dict(found)
    apart = {name: attempt(look, [name]) for name in vehicles}
    return {name: one if isinstance(one, Failure) else one[name] for name, one in apart.items()}


def _of_few_drives(
    bare: Mapping[str, _Bare | Failure],
) -> Iterator[dict[str, _Bare | Failure]]:
    """Cut a lot, in its order, so that the windows of each piece fit into memory."""
    some: dict[str, _Bare | Failure] = {}
    drives = 0
    for name, one in bare.items():
        more = len(one.wanted) if isinstance(one, _Bare) else 0
        if some and drives + more > MOST_DRIVES:
            yield some
            some, drives = {}, 0
        some[name] = one
        drives += more
    if some:
        yield some


def from_the_start(vehicle: str, reason: str) -> None:
    """Say in the log that a vehicle is judged from its start, and why."""
    _log.debug("judged from its first drive on: %s", reason, extra={"vehicle": vehicle})


def keep(store: Store, vehicle: str, outcome: Outcome, before: dict[str, bytes]) -> None:
    """Keep what a verdict left behind, unless what is kept is of a later day."""
    if "head" not in outcome.parts:
        return
    kept = KeptParts(store)
    now = chain.kept_outline(outcome.parts)
    there = chain.kept_outline(before or kept.read(vehicle))
    if now is None or (there is not None and there.as_of > now.as_of):
        return
    kept.write(vehicle, outcome.parts | {name: before[name] for name in outcome.unchanged})
