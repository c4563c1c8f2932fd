"""``breathing``: apparent volumetric efficiency at given engine speed and manifold pressure."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from healthtrack.airpath.engine import swept_flow, volumetric_efficiency
from healthtrack.indicators.airflow import CONDITIONS, FLOW, SPEED
from healthtrack.indicators.boost import PRESSURE
from healthtrack.indicators.conditions import charge_kelvin, with_surroundings
from healthtrack.indicators.declaration import Indicator, Response
from healthtrack.indicators.recirculation import REGIONS, with_recirculation

if TYPE_CHECKING:
    from healthtrack.config import VehicleSettings


def observe(windows: pl.DataFrame, vehicle: VehicleSettings) -> pl.DataFrame:
    """Compare the airflow with speed density.

    The charge temperature is taken from a sensor behind the cooler, and is a constant without
    one. A sensor in the air box is *not* used for it: on the open logs that raised the scatter
    between drives from 0.3 to 0.6 % at full load and from 0.7 to 1.4 % with recirculation, and
    made the answer to the weather +3.5 % per 10 K of what is nearly 0 without it.
    """
    frame = with_surroundings(with_recirculation(windows, vehicle), vehicle)
    kelvin = frame.select(charge_kelvin(vehicle).alias("kelvin"))["kelvin"]
    swept = swept_flow(
        (vehicle.displacement_l or 1.0) / 1e3,
        frame["engine_speed"].to_numpy(),
        frame["manifold_pressure"].to_numpy() * 1e3,
        kelvin.to_numpy(),
    )
    efficiency = volumetric_efficiency(frame["airflow"].to_numpy() / 1e3, swept)
    with np.errstate(divide="ignore", invalid="ignore"):
        y = 100.0 * np.log(efficiency)
    return (
        frame.with_columns(y=pl.Series(y).cast(pl.Float64))
        .select("drive", "t", "y", "region", "engine_speed", "manifold_pressure", *CONDITIONS)
        .filter(pl.col("y").is_finite())
    )


BREATHING = Indicator(
    name="breathing",
    label="Breathing",
    unit="%",
    scale="log_percent",
    needs=(SPEED, FLOW, PRESSURE),
    predictors=("engine_speed", "manifold_pressure"),
    responses=(
        Response(
            "ambient_temperature",
            reference=20.0,
            step=10.0,
            mean=0.5,
            sd=2.0,
            reason="a charge that follows the ambient temperature fully and unseen moves it by "
            "−3.2 %, control that holds the airflow while a seen charge warms by +3.2 % (open "
            "logs: +0.2 % at full load, +0.9 % with recirculation)",
        ),
        Response(
            "ambient_pressure",
            reference=98.0,
            step=1.0,
            mean=0.0,
            sd=0.3,
            reason="back pressure moves the scavenging a little (open logs: −0.1 %)",
        ),
    ),
    concern="both",
    limit=-8.0,
    limit_reason="common practice, no source: as for the airflow, which it is most sensitive to",
    observe=observe,
    meaning="fresh air that the engine takes at the same speed and manifold pressure",
    regions=REGIONS,
)
