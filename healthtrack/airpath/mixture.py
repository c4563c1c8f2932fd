"""Air and fuel."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    FloatArray = NDArray[np.float64]

DIESEL_HYDROGEN = 1.8
"""Hydrogen atoms per carbon atom of light diesel fuel (Heywood 1988, table D.4)."""


def stoichiometric_ratio(hydrogen_per_carbon: ArrayLike = DIESEL_HYDROGEN) -> FloatArray:
    """Mass of air per mass of fuel CHy that burns it completely.

    Returns
    -------
    (n,) float64
        34.56·(4 + y)/(12.011 + 1.008·y) (Heywood 1988, eq. 3.6)
    """
    y = np.asarray(hydrogen_per_carbon, dtype=np.float64)
    return np.asarray(34.56 * (4.0 + y) / (12.011 + 1.008 * y))


def air_fuel_ratio(air: ArrayLike, fuel: ArrayLike) -> FloatArray:
    """Mass of air over mass of fuel; NaN where no fuel flows.

    Parameters
    ----------
    air, fuel : (n,) float64
        Mass flows in the same unit.
    """
    fuel = np.asarray(fuel, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(fuel > 0.0, np.asarray(air, dtype=np.float64) / fuel, np.nan)


def fuel_flow(fuel_per_stroke: ArrayLike, speed: ArrayLike, cylinders: int) -> FloatArray:
    """Fuel mass flow of a four-stroke engine.

    Parameters
    ----------
    fuel_per_stroke : (n,) float64
        Per cylinder and working cycle. [kg]
    speed : (n,) float64
        [1/min]
    cylinders : int
        Number of cylinders.

    Returns
    -------
    (n,) float64
        [kg/s]
    """
    cycles = np.asarray(speed, dtype=np.float64) / 120.0 * cylinders
    return np.asarray(fuel_per_stroke, dtype=np.float64) * cycles
