"""``charge_temperature``: how much warmer than the surroundings the charge is."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from healthtrack.indicators.conditions import with_surroundings
from healthtrack.indicators.declaration import Indicator, Need, Response

if TYPE_CHECKING:
    from healthtrack.config import VehicleSettings


def behind_cooler(windows: pl.DataFrame, vehicle: VehicleSettings) -> bool:
    """Tell whether a sensor behind the charge cooler is logged."""
    held = windows["charge_temperature"].count() > 0
    told = vehicle.intake_temperature_sensor == "behind_cooler"
    return bool(held or (told and windows["intake_temperature"].count() > 0))


def observe(windows: pl.DataFrame, vehicle: VehicleSettings) -> pl.DataFrame:
    """Take the charge's temperature over the ambient one, while driving under boost or not.

    By the cooler's effectiveness ε it is (1 − ε) of the compressor's rise, which goes with the
    pressure ratio; ε goes with the wind, which is the road speed.
    """
    sensors = [pl.col("charge_temperature")]
    if vehicle.intake_temperature_sensor == "behind_cooler":
        sensors.append(pl.col("intake_temperature"))
    return (
        windows.with_columns(charge=pl.coalesce(*sensors), outside=pl.col("ambient_temperature"))
        .pipe(with_surroundings, vehicle)
        .filter(pl.col("region") != "idle")
        .with_columns(y=pl.col("charge") - pl.col("outside"))
        .select(
            "drive",
            "t",
            "y",
            "region",
            "manifold_pressure",
            "vehicle_speed",
            "ambient_temperature",
            "ambient_pressure",
        )
        .drop_nulls(["y", "manifold_pressure", "vehicle_speed"])
    )


CHARGE_TEMPERATURE = Indicator(
    name="charge_temperature",
    label="Charge temperature",
    unit="K",
    scale="native",
    needs=(
        Need((), "a temperature sensor behind the charge cooler", behind_cooler),
        Need(("ambient_temperature",), "ambient temperature"),
        Need(("manifold_pressure",), "manifold pressure"),
        Need(("vehicle_speed",), "road speed"),
    ),
    predictors=("manifold_pressure", "vehicle_speed"),
    responses=(
        Response(
            "ambient_temperature",
            reference=20.0,
            step=10.0,
            mean=0.0,
            sd=2.0,
            reason="the compressor's rise goes with the absolute inlet temperature (+3 % per "
            "10 K of some 20 K left behind the cooler); engine bay heat does the opposite",
        ),
        Response(
            "ambient_pressure",
            reference=98.0,
            step=1.0,
            mean=-0.4,
            sd=0.3,
            reason="at the same manifold pressure thinner air is compressed further: with 70 % "
            "efficiency and 30 % of the rise left behind the cooler 0.4 K per kPa at any boost",
        ),
    ),
    concern="high",
    limit=15.0,
    limit_reason="common practice, no source: at full load a cooler that leaves 15 K more has "
    "lost about a fifth of its effectiveness, and the charge 5 % of its density",
    observe=observe,
    meaning="how much warmer than outside the charge is at the same boost and road speed",
    regions=("part_load", "full_load"),
    notice=3.0,
    notice_reason="sensors are good to 1 to 2 K (common practice, no source), and dust on the "
    "cooler comes and goes by as much",
)
