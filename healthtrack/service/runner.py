"""One round of the service: look what there is to do, do it, say how things stand.

The store is open only while something is done, so that commands get their turn in between. All
truth is on disk: a round that is killed anywhere is done again by the next one.
"""

from __future__ import annotations

import logging
import os
import shutil
from dataclasses import dataclass, field, replace
from datetime import timedelta
from typing import TYPE_CHECKING

from healthtrack import __version__, config
from healthtrack.errors import HealthtrackError, SettingsError, StoreLockedError, StoreLogError
from healthtrack.jobs.workspace import Workspace
from healthtrack.service import due as schedules
from healthtrack.service import requests
from healthtrack.service.intake import Intake
from healthtrack.service.journal import LOGGER
from healthtrack.service.postman import Postman
from healthtrack.service.scan import take_in
from healthtrack.service.standing import job_statuses
from healthtrack.service.state import FOLDER, Status, publish
from healthtrack.service.work import QUICK_JOBS, Bench, Chain, Stopping
from healthtrack.store import Episodes, Ledger, Outbox, publish_snapshot, put_log_aside
from healthtrack.store.outbox import LONGEST_WAIT

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime
    from pathlib import Path

    from healthtrack.mail import Courier
    from healthtrack.service.due import Due
    from healthtrack.service.intake import Found
    from healthtrack.service.work import Assessor
    from healthtrack.store import JobRecord, Store

_log = logging.getLogger(LOGGER)

LOCKED_TOLERATED = timedelta(minutes=5)
"""How long another process may hold the store before that counts as trouble."""

SNAPSHOT_EVERY = timedelta(minutes=1)
WATCH_EVERY = timedelta(minutes=1)
"""How often, at most, vehicles with new logs are assessed: a flood of logs is not assessed file by
file, and an alert is still out within minutes."""

MAIL_PAUSE = timedelta(minutes=5)
"""Pause after the password could not be read."""

FIRST_PAUSE = timedelta(seconds=10)
"""Pause after a round that could not be done at all; longer each time, as for jobs."""


@dataclass
class _Known:
    """What the last look into the store said, so that an idle round need not open it."""

    records: dict[str, JobRecord] = field(default_factory=dict)
    next_letter: datetime | None = None
    next_escalation: datetime | None = None
    news: bool = True


class Runner:
    """Does what is due; see :meth:`tick`.

    Parameters
    ----------
    root : Path
        The workspace.
    clock : callable
        The time, UTC.
    courier : callable
        Makes the one who takes letters to the server, of a workspace; raises MailError.
    stopping : callable
        Asked between two steps whether to stop.
    assessor : Assessor or None
        Who gives verdicts; the chain where it is None.
    """

    def __init__(
        self,
        root: Path,
        clock: Callable[[], datetime],
        courier: Callable[[Workspace], Courier],
        stopping: Callable[[], bool] = bool,
        assessor: Assessor | None = None,
    ) -> None:
        self.workspace = Workspace.load(root)
        self.plans = schedules.plans(self.workspace.settings)
        self._clock, self._courier, self._stopping = clock, courier, stopping
        self._assessor: Assessor = assessor or Chain()
        self._intake = Intake(self.workspace.settings.service.settle_seconds)
        self._known: _Known | None = None
        self._settings_stamp = self._stamp()
        self._last_scan: datetime | None = None
        self._last_watch: datetime | None = None
        self._gave_way = False
        self._mail_not_before: datetime | None = None
        self._locked_since: datetime | None = None
        self._failed_rounds = 0
        self._not_before: datetime | None = None
        self._snapshot_at: datetime | None = None
        self._snapshot_due = False
        self._trouble: dict[str, str] = {}
        started = self._last_round = clock()
        self._status = Status(__version__, os.getpid(), started, started)

    # ---------------------------------------------------------------- a round

    def tick(self) -> None:
        """Do what is there to do now; never raises, whatever went wrong."""
        now = self._clock()
        if self._stopping() or (self._not_before is not None and self._waits(now)):
            return
        trouble = dict(self._trouble)
        worked = True
        if now < self._last_round:  # the clock went back: what is known may lie in the future
            self._known = None
        self._last_round = now
        try:
            self._reload_settings()
            worked = self._round(now)
        except Stopping:
            _log.info("stopped in the middle; it is done again at the next start")
        except StoreLockedError as error:
            self._locked(error, now)
        except StoreLogError as error:
            self._put_log_aside(error)
        except Exception as error:  # noqa: BLE001 - the service goes on for years
            _log.exception("round failed")
            self._known = None  # what is known may be wrong now
            self._failed_rounds += 1
            self._not_before = now + schedules.pause(self._failed_rounds, FIRST_PAUSE)
            self._trouble["service"] = _words(error)
        else:
            self._failed_rounds, self._not_before = 0, None
            self._locked_since = None
            for name in ("service", "store"):
                self._trouble.pop(name, None)
        if worked or trouble != self._trouble:
            self._show(busy_with="")

    def _waits(self, now: datetime) -> bool:
        assert self._not_before is not None
        # a clock that went back must not stop the service for as long as it was wrong
        return now < self._not_before <= now + schedules.LONGEST_RETRY

    def _locked(self, error: StoreLockedError, now: datetime) -> None:
        self._locked_since = self._locked_since or now
        _log.info("store locked", extra={"by": str(error)})
        if now - self._locked_since >= LOCKED_TOLERATED:
            self._trouble["store"] = str(error)

    def _put_log_aside(self, error: StoreLogError) -> None:
        """Go on without the last changes: logs are taken in again, and what is due done again."""
        self._known = None
        try:
            aside = put_log_aside(self.workspace.store_path)
        except OSError as failure:
            self._trouble["service"] = f"{error} ({failure.strerror})"
            return
        _log.error("write-ahead log damaged", extra={"put_aside": str(aside)})
        self._trouble["store log"] = (
            f"the store's last changes were damaged and put aside as {aside.name}; logs that were "
            "in them are read again, and a letter of that minute may go out twice. Look to the "
            "disk's health, then restart the service to clear this."
        )

    def _round(self, now: datetime) -> bool:
        """Do what there is to do; False where there was nothing."""
        found = self._look(now)
        asked = requests.waiting(self.workspace.root)
        due = schedules.due_jobs(self.plans, self._known.records, now) if self._known else ()
        idle = not (found and found.ready) and not asked and not due
        if idle and self._known and not self._something_waits(self._known, now):
            return False
        with self.workspace.open_store() as store:
            if self._known is None:
                self._recover(store, now)
                self._last_scan = None
                found = self._look(now)
            self._work(store, now, found)
            self._refresh(store, now)
            self._publish_snapshot(store)
        return True

    def _something_waits(self, known: _Known, now: datetime) -> bool:
        letter = known.next_letter
        mail = letter is not None and (letter <= now or letter > now + LONGEST_WAIT)
        late = known.next_escalation is not None and known.next_escalation <= now
        watch = self._last_watch
        news = known.news and not (watch is not None and watch <= now < watch + WATCH_EVERY)
        recent = self._snapshot_at
        stale = self._snapshot_due and not (
            recent is not None and recent <= now < recent + SNAPSHOT_EVERY
        )
        return mail or late or news or stale

    def _look(self, now: datetime) -> Found | None:
        service = self.workspace.settings.service
        pause = timedelta(seconds=service.scan_seconds)
        last = self._last_scan
        if last is not None and last <= now < last + pause and not self._status.inbox_waiting:
            return None
        self._last_scan = now
        found = self._intake.look(self.workspace, now, service.scan_files)
        self._status = replace(self._status, inbox_waiting=found.waiting)
        return found

    def _recover(self, store: Store, now: datetime) -> None:
        ledger, outbox = Ledger(store), Outbox(store)
        cut_off, uncertain = ledger.interrupt_open(now), outbox.recover()
        self._know_jobs(ledger, now)
        self._intake.start_from(self.workspace, store.logs())
        self._known = _Known(records=ledger.records(now))
        _log.info("started", extra={"cut_off": cut_off, "uncertain_letters": uncertain})

    def _know_jobs(self, ledger: Ledger, now: datetime) -> None:
        ledger.know([*QUICK_JOBS, *(plan.job for plan in self.plans)], now)

    def _work(self, store: Store, now: datetime, found: Found | None) -> None:
        self._requests(store)
        bench = Bench(self.workspace, store, now, self._assessor, self._stopping)
        self._know_jobs(Ledger(store), now)
        records = Ledger(store).records(now)
        gave_way, self._gave_way = self._gave_way, False
        if found and found.ready and not gave_way and schedules.may_try(records["scan"], now):
            self._run(bench, "scan", now, lambda: self._scan(store, found, now))
        if self._has_news(Ledger(store), now):
            self._last_watch = now
            self._run(bench, "watch", now, lambda: f"{bench.assess_news()} vehicles")
        for due in schedules.due_jobs(self.plans, records, now):
            self._run(bench, due.plan.job, due.moment, _bound(bench, due))
        bench.escalate()
        self._post(store, bench)

    def _requests(self, store: Store) -> None:
        for path in requests.waiting(self.workspace.root):
            asked = requests.read(path)
            if asked is not None:
                done = requests.carry_out(store, asked)
                _log.info("asked for", extra={"what": type(asked).__name__, "done_to": list(done)})
                self._snapshot_at, self._snapshot_due = None, True  # who asked is waiting to see it
            path.unlink(missing_ok=True)

    def _scan(self, store: Store, found: Found, now: datetime) -> str:
        coming = schedules.next_due(self.plans, now)  # its job does not wait for many logs

        def falls_due() -> bool:
            if self._stopping():
                raise Stopping
            return coming is not None and self._clock() >= coming

        taken = take_in(self.workspace, store, self._intake, found.ready, now, falls_due)
        waiting = found.waiting - len(found.ready)  # or the next round would look at once
        if falls_due():  # the next round begins with that job, and goes on with the logs after it
            self._gave_way = True
            waiting = found.waiting - sum(taken.counts.values())
        self._status = replace(self._status, left=taken.left[:20], inbox_waiting=waiting)
        return taken.words()

    def _run(self, bench: Bench, job: str, moment: datetime, work: Callable[[], str]) -> None:
        """Do a job; whatever goes wrong with it is noted, and the others go on."""
        if self._stopping():
            raise Stopping
        ledger = Ledger(bench.store)
        self._show(busy_with=job)
        ledger.start(job, moment, self._clock())
        _log.debug("step", extra={"step": f"{job} started", "what": job})
        try:
            words = work()
        except Stopping:
            ledger.finish(job, "interrupted", self._clock())
            raise
        except Exception as error:  # noqa: BLE001 - one job never stops the others
            _log.exception("job failed", extra={"job": job})
            ledger.finish(job, "failed", self._clock(), _words(error))
            self._report_failures(bench, job)
        else:
            _log.debug("step", extra={"step": f"{job} finished", "what": job})
            ledger.finish(job, "done", self._clock(), words)
            _log.info("job done", extra={"job": job, "due": moment, "result": words})
        self._snapshot_due = True

    def _report_failures(self, bench: Bench, job: str) -> None:
        record = Ledger(bench.store).records(self._clock())[job]
        if record.failures >= schedules.FAILURES_REPORTED:
            since = record.last_done or record.known_since
            bench.trouble(job, record.failures, record.message, since)

    def _post(self, store: Store, bench: Bench) -> None:
        outbox, now, later = Outbox(store), self._clock(), self._mail_not_before
        if later is not None and now < later <= now + MAIL_PAUSE:
            return
        if not self.workspace.settings.mail.works or not outbox.due(now):
            return
        self._show(busy_with="mail")
        failed = Ledger(store).records(self._clock())["mail"].failures
        trouble = ""
        try:
            postman = Postman(outbox, self._courier(self.workspace), self.workspace.settings.mail)
            trouble = postman.send_due(self._clock, self._stopping).trouble
        except HealthtrackError as error:
            trouble = str(error)
            self._mail_not_before = now + MAIL_PAUSE
        self._snapshot_due = True
        if trouble:
            self._trouble["mail"] = trouble
            self._run(bench, "mail", self._clock(), lambda: _fail(trouble))
            return
        self._trouble.pop("mail", None)
        if failed:
            self._run(bench, "mail", self._clock(), lambda: "the server takes letters again")

    # ---------------------------------------------------------------- how things stand

    def _refresh(self, store: Store, now: datetime) -> None:
        outbox, ledger = Outbox(store), Ledger(store)
        opened = Episodes(store).open()
        wait = timedelta(hours=self.workspace.settings.service.escalate_after_hours)
        unanswered = [one for one in opened if one.acknowledged is None]
        late = [
            (one.told or one.opened) + wait
            for one in unanswered
            if one.worst == "alarm" and one.escalated is None
        ]
        records = ledger.records(self._clock())
        self._known = _Known(
            records, outbox.next_attempt(), min(late, default=None), bool(ledger.news())
        )
        logs, drives = ledger.totals()
        lost = (*outbox.deliveries("failed"), *outbox.deliveries("given_up"))
        self._status = replace(
            self._status,
            letters=outbox.counts(),
            undelivered=tuple(
                f"{one.subject} to {one.address}: {one.words}"
                for one in lost
                if now - one.created < timedelta(days=30)
            )[:20],
            alerts={
                state: sum(one.state == state for one in opened) for state in ("alert", "alarm")
            },
            unacknowledged=tuple(one.episode for one in unanswered),
            logs=logs,
            drives=drives,
        )

    def _has_news(self, ledger: Ledger, now: datetime) -> bool:
        last = self._last_watch
        if last is not None and last <= now < last + WATCH_EVERY:
            return False
        known = self.workspace.settings.vehicles
        watch = ledger.records(now)["watch"]
        return any(one in known for one in ledger.news()) and schedules.may_try(watch, now)

    def _publish_snapshot(self, store: Store) -> None:
        now = self._clock()
        last = self._snapshot_at
        recent = last is not None and last <= now < last + SNAPSHOT_EVERY
        if not self._snapshot_due or recent:
            return
        publish_snapshot(store, now)
        self._snapshot_at, self._snapshot_due = now, False
        self._status = replace(self._status, snapshot=now)

    def status(self) -> Status:
        """Return how things stand, as of now; any thread may ask."""
        now = self._clock()
        known = self._known
        records = dict(known.records) if known else {}
        jobs = job_statuses(self.plans, records, now)
        try:
            free = shutil.disk_usage(self.workspace.root).free
        except OSError:
            free = 0
        trouble = tuple(f"{name}: {words}" for name, words in sorted(self._trouble.items()))
        return replace(
            self._status,
            published=now,
            jobs=jobs,
            trouble=trouble,
            stopping=self._stopping(),
            disk_free_bytes=free,
        )

    def _show(self, busy_with: str) -> None:
        self._status = replace(self._status, busy_with=busy_with)
        self.publish()

    @property
    def clock(self) -> Callable[[], datetime]:
        """The time, as the service reads it."""
        return self._clock

    def look_soon(self) -> None:
        """Look into the inbox at the next round, whatever the pause; any thread may say so."""
        self._last_scan = None

    def publish(self) -> None:
        """Write the status file; that it cannot be written stops nothing."""
        try:
            publish(self.status(), self.workspace.root / FOLDER)
        except OSError as error:
            _log.warning("status not written", extra={"error": str(error)})

    # ---------------------------------------------------------------- settings

    def _stamp(self) -> tuple[int, int]:
        try:
            status = (self.workspace.root / config.SETTINGS_FILE).stat()
        except OSError:
            return (-1, -1)
        return status.st_size, status.st_mtime_ns

    def _reload_settings(self) -> None:
        """Take edited settings over; settings that cannot be used leave the old ones in force."""
        stamp = self._stamp()
        if stamp == self._settings_stamp:
            return
        self._settings_stamp = stamp
        try:
            self.workspace = Workspace.load(self.workspace.root)
        except SettingsError as error:
            _log.error("settings not taken over", extra={"error": str(error)})
            self._trouble["settings"] = f"the old settings stay in force: {error}"
            return
        self._trouble.pop("settings", None)
        self.plans = schedules.plans(self.workspace.settings)
        self._known = None
        _log.info("settings taken over", extra={"jobs": [plan.job for plan in self.plans]})


def _bound(bench: Bench, due: Due) -> Callable[[], str]:
    return lambda: bench.do(due)


def _fail(words: str) -> str:
    raise HealthtrackError(words)


def _words(error: Exception) -> str:
    if isinstance(error, HealthtrackError):
        return str(error)
    return f"{type(error).__name__}: {error}"
