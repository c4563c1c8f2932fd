"""From true values to what a logger holds: gain, offset, noise, rounding, lost values."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from demo_history.simulator.engine import Array

NOISE = {
    # channel: (relative, absolute) standard deviation from sample to sample
    "engine_speed": (0.002, 2.0),
    "vehicle_speed": (0.0, 0.15),
    "airflow": (0.009, 0.04),
    "manifold_pressure": (0.0015, 0.25),
    "ambient_pressure": (0.0, 0.06),
    "air_box_pressure": (0.0, 0.06),
    "ambient_temperature": (0.0, 0.12),
    "intake_temperature": (0.0, 0.15),
    "charge_temperature": (0.0, 0.15),
    "coolant_temperature": (0.0, 0.1),
    "pedal": (0.0, 0.05),
    "load": (0.006, 0.05),
    "fuel_per_stroke": (0.004, 0.04),
    "boost_duty": (0.0, 0.15),
    "altitude": (0.0, 0.6),
}
RESOLUTION = {
    "engine_speed": 1.0,
    "vehicle_speed": 0.1,
    "airflow": 0.01,
    "manifold_pressure": 1.0,
    "ambient_pressure": 0.1,
    "air_box_pressure": 0.1,
    "ambient_temperature": 1.0,
    "intake_temperature": 1.0,
    "charge_temperature": 1.0,
    "coolant_temperature": 1.0,
    "pedal": 0.1,
    "load": 0.1,
    "fuel_per_stroke": 0.1,
    "boost_duty": 0.1,
    "altitude": 1.0,
    "odometer": 0.1,
}
ZERO_AT_REST = (
    "engine_speed",
    "vehicle_speed",
    "airflow",
    "pedal",
    "load",
    "fuel_per_stroke",
    "boost_duty",
)
PERCENT = ("pedal", "load", "boost_duty")


@dataclass(frozen=True)
class Errors:
    """What the sensors of one drive do to true values."""

    airflow_factor: float = 1.0
    manifold_pressure_offset: float = 0.0  # kPa
    charge_temperature_offset: float = 0.0  # K
    missing_share: float = 0.0  # of single values that the logger lost


def read(
    rng: np.random.Generator, true: dict[str, Array], channels: tuple[str, ...], errors: Errors
) -> dict[str, Array]:
    """Return what the logger of one drive writes; a lost value is NaN.

    Parameters
    ----------
    true : dict of (samples,) float64
        As :func:`demo_history.simulator.dynamic.integrate` gives them for one drive, with
        ``odometer`` [km] and ``intake_temperature`` added where they are wanted.
    channels : tuple of str
        What this vehicle logs, in order: noise is drawn in this order.
    """
    out = {}
    for name in channels:
        value = _biased(name, true[name], errors)
        relative, absolute = NOISE.get(name, (0.0, 0.0))
        noise = rng.standard_normal(len(value))
        noisy = value + noise * np.hypot(relative * value, absolute)
        if name in ZERO_AT_REST:
            noisy = np.where(value <= 0.0, 0.0, np.maximum(noisy, 0.0))
        if name in PERCENT:
            noisy = np.minimum(noisy, 100.0)
        step = RESOLUTION[name]
        read_out = np.round(noisy / step) * step + 0.0
        if errors.missing_share > 0.0:
            lost = rng.random(len(value)) < errors.missing_share
            read_out = np.where(lost, np.nan, read_out)
        out[name] = read_out
    return out


def _biased(name: str, value: Array, errors: Errors) -> Array:
    if name == "airflow":
        return value * errors.airflow_factor
    if name == "manifold_pressure":
        return value + errors.manifold_pressure_offset
    if name == "charge_temperature":
        return value + errors.charge_temperature_offset
    return value
