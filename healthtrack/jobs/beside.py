"""What a report tells beside the finding: its logs and, for the appendix, the workings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from healthtrack.chain.workings import workings
from healthtrack.jobs.kin import Kin
from healthtrack.report.beside import Beside, LogShown

if TYPE_CHECKING:
    from datetime import date

    from healthtrack.baseline import Baseline
    from healthtrack.config import VehicleSettings, WorkspaceSettings
    from healthtrack.jobs.workspace import Workspace
    from healthtrack.records import VehicleFinding, VehicleHistory
    from healthtrack.store import Store


@dataclass(frozen=True)
class BesideTask:
    """The logs as the store lists them and, where the appendix is wanted, what it takes to make it.

    ``history`` is None without the appendix: then nothing is computed.
    """

    logs: tuple[LogShown, ...]
    workspace: WorkspaceSettings
    vehicle: VehicleSettings
    as_of: date
    history: VehicleHistory | None = None
    sisters: tuple[Baseline, ...] = ()


def beside_task(workspace: Workspace, store: Store, finding: VehicleFinding) -> BesideTask:
    """Look up what stands beside a finding; one query, and more only for the appendix."""
    settings, vehicle, as_of = workspace.settings, finding.vehicle, finding.as_of
    appendix = settings.report.appendix
    losses = store.losses_by_log(vehicle) if appendix else {}
    logs = tuple(
        LogShown(
            entry.name,
            entry.received.date(),
            entry.sha256[:12],
            entry.rows,
            (entry.reason or "unknown") if entry.state == "quarantined" else "",
            losses.get(entry.sha256, ()),
            entry.message or "",
        )
        for entry in store.logs(vehicle)
    )
    mine = settings.vehicles[vehicle]
    if not appendix:
        return BesideTask(logs, settings, mine, as_of)
    sisters = Kin(workspace, store, as_of).of(vehicle)
    return BesideTask(logs, settings, mine, as_of, store.history(vehicle, as_of), sisters)


def beside(task: BesideTask) -> Beside:
    """Compute what the appendix shows, in any process; the logs alone where it is not wanted."""
    if task.history is None:
        return Beside(task.logs)
    found = workings(task.history, task.vehicle, task.workspace, task.as_of, task.sisters)
    parameters = [
        (f"{block}.{name}", str(value))
        for block, settings in (
            ("alerts", task.workspace.alerts),
            ("baseline", task.workspace.baseline),
        )
        for name, value in settings.model_dump(mode="json").items()
    ]
    return Beside(task.logs, found, tuple(parameters))
