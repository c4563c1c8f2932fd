"""What is due: a pure function of the settings, the ledger and the moment.

A job is due at the latest moment of its calendar that has passed, unless the ledger says that a run
for that moment, or a later one, was done. Moments before that are not made up for: a job that was
missed ten times, because the box was off, is done once. A job is never due from before it stood in
the settings.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from healthtrack.config_service import named_calendar
from healthtrack.schedule import following, latest

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import datetime
    from zoneinfo import ZoneInfo

    from healthtrack.config import WorkspaceSettings
    from healthtrack.schedule import Calendar
    from healthtrack.store import JobRecord

ORDER = ("assess", "report", "digest", "housekeeping")
"""Kinds of job in the order in which they are done when several are due at once."""

FIRST_RETRY = timedelta(minutes=5)
LONGEST_RETRY = timedelta(hours=6)
FAILURES_REPORTED = 3
"""A job that failed this often in a row is reported, once."""

OVERDUE = timedelta(hours=1)
"""A job that is due for longer than this, and was not done, is overdue."""


@dataclass(frozen=True, slots=True)
class Plan:
    """A job of the settings: what it is called in the ledger, and when it is due."""

    job: str
    kind: str
    calendar: Calendar
    zone: ZoneInfo
    recipient: str = ""


@dataclass(frozen=True, slots=True)
class Due:
    """A job that is to be done now, for the moment at which it was due, in UTC."""

    plan: Plan
    moment: datetime


def plans(settings: WorkspaceSettings) -> tuple[Plan, ...]:
    """Return the jobs that the settings ask for."""
    service = settings.service
    found = []
    for kind, at in (("assess", service.assess_at), ("housekeeping", service.housekeeping_at)):
        calendar = named_calendar("daily", at)
        assert calendar is not None
        found.append(Plan(kind, kind, calendar, service.zone))
    for name, recipient in settings.recipients.items():
        zone = service.zone if recipient.time_zone is None else recipient.zone
        for kind, line in (("report", recipient.reports), ("digest", recipient.digest)):
            wanted = recipient.calendar(line)
            if wanted is not None:
                found.append(Plan(f"{kind}/{name}", kind, wanted, zone, name))
    return tuple(sorted(found, key=lambda plan: ORDER.index(plan.kind)))


def due_jobs(
    planned: Iterable[Plan], records: Mapping[str, JobRecord], now: datetime
) -> tuple[Due, ...]:
    """Return what is to be done now, in order.

    Parameters
    ----------
    planned : iterable of Plan
        From :func:`plans`.
    records : mapping of str to JobRecord
        The ledger as of ``now``; a job that is not in it is not due.
    now : datetime
        The moment.
    """
    found = []
    for plan in planned:
        moment = outstanding(plan, records.get(plan.job), now)
        if moment is not None and may_try(records[plan.job], now):
            found.append(Due(plan, moment))
    return tuple(found)


def outstanding(plan: Plan, record: JobRecord | None, now: datetime) -> datetime | None:
    """Return for which moment a job has not been done; None where nothing is outstanding."""
    if record is None:
        return None
    moment = latest(plan.calendar, plan.zone, now)
    since = record.last_done or record.known_since
    return moment if moment is not None and moment > since else None


def may_try(record: JobRecord, now: datetime) -> bool:
    """Whether the pause after a failure, where there was one, is over."""
    if record.failures == 0 or record.last_failed is None:
        return True
    return now >= record.last_failed + pause(record.failures, FIRST_RETRY)


def pause(failures: int, first: timedelta) -> timedelta:
    """Return how long to wait after a failure: three times as long each time, six hours at most.

    Examples
    --------
    >>> [pause(n, timedelta(minutes=5)).total_seconds() / 60 for n in (1, 2, 3, 4, 5, 9)]
    [5.0, 15.0, 45.0, 135.0, 360.0, 360.0]
    """
    return min(first * int(3 ** min(failures - 1, 12)), max(LONGEST_RETRY, first))


def next_moment(plan: Plan, record: JobRecord | None, now: datetime) -> datetime | None:
    """Return when a job is to be done next: now or later; None for never."""
    if outstanding(plan, record, now) is not None and record is not None:
        if record.failures and record.last_failed is not None:
            return max(now, record.last_failed + pause(record.failures, FIRST_RETRY))
        return now
    return following(plan.calendar, plan.zone, now)


def next_due(planned: Iterable[Plan], now: datetime) -> datetime | None:
    """Return the next moment after now at which a job of the calendar falls due; None for never."""
    moments = (following(plan.calendar, plan.zone, now) for plan in planned)
    return min((moment for moment in moments if moment is not None), default=None)


def is_overdue(plan: Plan, record: JobRecord | None, now: datetime) -> bool:
    """Whether a job should have been done long ago."""
    moment = outstanding(plan, record, now)
    return moment is not None and now - moment > OVERDUE
