"""``boost``: manifold pressure at given engine speed and demand."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from healthtrack.airpath.atmosphere import SEA_LEVEL_PRESSURE
from healthtrack.indicators.airflow import CONDITIONS, DEMAND, SPEED
from healthtrack.indicators.conditions import with_demand, with_surroundings
from healthtrack.indicators.declaration import Indicator, Need, Response
from healthtrack.indicators.recirculation import REGIONS, with_recirculation

if TYPE_CHECKING:
    from healthtrack.config import VehicleSettings

PRESSURE = Need(("manifold_pressure",), "manifold pressure")


def observe(windows: pl.DataFrame, vehicle: VehicleSettings) -> pl.DataFrame:
    """Compare the manifold's absolute pressure with the standard atmosphere.

    Not with the day's ambient pressure: that is often known to 1 kPa only or not at all, and on
    the open logs boost was held in absolute terms (the ratio moved by −0.8 % per 1 % of ambient
    pressure). Ambient pressure is a condition instead. Idling shows no boost and is left out.
    """
    frame = with_surroundings(with_demand(with_recirculation(windows, vehicle)), vehicle)
    standard = SEA_LEVEL_PRESSURE / 1e3
    return (
        frame.filter(pl.col("region") != "idle")
        .with_columns(y=100.0 * (pl.col("manifold_pressure") / standard).log())
        .select("drive", "t", "y", "region", "engine_speed", "demand", *CONDITIONS)
        .filter(pl.col("y").is_finite() & pl.col("demand").is_not_null())
    )


BOOST = Indicator(
    name="boost",
    label="Boost",
    unit="%",
    scale="log_percent",
    needs=(SPEED, PRESSURE, DEMAND),
    predictors=("engine_speed", "demand"),
    responses=(
        Response(
            "ambient_temperature",
            reference=20.0,
            step=10.0,
            mean=-0.5,
            sd=1.0,
            reason="hot air costs the compressor pressure where its drive is at its limit; a "
            "closed loop hides it (open logs: −0.3 %)",
        ),
        Response(
            "ambient_pressure",
            reference=98.0,
            step=1.0,
            mean=0.5,
            sd=0.4,
            reason="between boost held in absolute terms (0 %; open logs +0.2 %) and a fixed "
            "pressure ratio (+1 %); a wastegate spring on gauge pressure lies between",
        ),
    ),
    concern="both",
    limit=-8.0,
    limit_reason="common practice, no source: about 15 kPa missing of 200 kPa is felt as lost "
    "pull and sets the control unit's underboost code soon after",
    observe=observe,
    meaning="manifold pressure that the engine gets at the same speed and demand",
    regions=REGIONS[1:],
)
