"""What vehicles of one kind can lend each other, looked up in the store."""

from __future__ import annotations

from typing import TYPE_CHECKING

from healthtrack import chain
from healthtrack.jobs.recalling import recalled

if TYPE_CHECKING:
    from datetime import date

    from healthtrack.baseline import Baseline
    from healthtrack.jobs.workspace import Workspace
    from healthtrack.store import Store

MOST_SISTERS = 8
"""Vehicles that lend: the first of the kind in the settings. Each more narrows the doubt about the
kind little (by a seventeenth for the ninth) and costs a history to read."""


class Kin:
    """The vehicles of a workspace by their kind; each one's baselines are learned once at most."""

    def __init__(self, workspace: Workspace, store: Store, as_of: date) -> None:
        self._workspace, self._store, self._as_of = workspace, store, as_of
        self._lent: dict[str, tuple[Baseline, ...]] = {}

    def of(self, vehicle: str) -> tuple[Baseline, ...]:
        """Return what others of a vehicle's kind can lend it; nothing where it has no kind."""
        vehicles = self._workspace.settings.vehicles
        kind = vehicles[vehicle].kind
        if not kind:
            return ()
        sisters = [name for name, one in vehicles.items() if one.kind == kind and name != vehicle]
        return tuple(item for name in sisters[:MOST_SISTERS] for item in self._of_one(name))

    def _of_one(self, vehicle: str) -> tuple[Baseline, ...]:
        if vehicle not in self._lent:
            workspace = self._workspace.settings
            settings = workspace.vehicles[vehicle]
            history, parts = recalled(self._store, vehicle, (settings, workspace), self._as_of)
            known = chain.kept_baselines(parts) if parts else {}
            if known is None:
                history, known = self._store.history(vehicle, self._as_of), {}
            self._lent[vehicle] = chain.lent(history, settings, workspace, self._as_of, known)
        return self._lent[vehicle]
