"""``standing_pressure``: manifold against ambient pressure, key on and idling."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from healthtrack.indicators.boost import PRESSURE
from healthtrack.indicators.declaration import Indicator, Need

if TYPE_CHECKING:
    from healthtrack.config import VehicleSettings


def observe(standstills: pl.DataFrame, vehicle: VehicleSettings) -> pl.DataFrame:  # noqa: ARG001
    """Take the difference of two sensors while the vehicle stands.

    Key on they must read the same; idling, an engine draws or makes a pressure of its own that its
    baseline learns, and an offset shows just as well. The two are regions apart.
    """
    return (
        standstills.filter(pl.col("region").is_in(["key_on", "idle"]))
        .with_columns(
            ambient_pressure=pl.coalesce(pl.col("ambient_pressure"), pl.col("air_box_pressure")),
            region=pl.col("region").replace("key_on", "standstill"),
        )
        .with_columns(y=pl.col("manifold_pressure") - pl.col("ambient_pressure"))
        .select("drive", "t", "y", "region", "ambient_pressure", "ambient_temperature")
        .drop_nulls("y")
    )


STANDING_PRESSURE = Indicator(
    name="standing_pressure",
    label="Standing pressure",
    unit="kPa",
    scale="native",
    needs=(
        PRESSURE,
        Need(("ambient_pressure", "air_box_pressure"), "ambient or air-box pressure"),
    ),
    predictors=("ambient_pressure",),
    responses=(),
    concern="both",
    limit=4.0,
    limit_reason="a manifold pressure sensor is good to 2 to 4 kPa when new (1 to 1.5 % of its "
    "range; common practice, no source)",
    observe=observe,
    meaning="manifold less ambient pressure while the vehicle stands, key on or idling",
    regions=("standstill", "idle"),
    source="standstills",
    notice=1.5,
    notice_reason="sensors come in steps of 1 kPa (SAE J1979) and differ by as much when new",
)
