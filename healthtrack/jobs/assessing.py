"""Verdicts as of a day, kept as they were given, and the reports that show them."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property, partial
from pathlib import Path
from typing import TYPE_CHECKING, TypeAlias, TypeVar, cast

from healthtrack.errors import ReportError
from healthtrack.jobs.findings import finding_as_dict
from healthtrack.jobs.kin import Kin
from healthtrack.jobs.pool import (
    NO_FAULT_OF_ONE,
    Failure,
    RemoteExecutor,
    attempt,
    run_each,
)
from healthtrack.jobs.recalling import (
    AssessTask,
    Lookup,
    Outcome,
    assess_one,
    from_the_start,
    keep,
)
from healthtrack.placing import place
from healthtrack.records import VehicleFinding
from healthtrack.store import StoredFinding

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from concurrent.futures import Executor
    from datetime import date, datetime

    from healthtrack.config import ReportSettings, VehicleSettings, WorkspaceSettings
    from healthtrack.jobs.beside import BesideTask
    from healthtrack.jobs.recalling import Recalled
    from healthtrack.jobs.shown_pulls import PullsToShow
    from healthtrack.jobs.workspace import Workspace
    from healthtrack.records import State
    from healthtrack.store import Store

Result = TypeVar("Result")

Failed: TypeAlias = Callable[[str, str], None]
"""Told of a vehicle that could not be done, and why."""

FEWEST_VEHICLES_FOR_A_POOL = 3
"""With fewer, worker processes cost more than they save: a verdict takes a few seconds."""

AHEAD = 8
"""Vehicles whose histories are in memory at a time."""


@dataclass(frozen=True)
class ReportTask:
    """All that a report shows, and where it goes; ``path`` is None where it goes back as bytes."""

    finding: VehicleFinding
    vehicle: VehicleSettings
    settings: ReportSettings
    path: Path | None
    pulls: PullsToShow | None = None
    beside: BesideTask | None = None


@dataclass(frozen=True, slots=True)
class WrittenReport:
    """A report that was written, and the finding that it shows."""

    vehicle: str
    path: Path
    finding: VehicleFinding


def write_one(task: ReportTask) -> bytes:
    """Draw one report; without a path it comes back, with one it is written there.

    Raises
    ------
    ReportError
        It cannot be drawn or written; a report that was there before is left as it was.
    StoreError
        The samples of a pull in it cannot be read.
    """
    if task.path is not None:
        _draw(task, task.path)
        return b""
    with tempfile.TemporaryDirectory(prefix="healthtrack-") as folder:
        path = Path(folder) / "report.pdf"
        _draw(task, path)
        return path.read_bytes()


def _draw(task: ReportTask, path: Path) -> None:
    from healthtrack import report  # noqa: PLC0415 - matplotlib costs a third of a second
    from healthtrack.jobs.beside import beside  # noqa: PLC0415 - the same
    from healthtrack.jobs.shown_pulls import follow_pulls  # noqa: PLC0415 - the same

    pulls = None if task.pulls is None else follow_pulls(task.pulls)
    path.parent.mkdir(parents=True, exist_ok=True)
    told = report.NOTHING_BESIDE if task.beside is None else beside(task.beside)
    report.write_vehicle_report(
        task.finding, task.vehicle, path, settings=task.settings, pulls=pulls, beside=told
    )


def assess(  # noqa: PLR0913, PLR0917 - what is assessed, of when, where, and who is told
    workspace: Workspace,
    store: Store,
    vehicles: Sequence[str],
    as_of: date,
    now: datetime,
    executor: Executor | None = None,
    failed: Failed | None = None,
) -> Iterator[VehicleFinding]:
    """Assess vehicles from what is stored, and keep each verdict.

    They come in the order asked for; those of which what was kept could not be used come last.

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
    failed : callable or None
        Told of a vehicle without a verdict, and why; the others go on. None: the first ends it.

    Raises
    ------
    UsageError
        A vehicle is not in the settings.
    """
    night = _Night(workspace, store, as_of, Kin(workspace, store, as_of, executor), failed)
    misfits: list[str] = []
    tasks = night.tasks(list(workspace.chosen(vehicles)))
    for task, outcome in run_each(assess_one, tasks, executor, AHEAD):
        if isinstance(outcome, Outcome) and outcome.finding is None:
            misfits.append(task.history.vehicle)
            from_the_start(task.history.vehicle, outcome.misfit)
            continue
        yield from night.settled(task, outcome, now)
    for task, outcome in run_each(assess_one, night.whole_tasks(misfits), executor, AHEAD):
        yield from night.settled(task, outcome, now)


@dataclass(frozen=True)
class _Night:
    """What verdicts as of one day are given from; a vehicle that fails is told of and left out."""

    workspace: Workspace
    store: Store
    as_of: date
    kin: Kin
    failed: Failed | None

    @cached_property
    def common(self) -> WorkspaceSettings:
        """The settings that go with every task."""
        return self.workspace.settings.without_vehicles()

    def tasks(self, vehicles: Sequence[str]) -> Iterator[AssessTask]:
        """Look vehicles up, as far as a verdict needs what is stored of them."""
        return self._tasks(self._lookup.recalled(vehicles))

    def whole_tasks(self, vehicles: Sequence[str]) -> Iterator[AssessTask]:
        """Look vehicles up from their first drive on."""
        return self._tasks(self._lookup.whole(vehicles))

    @property
    def _lookup(self) -> Lookup:
        return Lookup(self.store, self.workspace.settings, self.as_of)

    def _tasks(self, found: Iterable[tuple[str, Recalled | Failure]]) -> Iterator[AssessTask]:
        for vehicle, recalled in found:
            yield from self._try(partial(self._task, recalled), vehicle)

    def _task(self, recalled: Recalled | Failure, vehicle: str) -> AssessTask:
        if isinstance(recalled, Failure):
            raise recalled.error
        mine, sisters = self.workspace.settings.vehicles[vehicle], self.kin.of(vehicle)
        return AssessTask(recalled.history, mine, self.common, self.as_of, sisters, recalled.parts)

    def settled(
        self, task: AssessTask, outcome: Outcome | Failure, now: datetime
    ) -> Iterator[VehicleFinding]:
        """Keep a verdict with what it leaves behind, and give it on."""
        if isinstance(outcome, Failure):
            _tell(self.failed, task.history.vehicle, outcome)
        else:
            yield from self._try(partial(self._keep, task, outcome, now), task.history.vehicle)

    def _try(self, work: Callable[[str], Result], vehicle: str) -> Iterator[Result]:
        """Do something for a vehicle; where it fails, it is told of."""
        result = attempt(work, vehicle)
        if not isinstance(result, Failure):
            yield result
        elif isinstance(result.error, NO_FAULT_OF_ONE):
            raise result.error
        else:
            _tell(self.failed, vehicle, result)

    def _keep(
        self, task: AssessTask, outcome: Outcome, now: datetime, vehicle: str
    ) -> VehicleFinding:
        assert outcome.finding is not None, "a whole history always gives a verdict"
        keep(self.store, vehicle, outcome, task.parts)
        finding = self.kin.beside(outcome.finding)  # followed from what was just kept
        document = json.dumps(finding_as_dict(finding), ensure_ascii=False)
        self.store.keep_finding(StoredFinding(vehicle, self.as_of, now, finding.state, document))
        return finding


def write_report(
    workspace: Workspace, finding: VehicleFinding, store: Store | None = None
) -> WrittenReport:
    """Draw one vehicle's report; see :func:`write_reports`."""
    (written,) = write_reports(workspace, [finding], store=store)
    return written


def write_reports(
    workspace: Workspace,
    findings: Iterable[VehicleFinding],
    executor: Executor | None = None,
    store: Store | None = None,
    failed: Failed | None = None,
) -> Iterator[WrittenReport]:
    """Draw the reports on findings into the workspace's reports folder, in their order.

    Parameters
    ----------
    findings : iterable of VehicleFinding
        Taken as reports are drawn, so that a fleet's need not be in memory together.
    executor : Executor or None
        Where it is done; None does it here. What a remote one draws is written by this process.
    store : Store or None
        Where the samples of pulls are, to be drawn on the vehicle's compressor map; None draws no
        pulls.
    failed : callable or None
        Told of a vehicle without a report, and why; the others go on. None: the first ends it.

    Raises
    ------
    ReportError
        One cannot be drawn or written.
    """
    remote = isinstance(executor, RemoteExecutor)
    tasks = (
        ReportTask(
            finding,
            workspace.settings.vehicles[finding.vehicle],
            workspace.settings.report,
            None if remote else workspace.report_path(finding.vehicle, finding.as_of),
            None if store is None else _pulls(workspace, store, finding, remote=remote),
            None if store is None else _beside(workspace, store, finding),
        )
        for finding in findings
    )
    for task, drawn in run_each(write_one, tasks, executor, AHEAD):
        finding = task.finding
        if isinstance(drawn, Failure):
            _tell(failed, finding.vehicle, drawn)
            continue
        path = workspace.report_path(finding.vehicle, finding.as_of)
        if remote:
            _put(path, drawn)
        yield WrittenReport(finding.vehicle, path, finding)


def _beside(workspace: Workspace, store: Store, finding: VehicleFinding) -> BesideTask:
    from healthtrack.jobs.beside import beside_task  # noqa: PLC0415 - imports matplotlib

    return beside_task(workspace, store, finding)


def _tell(failed: Failed | None, vehicle: str, failure: Failure) -> None:
    if failed is None:
        raise failure.error
    failed(vehicle, failure.words)


def _put(path: Path, content: bytes) -> None:
    """Write a report, whole or not at all."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        place(path, content)
    except OSError as error:
        raise ReportError(f"{path} cannot be written: {error.strerror}.") from None


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


def _pulls(
    workspace: Workspace, store: Store, finding: VehicleFinding, *, remote: bool
) -> PullsToShow | None:
    from healthtrack.jobs.shown_pulls import pulls_to_show  # noqa: PLC0415 - imports matplotlib

    return pulls_to_show(workspace, store, finding, remote=remote)
