"""What each job does, with the store open: assess, report, digest, alerts, housekeeping.

Every step is one transaction or one atomic rename, and doing it again changes nothing: a letter has
a key that follows from what it is, a verdict that says the same is kept once. So a job that was cut
off anywhere is simply done again.
"""

from __future__ import annotations

import json
import logging
import shutil
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any, Protocol, runtime_checkable

from healthtrack.errors import HealthtrackError
from healthtrack.jobs import assessing
from healthtrack.jobs.cluster import engine
from healthtrack.mail import Attachment, Letter, Picture, build
from healthtrack.report.reader import Reader
from healthtrack.schedule import latest, quiet_until
from healthtrack.service import alerts, letters
from healthtrack.service.journal import LOGGER
from healthtrack.store import (
    Episodes,
    KeptParts,
    Ledger,
    Outbox,
    OutboxLetter,
    backups,
    compact_samples,
    let_old_samples_go,
    surplus_backups,
    write_backup,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from pathlib import Path

    from healthtrack.config_service import RecipientSettings
    from healthtrack.jobs.workspace import Workspace
    from healthtrack.records import VehicleFinding
    from healthtrack.service.due import Due, Plan
    from healthtrack.service.page import Page
    from healthtrack.store import Episode, Store

_log = logging.getLogger(f"{LOGGER}.work")

LEDGER_KEPT = timedelta(days=400)
QUICK_KEPT = timedelta(days=7)
QUICK_JOBS = ("scan", "watch", "mail")
"""Jobs that run whenever there is something to do, many times a day."""

_Posted = tuple[OutboxLetter, tuple[str, ...], datetime]


class Stopping(Exception):  # noqa: N818 - not a fault
    """The service was told to stop; the job is done again at the next start."""


class Assessor(Protocol):
    """Gives verdicts and draws reports; the real one, or a stand-in where a year takes a minute."""

    def assess(
        self, workspace: Workspace, store: Store, vehicle: str, as_of: date, now: datetime
    ) -> VehicleFinding:
        """Assess a vehicle and keep the verdict."""
        ...

    def draw(self, workspace: Workspace, store: Store, finding: VehicleFinding) -> Path:
        """Draw a report and say where it is."""
        ...

    def draw_fleet(
        self, workspace: Workspace, store: Store, findings: Sequence[VehicleFinding], as_of: date
    ) -> Path:
        """Draw the report on all vehicles together and say where it is."""
        ...


@runtime_checkable
class Several(Protocol):
    """An assessor that gives many verdicts side by side."""

    def assess_several(
        self,
        bench: Bench,
        vehicles: Sequence[str],
        as_of: date,
        failed: Callable[[str, str], None],
    ) -> Iterator[VehicleFinding]:
        """Assess vehicles and keep each verdict; one that fails is told of and left out."""
        ...


class Chain:
    """The real assessor."""

    def assess_several(
        self,
        bench: Bench,
        vehicles: Sequence[str],
        as_of: date,
        failed: Callable[[str, str], None],
    ) -> Iterator[VehicleFinding]:
        """Assess vehicles in worker processes where that is worth their start."""
        workspace, store = bench.workspace, bench.store
        with engine(workspace, len(vehicles), assessing.FEWEST_VEHICLES_FOR_A_POOL) as workers:
            yield from assessing.assess(
                workspace, store, vehicles, as_of, bench.now, workers, failed
            )

    def assess(
        self, workspace: Workspace, store: Store, vehicle: str, as_of: date, now: datetime
    ) -> VehicleFinding:
        """Assess a vehicle and keep the verdict."""
        (finding,) = assessing.assess(workspace, store, (vehicle,), as_of, now)
        return finding

    def draw(self, workspace: Workspace, store: Store, finding: VehicleFinding) -> Path:
        """Draw a report and say where it is."""
        return assessing.write_report(workspace, finding, store).path

    def draw_fleet(
        self, workspace: Workspace, store: Store, findings: Sequence[VehicleFinding], as_of: date
    ) -> Path:
        """Draw the report on all vehicles together and say where it is."""
        return assessing.write_fleet_report(workspace, store, findings, as_of)


@dataclass
class Bench:
    """Everything a job needs, for one round of work.

    Parameters
    ----------
    workspace, store
        Where things are.
    now : datetime
        When the round began.
    assessor : Assessor
        Who gives verdicts.
    stopping : callable
        Asked between two vehicles.
    """

    workspace: Workspace
    store: Store
    now: datetime
    assessor: Assessor
    stopping: Callable[[], bool] = bool
    _verdicts: dict[tuple[str, date], VehicleFinding] = field(default_factory=dict)
    _reports: dict[tuple[str, date], Path] = field(default_factory=dict)

    def do(self, due: Due) -> str:
        """Do one job and say in a few words what it came to.

        Raises
        ------
        HealthtrackError
            It could not be done, or not all of it.
        Stopping
            The service is to stop.
        """
        if due.plan.kind == "assess":
            return self._assess_all(_day_before(due.moment))
        if due.plan.kind == "report":
            return self._report(due)
        if due.plan.kind == "digest":
            return self._digest(due)
        return self._keep_house()

    # ---------------------------------------------------------------- verdicts and alerts

    def _assess_all(self, as_of: date) -> str:
        vehicles = tuple(self.workspace.settings.vehicles)
        self._watch_all(vehicles, as_of)
        return f"{len(vehicles)} vehicles assessed as of {as_of:%Y-%m-%d}"

    def assess_news(self) -> int:
        """Assess, as of today, the vehicles of which there are new logs; alerts go out at once."""
        known = self.workspace.settings.vehicles
        vehicles = tuple(one for one in Ledger(self.store).news() if one in known)
        today = self.now.astimezone(UTC).date()
        self._watch_all(vehicles, today)
        return len(vehicles)

    def _watch_all(self, vehicles: Sequence[str], as_of: date) -> None:
        """Watch vehicles, several side by side where there are several."""
        few = len(vehicles) < assessing.FEWEST_VEHICLES_FOR_A_POOL
        if few or not isinstance(self.assessor, Several):
            self._each(vehicles, lambda vehicle: self.watch(vehicle, as_of))
            return
        failures: list[str] = []

        def failed(vehicle: str, words: str) -> None:
            failures.append(f"{vehicle}: {words}")

        for finding in self.assessor.assess_several(self, vehicles, as_of, failed):
            if self.stopping():
                raise Stopping
            self._verdicts[finding.vehicle, as_of] = finding
            self._try(finding.vehicle, lambda vehicle: self.watch(vehicle, as_of), failures)
        if failures:
            raise HealthtrackError("; ".join(failures))

    def watch(self, vehicle: str, as_of: date) -> None:
        """Assess a vehicle, move its alert episodes on and put alerts out."""
        before = self._verdict_before(vehicle, as_of)
        finding = self.finding(vehicle, as_of)
        self._step("assessed", vehicle)
        episodes = Episodes(self.store)
        moved = alerts.advance(episodes.all(vehicle), finding, self.now)
        posted = []
        if moved.told:
            posted = self._alert_letters(finding, before, moved.told)
            _log.warning(
                "alert", extra={"vehicle": vehicle, "episodes": [one.episode for one in moved.told]}
            )
        if moved.changed:
            episodes.keep(moved.changed, posted)
            self._step("episodes kept", vehicle)
        Ledger(self.store).seen(vehicle)
        self._step("logs seen", vehicle)

    def finding(self, vehicle: str, as_of: date) -> VehicleFinding:
        """Return the verdict on a vehicle as of a day, given once per round."""
        key = (vehicle, as_of)
        if key not in self._verdicts:
            self._verdicts[key] = self.assessor.assess(
                self.workspace, self.store, vehicle, as_of, self.now
            )
        return self._verdicts[key]

    def _alert_letters(
        self,
        finding: VehicleFinding,
        before: Mapping[str, Any] | None,
        told: Sequence[Episode],
    ) -> list[_Posted]:
        settings = self.workspace.settings.vehicles[finding.vehicle]
        page = letters.alert_page(finding, settings, before, told, self._reader)
        which = "+".join(f"{one.episode}:{one.worst}" for one in told)
        posted = []
        for name, recipient in self._recipients(finding.vehicle):
            if not recipient.alerts:
                continue
            # without the drawing, an alert still goes out
            attachments = self._attached(finding, needed=False)
            key = f"alert/{name}/{which}"
            pictures = self._pictures(finding)
            letter = self._letter(key, recipient, page, attachments, pictures=pictures)
            posted.append(self._posted(letter, name, "alert", self._not_before(recipient)))
        return posted

    @property
    def _reader(self) -> Reader:
        return Reader.of(self.workspace.settings.report)

    def _not_before(self, recipient: RecipientSettings) -> datetime:
        start, end = recipient.quiet
        zone = self.workspace.settings.service.zone
        if recipient.time_zone is not None:
            zone = recipient.zone
        return quiet_until(start, end, zone, self.now) or self.now

    def escalate(self) -> int:
        """Write to further people about alarms that nobody acknowledged; returns how many."""
        settings = self.workspace.settings
        hours = settings.service.escalate_after_hours
        episodes = Episodes(self.store)
        late = alerts.to_escalate(episodes.open(), timedelta(hours=hours), self.now)
        for one in late:
            name = self._name(one.vehicle)
            page = letters.escalation_page((one,), name, hours, self._reader)
            posted = []
            for who, recipient in self._recipients(one.vehicle):
                if recipient.escalation:
                    letter = self._letter(f"escalation/{who}/{one.episode}", recipient, page)
                    posted.append(self._posted(letter, who, "escalation", self.now))
            episodes.keep([replace(one, escalated=self.now)], posted)
            _log.warning("escalated", extra={"episode": one.episode})
        return len(late)

    # ---------------------------------------------------------------- reports and digests

    def _report(self, due: Due) -> str:
        recipient = self.workspace.settings.recipients[due.plan.recipient]
        vehicles = recipient.vehicles or tuple(self.workspace.settings.vehicles)
        self._each(vehicles, lambda vehicle: self._report_on(vehicle, due, recipient))
        return f"{len(vehicles)} reports for {due.plan.recipient}"

    def _report_on(self, vehicle: str, due: Due, recipient: RecipientSettings) -> None:
        key = f"report/{due.plan.recipient}/{vehicle}/{due.moment:%Y-%m-%dT%H:%MZ}"
        outbox = Outbox(self.store)
        if outbox.knows(key):
            return
        finding = self.finding(vehicle, _day_before(due.moment))
        self._step("assessed", vehicle)
        before = self._verdict_before(vehicle, _last_time(due))
        page = letters.report_page(
            finding,
            self.workspace.settings.vehicles[vehicle],
            before,
            Episodes(self.store).open(vehicle),
            self._reader,
        )
        attachments = self._attached(finding, needed=True)
        pictures = self._pictures(finding)
        letter = self._letter(key, recipient, page, attachments, due.moment, pictures)
        if self.workspace.settings.mail.works:
            posted = self._posted(letter, due.plan.recipient, "report", self.now)
            outbox.put(*posted)
            self._step("report put out", vehicle)

    def _digest(self, due: Due) -> str:
        recipient = self.workspace.settings.recipients[due.plan.recipient]
        key = f"digest/{due.plan.recipient}/{due.moment:%Y-%m-%dT%H:%MZ}"
        outbox = Outbox(self.store)
        vehicles = recipient.vehicles or tuple(self.workspace.settings.vehicles)
        as_of, last = _day_before(due.moment), _last_time(due)
        if not outbox.knows(key) and vehicles:
            findings = [self._unless_stopping(vehicle, as_of) for vehicle in vehicles]
            earlier = {vehicle: self._verdict_before(vehicle, last) for vehicle in vehicles}
            known = {vehicle: one for vehicle, one in earlier.items() if one is not None}
            names = {vehicle: self._name(vehicle) for vehicle in vehicles}
            page = letters.digest_page(findings, names, known, as_of, self._reader)
            path = self.assessor.draw_fleet(self.workspace, self.store, findings, as_of)
            self._step("digest drawn", due.plan.recipient)
            drawn = Attachment(path.name, path.read_bytes(), self.workspace.shown(path))
            letter = self._letter(key, recipient, page, (drawn,), due.moment)
            if self.workspace.settings.mail.works:
                outbox.put(*self._posted(letter, due.plan.recipient, "digest", self.now))
                self._step("digest put out", due.plan.recipient)
        return f"a digest of {len(vehicles)} vehicles for {due.plan.recipient}"

    def _unless_stopping(self, vehicle: str, as_of: date) -> VehicleFinding:
        if self.stopping():
            raise Stopping
        return self.finding(vehicle, as_of)

    def _attached(self, finding: VehicleFinding, *, needed: bool) -> tuple[Attachment, ...]:
        key = (finding.vehicle, finding.as_of)
        try:
            if key not in self._reports or not self._reports[key].exists():
                self._reports[key] = self.assessor.draw(self.workspace, self.store, finding)
                self._step("report drawn", finding.vehicle)
            path = self._reports[key]
            content = path.read_bytes()
        except (HealthtrackError, OSError) as error:
            if needed:
                raise
            _log.exception("the report could not be drawn", exc_info=error)
            return ()
        return (Attachment(path.name, content, self.workspace.shown(path)),)

    def _pictures(self, finding: VehicleFinding) -> tuple[Picture, ...]:
        """Draw the trends that a letter shows; without them it still goes out."""
        names = letters.moved(finding)
        if not names:
            return ()
        from healthtrack import report  # noqa: PLC0415 - matplotlib costs a third of a second

        settings = self.workspace.settings.report
        try:
            drawn = report.draw_figures(finding, "png", settings, names)
        except (HealthtrackError, ValueError, ArithmeticError) as error:
            _log.exception("the letter's pictures could not be drawn", exc_info=error)
            return ()
        return tuple(Picture(name, drawn[name]) for name in names if name in drawn)

    def _verdict_before(self, vehicle: str, as_of: date) -> dict[str, Any] | None:
        """Return the last verdict that was given as of an earlier day."""
        earlier = [one for one in self.store.findings(vehicle) if one.as_of < as_of]
        if not earlier:
            return None
        found: dict[str, Any] = json.loads(max(earlier, key=lambda one: one.as_of).document)
        return found

    # ---------------------------------------------------------------- letters

    def trouble(self, job: str, failures: int, message: str, since: datetime) -> None:
        """Write to the operators, once, that a job keeps failing."""
        if not self.workspace.settings.mail.works:
            return
        page = letters.trouble_page(job, failures, message)
        for name, recipient in self.workspace.settings.recipients.items():
            if recipient.operator:
                key = f"trouble/{name}/{job}/{since:%Y-%m-%dT%H:%M:%SZ}"
                letter = self._letter(key, recipient, page)
                Outbox(self.store).put(*self._posted(letter, name, "trouble", self.now))

    def _letter(
        self,
        key: str,
        recipient: RecipientSettings,
        page: Page,
        attachments: tuple[Attachment, ...] = (),
        moment: datetime | None = None,
        pictures: tuple[Picture, ...] = (),
    ) -> Letter:
        return Letter(
            key=key,
            addresses=recipient.addresses,
            subject=page.title,
            text=page.as_text(),
            html=page.as_html([picture.name for picture in pictures]),
            moment=moment or self.now,
            attachments=attachments,
            pictures=pictures,
        )

    def _posted(self, letter: Letter, name: str, kind: str, not_before: datetime) -> _Posted:
        mail = self.workspace.settings.mail
        raw = build(letter, mail.sender or "healthtrack@localhost", int(mail.size_limit_mb * 1e6))
        kept = OutboxLetter(letter.key, name, kind, letter.subject, self.now, raw)
        return (kept, letter.addresses, not_before)

    def _recipients(self, vehicle: str) -> list[tuple[str, RecipientSettings]]:
        if not self.workspace.settings.mail.works:
            return []
        return [
            (name, recipient)
            for name, recipient in self.workspace.settings.recipients.items()
            if not recipient.vehicles or vehicle in recipient.vehicles
        ]

    def _name(self, vehicle: str) -> str:
        settings = self.workspace.settings.vehicles.get(vehicle)
        return (settings.name.strip() if settings else "") or vehicle

    # ---------------------------------------------------------------- housekeeping

    def _keep_house(self) -> str:
        service = self.workspace.settings.service
        Outbox(self.store).forget_content(self.now - timedelta(days=service.keep_sent_days))
        ledger = Ledger(self.store)
        ledger.prune(self.now - LEDGER_KEPT)
        ledger.prune(self.now - QUICK_KEPT, QUICK_JOBS)
        self._step("ledger pruned", "")
        KeptParts(self.store).tidy()
        self._tidy_samples()
        folder = self.workspace.root / service.backups
        written = write_backup(self.store, folder, self.now)
        self._step("backup written", "")
        days = {}
        for path in backups(folder):
            try:
                days[date.fromisoformat(path.name)] = path
            except ValueError:
                continue  # not one of ours
        gone = surplus_backups(tuple(days), service.backup_keep, service.backup_keep_months)
        for day in gone:
            shutil.rmtree(days[day], ignore_errors=True)
        return f"backup {written.name} written, {len(gone)} older ones deleted"

    def _tidy_samples(self) -> None:
        """Let old samples go, and merge the files of months that are over."""
        days = self.workspace.settings.keep_samples_days
        if days:
            let_old_samples_go(self.store, self.now - timedelta(days=days))
        for _ in compact_samples(self.store, before=self.now):
            if self.stopping():
                raise Stopping
        self._step("samples tidied", "")

    # ---------------------------------------------------------------- together

    def _each(self, vehicles: Sequence[str], work: Callable[[str], None]) -> None:
        """Do something for each vehicle; one that fails does not keep the others from it."""
        failures: list[str] = []
        for vehicle in vehicles:
            if self.stopping():
                raise Stopping
            self._try(vehicle, work, failures)
        if failures:
            raise HealthtrackError("; ".join(failures))

    def _try(self, vehicle: str, work: Callable[[str], None], failures: list[str]) -> None:
        try:
            work(vehicle)
        except HealthtrackError as error:
            _log.exception("vehicle failed", extra={"vehicle": vehicle})
            failures.append(f"{vehicle}: {error}")

    def _step(self, step: str, what: str) -> None:
        """Say in the log which step was just completed; the kill campaign listens here."""
        _log.debug("step", extra={"step": step, "what": what})


def _day_before(moment: datetime) -> date:
    """Return the last whole day before a moment: a verdict as of it never changes afterwards."""
    return moment.astimezone(UTC).date() - timedelta(days=1)


def _last_time(due: Due) -> date:
    """Return the day after the one as of which the report before rested on its verdict."""
    plan: Plan = due.plan
    before = latest(plan.calendar, plan.zone, due.moment - timedelta(seconds=1))
    return _day_before(before or due.moment) + timedelta(days=1)
