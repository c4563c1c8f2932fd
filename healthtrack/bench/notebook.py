"""The bench from a notebook: a workspace, its histories and its back-tests, polars frames out.

``healthtrack.open(folder)`` gives an :class:`Open`. Nothing is kept open in between: each call
opens the store (or, while the service holds it, its snapshot), reads, and closes it.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from healthtrack import clock
from healthtrack.bench import results
from healthtrack.bench import settings as varied
from healthtrack.bench.inject import Injection, engine_of, inject
from healthtrack.bench.results import Backtest, Entry, Plan
from healthtrack.bench.study import parse_fault
from healthtrack.bench.truth import from_maintenance, read_table, surest
from healthtrack.chain import assess
from healthtrack.chain.replay import Replay, replay
from healthtrack.jobs.kin import Kin
from healthtrack.jobs.workspace import Workspace

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    import polars as pl

    from healthtrack.baseline import Baseline
    from healthtrack.config import WorkspaceSettings
    from healthtrack.records import VehicleFinding, VehicleHistory


@dataclass(frozen=True)
class Open:
    """A workspace, opened for looking.

    Examples
    --------
    >>> import healthtrack
    >>> garage = healthtrack.open("garage")  # doctest: +SKIP
    >>> garage.replay("otter").course.tail(3)  # doctest: +SKIP
    """

    workspace: Workspace

    @property
    def settings(self) -> WorkspaceSettings:
        """Everything in ``healthtrack.toml``."""
        return self.workspace.settings

    @property
    def vehicles(self) -> tuple[str, ...]:
        """Ids of all vehicles in the settings."""
        return tuple(self.settings.vehicles)

    def history(self, vehicle: str, as_of: date | None = None) -> VehicleHistory:
        """Return what was known of a vehicle at the end of a day: drives, windows, work.

        Raises
        ------
        UsageError
            The vehicle is not in the settings.
        """
        self.workspace.chosen([vehicle])
        with self.workspace.open_for_reading() as (store, _):
            return store.history(vehicle, as_of or clock.now().date())

    def _sisters(self, vehicle: str, day: date) -> tuple[Baseline, ...]:
        with self.workspace.open_for_reading() as (store, _):
            return Kin(self.workspace, store, day).of(vehicle)

    def samples(self, drive: str) -> pl.DataFrame:
        """Return the samples of one drive; none while the service holds the store."""
        with self.workspace.open_for_reading() as (store, _):
            return store.samples(drive)

    def assess(self, vehicle: str, as_of: date | None = None) -> VehicleFinding:
        """Return the verdict on a vehicle, as ``healthtrack assess`` gives it."""
        day = as_of or clock.now().date()
        history = self.history(vehicle, day)
        with self.workspace.open_for_reading() as (store, _):
            kin = Kin(self.workspace, store, day)
            mine, sisters = self.settings.vehicles[vehicle], kin.of(vehicle)
            return kin.beside(assess(history, mine, self.settings, day, sisters))

    def replay(
        self, vehicle: str, changes: Mapping[str, float] | None = None, fault: str | None = None,
        fault_on: date | None = None,
    ) -> Replay:  # fmt: skip
        """Return what would have been said of a vehicle after each drive.

        Parameters
        ----------
        vehicle : str
            Its id.
        changes : mapping, optional
            Settings that differ, by the names of ``backtest run --vary``.
        fault, fault_on : str and date, optional
            A fault to be put in (``CAUSE:SIZE`` or ``CAUSE:SIZE:DAYS``), from that day.

        Raises
        ------
        UsageError
            There is no such vehicle, setting or cause.
        """
        history = self.history(vehicle)
        settings = varied.changed(self.settings, varied.variant(changes or {}))
        own = settings.vehicles[vehicle]
        if fault is not None and fault_on is not None:
            plan = parse_fault(fault)
            put = Injection(plan.cause, plan.size, fault_on, plan.days, engine_of(vehicle))
            history = inject(history, own, put)
        return replay(history, own, settings, sisters=self._sisters(vehicle, clock.now().date()))

    def backtests(self) -> tuple[Entry, ...]:
        """Return the back-tests that are kept in the workspace."""
        return results.listed(self.workspace.root)

    def backtest(self, name: str) -> Backtest:
        """Return a finished back-test."""
        return results.load(self.workspace.root, name)

    def run_backtest(
        self,
        name: str,
        vehicles: Sequence[str] = (),
        vary: Mapping[str, Sequence[float]] | None = None,
        faults: Sequence[str] = (),
        truth: str | Path | None = None,
        *,
        causes: bool = True,
    ) -> Backtest:
        """Run a back-test here and now, and keep it; see ``healthtrack backtest run``.

        Parameters
        ----------
        name : str
            What it is called.
        vehicles : sequence of str
            Which; all where none is named.
        vary : mapping
            Values to be tried, each alone, per setting.
        faults : sequence of str
            ``CAUSE:SIZE`` or ``CAUSE:SIZE:DAYS``.
        truth : path, optional
            Table of what was really wrong.
        causes : bool
            Whether causes and forecasts are looked at, which takes most of the time.
        """
        chosen = tuple(self.workspace.chosen(vehicles))
        asked = [(key, tuple(map(float, values))) for key, values in (vary or {}).items()]
        now = clock.now()
        with self.workspace.open_for_reading() as (store, _):
            known = list(from_maintenance(store.maintenance(as_of=now.date())))
            if truth is not None:
                known += read_table(Path(truth), self.settings.vehicles)
            plan = Plan(
                workspace=self.settings,
                vehicles=chosen,
                as_of=now.date(),
                variants=varied.variants(asked, grid=False),
                faults=tuple(parse_fault(words) for words in faults),
                truths=tuple(one for one in surest(known) if one.vehicle in chosen),
                diagnose=causes,
            )
            kin = Kin(self.workspace, store, plan.as_of)
            histories = ((store.history(one, plan.as_of), kin.of(one)) for one in chosen)
            for _ in results.run(self.workspace.root, name, plan, histories, now):
                pass
        return self.backtest(name)


def open_workspace(folder: str | Path) -> Open:
    """Open a workspace for looking at it from Python.

    Raises
    ------
    SettingsError
        The folder is no workspace, or its settings cannot be used.
    """
    return Open(Workspace.load(Path(folder)))
