"""The fleet's maintenance plan: what to do when, and the calendar that says it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from healthtrack.advice import Service, calendar, identifier, plan
from healthtrack.errors import ReportError
from healthtrack.placing import place

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date, datetime
    from pathlib import Path

    from healthtrack.advice import PlanItem
    from healthtrack.config import VehicleSettings
    from healthtrack.records import VehicleFinding


@dataclass(frozen=True, slots=True)
class FleetPlan:
    """What to do when, the earliest first, and what a person must know of it."""

    as_of: date
    items: tuple[PlanItem, ...]
    remarks: tuple[str, ...] = ()


def plan_fleet(
    findings: Sequence[VehicleFinding], vehicles: Mapping[str, VehicleSettings], as_of: date
) -> FleetPlan:
    """Put checks, forecasts and routine services of several vehicles into one plan.

    Parameters
    ----------
    findings : sequence of VehicleFinding
        Of the day.
    vehicles : mapping of str to VehicleSettings
        The settings of (at least) the same vehicles: their service intervals.
    as_of : date
        The day.
    """
    services = [
        Service(finding.vehicle, finding.next_service, why=_why(finding.next_service, as_of))
        for finding in findings
        if finding.next_service is not None
    ]
    return FleetPlan(as_of, plan(findings, services), _remarks(findings, vehicles))


def plan_as_dict(fleet: FleetPlan) -> dict[str, Any]:
    """Return the plan as the document of ``plan --json``; ``uid`` is that of the calendar."""
    return {
        "as_of": fleet.as_of.isoformat(),
        "items": [
            {
                "uid": identifier(item),
                "due": item.due.isoformat(),
                "vehicle": item.vehicle,
                "what": item.what,
                "why": item.why,
            }
            for item in fleet.items
        ],
        "remarks": list(fleet.remarks),
    }


def write_calendar(fleet: FleetPlan, path: Path, written: datetime) -> None:
    """Write the plan as iCalendar, whole or not at all.

    Raises
    ------
    ReportError
        It cannot be written; what was there before is left as it was.
    """
    content = calendar(fleet.items, written).encode()
    try:
        place(path.absolute(), content)
    except OSError as error:
        raise ReportError(_cannot(path, error)) from error


def _cannot(path: Path, error: OSError) -> str:
    return (
        f"The calendar {path} could not be written: {error.strerror or error}. "
        "Name a file in a folder that exists and may be written to."
    )


def _why(due: date, as_of: date) -> str:
    if due < as_of:
        return f"by its service interval; overdue since {due.isoformat()}"
    return "by its service interval"


def _remarks(
    findings: Sequence[VehicleFinding], vehicles: Mapping[str, VehicleSettings]
) -> tuple[str, ...]:
    """Say of which vehicles no service is in the plan, where one could be, and why."""
    lacking = [finding.vehicle for finding in findings if finding.next_service is None]
    unset = [
        name
        for name in lacking
        if vehicles[name].service_every_km is None and vehicles[name].service_every_months is None
    ]
    told = [
        f"{name}: nothing tells when its next service is due. Enter the last one with its "
        f"odometer: `healthtrack maintenance add {name} service --on DATE --odometer KM`."
        for name in lacking
        if name not in unset
    ]
    if unset:
        told.append(
            f"{', '.join(unset)}: no service interval is set (service_every_km, "
            "service_every_months under [vehicles.ID]), so no routine service is planned."
        )
    return tuple(told)
