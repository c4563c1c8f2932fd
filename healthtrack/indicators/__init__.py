"""One file per symptom: what it needs, its formula, where it holds."""

from __future__ import annotations

from typing import TYPE_CHECKING

from healthtrack.indicators.airflow import AIRFLOW
from healthtrack.indicators.boost import BOOST
from healthtrack.indicators.breathing import BREATHING
from healthtrack.records import NotObservable

if TYPE_CHECKING:
    import polars as pl

    from healthtrack.config import VehicleSettings
    from healthtrack.indicators.declaration import Indicator

__all__ = ["ALL", "observable"]

ALL: dict[str, Indicator] = {indicator.name: indicator for indicator in (AIRFLOW, BOOST, BREATHING)}
"""Every indicator by its name, in the order in which reports show them."""


def observable(
    windows: pl.DataFrame,
    vehicle: VehicleSettings,  # noqa: ARG001 - indicators to come need the sensor's place
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
        lacking = [need.words for need in indicator.needs if not _held(windows, need.any_of)]
        if lacking:
            unseen.append(NotObservable(indicator.name, " and ".join(lacking)))
        else:
            seen.append(indicator)
    return tuple(seen), tuple(unseen)


def _held(windows: pl.DataFrame, channels: tuple[str, ...]) -> bool:
    return not windows.height or any(
        name in windows.columns and windows[name].null_count() < windows.height for name in channels
    )
