"""Is a log its vehicle's? Asked of every log before it is stored, from what the store knows."""

from __future__ import annotations

from typing import TYPE_CHECKING

from healthtrack.errors import LogError
from healthtrack.ingest.identity import Gearing, foreign, gearing

if TYPE_CHECKING:
    from collections.abc import Mapping

    import polars as pl

    from healthtrack.config import VehicleSettings
    from healthtrack.store import Store

KNOWN_FROM = 2_000
"""A vehicle's gears are those of so many windows, the latest: some fifty drives."""

_LOOK_AGAIN_AFTER = 20


class Identities:
    """The gears of the vehicles in a store, looked up when first asked for.

    Of a vehicle of which too little is known yet they are looked up again every twenty logs.
    """

    def __init__(self, store: Store, vehicles: Mapping[str, VehicleSettings]) -> None:
        self._store = store
        self._vehicles = vehicles
        self._known: dict[str, Gearing] = {}
        self._asked: dict[str, int] = {}

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
        others = {name: self._gearing(name) for name in self._vehicles if name != vehicle}
        fitting = foreign(windows, own, others) or ()
        words = (
            f"It would fit {' or '.join(fitting)}: move it to that vehicle's folder."
            if fitting
            else "It fits no other vehicle that is known either."
        )
        raise LogError(
            "wrong_vehicle",
            f"{shown}: its road speed over its engine speed lies on none of the gears in which "
            f"{vehicle} was seen. {words} If it is {vehicle} with another gearbox, axle or tyres, "
            f"set gearing_check = false under [vehicles.{vehicle}] in healthtrack.toml.",
        )

    def _gearing(self, vehicle: str) -> Gearing:
        asked = self._asked.get(vehicle, 0)
        known = self._known.get(vehicle)
        if known is None or (not known.tells and asked % _LOOK_AGAIN_AFTER == 0):
            known = gearing(self._store.recent_windows(vehicle, KNOWN_FROM))
            self._known[vehicle] = known
        self._asked[vehicle] = asked + 1
        return known
