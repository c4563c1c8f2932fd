"""The surroundings of a window, and the demand and charge temperature it can be compared at."""

from __future__ import annotations

from typing import TYPE_CHECKING

import polars as pl

from healthtrack.airpath.atmosphere import geopotential_height, standard_pressure
from healthtrack.airpath.gas import KELVIN
from healthtrack.indicators.air_box import in_air_box, with_calm
from healthtrack.indicators.drives import first_drives

if TYPE_CHECKING:
    from healthtrack.config import VehicleSettings

DEMANDS = ("fuel_per_stroke", "torque", "load", "pedal")
"""Channels that can stand for what is asked of the engine, best first."""

PEDAL_FREE = 2.0
"""Pedal this far above its rest is being used. [%]"""

NOMINAL_CHARGE = 313.15
"""Charge temperature assumed where no sensor behind the cooler gives it: a constant, so that a
sensor elsewhere adds no noise of its own. [K]"""


def demand_channel(windows: pl.DataFrame) -> str | None:
    """Name the channel that stands for what is asked of this engine, None if there is none.

    The best of :data:`DEMANDS` that at least half of the first drives' windows hold.
    """
    early = first_drives(windows)
    for name in DEMANDS:
        if early.height and early[name].is_not_null().mean() >= 0.5:  # type: ignore[operator]
            return name
    return None


def with_demand(windows: pl.DataFrame) -> pl.DataFrame:
    """Add ``demand`` [unit of the channel]; null where nothing tells what was asked.

    A pedal at rest in a moving vehicle says nothing: cruise control or a descent.
    """
    name = demand_channel(windows)
    if name is None:
        return windows.with_columns(demand=pl.lit(None, dtype=pl.Float64))
    demand = pl.col(name)
    if name == "pedal":
        rest = _pedal_rest(windows)
        demand = pl.when((pl.col("region") == "idle") | (demand > rest + PEDAL_FREE)).then(demand)
    return windows.with_columns(demand=demand)


def with_surroundings(windows: pl.DataFrame, vehicle: VehicleSettings) -> pl.DataFrame:
    """Add ``ambient_temperature`` [°C] and ``ambient_pressure`` [kPa] from the best that there is.

    Temperature: its own channel; else the intake air's, unless that sensor sits behind the cooler.
    Pressure: its own channel (where that sensor turns out to sit in the air box, its reading in the
    calm moments around); else what the manifold read with the engine standing in that drive; else
    the standard atmosphere at the altitude of the log or of the settings; else null.
    """
    windows = _outside_pressure(windows, vehicle)
    temperature = pl.col("ambient_temperature")
    if vehicle.intake_temperature_sensor != "behind_cooler":
        temperature = pl.coalesce(temperature, pl.col("intake_temperature"))
    heights = windows["altitude"]
    if vehicle.altitude_m is not None:
        heights = heights.fill_null(vehicle.altitude_m)
    standard = standard_pressure(geopotential_height(heights.to_numpy())) / 1e3
    return windows.with_columns(
        ambient_temperature=temperature,
        ambient_pressure=pl.coalesce(
            pl.col("ambient_pressure"),
            pl.col("standing_pressure"),
            pl.Series("standard", standard, dtype=pl.Float64).fill_nan(None),
        ),
    )


def ambient_from_manifold() -> pl.Expr:
    """Whether a window's ambient pressure is what the manifold read with the engine standing.

    An offset of that sensor then shifts what the healthy engine is expected to do.
    """
    return pl.col("ambient_pressure").is_null() & pl.col("standing_pressure").is_not_null()


def _outside_pressure(windows: pl.DataFrame, vehicle: VehicleSettings) -> pl.DataFrame:
    """Replace an ambient pressure that is the air box's by its calm readings."""
    if "air_box_pressure" not in windows.columns or windows["air_box_pressure"].count():
        return windows
    if not windows["ambient_pressure"].count() or not in_air_box(windows, vehicle):
        return windows
    return (
        with_calm(windows, "ambient_pressure")
        .with_columns(ambient_pressure=pl.coalesce("calm", "ambient_pressure"))
        .drop("calm")
    )


def charge_kelvin(vehicle: VehicleSettings) -> pl.Expr:
    """Charge temperature from a sensor behind the cooler, else a constant. [K]."""
    sensors = [pl.col("charge_temperature")]
    if vehicle.intake_temperature_sensor == "behind_cooler":
        sensors.append(pl.col("intake_temperature"))
    return pl.coalesce(*(sensor + KELVIN for sensor in sensors), pl.lit(NOMINAL_CHARGE))


def _pedal_rest(windows: pl.DataFrame) -> float:
    least = first_drives(windows)["pedal"].min()
    return float(least) if isinstance(least, int | float) and least < 30.0 else 0.0
