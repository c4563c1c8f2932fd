"""A workspace: one folder with its settings, pipelines, inbox, quarantine, store and reports."""

from __future__ import annotations

import os
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from healthtrack import config
from healthtrack.errors import StoreLockedError, UsageError
from healthtrack.store import Store, open_snapshot, snapshot_path

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import date, datetime

    from healthtrack.config import VehicleSettings, WorkspaceSettings


@dataclass(frozen=True)
class Workspace:
    """Where things are; every path follows from the folder and ``healthtrack.toml``."""

    root: Path
    settings: WorkspaceSettings

    @classmethod
    def load(cls, root: Path) -> Workspace:
        """Read the settings of a folder.

        Raises
        ------
        SettingsError
            It has none, or they cannot be used.
        """
        return cls(root, config.load(root))

    @property
    def store_path(self) -> Path:
        """The store's file."""
        return self.root / self.settings.store

    @property
    def inbox(self) -> Path:
        """Where logs are dropped, one folder per vehicle."""
        return self.root / self.settings.inbox

    @property
    def quarantine(self) -> Path:
        """Where logs wait that could not be read, under the same names as in the inbox."""
        return self.root / self.settings.quarantine

    @property
    def pipelines(self) -> Path:
        """How each kind of log is read."""
        return self.root / self.settings.pipelines

    def open_store(self) -> Store:
        """Open the store; its file is made where there is none."""
        return Store.open(self.store_path, self.settings.store_memory_mb, self.samples)

    @property
    def samples(self) -> str:
        """Where samples are kept, as the store is told: from its own folder; empty for inside."""
        location = self.settings.samples
        if not location or "://" in location:
            return location
        return Path(os.path.relpath(self.root / location, self.store_path.parent)).as_posix()

    @contextmanager
    def open_for_reading(self) -> Iterator[tuple[Store, datetime | None]]:
        """Open the store, or the service's snapshot while another process holds the store.

        Yields
        ------
        Store
            To be read; into a snapshot nothing is written.
        datetime or None
            As of when the snapshot is; None where it is the store itself.

        Raises
        ------
        StoreLockedError
            Another process holds the store, and there is no snapshot.
        """
        published = None
        try:
            store = self.open_store()
        except StoreLockedError:
            if not snapshot_path(self.store_path).exists():
                raise
            store, published = open_snapshot(self.store_path, self.settings.store_memory_mb)
        with store:
            yield store, published

    def report_path(self, vehicle: str, as_of: date) -> Path:
        """Where the report on a vehicle as of a day lands; names sort by vehicle, then by day."""
        name = f"{vehicle}_{as_of:%Y-%m-%d}_condition-report.pdf"
        return self.root / self.settings.reports / vehicle / name

    def fleet_report_path(self, as_of: date) -> Path:
        """Where the report on all vehicles together lands."""
        name = f"fleet_{as_of:%Y-%m-%d}_condition-report.pdf"
        return self.root / self.settings.reports / name

    def chosen(self, vehicles: Sequence[str]) -> dict[str, VehicleSettings]:
        """Return the named vehicles with their settings, all of them where none is named.

        Raises
        ------
        UsageError
            A name that is not in the settings.
        """
        known = self.settings.vehicles
        for vehicle in vehicles:
            if vehicle not in known:
                raise UsageError(unknown_vehicle(vehicle, known))
        return {vehicle: known[vehicle] for vehicle in (vehicles or known)}

    def shown(self, path: Path) -> str:
        """Return a path as a person would write it: from the workspace where it lies inside."""
        try:
            return str(path.resolve().relative_to(self.root.resolve()))
        except ValueError:
            return str(path)


def unknown_vehicle(vehicle: str, known: Sequence[str] | dict[str, VehicleSettings]) -> str:
    """Return the sentence for a vehicle that is not in the settings."""
    names = ", ".join(known) if known else "none yet"
    return (
        f"there is no vehicle {vehicle!r} in {config.SETTINGS_FILE} (there: {names}). Add a "
        f"section [vehicles.{vehicle}] there, or use one of those names."
    )
