"""The engine as an air pump: speed density and apparent volumetric efficiency."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from healthtrack.airpath.gas import density

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    FloatArray = NDArray[np.float64]


def swept_flow(
    displacement: ArrayLike, speed: ArrayLike, pressure: ArrayLike, temperature: ArrayLike
) -> FloatArray:
    """Air mass flow that would fill a four-stroke engine's displacement at every second turn.

    Parameters
    ----------
    displacement : float
        [m³]
    speed : (n,) float64
        Crankshaft speed. [1/min]
    pressure, temperature : (n,) float64
        Of the air in the manifold, absolute. [Pa], [K]

    Returns
    -------
    (n,) float64
        [kg/s]

    Notes
    -----
    ρ·V·n/120 with n in 1/min (Heywood, *Internal Combustion Engine Fundamentals*, 1988, eq. 2.27).
    """
    speed = np.asarray(speed, dtype=np.float64)
    displacement = np.asarray(displacement, dtype=np.float64)
    return np.asarray(density(pressure, temperature) * displacement * speed / 120.0)


def volumetric_efficiency(flow: ArrayLike, swept: ArrayLike) -> FloatArray:
    """Apparent volumetric efficiency: fresh air that came over what would have filled the engine.

    Referred to the manifold it isolates the engine. Recirculated exhaust takes fresh air's place
    and lowers it; air lost between the airflow sensor and the manifold raises it.

    Parameters
    ----------
    flow : (n,) float64
        Fresh air mass flow. [kg/s]
    swept : (n,) float64
        From :func:`swept_flow`; where it is not positive the answer is NaN. [kg/s]

    Returns
    -------
    (n,) float64
        Dimensionless.
    """
    swept = np.asarray(swept, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(swept > 0.0, np.asarray(flow, dtype=np.float64) / swept, np.nan)
