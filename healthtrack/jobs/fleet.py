"""The fleet report and the index of all reports."""

from __future__ import annotations

from typing import TYPE_CHECKING, get_args

from healthtrack.records import State, VehicleFinding

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date
    from pathlib import Path

    from healthtrack.jobs.workspace import Workspace
    from healthtrack.store import Store

FLEET = "fleet"
"""Folder of the fleet's reports, beside those of the vehicles."""


def write_fleet_report(
    workspace: Workspace, store: Store, findings: Sequence[VehicleFinding], as_of: date
) -> Path:
    """Draw the report on all vehicles into the workspace's reports folder; return its path.

    Raises
    ------
    ReportError
        It cannot be drawn or written; a report that was there before is left as it was.
    """
    from healthtrack import report  # noqa: PLC0415 - matplotlib costs a third of a second

    name = f"{FLEET}_{as_of:%Y-%m-%d}_condition-report.pdf"
    path = workspace.root / workspace.settings.reports / FLEET / name
    before = [
        found
        for vehicle in workspace.settings.vehicles
        if (found := last_verdict(store, vehicle, as_of)) is not None
    ]
    report.write_fleet_report(findings, workspace.settings, path, before=before)
    return path


def write_index(workspace: Workspace) -> Path:
    """Write the index of all reports; return its path.

    Raises
    ------
    ReportError
        It cannot be written.
    """
    from healthtrack import report  # noqa: PLC0415 - matplotlib costs a third of a second

    return report.write_index(workspace.root / workspace.settings.reports)


def last_verdict(store: Store, vehicle: str, as_of: date) -> VehicleFinding | None:
    """Return the last verdict on a vehicle as of an earlier day: its state, and nothing else."""
    earlier = [found for found in store.findings(vehicle) if found.as_of < as_of]
    if not earlier:
        return None
    last = max(earlier, key=lambda found: (found.as_of, found.assessed))
    state: State = next(known for known in get_args(State) if known == last.state)
    return VehicleFinding(vehicle, last.as_of, state, "", None, 0, None)
