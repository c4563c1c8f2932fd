"""When the next routine service is due: by date or by distance, whichever comes first."""

from __future__ import annotations

import calendar
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from healthtrack.config import VehicleSettings
    from healthtrack.forecast.usage import Usage
    from healthtrack.records import MaintenanceEvent

SERVICE = "service"
"""The kind of maintenance event that counts as a routine service."""
EVEN_ODDS = 0.5
DAYS_PER_WEEK = 7.0


@dataclass(frozen=True, slots=True)
class NextService:
    """The day on which it is due (gone by where overdue) and how far off that is [km]."""

    due: date
    in_km: float | None = None


def next_service(
    vehicle: VehicleSettings,
    events: Sequence[MaintenanceEvent],
    as_of: date,
    odometer_km: float | None,
    usage: Usage | None,
) -> NextService | None:
    """Return when the next service is due, counted from the last one that is recorded.

    Parameters
    ----------
    vehicle : VehicleSettings
        Its intervals.
    events : sequence of MaintenanceEvent
        What was done; those after ``as_of`` are left out.
    as_of : date
        The day.
    odometer_km : float or None
        Then. [km]
    usage : Usage or None
        Distance per week; without it a distance gives no date, and a date no distance.

    Returns
    -------
    NextService or None
        None without an interval, without a recorded service, or where nothing tells a date.
    """
    done = [event for event in events if event.kind == SERVICE and event.on <= as_of]
    if not done:
        return None
    last = max(done, key=lambda event: event.on)
    left = _left(vehicle, last, odometer_km)
    days = []
    if vehicle.service_every_months is not None:
        days.append(months_later(last.on, vehicle.service_every_months))
    if left is not None and usage is not None:
        # median usage; never more than the calendar holds
        ahead = min(DAYS_PER_WEEK * usage.weeks(left, EVEN_ODDS), (date.max - as_of).days)
        days.append(as_of + timedelta(days=ahead))
    if not days:
        return None
    due = min(days)
    return NextService(due, _kilometres(due, as_of, left, usage))


def months_later(day: date, months: int) -> date:
    """Return the same day of a later month, or that month's last day where it has no such day."""
    years, month = divmod(day.month - 1 + months, 12)
    year = day.year + years
    return date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))


def _left(
    vehicle: VehicleSettings, last: MaintenanceEvent, odometer_km: float | None
) -> float | None:
    """Return how far it may go until the service; negative where it is overdue. [km]."""
    if vehicle.service_every_km is None or last.odometer_km is None or odometer_km is None:
        return None
    return last.odometer_km + vehicle.service_every_km - odometer_km


def _kilometres(due: date, as_of: date, left: float | None, usage: Usage | None) -> float | None:
    by_date = None if usage is None else usage.km_per_week * (due - as_of).days / DAYS_PER_WEEK
    known = [km for km in (left, by_date) if km is not None]
    return max(min(known), 0.0) if known else None
