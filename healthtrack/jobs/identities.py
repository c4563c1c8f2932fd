"""Is a log its vehicle's? Asked of every log before it is stored, from what the store knows."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from healthtrack.errors import LogError
from healthtrack.ingest.identity import Gearing, fits, foreign, gearing, strangers

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import polars as pl

    from healthtrack.config import VehicleSettings

KNOWN_FROM = 2_000
"""A vehicle's gears are those of so many windows, the latest: some fifty drives."""

FEWEST_DRIVES = 20
"""Drives from which a vehicle's gears are known: a few in town say nothing of the top gear."""

_LOOK_AGAIN_AFTER = 20

NOT_KNOWN = Gearing((), 0, 0.0)


class KnowsWindows(Protocol):
    """What knows vehicles' windows: a store, or one with logs on their way into it."""

    def recent_windows(self, vehicle: str, most: int) -> pl.DataFrame:
        """Return the vehicle's latest windows, at most so many."""


class Identities:
    """The gears of the vehicles in a store, looked up when first asked for.

    Of a vehicle of which too little is known yet they are looked up again every twenty logs.

    Parameters
    ----------
    store : KnowsWindows
        Asked for the windows of one vehicle at a time.
    vehicles : mapping of str to VehicleSettings
        By their names.
    drives : mapping of str to int
        How many drives of a vehicle are stored; while they and those of the first logs together
        are fewer than ``FEWEST_DRIVES``, looking at the vehicle's windows is saved.
    """

    def __init__(
        self,
        store: KnowsWindows,
        vehicles: Mapping[str, VehicleSettings],
        drives: Mapping[str, int] | None = None,
    ) -> None:
        self._store = store
        self._vehicles = vehicles
        self._known: dict[str, Gearing] = {}
        self._asked: dict[str, int] = {}
        self._drives = dict(drives or {})

    def knows(self, vehicle: str) -> bool:
        """Whether a log of the vehicle can be told from another's, or is not to be."""
        settings = self._vehicles.get(vehicle)
        return settings is None or not settings.gearing_check or self._gearing(vehicle).tells

    def strangers(
        self, vehicle: str, logs: Sequence[tuple[str, pl.DataFrame]]
    ) -> dict[int, LogError]:
        """Say which of a vehicle's first logs, told by each other, are another's.

        Parameters
        ----------
        vehicle : str
            Of which too little is stored to know it by.
        logs : sequence of (name, windows)
            The first logs said to be of it.

        Returns
        -------
        dict of int to LogError
            Per place ``wrong_vehicle``, naming the vehicles that the log would fit.
        """
        self._known.pop(vehicle, None)  # once they are stored, more is known
        self._asked.pop(vehicle, None)
        if vehicle in self._drives:
            self._drives[vehicle] += sum(windows["drive"].n_unique() for _, windows in logs)
        return {
            at: self._wrong(
                vehicle,
                *logs[at],
                f"its road speed over its engine speed lies on none of the gears that the other "
                f"{len(logs) - 1} first logs of {vehicle} show",
            )
            for at in strangers([windows for _, windows in logs])
        }

    def check(self, vehicle: str, windows: pl.DataFrame, shown: str) -> None:
        """Refuse a log whose gears are not the vehicle's.

        Raises
        ------
        LogError
            ``wrong_vehicle``, naming the vehicles that it would fit.
        """
        settings = self._vehicles.get(vehicle)
        if settings is None or not settings.gearing_check:
            return
        own = self._gearing(vehicle)
        if foreign(windows, own, {}) is None:
            return
        raise self._wrong(
            vehicle,
            shown,
            windows,
            "its road speed over its engine speed lies on none of the gears in which "
            f"{vehicle} was seen",
        )

    def _wrong(self, vehicle: str, shown: str, windows: pl.DataFrame, found: str) -> LogError:
        others = {name: self._gearing(name) for name in self._vehicles if name != vehicle}
        fitting = fits(windows, others)
        words = (
            f"It would fit {' or '.join(fitting)}: move it to that vehicle's folder."
            if fitting
            else "It fits no other vehicle that is known either."
        )
        return LogError(
            "wrong_vehicle",
            f"{shown}: {found}. {words} If it is {vehicle} with another gearbox, axle or tyres, "
            f"set gearing_check = false under [vehicles.{vehicle}] in healthtrack.toml.",
        )

    def _gearing(self, vehicle: str) -> Gearing:
        if self._drives.get(vehicle, FEWEST_DRIVES) < FEWEST_DRIVES:
            return NOT_KNOWN
        asked = self._asked.get(vehicle, 0)
        known = self._known.get(vehicle)
        if known is None or (not known.tells and asked % _LOOK_AGAIN_AFTER == 0):
            windows = self._store.recent_windows(vehicle, KNOWN_FROM)
            enough = windows.height and windows["drive"].n_unique() >= FEWEST_DRIVES
            known = gearing(windows) if enough else NOT_KNOWN
            self._known[vehicle] = known
        self._asked[vehicle] = asked + 1
        return known
