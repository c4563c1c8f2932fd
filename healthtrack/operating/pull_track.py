"""A pull's track: where the compressor worked, moment by moment, and how well that is known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from healthtrack.airpath.atmosphere import geopotential_height, standard_pressure
from healthtrack.airpath.compressor import Reference, corrected_flow, pressure_ratio
from healthtrack.airpath.gas import KELVIN
from healthtrack.airpath.power import (
    RoadLoad,
    power_from_acceleration,
    power_from_airflow_rule,
    power_from_fuel,
)
from healthtrack.operating.pull_figures import asynchrony, fuel_mass_flow
from healthtrack.operating.standing import standing_pressure

if TYPE_CHECKING:
    from healthtrack.airpath.compressor_map import CompressorMap
    from healthtrack.config import VehicleSettings
    from healthtrack.operating.grid import FloatArray, Grid

DRAWING_REFERENCE = Reference(298.15, 100e3)
"""What flow is corrected to where there is no map: a gas stand's usual conditions, for the drawing
only; no map's margin is ever read with it."""

FLOW_SENSOR = 0.03
"""Standard deviation of an airflow sensor: ±5 % over its life is accepted for the engine's own
sensor by 40 CFR 1065.930; two thirds of that are within 3 %. Relative."""

PRESSURE_SENSOR = 2.0
"""Standard deviation of a manifold pressure sensor: 1 % of its range (common practice, no source).
[kPa]"""

FLOW_RESPONSE = 0.15
"""Time by which an airflow sensor may trail: 40 CFR 1065.930 asks for 90 % of a step within 0.3 s,
which is a time constant of 0.13 s. It is not corrected: in a pull the filling of the charge pipes
looks the same, and estimating the lag from the pulls of the open logs gave anything from −0.75 to
+0.95 s. [s]"""

INLET_TEMPERATURE = 5.0
"""Standard deviation of the compressor's inlet temperature from that of the surroundings. [K]"""

ASSUMED_PRESSURE, ASSUMED_TEMPERATURE = 100.0, 20.0
"""Surroundings where nothing tells: near the coast (common practice, no source). [kPa], [°C]"""


@dataclass(frozen=True)
class Inlet:
    """What the compressor breathes, and where that is known from.

    ``pressure`` [kPa] and ``temperature`` [°C] at the common times; ``pressure_error`` relative.
    """

    pressure: FloatArray
    pressure_error: float
    temperature: FloatArray
    words: tuple[str, ...]


@dataclass(frozen=True)
class PullTrack:
    """One pull, moment by moment.

    ``frame`` has a row per common time: ``seconds`` from the start, ``engine_speed``,
    ``vehicle_speed``, ``manifold_pressure``, ``airflow`` and their ``…_bound`` (half-width that the
    polling leaves open), ``inlet_pressure`` [kPa], ``pressure_ratio``, ``corrected_flow`` [kg/s]
    and their ``…_error`` (standard deviation), ``held_pressure_ratio`` and ``held_corrected_flow``
    (what the last values held would have given), ``place``, ``efficiency``, ``efficiency_error``,
    ``shaft_speed``, ``surge_margin``, ``choke_margin`` and their ``…_error`` [%], ``boost_duty``,
    and ``power_airflow``, ``power_fuel``, ``power_acceleration`` [kW]. What is not known is null.
    """

    frame: pl.DataFrame
    reference: Reference
    words: tuple[str, ...]


def track(
    grid: Grid, first: int, last: int, vehicle: VehicleSettings, chart: CompressorMap | None
) -> PullTrack:
    """Follow a pull over axes of corrected flow and pressure ratio.

    Parameters
    ----------
    grid : Grid
        The drive on common times.
    first, last : int
        First and last common time of the pull.
    vehicle : VehicleSettings
        The vehicle's settings.
    chart : CompressorMap or None
        The compressor's map, if there is one.
    """
    inside = slice(first, last + 1)
    times = grid.times[inside]
    reference = chart.reference if chart is not None else DRAWING_REFERENCE
    inlet = inlet_of(grid, inside, vehicle)
    kelvin = inlet.temperature + KELVIN
    pressure, airflow = grid.channel("manifold_pressure")[inside], grid.channel("airflow")[inside]
    pressure_bound = _bound(grid, "manifold_pressure", times)
    airflow_bound = _bound(grid, "airflow", times)

    def flow_of(grams: FloatArray) -> FloatArray:
        return corrected_flow(grams / 1e3, kelvin, inlet.pressure * 1e3, reference)

    ratio, flow = pressure_ratio(pressure, inlet.pressure), flow_of(airflow)
    # a bound is the edge of what is possible; a third of its square is the variance between
    ratio_error = ratio * np.sqrt(
        (PRESSURE_SENSOR**2 + pressure_bound**2 / 3.0) / pressure**2 + inlet.pressure_error**2
    )
    trailing = FLOW_RESPONSE * np.abs(np.gradient(flow, times)) if times.size > 1 else 0.0 * flow
    flow_error = flow * np.sqrt(
        FLOW_SENSOR**2
        + (trailing / flow) ** 2
        + (airflow_bound / airflow) ** 2 / 3.0
        + inlet.pressure_error**2
        + (0.5 * INLET_TEMPERATURE / kelvin) ** 2
    )
    columns = {
        "seconds": times - times[0],
        "engine_speed": grid.channel("engine_speed")[inside],
        "vehicle_speed": grid.channel("vehicle_speed")[inside],
        "manifold_pressure": pressure,
        "manifold_pressure_bound": pressure_bound,
        "airflow": airflow,
        "airflow_bound": airflow_bound,
        "inlet_pressure": inlet.pressure,
        "boost_duty": grid.channel("boost_duty")[inside],
        "pressure_ratio": ratio,
        "pressure_ratio_error": ratio_error,
        "corrected_flow": flow,
        "corrected_flow_error": flow_error,
        "held_pressure_ratio": _held(grid, "manifold_pressure", times) / inlet.pressure,
        "held_corrected_flow": flow_of(_held(grid, "airflow", times)),
    }
    columns |= _powers(grid, inside, vehicle)
    frame = pl.DataFrame({name: np.asarray(values) for name, values in columns.items()})
    told = pl.DataFrame(_on_map(chart, flow, ratio, flow_error, ratio_error))
    return PullTrack(
        frame=pl.concat([frame, told], how="horizontal").with_columns(
            pl.selectors.float().fill_nan(None)
        ),
        reference=reference,
        words=inlet.words,
    )


def inlet_of(grid: Grid, inside: slice, vehicle: VehicleSettings) -> Inlet:
    """Tell what the compressor breathes from the best that is known."""
    size = grid.times[inside].size
    words: list[str] = []
    error = 0.01
    ambient = grid.channel("ambient_pressure")[inside]
    standing = standing_pressure(grid)
    height = grid.channel("altitude")[inside]
    if vehicle.altitude_m is not None:
        height = np.where(np.isfinite(height), height, vehicle.altitude_m)
    if np.isfinite(grid.channel("air_box_pressure")[inside]).all():
        pressure = grid.channel("air_box_pressure")[inside]
        words.append("inlet pressure measured behind the air filter")
    else:
        if np.isfinite(ambient).all():
            pressure = ambient
            words.append("inlet pressure taken as the measured ambient pressure")
        elif standing is not None:
            pressure = np.full(size, standing)
            words.append("inlet pressure taken as the manifold's with the engine standing")
        elif np.isfinite(height).all():
            pressure, error = standard_pressure(geopotential_height(height)) / 1e3, 0.02
            words.append("inlet pressure of the standard atmosphere at this altitude, ±2 %")
        else:
            pressure, error = np.full(size, ASSUMED_PRESSURE), 0.03
            words.append("inlet pressure assumed 100 kPa, as near the coast")
        words.append("the air filter's depression is not seen: the ratio is read low by 1 to 3 %")
    words.append("the charge cooler's loss is not seen: the ratio is read low by 5 to 15 kPa")
    temperature = grid.channel("ambient_temperature")[inside]
    if vehicle.intake_temperature_sensor == "ahead_of_compressor":
        intake = grid.channel("intake_temperature")[inside]
        temperature = np.where(np.isfinite(intake), intake, temperature)
    if not np.isfinite(temperature).all():
        temperature = np.full(size, ASSUMED_TEMPERATURE)
        words.append("inlet temperature assumed 20 °C")
    return Inlet(pressure, error, temperature, tuple(words))


def _bound(grid: Grid, name: str, times: FloatArray) -> FloatArray:
    if name not in grid.fresh:
        return np.full(times.size, np.nan)
    return asynchrony(grid.fresh[name], times)


def _held(grid: Grid, name: str, times: FloatArray) -> FloatArray:
    """Return the last fresh value at each time: what a logger's repeats would show."""
    if name not in grid.fresh:
        return np.full(times.size, np.nan)
    fresh = grid.fresh[name]
    place = np.searchsorted(fresh.times, times, side="right") - 1
    return np.where(place >= 0, fresh.values[np.maximum(place, 0)], np.nan)


def _on_map(
    chart: CompressorMap | None,
    flow: FloatArray,
    ratio: FloatArray,
    flow_error: FloatArray,
    ratio_error: FloatArray,
) -> dict[str, object]:
    missing = np.full(flow.size, np.nan)
    if chart is None:
        names = ("efficiency", "efficiency_error", "shaft_speed", "surge_margin", "choke_margin")
        errors = ("surge_margin_error", "choke_margin_error")
        return {"place": [None] * flow.size} | dict.fromkeys((*names, *errors), missing)
    here = chart.at(flow, ratio, flow_error=flow_error, ratio_error=ratio_error)
    flow_sd = np.hypot(flow_error, chart.flow_error * flow)
    ratio_sd = np.hypot(ratio_error, chart.ratio_error * ratio)
    swings = [
        chart.at(flow + flow_sd, ratio),
        chart.at(flow - flow_sd, ratio),
        chart.at(flow, ratio + ratio_sd),
        chart.at(flow, ratio - ratio_sd),
    ]

    def spread(margins: list[FloatArray]) -> FloatArray:
        along = (margins[0] - margins[1]) / 2.0, (margins[2] - margins[3]) / 2.0
        return np.asarray(np.hypot(*along))

    return {
        "place": here.place.tolist(),
        "efficiency": here.efficiency,
        "efficiency_error": here.efficiency_error,
        "shaft_speed": here.speed,
        "surge_margin": here.surge_margin,
        "surge_margin_error": spread([swing.surge_margin for swing in swings]),
        "choke_margin": here.choke_margin,
        "choke_margin_error": spread([swing.choke_margin for swing in swings]),
    }


def _powers(grid: Grid, inside: slice, vehicle: VehicleSettings) -> dict[str, FloatArray]:
    """Power three ways, side by side. [kW]."""
    times = grid.times[inside]
    speed = grid.channel("engine_speed")[inside]
    metres = speed / np.median(speed / grid.channel("vehicle_speed")[inside]) / 3.6
    # a cubic over the pull: finer wiggles of a speed in steps are the logger's, not the car's
    fitted = np.polynomial.Polynomial.fit(times, metres, 3)
    road = RoadLoad(mass=vehicle.mass_kg, drag_area=vehicle.drag_area_m2)
    return {
        "power_airflow": power_from_airflow_rule(grid.channel("airflow")[inside] / 1e3) / 1e3,
        "power_fuel": power_from_fuel(fuel_mass_flow(grid, vehicle)[inside]) / 1e3,
        "power_acceleration": power_from_acceleration(fitted(times), fitted.deriv()(times), road)
        / 1e3,
    }
