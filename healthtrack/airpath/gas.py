"""Air as a gas: density of dry and humid air.

Formulas here take SI units and give SI units, whatever the store holds.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    FloatArray = NDArray[np.float64]

GAS_CONSTANT = 287.05287
"""Specific gas constant of dry air (ISO 2533:1975). [J/(kg·K)]"""

HEAT_CAPACITY = 1005.0
"""Specific heat of air at constant pressure, near room temperature. [J/(kg·K)]"""

HEAT_RATIO = 1.4
"""Ratio of the specific heats of air, near room temperature."""

WATER_TO_AIR = 0.62198
"""Molar mass of water over that of dry air."""

KELVIN = 273.15
"""0 °C. [K]"""


def density(pressure: ArrayLike, temperature: ArrayLike) -> FloatArray:
    """Density of dry air as an ideal gas.

    Parameters
    ----------
    pressure : (n,) float64
        Absolute. [Pa]
    temperature : (n,) float64
        Absolute. [K]

    Returns
    -------
    (n,) float64
        [kg/m³]
    """
    return np.asarray(pressure, dtype=np.float64) / (
        GAS_CONSTANT * np.asarray(temperature, dtype=np.float64)
    )


def saturation_pressure(temperature: ArrayLike) -> FloatArray:
    """Vapour pressure of water over a water surface.

    Parameters
    ----------
    temperature : (n,) float64
        Absolute, 228 to 333 K. [K]

    Returns
    -------
    (n,) float64
        [Pa]

    Notes
    -----
    Magnus formula with the coefficients of the *Guide to Meteorological Instruments and Methods
    of Observation* (WMO-No. 8, annex 4.B): 6.112 hPa · exp(17.62 t / (243.12 + t)), t in °C.
    """
    celsius = np.asarray(temperature, dtype=np.float64) - KELVIN
    return np.asarray(611.2 * np.exp(17.62 * celsius / (243.12 + celsius)))


def humid_density(
    pressure: ArrayLike, temperature: ArrayLike, relative_humidity: ArrayLike
) -> FloatArray:
    """Density of humid air as a mixture of ideal gases.

    Parameters
    ----------
    pressure : (n,) float64
        Absolute. [Pa]
    temperature : (n,) float64
        Absolute. [K]
    relative_humidity : (n,) float64
        0 dry to 1 saturated.

    Returns
    -------
    (n,) float64
        [kg/m³]
    """
    vapour = np.asarray(relative_humidity) * saturation_pressure(temperature)
    dry = np.asarray(pressure, dtype=np.float64) - vapour
    return np.asarray(density(dry + WATER_TO_AIR * vapour, temperature))
