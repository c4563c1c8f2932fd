"""The service's ledger: what was due, started and done. It alone decides what is due next."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from healthtrack.store.transaction import transaction

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    from healthtrack.store.store import Store


@dataclass(frozen=True, slots=True)
class JobRecord:
    """What the ledger says of one job.

    Parameters
    ----------
    known_since : datetime
        When the job first stood in the settings: nothing is due from before.
    last_done : datetime or None
        The due moment of the last run that was done, not the time at which it ran.
    finished : datetime or None
        When that run ended.
    failures : int
        How many runs failed since then, without one done in between.
    last_failed : datetime or None
        When the last of them ended.
    message : str
        What the last of them said.
    """

    known_since: datetime
    last_done: datetime | None = None
    finished: datetime | None = None
    failures: int = 0
    last_failed: datetime | None = None
    message: str = ""


@dataclass(frozen=True, slots=True)
class Run:
    """One run of a job; ``state`` is started, done, failed or interrupted."""

    job: str
    due: datetime
    started: datetime
    ended: datetime | None
    state: str
    message: str


class Ledger:
    """The ledger in a store; every change is one transaction."""

    def __init__(self, store: Store) -> None:
        self._connection = store._connection

    def know(self, jobs: Iterable[str], now: datetime) -> None:
        """Enter jobs that are new in the settings."""
        known = {row[0] for row in self._connection.execute("FROM service_job").fetchall()}
        fresh = [job for job in dict.fromkeys(jobs) if job not in known]
        if not fresh:
            return
        with transaction(self._connection):
            for job in fresh:
                self._connection.execute("INSERT INTO service_job VALUES (?, ?)", [job, now])

    def start(self, job: str, due: datetime, now: datetime) -> None:
        """Note that a run has begun."""
        with transaction(self._connection):
            self._connection.execute(
                "INSERT INTO service_run VALUES (?, ?, ?, NULL, 'started', '')", [job, due, now]
            )

    def finish(self, job: str, state: str, now: datetime, message: str = "") -> None:
        """Note how the run under way ended: done, failed or interrupted."""
        with transaction(self._connection):
            self._connection.execute(
                "UPDATE service_run SET state = ?, ended = ?, message = ? "
                "WHERE job = ? AND state = 'started'",
                [state, now, message[:2000], job],
            )

    def interrupt_open(self, now: datetime) -> int:
        """Note that runs which never ended were cut off; returns how many. They are due again."""
        with transaction(self._connection):
            rows = self._connection.execute(
                "UPDATE service_run SET state = 'interrupted', ended = ? "
                "WHERE state = 'started' RETURNING job",
                [now],
            ).fetchall()
        return len(rows)

    def records(self, now: datetime) -> dict[str, JobRecord]:
        """Return what is known of each job, as of a moment.

        What lies in the future, because the clock was once wrong, does not count.
        """
        rows = self._connection.execute(
            """
            WITH done AS (
                SELECT job, max(due) AS last_done, max(ended) AS finished
                FROM service_run WHERE state = 'done' AND due <= $now AND started <= $now
                GROUP BY job
            ), failed AS (
                SELECT run.job, count(*) AS failures, max(ended) AS last_failed,
                       arg_max(message, ended) AS message
                FROM service_run run LEFT JOIN done USING (job)
                WHERE state = 'failed' AND ended <= $now
                  AND (finished IS NULL OR ended > finished)
                GROUP BY run.job
            )
            SELECT job, least(known_since, $now), last_done, finished, coalesce(failures, 0),
                   last_failed, coalesce(message, '')
            FROM service_job LEFT JOIN done USING (job) LEFT JOIN failed USING (job)
            """,
            {"now": now},
        ).fetchall()
        return {row[0]: JobRecord(*row[1:]) for row in rows}

    def runs(self, job: str | None = None) -> tuple[Run, ...]:
        """Return all runs, or those of one job, in the order in which they started."""
        rows = self._connection.execute(
            "SELECT job, due, started, ended, state, message FROM service_run "
            "WHERE job = coalesce(?, job) ORDER BY started, job",
            [job],
        ).fetchall()
        return tuple(Run(*row) for row in rows)

    def prune(self, before: datetime, jobs: Iterable[str] | None = None) -> None:
        """Forget runs from before a moment, but the last one done of each job.

        Parameters
        ----------
        before : datetime
            Of runs that started earlier.
        jobs : iterable of str or None
            Of these jobs alone; None for all.
        """
        chosen = None if jobs is None else list(jobs)
        with transaction(self._connection):
            self._connection.execute(
                "DELETE FROM service_run WHERE started < $before "
                "AND ($jobs IS NULL OR list_contains($jobs::VARCHAR[], job)) AND (job, due) NOT IN "
                "(SELECT (job, max(due)) FROM service_run WHERE state = 'done' GROUP BY job)",
                {"before": before, "jobs": chosen},
            )

    def totals(self) -> tuple[dict[str, int], int]:
        """Return how many logs there are by state, and how many drives."""
        logs = self._connection.execute(
            "SELECT state, count(*) FROM log GROUP BY state ORDER BY state"
        ).fetchall()
        drives = self._connection.execute("SELECT count(*) FROM drive").fetchall()
        return dict(logs), int(drives[0][0])

    def news(self) -> tuple[str, ...]:
        """Return the vehicles that have logs which no assessment of the service has looked at."""
        rows = self._connection.execute(
            "SELECT vehicle FROM log LEFT JOIN service_seen USING (vehicle) "
            "WHERE state = 'stored' GROUP BY vehicle, logs HAVING count(*) <> coalesce(logs, 0) "
            "ORDER BY vehicle"
        ).fetchall()
        return tuple(row[0] for row in rows)

    def seen(self, vehicle: str) -> None:
        """Note that all logs of a vehicle that are stored now have been looked at."""
        with transaction(self._connection):
            self._connection.execute("DELETE FROM service_seen WHERE vehicle = ?", [vehicle])
            self._connection.execute(
                "INSERT INTO service_seen SELECT ?, count(*) FROM log "
                "WHERE vehicle = ? AND state = 'stored'",
                [vehicle, vehicle],
            )
