"""``airflow``: fresh air at given engine speed and demand."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from healthtrack.airpath.atmosphere import SEA_LEVEL_PRESSURE, SEA_LEVEL_TEMPERATURE
from healthtrack.airpath.engine import swept_flow
from healthtrack.indicators.conditions import with_demand, with_surroundings
from healthtrack.indicators.declaration import Indicator, Need, Response
from healthtrack.indicators.recirculation import REGIONS, with_recirculation

if TYPE_CHECKING:
    from healthtrack.config import VehicleSettings

SPEED = Need(("engine_speed",), "engine speed")
FLOW = Need(("airflow",), "airflow")
DEMAND = Need(
    ("fuel_per_stroke", "torque", "load", "pedal"),
    "a measure of demand: injected fuel, torque, load or pedal",
)


def observe(windows: pl.DataFrame, vehicle: VehicleSettings) -> pl.DataFrame:
    """Compare the airflow with what would fill the engine with air of the standard atmosphere.

    The reference is fixed, not the day's density: a modern diesel holds its boost in absolute
    terms, and on the open logs the airflow at given speed and pedal moved by −0.4 % per 10 K and
    +0.1 % per 1 % of pressure where density would have moved it by −3.4 % and +1 %.
    """
    frame = with_surroundings(with_demand(with_recirculation(windows, vehicle)), vehicle)
    reference = swept_flow(
        (vehicle.displacement_l or 1.0) / 1e3,
        frame["engine_speed"].to_numpy(),
        SEA_LEVEL_PRESSURE,
        SEA_LEVEL_TEMPERATURE,
    )
    measured = frame["airflow"].to_numpy() / 1e3
    with np.errstate(divide="ignore", invalid="ignore"):
        y = 100.0 * np.log(measured / reference)
    return (
        frame.with_columns(y=pl.Series(y).cast(pl.Float64))
        .select("drive", "t", "y", "region", "engine_speed", "demand", *CONDITIONS)
        .filter(pl.col("y").is_finite() & pl.col("demand").is_not_null())
    )


CONDITIONS = ("ambient_temperature", "ambient_pressure")

AIRFLOW = Indicator(
    name="airflow",
    label="Airflow",
    unit="%",
    scale="log_percent",
    needs=(SPEED, FLOW, DEMAND),
    predictors=("engine_speed", "demand"),
    responses=(
        Response(
            "ambient_temperature",
            reference=20.0,
            step=10.0,
            mean=-1.5,
            sd=1.5,
            reason="between an engine that holds its boost in absolute terms (open logs: −0.4 %) "
            "and one whose airflow follows density (−3.4 %)",
        ),
        Response(
            "ambient_pressure",
            reference=98.0,
            step=1.0,
            mean=0.5,
            sd=0.4,
            reason="between boost held in absolute terms (open logs: +0.1 %) and airflow "
            "following density (+1 %)",
        ),
    ),
    concern="both",
    limit=-8.0,
    limit_reason="common practice, no source: an airflow sensor is good to about 5 % over its "
    "life; past 8 % smoke limitation and recirculation control go visibly wrong",
    observe=observe,
    meaning="fresh air that the engine takes at the same speed and demand",
    regions=REGIONS,
)
