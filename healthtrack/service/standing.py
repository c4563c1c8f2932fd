"""How jobs stand, from their plan and the ledger. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from healthtrack.service import due
from healthtrack.service.state import JobStatus
from healthtrack.service.work import QUICK_JOBS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import datetime

    from healthtrack.service.due import Plan
    from healthtrack.store import JobRecord


def job_statuses(
    planned: Iterable[Plan], records: Mapping[str, JobRecord], now: datetime
) -> tuple[JobStatus, ...]:
    """Return how each job stands: those of the calendar, then those that run when needed."""
    found = [
        _status(
            plan.job,
            records.get(plan.job),
            due.next_moment(plan, records.get(plan.job), now),
            overdue=due.is_overdue(plan, records.get(plan.job), now),
        )
        for plan in planned
    ]
    found += [
        _status(job, records[job], None, overdue=False) for job in QUICK_JOBS if job in records
    ]
    return tuple(found)


def _status(
    job: str, record: JobRecord | None, coming: datetime | None, *, overdue: bool
) -> JobStatus:
    if record is None:
        return JobStatus(job, coming)
    return JobStatus(
        job,
        coming,
        record.last_done,
        record.finished,
        record.failures,
        record.message,
        overdue,
    )
