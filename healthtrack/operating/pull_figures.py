"""What a pull says: boost, spool time, airflow and power, with the error that polling brings."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from healthtrack.airpath.gas import KELVIN, density
from healthtrack.airpath.mixture import air_fuel_ratio, fuel_flow
from healthtrack.airpath.power import (
    RoadLoad,
    power_from_acceleration,
    power_from_airflow_rule,
    power_from_fuel,
)
from healthtrack.operating.grid import measured
from healthtrack.operating.standing import standing_pressure

if TYPE_CHECKING:
    from healthtrack.config import VehicleSettings
    from healthtrack.operating.grid import FloatArray, Fresh, Grid

SPOOL_PRESSURES = (140, 160, 180, 200)
"""Manifold pressures to which the time from the start of the pull is taken. [kPa]"""

SPOOL_BELOW = 10.0
"""Boost must start this far below a spool pressure for the time to it to mean anything. [kPa]"""

SETTLED = 0.9
"""Boost has settled when manifold pressure first reaches this share of the pull's peak."""

UNKNOWN_SLOPE = 0.01
"""Standard deviation of the road's slope where no altitude tells it: main roads are mostly within
±2 % (common practice, no source)."""

_FLOATS = (
    "seconds",
    "gear_ratio",
    "engine_speed_start",
    "engine_speed_end",
    "vehicle_speed_start",
    "vehicle_speed_end",
    "slope",
    "polling",
    "pedal",
    "ambient_temperature",
    "ambient_pressure",
    "standing_pressure",
    "intake_temperature",
    "charge_temperature",
    "coolant_temperature",
    "manifold_pressure_start",
    "manifold_pressure_peak",
    "manifold_pressure_peak_se",
    "engine_speed_at_peak",
    *(f"seconds_to_{pressure}" for pressure in SPOOL_PRESSURES),
    "spool_se",
    "airflow_peak",
    "airflow_peak_se",
    "settled_seconds",
    "settled_engine_speed",
    "settled_manifold_pressure",
    "settled_airflow",
    "specific_power",
    "specific_power_se",
    "airflow_power",
    "fuel_power",
    "air_fuel_ratio",
)

PULL_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "drive": pl.String,
    "t": pl.Datetime("us", "UTC"),
    **dict.fromkeys(_FLOATS, pl.Float64),
}
"""Columns of ``pulls``. ``t`` is the start. Units: those of the channels; ``seconds…``, ``polling``
(slowest of speed, pressure and airflow) and ``spool_se`` s; ``gear_ratio`` rpm per km/h; ``slope``
rise over run; ``settled_…`` means from the moment boost has settled to the end; ``specific_power``
at the wheels W/kg; ``airflow_power`` (10 hp per lb/min) and ``fuel_power`` kW."""


def figures(grid: Grid, first: int, last: int, vehicle: VehicleSettings) -> dict[str, float]:
    """Compute one pull's figures.

    Parameters
    ----------
    grid : Grid
        The drive on common times.
    first, last : int
        First and last common time of the pull.
    vehicle : VehicleSettings
        Mass, drag and cylinders.

    Returns
    -------
    dict of float
        A value for every Float64 column of :data:`PULL_SCHEMA`; NaN where it cannot be told.
    """
    inside = slice(first, last + 1)
    times = grid.times[inside]
    speed = grid.channel("engine_speed")[inside]
    road = grid.channel("vehicle_speed")[inside]
    standing = standing_pressure(grid)
    means = {
        name: _mean(grid.channel(name)[inside])
        for name in (
            "pedal",
            "ambient_temperature",
            "ambient_pressure",
            "intake_temperature",
            "charge_temperature",
            "coolant_temperature",
        )
    }
    polled = [_polling(grid, name, times) for name in _RECORDED if name in grid.fresh]
    return (
        means
        | {
            "seconds": float(times[-1] - times[0]),
            "gear_ratio": float(np.median(speed / road)),
            "engine_speed_start": float(speed[0]),
            "engine_speed_end": float(speed[-1]),
            "vehicle_speed_start": float(road[0]),
            "vehicle_speed_end": float(road[-1]),
            "standing_pressure": float("nan") if standing is None else standing,
            "polling": max(polled),
        }
        | _boost(grid, inside)
        | _air(grid, inside)
        | _settled(grid, inside, vehicle)
    )


_RECORDED = ("engine_speed", "manifold_pressure", "airflow")


def asynchrony(fresh: Fresh, times: FloatArray) -> FloatArray:
    """Bound the error of linear interpolation between fresh values, at given times.

    Parameters
    ----------
    fresh : Fresh
        A channel as it was measured.
    times : (n,) float64
        Where the interpolated value is used. [s]

    Returns
    -------
    (n,) float64
        Half-width of the bound; 0 at a fresh value. [channel unit]

    Notes
    -----
    A function with curvature c lies within c·u·(h − u)/2 of the chord at distance u along an
    interval h, at most c·h²/8. The curvature is taken from the second differences of the fresh
    values on either side, the larger one.
    """
    if fresh.times.size < 3:
        return np.full(times.size, np.nan)
    gaps = np.diff(fresh.times)
    slopes = np.diff(fresh.values) / gaps
    curvature = np.abs(np.diff(slopes)) / (0.5 * (gaps[1:] + gaps[:-1]))
    at_value = np.concatenate((curvature[:1], curvature, curvature[-1:]))
    place = np.clip(np.searchsorted(fresh.times, times, side="right") - 1, 0, gaps.size - 1)
    larger = np.maximum(at_value[place], at_value[place + 1])
    along = np.clip(times - fresh.times[place], 0.0, gaps[place])
    return np.asarray(larger * along * (gaps[place] - along) / 2.0)


def _boost(grid: Grid, inside: slice) -> dict[str, float]:
    times, speed = grid.times[inside], grid.channel("engine_speed")[inside]
    if "manifold_pressure" not in grid.fresh:
        return {}
    pressure = grid.channel("manifold_pressure")[inside]
    peak, peak_se, at = _peak(grid.fresh["manifold_pressure"], times)
    found = {
        "manifold_pressure_start": float(pressure[0]),
        "manifold_pressure_peak": peak,
        "manifold_pressure_peak_se": peak_se,
        "engine_speed_at_peak": float(np.interp(at, times, speed)),
    }
    for level in SPOOL_PRESSURES:
        found[f"seconds_to_{level}"] = _time_to(times, pressure, float(level))
    poll = _polling(grid, "manifold_pressure", times)
    asked = _polling(grid, "pedal", times) if "pedal" in grid.fresh else poll
    # the demand's edge falls anywhere within one poll; the pressure's ramp within a quarter
    found["spool_se"] = float(np.hypot(asked, poll / 4.0) / np.sqrt(12.0))
    return found


def _air(grid: Grid, inside: slice) -> dict[str, float]:
    if "airflow" not in grid.fresh:
        return {}
    peak, peak_se, _ = _peak(grid.fresh["airflow"], grid.times[inside])
    return {"airflow_peak": peak, "airflow_peak_se": peak_se}


def _settled(grid: Grid, inside: slice, vehicle: VehicleSettings) -> dict[str, float]:
    """Means and powers from the moment boost has settled to the end of the pull."""
    times = grid.times[inside]
    pressure = grid.channel("manifold_pressure")[inside]
    start = 0
    if np.isfinite(pressure).any():
        start = int(np.argmax(pressure >= SETTLED * np.nanmax(pressure)))
    late = slice(inside.start + start, inside.stop)
    airflow = grid.channel("airflow")[late] / 1e3
    fuel = fuel_mass_flow(grid, vehicle)[late]
    power, power_se, slope = _acceleration_power(grid, late, vehicle)
    return {
        "slope": slope,
        "settled_seconds": float(times[-1] - times[start]),
        "settled_engine_speed": _mean(grid.channel("engine_speed")[late]),
        "settled_manifold_pressure": _mean(grid.channel("manifold_pressure")[late]),
        "settled_airflow": 1e3 * _mean(airflow),
        "specific_power": power,
        "specific_power_se": power_se,
        "airflow_power": _mean(power_from_airflow_rule(airflow)) / 1e3,
        "fuel_power": _mean(power_from_fuel(fuel)) / 1e3,
        "air_fuel_ratio": _mean(air_fuel_ratio(airflow, fuel)),
    }


def fuel_mass_flow(grid: Grid, vehicle: VehicleSettings) -> FloatArray:
    """Fuel mass flow at the common times, NaN where no channel gives it. [kg/s]."""
    if "fuel_flow" in grid.fresh:
        return grid.channel("fuel_flow") / 1e3
    stroke = grid.channel("fuel_per_stroke") / 1e6
    return fuel_flow(stroke, grid.channel("engine_speed"), vehicle.cylinders)


def _acceleration_power(
    grid: Grid, late: slice, vehicle: VehicleSettings
) -> tuple[float, float, float]:
    """Mean power per mass at the wheels, its standard error, and the slope. [W/kg], ratio.

    Kinetic energy per mass rises linearly under constant power, so its regression on time is the
    power. Engine speed over the gear is the finer speedometer: road speed comes in 1 km/h.
    """
    times = grid.times[late]
    ratio = float(
        np.median(grid.channel("engine_speed")[late] / grid.channel("vehicle_speed")[late])
    )
    fresh = grid.fresh["engine_speed"]
    kept = (fresh.times >= times[0] - grid.step) & (fresh.times <= times[-1] + grid.step)
    if kept.sum() < 4:
        return float("nan"), float("nan"), float("nan")
    metres = fresh.values[kept] / ratio / 3.6
    gain, gain_se = _slope(fresh.times[kept], 0.5 * metres**2)
    slope, slope_se = _road_slope(grid, late, ratio)
    known = slope if np.isfinite(slope) else 0.0
    road = RoadLoad(mass=vehicle.mass_kg, drag_area=vehicle.drag_area_m2)
    ambient = _mean(grid.channel("ambient_temperature")[late])
    air = density(98e3, KELVIN + (ambient if np.isfinite(ambient) else 15.0))
    rolling = (
        power_from_acceleration(metres, 0.0, road, slope=known, density=air).mean() / road.mass
    )
    power = gain * (1.0 + road.rotating) + rolling
    return float(power), float(np.hypot(gain_se, 9.81 * metres.mean() * slope_se)), slope


def _road_slope(grid: Grid, late: slice, ratio: float) -> tuple[float, float]:
    if "altitude" not in grid.fresh:
        return float("nan"), UNKNOWN_SLOPE
    altitude = grid.channel("altitude")[late]
    metres = np.cumsum(grid.channel("engine_speed")[late] / ratio / 3.6) * grid.step
    known = np.isfinite(altitude)
    if known.sum() < 10:
        return float("nan"), UNKNOWN_SLOPE
    slope, slope_se = _slope(metres[known], altitude[known])
    return slope, max(slope_se, 0.002)


def _slope(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    centred = x - x.mean()
    spread = float((centred**2).sum())
    slope = float((centred * y).sum()) / spread
    residual = y - y.mean() - slope * centred
    return slope, float(np.sqrt((residual**2).sum() / max(x.size - 2, 1) / spread))


def _peak(fresh: Fresh, times: FloatArray) -> tuple[float, float, float]:
    """Greatest fresh value, its standard error, and when.

    The true peak may lie between two values: the error is the interpolation's bound beside it, and
    the standard deviation of one step of the sensor.
    """
    kept = (fresh.times >= times[0]) & (fresh.times <= times[-1])
    if not kept.any():
        return float("nan"), float("nan"), float("nan")
    within = measured(fresh.times[kept], fresh.values[kept])
    place = int(np.argmax(within.values))
    near = slice(max(place - 1, 0), place + 2)
    middle = 0.5 * (within.times[near][1:] + within.times[near][:-1])
    bound = float(asynchrony(within, middle).max()) if within.times.size >= 3 else 0.0
    steps = np.diff(np.unique(fresh.values))
    grain = float(steps.min()) / np.sqrt(12.0) if steps.size else 0.0
    return (
        float(within.values[place]),
        float(np.hypot(bound, grain)),
        float(within.times[place]),
    )


def _time_to(times: FloatArray, pressure: FloatArray, level: float) -> float:
    """Time from the start until a pressure is first reached; NaN if never or nearly there."""
    above = pressure >= level
    if not above.any() or pressure[0] > level - SPOOL_BELOW:
        return float("nan")
    place = int(np.argmax(above))
    before, after = pressure[place - 1], pressure[place]
    share = (level - before) / (after - before)
    return float(times[place - 1] + share * (times[place] - times[place - 1]) - times[0])


def _polling(grid: Grid, name: str, times: FloatArray) -> float:
    """Median time between fresh values during the pull. [s]."""
    fresh = grid.fresh[name].times
    inside = fresh[(fresh >= times[0] - 1.5) & (fresh <= times[-1] + 1.5)]
    return float(np.median(np.diff(inside))) if inside.size > 1 else float("nan")


def _mean(values: FloatArray) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if known.size else float("nan")
