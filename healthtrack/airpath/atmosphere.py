"""The standard atmosphere (ISO 2533:1975), as far as roads go."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from healthtrack.airpath.gas import GAS_CONSTANT

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    FloatArray = NDArray[np.float64]

SEA_LEVEL_PRESSURE = 101_325.0
"""[Pa]"""

SEA_LEVEL_TEMPERATURE = 288.15
"""[K]"""

LAPSE_RATE = 0.0065
"""Fall of temperature with geopotential height. [K/m]"""

GRAVITY = 9.80665
"""Standard acceleration of free fall. [m/s²]"""

EARTH_RADIUS = 6_356_766.0
"""Nominal radius of the Earth in ISO 2533. [m]"""


def geopotential_height(altitude: ArrayLike) -> FloatArray:
    """Geopotential height of a geometric altitude.

    Parameters
    ----------
    altitude : (n,) float64
        Above mean sea level. [m]

    Returns
    -------
    (n,) float64
        [m]
    """
    height = np.asarray(altitude, dtype=np.float64)
    return EARTH_RADIUS * height / (EARTH_RADIUS + height)


def standard_temperature(height: ArrayLike) -> FloatArray:
    """Temperature of the standard atmosphere up to 11 000 m.

    Parameters
    ----------
    height : (n,) float64
        Geopotential. [m]

    Returns
    -------
    (n,) float64
        [K]
    """
    return SEA_LEVEL_TEMPERATURE - LAPSE_RATE * np.asarray(height, dtype=np.float64)


def standard_pressure(height: ArrayLike) -> FloatArray:
    """Pressure of the standard atmosphere up to 11 000 m.

    The weather moves the true pressure by about ±2 % around it.

    Parameters
    ----------
    height : (n,) float64
        Geopotential. [m]

    Returns
    -------
    (n,) float64
        [Pa]
    """
    exponent = GRAVITY / (GAS_CONSTANT * LAPSE_RATE)
    ratio = standard_temperature(height) / SEA_LEVEL_TEMPERATURE
    return np.asarray(SEA_LEVEL_PRESSURE * ratio**exponent)
