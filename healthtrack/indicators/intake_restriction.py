"""``intake_restriction``: the air filter's depression at the engine's own full flow."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from healthtrack.airpath.gas import KELVIN, density
from healthtrack.airpath.intake import REFERENCE_FLOW, restriction
from healthtrack.indicators.conditions import first_drives, with_surroundings
from healthtrack.indicators.declaration import Indicator, Need

if TYPE_CHECKING:
    from healthtrack.config import VehicleSettings

LEAST_SHARE = 0.3
"""Share of the full flow from which the depression rises above a sensor's step."""

CALM_SHARE = 0.25
"""Share of the full flow up to which the air box is at ambient pressure within a sixteenth of the
full depression."""

CALM_SECONDS = 180.0
"""How long before or after a calm moment its pressure still holds: 3 min of driving are at most
some 100 m of height on a mountain road, 1 kPa; on average far less. [s]"""

LEAST_SAG = 0.3
"""Sag at full flow from which a pressure sensor counts as sitting in the air box. [kPa]"""


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
    early = _with_calm(first_drives(windows), "ambient_pressure")
    seen = early.select("airflow", fall=pl.col("calm") - pl.col("ambient_pressure")).drop_nulls()
    if seen.height < 30:
        return False
    square = (seen["airflow"].to_numpy() / full_flow(windows)) ** 2
    fall = seen["fall"].to_numpy()
    weight = float((square**2).sum())
    at_full = float((square * fall).sum()) / weight
    scatter = float(np.sqrt(((fall - at_full * square) ** 2).mean() / weight))
    return at_full > LEAST_SAG and at_full > 4.0 * scatter


def observe(windows: pl.DataFrame, vehicle: VehicleSettings) -> pl.DataFrame:
    """Scale the air-box sag of each window of some flow to the vehicle's own full flow.

    The ambient pressure it is measured against comes from the barometric channel where there is
    one beside the air box's; else from the air-box sensor itself in the calm moments around.
    """
    own = "air_box_pressure" if windows["air_box_pressure"].count() else "ambient_pressure"
    frame = _with_calm(windows, own)
    against = pl.col("calm")
    if own == "air_box_pressure":
        against = pl.coalesce(pl.col("ambient_pressure"), against)
    full = full_flow(windows)
    frame = (
        frame.with_columns(sag=against - pl.col(own))
        .pipe(with_surroundings, vehicle)
        .filter(pl.col("airflow") >= LEAST_SHARE * full)
    )
    air = density(
        frame["ambient_pressure"].fill_null(98.0).to_numpy() * 1e3,
        frame["ambient_temperature"].fill_null(15.0).to_numpy() + KELVIN,
    )
    scaled = restriction(
        frame["sag"].fill_null(float("nan")).to_numpy() * 1e3,
        frame["airflow"].fill_null(float("nan")).to_numpy() / 1e3,
        air,
    )
    at_full = scaled / 1e3 * (full / 1e3 / REFERENCE_FLOW) ** 2
    return (
        frame.with_columns(y=pl.Series(at_full, dtype=pl.Float64))
        .select("drive", "t", "y", "region", "airflow", "ambient_temperature", "ambient_pressure")
        .filter(pl.col("y").is_finite())
    )


def _with_calm(windows: pl.DataFrame, channel: str) -> pl.DataFrame:
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


INTAKE_RESTRICTION = Indicator(
    name="intake_restriction",
    label="Intake restriction",
    unit="kPa",
    scale="native",
    needs=(
        Need((), "a pressure sensor in the air box", in_air_box),
        Need(("airflow",), "airflow"),
    ),
    predictors=("airflow",),
    responses=(),
    concern="high",
    limit=3.0,
    limit_reason="an element is due at about 6.2 kPa at full flow (25 inH2O; US Army TM "
    "5-3820-256-24-5), a clean one takes 1 to 3 kPa",
    observe=observe,
    meaning="pressure that the air filter costs, scaled to the engine's own full flow",
    regions=("part_load", "full_load"),
    notice=1.0,
    notice_reason="a filter loads by design: the first third of the way to its limit is no news",
)
