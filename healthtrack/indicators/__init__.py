"""One file per symptom: what it needs, its formula, where it holds."""

from __future__ import annotations

from typing import TYPE_CHECKING

from healthtrack.indicators.airflow import AIRFLOW
from healthtrack.indicators.boost import BOOST
from healthtrack.indicators.breathing import BREATHING
from healthtrack.indicators.charge_temperature import CHARGE_TEMPERATURE
from healthtrack.indicators.intake_restriction import INTAKE_RESTRICTION
from healthtrack.indicators.pull_power import PULL_POWER
from healthtrack.indicators.spool_time import SPOOL_TIME
from healthtrack.indicators.standing_pressure import STANDING_PRESSURE
from healthtrack.records import NotObservable

if TYPE_CHECKING:
    import polars as pl

    from healthtrack.config import VehicleSettings
    from healthtrack.indicators.declaration import Indicator, Need

__all__ = ["ALL", "observable"]

_DECLARED = (
    AIRFLOW,
    BOOST,
    BREATHING,
    CHARGE_TEMPERATURE,
    INTAKE_RESTRICTION,
    STANDING_PRESSURE,
    SPOOL_TIME,
    PULL_POWER,
)

ALL: dict[str, Indicator] = {indicator.name: indicator for indicator in _DECLARED}
"""Every indicator by its name, in the order in which reports show them."""


def observable(
    windows: pl.DataFrame,
    vehicle: VehicleSettings,
) -> tuple[tuple[Indicator, ...], tuple[NotObservable, ...]]:
    """Tell which indicators a vehicle's channels can show.

    Parameters
    ----------
    windows : polars.DataFrame
        All windows of the vehicle. Without any, nothing is known to be missing and every
        indicator is returned.
    vehicle : VehicleSettings
        The vehicle's settings.

    Returns
    -------
    tuple of (tuple of Indicator, tuple of NotObservable)
        In the order of :data:`ALL`; for each that cannot be observed all that it lacks.
    """
    seen: list[Indicator] = []
    unseen: list[NotObservable] = []
    for indicator in ALL.values():
        lacking = [need.words for need in indicator.needs if not _met(windows, vehicle, need)]
        if lacking:
            unseen.append(NotObservable(indicator.name, " and ".join(lacking)))
        else:
            seen.append(indicator)
    return tuple(seen), tuple(unseen)


def _met(windows: pl.DataFrame, vehicle: VehicleSettings, need: Need) -> bool:
    if not windows.height:
        return True
    if need.check is not None:
        return need.check(windows, vehicle)
    return any(name in windows.columns and windows[name].count() > 0 for name in need.any_of)
