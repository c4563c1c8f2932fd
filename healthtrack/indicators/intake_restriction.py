"""``intake_restriction``: the air filter's depression at the engine's own full flow."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from healthtrack.airpath.gas import KELVIN, density
from healthtrack.airpath.intake import REFERENCE_FLOW, restriction
from healthtrack.indicators.air_box import full_flow, in_air_box, with_calm
from healthtrack.indicators.conditions import with_surroundings
from healthtrack.indicators.declaration import Indicator, Need

if TYPE_CHECKING:
    from healthtrack.config import VehicleSettings

LEAST_SHARE = 0.3
"""Share of the full flow from which the depression rises above a sensor's step."""


def observe(windows: pl.DataFrame, vehicle: VehicleSettings) -> pl.DataFrame:
    """Scale the air-box sag of each window of some flow to the vehicle's own full flow.

    The ambient pressure it is measured against comes from the barometric channel where there is
    one beside the air box's; else from the air-box sensor itself in the calm moments around.
    """
    own = "air_box_pressure" if windows["air_box_pressure"].count() else "ambient_pressure"
    frame = with_calm(windows, own)
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
