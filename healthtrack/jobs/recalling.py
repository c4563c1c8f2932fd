"""Verdicts that go on from what the last ones left behind in the store.

A task carries only the drives since then. What cannot be used (a log that came late, work entered
afterwards, other settings, a damaged part) is said in the log at debug level, and the vehicle is
judged from its first drive on.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from healthtrack import chain
from healthtrack.store import KeptParts

if TYPE_CHECKING:
    from datetime import date

    from healthtrack.baseline import Baseline
    from healthtrack.chain import Kept
    from healthtrack.config import VehicleSettings, WorkspaceSettings
    from healthtrack.records import VehicleFinding, VehicleHistory
    from healthtrack.store import Store

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


def recalled(
    store: Store,
    vehicle: str,
    settings: tuple[VehicleSettings, WorkspaceSettings],
    as_of: date,
) -> tuple[VehicleHistory, dict[str, bytes]]:
    """Return a vehicle's history as far as a verdict needs it, and what the last one left behind.

    Parameters
    ----------
    store : Store
        Where both are.
    vehicle : str
        Its id.
    settings : (VehicleSettings, WorkspaceSettings)
        As set.
    as_of : datetime.date
        The day, in UTC.

    Returns
    -------
    VehicleHistory, dict
        The whole history and nothing where the verdict must begin at the first drive.
    """
    parts = KeptParts(store).read(vehicle)
    kept = chain.kept_outline(parts) if parts else None
    if kept is None:
        return store.history(vehicle, as_of), {}
    history = store.history(vehicle, as_of, with_windows=False)
    reason = chain.misfit(kept, history, chain.basis_of(*settings), as_of)
    if reason:
        from_the_start(vehicle, reason)
        return store.history(vehicle, as_of), {}
    return _with_windows(store, history, kept), parts


def _with_windows(store: Store, history: VehicleHistory, kept: Kept) -> VehicleHistory:
    return replace(history, windows=store.windows_of(chain.windows_to_read(kept, history)))


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
