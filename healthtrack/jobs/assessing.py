"""Verdicts as of a day, kept as they were given, and the reports that show them."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

from healthtrack import chain
from healthtrack.jobs.findings import finding_as_dict
from healthtrack.jobs.kin import Kin
from healthtrack.jobs.pool import run_all
from healthtrack.records import VehicleFinding
from healthtrack.store import StoredFinding

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from concurrent.futures import Executor
    from datetime import date, datetime
    from pathlib import Path

    from healthtrack.baseline import Baseline
    from healthtrack.config import ReportSettings, VehicleSettings, WorkspaceSettings
    from healthtrack.jobs.workspace import Workspace
    from healthtrack.records import State, VehicleHistory
    from healthtrack.report.pulls import PullsShown
    from healthtrack.store import Store

FEWEST_VEHICLES_FOR_A_POOL = 3
"""With fewer, worker processes cost more than they save: a verdict takes a few seconds."""

AHEAD = 8
"""Vehicles whose histories are in memory at a time."""


@dataclass(frozen=True)
class AssessTask:
    """All that a verdict rests on."""

    history: VehicleHistory
    vehicle: VehicleSettings
    workspace: WorkspaceSettings
    as_of: date
    sisters: tuple[Baseline, ...] = ()


@dataclass(frozen=True)
class ReportTask:
    """All that a report shows, and where it goes."""

    finding: VehicleFinding
    vehicle: VehicleSettings
    settings: ReportSettings
    path: Path
    pulls: PullsShown | None = None


@dataclass(frozen=True, slots=True)
class WrittenReport:
    """A report that was written, and the finding that it shows."""

    vehicle: str
    path: Path
    finding: VehicleFinding


def assess_one(task: AssessTask) -> VehicleFinding:
    """Give one verdict; pure, in any process."""
    return chain.assess(task.history, task.vehicle, task.workspace, task.as_of, task.sisters)


def write_one(task: ReportTask) -> Path:
    """Draw one report.

    Raises
    ------
    ReportError
        It cannot be drawn or written; a report that was there before is left as it was.
    """
    from healthtrack import report  # noqa: PLC0415 - matplotlib costs a third of a second

    task.path.parent.mkdir(parents=True, exist_ok=True)
    report.write_vehicle_report(
        task.finding, task.vehicle, task.path, settings=task.settings, pulls=task.pulls
    )
    return task.path


def assess(
    workspace: Workspace,
    store: Store,
    vehicles: Sequence[str],
    as_of: date,
    now: datetime,
    executor: Executor | None = None,
) -> Iterator[VehicleFinding]:
    """Assess vehicles from what is stored, and keep each verdict.

    Parameters
    ----------
    vehicles : sequence of str
        Ids; none for all in the settings.
    as_of : datetime.date
        Nothing after the end of this day (UTC) is used.
    now : datetime
        When the verdict is given.
    executor : Executor or None
        Where it is done; None does it here.

    Raises
    ------
    UsageError
        A vehicle is not in the settings.
    """
    kin = Kin(workspace, store, as_of)
    tasks = (
        AssessTask(
            store.history(vehicle, as_of), settings, workspace.settings, as_of, kin.of(vehicle)
        )
        for vehicle, settings in workspace.chosen(vehicles).items()
    )
    for _, finding in run_all(assess_one, tasks, executor, AHEAD):
        document = json.dumps(finding_as_dict(finding), ensure_ascii=False)
        store.keep_finding(StoredFinding(finding.vehicle, as_of, now, finding.state, document))
        yield finding


def write_report(
    workspace: Workspace, finding: VehicleFinding, store: Store | None = None
) -> WrittenReport:
    """Draw one vehicle's report; see :func:`write_reports`."""
    (written,) = write_reports(workspace, [finding], store=store)
    return written


def write_reports(
    workspace: Workspace,
    findings: Sequence[VehicleFinding],
    executor: Executor | None = None,
    store: Store | None = None,
) -> Iterator[WrittenReport]:
    """Draw the reports on findings into the workspace's reports folder, in their order.

    Parameters
    ----------
    executor : Executor or None
        Where it is done; None does it here.
    store : Store or None
        Where the samples of pulls are, to be drawn on the vehicle's compressor map; None draws no
        pulls.

    Raises
    ------
    ReportError
        One cannot be drawn or written.
    """
    tasks = (
        ReportTask(
            finding,
            workspace.settings.vehicles[finding.vehicle],
            workspace.settings.report,
            workspace.report_path(finding.vehicle, finding.as_of),
            None if store is None else _pulls(workspace, store, finding),
        )
        for finding in findings
    )
    for task, path in run_all(write_one, tasks, executor, AHEAD):
        yield WrittenReport(task.finding.vehicle, path, task.finding)


def write_fleet_report(
    workspace: Workspace, store: Store, findings: Sequence[VehicleFinding], as_of: date
) -> Path:
    """Draw the one report on several vehicles, with what has changed since the last verdicts.

    Raises
    ------
    ReportError
        It cannot be drawn or written.
    """
    from healthtrack import report  # noqa: PLC0415 - matplotlib costs a third of a second

    before = [
        VehicleFinding(last.vehicle, last.as_of, cast("State", last.state), "", None, 0, None)
        for finding in findings
        for last in _last_before(store, finding.vehicle, as_of)
    ]
    path = workspace.fleet_report_path(as_of)
    path.parent.mkdir(parents=True, exist_ok=True)
    report.write_fleet_report(findings, workspace.settings, path, before=before)
    return path


def _last_before(store: Store, vehicle: str, as_of: date) -> list[StoredFinding]:
    earlier = [finding for finding in store.findings(vehicle) if finding.as_of < as_of]
    return sorted(earlier, key=lambda finding: (finding.as_of, finding.assessed))[-1:]


def write_index(workspace: Workspace) -> Path:
    """Write the list of all reports into the reports folder."""
    from healthtrack import report  # noqa: PLC0415 - matplotlib costs a third of a second

    return report.write_index(workspace.root / workspace.settings.reports)


def _pulls(workspace: Workspace, store: Store, finding: VehicleFinding) -> PullsShown | None:
    from healthtrack.jobs.shown_pulls import pulls_shown  # noqa: PLC0415 - imports matplotlib

    return pulls_shown(workspace, store, finding)
