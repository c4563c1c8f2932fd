"""Weather of an invented mountain region: temperature and pressure on any day at any height."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from demo_history.simulator.engine import Array, Value


@dataclass(frozen=True)
class Region:
    """Where vehicles stand and drive."""

    altitude: float = 950.0  # m, of the garage
    mean_temperature: float = 8.0  # °C, yearly mean at the garage
    yearly_swing: float = 10.5  # K, half of summer less winter
    daily_swing: float = 4.5  # K, half of afternoon less dawn
    synoptic: float = 3.8  # K, standard deviation of the weather's wander
    synoptic_days: float = 3.0  # how long the weather lasts
    pressure_share: float = 0.009  # standard deviation of pressure, relative


@dataclass(frozen=True)
class Weather:
    """The weather at the moments of n drives, at the garage's height."""

    temperature: Array  # K
    pressure_share: Array  # relative departure from the standard atmosphere
    humidity: Array  # kg/kg


def standard_pressure(altitude: Value) -> Array:
    """Pressure of the standard atmosphere under 11 km. [Pa].

    ISO 2533: 101.325 kPa, 288.15 K, 6.5 K/km.
    """
    return np.asarray(101325.0 * (1.0 - 6.5e-3 * np.asarray(altitude) / 288.15) ** 5.255876)


def wander(rng: np.random.Generator, days: Array, memory: float, deviation: float) -> Array:
    """Stationary Ornstein-Uhlenbeck series at ordered times.

    Parameters
    ----------
    days : (n,) float64
        Ordered times. [d]
    memory : float
        Time in which the correlation falls to 1/e. [d]
    deviation : float
        Standard deviation.
    """
    shocks = rng.standard_normal(len(days))
    keep = np.exp(-np.diff(days, prepend=days[:1]) / memory)
    out = np.empty(len(days))
    state = 0.0
    for i, (k, e) in enumerate(zip(keep, shocks, strict=True)):
        state = e if i == 0 else k * state + np.sqrt(1.0 - k * k) * e
        out[i] = state
    return deviation * out


def weather(rng: np.random.Generator, region: Region, days: Array, hours: npt.ArrayLike) -> Weather:
    """Weather at ordered moments.

    Parameters
    ----------
    days : (n,) float64
        Days since 1 January of the first year, with the fraction of the day. [d]
    hours : (n,) float64
        Local time of day. [h]
    """
    hours = np.asarray(hours, dtype=float)
    season = -np.cos(2.0 * np.pi * (days - 19.0) / 365.25)
    daily = np.cos(2.0 * np.pi * (hours - 15.0) / 24.0) * (0.75 + 0.25 * season)
    synoptic = wander(rng, days, region.synoptic_days, region.synoptic)
    celsius = (
        region.mean_temperature
        + region.yearly_swing * season
        + region.daily_swing * daily
        + synoptic
    )
    share = wander(rng, days, region.synoptic_days, region.pressure_share)
    saturation = 611.2 * np.exp(17.62 * celsius / (243.12 + celsius))
    relative = np.clip(0.68 + wander(rng, days, 1.5, 0.15), 0.25, 1.0)
    vapour = relative * saturation
    humidity = 0.622 * vapour / (standard_pressure(region.altitude) - vapour)
    return Weather(celsius + 273.15, share, humidity)
