"""Where a pressure sensor sits: behind the air filter it sags as flow rises, outside not."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from healthtrack.indicators.drives import first_drives

if TYPE_CHECKING:
    from healthtrack.config import VehicleSettings

CALM_SHARE = 0.25
"""Share of the full flow up to which the air box is at ambient pressure within a sixteenth of the
full depression."""

CALM_SECONDS = 180.0
"""How long before or after a calm moment its pressure still holds: 3 min of driving are at most
some 100 m of height on a mountain road, 1 kPa; on average far less. [s]"""

LEAST_SAG = 0.7
"""Sag at full flow from which a pressure sensor counts as sitting in the air box: a clean filter
costs 1 to 3 kPa (common practice, no source); climbs under load made a true barometer of the demo's
mountain roads seem to sag by 0.23. [kPa]"""


def full_flow(windows: pl.DataFrame) -> float:
    """Flow at which this vehicle's restriction is stated: 98th percentile of its first drives."""
    value = first_drives(windows)["airflow"].quantile(0.98)
    return float(value) if value is not None else float("nan")


def in_air_box(windows: pl.DataFrame, vehicle: VehicleSettings) -> bool:  # noqa: ARG001
    """Tell from the data whether a pressure sensor sits in the air box.

    A channel that is named so does. A sensor named ambient does if its reading falls as the flow
    rises: the regression of its deviations from the drive's own calm moments on W² gives more than
    :data:`LEAST_SAG` at full flow and more than four standard errors.
    """
    if windows["air_box_pressure"].count() > 0:
        return True
    if not windows["ambient_pressure"].count() or not windows["airflow"].count():
        return False
    early = with_calm(first_drives(windows), "ambient_pressure")
    seen = early.select("airflow", fall=pl.col("calm") - pl.col("ambient_pressure")).drop_nulls()
    if seen.height < 30:
        return False
    square = (seen["airflow"].to_numpy() / full_flow(windows)) ** 2
    fall = seen["fall"].to_numpy()
    weight = float((square**2).sum())
    at_full = float((square * fall).sum()) / weight
    scatter = float(np.sqrt(((fall - at_full * square) ** 2).mean() / weight))
    return at_full > LEAST_SAG and at_full > 4.0 * scatter


def with_calm(windows: pl.DataFrame, channel: str) -> pl.DataFrame:
    """Add ``calm``: what a channel read in the nearest moment of little flow, null if long ago."""
    windows = windows.sort("drive", "t")
    little = CALM_SHARE * full_flow(windows)
    calm = windows.filter(pl.col("airflow") <= little).select("drive", "t", calm=pl.col(channel))
    return windows.join_asof(
        calm.drop_nulls().sort("t"),
        on="t",
        by="drive",
        strategy="nearest",
        tolerance=f"{int(CALM_SECONDS)}s",
        check_sortedness=False,
    )
