"""Verdicts as of a day, kept as they were given, and the reports that show them."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

from healthtrack import chain
from healthtrack.jobs.findings import finding_as_dict
from healthtrack.store import StoredFinding

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import date, datetime
    from pathlib import Path

    from healthtrack.jobs.workspace import Workspace
    from healthtrack.records import VehicleFinding
    from healthtrack.store import Store


@dataclass(frozen=True, slots=True)
class WrittenReport:
    """A report that was written, and the finding that it shows."""

    vehicle: str
    path: Path
    finding: VehicleFinding


def assess(
    workspace: Workspace, store: Store, vehicles: Sequence[str], as_of: date, now: datetime
) -> Iterator[VehicleFinding]:
    """Assess vehicles one by one from what is stored, and keep each verdict.

    Parameters
    ----------
    vehicles : sequence of str
        Ids; none for all in the settings.
    as_of : datetime.date
        Nothing after the end of this day (UTC) is used.
    now : datetime
        When the verdict is given.

    Raises
    ------
    UsageError
        A vehicle is not in the settings.
    """
    for vehicle, settings in workspace.chosen(vehicles).items():
        history = store.history(vehicle, as_of)
        finding = chain.assess(history, settings, workspace.settings, as_of)
        document = json.dumps(finding_as_dict(finding), ensure_ascii=False)
        store.keep_finding(StoredFinding(vehicle, as_of, now, finding.state, document))
        yield finding


def write_report(workspace: Workspace, finding: VehicleFinding) -> WrittenReport:
    """Draw one vehicle's report into the workspace's reports folder.

    Raises
    ------
    ReportError
        It cannot be drawn or written; a report that was there before is left as it was.
    """
    from healthtrack import report  # noqa: PLC0415 - matplotlib costs a third of a second

    path = workspace.report_path(finding.vehicle, finding.as_of)
    path.parent.mkdir(parents=True, exist_ok=True)
    settings = workspace.settings
    vehicle = settings.vehicles[finding.vehicle]
    report.write_vehicle_report(finding, vehicle, path, settings=settings.report)
    return WrittenReport(finding.vehicle, path, finding)
