"""The compressor: pressure ratio, corrected flow and speed, efficiency, outlet temperature, power.

Flow and speed are corrected to the reference conditions *of the map* they are put on; there is no
default, because maps on the common references differ by 3 to 8 % in flow.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from healthtrack.airpath.gas import GAS_CONSTANT, HEAT_CAPACITY, HEAT_RATIO

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    FloatArray = NDArray[np.float64]

EXPONENT = (HEAT_RATIO - 1.0) / HEAT_RATIO
"""(γ − 1)/γ of air."""


@dataclass(frozen=True, slots=True)
class Reference:
    """Reference conditions of a map.

    Parameters
    ----------
    temperature : float
        Total, at the inlet. [K]
    pressure : float
        Total, at the inlet, absolute. [Pa]
    """

    temperature: float
    pressure: float


def pressure_ratio(outlet: ArrayLike, inlet: ArrayLike) -> FloatArray:
    """Outlet over inlet pressure, both absolute and at the compressor.

    With manifold pressure for the outlet and ambient pressure for the inlet the ratio is read low
    by the charge cooler's and the intake's pressure loss.

    Parameters
    ----------
    outlet, inlet : (n,) float64
        In the same unit.

    Returns
    -------
    (n,) float64
        Dimensionless (Heywood, *Internal Combustion Engine Fundamentals*, 1988, sec. 6.6).
    """
    return np.asarray(outlet, dtype=np.float64) / np.asarray(inlet, dtype=np.float64)


def corrected_flow(
    flow: ArrayLike, temperature: ArrayLike, pressure: ArrayLike, reference: Reference
) -> FloatArray:
    """Mass flow that would show the same Mach numbers at the map's reference conditions.

    Parameters
    ----------
    flow : (n,) float64
        Any unit of mass flow.
    temperature, pressure : (n,) float64
        At the compressor's inlet, absolute. [K], [Pa]
    reference : Reference
        Of the map.

    Returns
    -------
    (n,) float64
        In the unit of ``flow``: W·√(T/Tref)/(p/pref) (Heywood 1988, eq. 6.53).
    """
    theta = np.asarray(temperature, dtype=np.float64) / reference.temperature
    delta = np.asarray(pressure, dtype=np.float64) / reference.pressure
    return np.asarray(flow, dtype=np.float64) * np.sqrt(theta) / delta


def corrected_speed(speed: ArrayLike, temperature: ArrayLike, reference: Reference) -> FloatArray:
    """Shaft speed corrected to the map's reference temperature: N/√(T/Tref)."""
    theta = np.asarray(temperature, dtype=np.float64) / reference.temperature
    return np.asarray(speed, dtype=np.float64) / np.sqrt(theta)


def rereferenced(flow: ArrayLike, given: Reference, wanted: Reference) -> FloatArray:
    """Corrected flow on another map's reference conditions."""
    return corrected_flow(flow, given.temperature, given.pressure, wanted)


def outlet_temperature(inlet: ArrayLike, ratio: ArrayLike, efficiency: ArrayLike) -> FloatArray:
    """Temperature behind a compressor of given isentropic efficiency.

    Parameters
    ----------
    inlet : (n,) float64
        Total inlet temperature. [K]
    ratio : (n,) float64
        Pressure ratio, total to total.
    efficiency : (n,) float64
        Isentropic, 0 to 1.

    Returns
    -------
    (n,) float64
        T1·[1 + (π^((γ−1)/γ) − 1)/η] with γ = 1.4. [K] (Heywood 1988, eq. 6.42)
    """
    inlet = np.asarray(inlet, dtype=np.float64)
    rise = np.asarray(ratio, dtype=np.float64) ** EXPONENT - 1.0
    return inlet * (1.0 + rise / np.asarray(efficiency, dtype=np.float64))


def isentropic_efficiency(inlet: ArrayLike, outlet: ArrayLike, ratio: ArrayLike) -> FloatArray:
    """Isentropic efficiency from measured temperatures; NaN where the outlet is not warmer.

    Parameters
    ----------
    inlet, outlet : (n,) float64
        Total temperatures. [K]
    ratio : (n,) float64
        Pressure ratio, total to total.
    """
    rise = np.asarray(outlet, dtype=np.float64) / np.asarray(inlet, dtype=np.float64) - 1.0
    ideal = np.asarray(ratio, dtype=np.float64) ** EXPONENT - 1.0
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(rise > 0.0, ideal / rise, np.nan)


def shaft_power(flow: ArrayLike, inlet: ArrayLike, outlet: ArrayLike) -> FloatArray:
    """Power that the compressor puts into the air: W·cp·(T2 − T1).

    Parameters
    ----------
    flow : (n,) float64
        [kg/s]
    inlet, outlet : (n,) float64
        Total temperatures. [K]

    Returns
    -------
    (n,) float64
        [W] (Heywood 1988, eq. 6.40)
    """
    rise = np.asarray(outlet, dtype=np.float64) - np.asarray(inlet, dtype=np.float64)
    return np.asarray(flow, dtype=np.float64) * HEAT_CAPACITY * rise


def choked_flow(area: ArrayLike, pressure: ArrayLike, temperature: ArrayLike) -> FloatArray:
    """Greatest flow of air through an opening: what a leak under boost lets out at most.

    Parameters
    ----------
    area : float
        Effective. [m²]
    pressure, temperature : (n,) float64
        Upstream, total. [Pa], [K]

    Returns
    -------
    (n,) float64
        A·p·√(γ/(R·T))·(2/(γ+1))^((γ+1)/(2(γ−1))); the flow is choked where the pressure downstream
        is under 0.528 of that upstream. [kg/s] (Heywood 1988, app. C)
    """
    term = np.sqrt(HEAT_RATIO) * (2.0 / (HEAT_RATIO + 1.0)) ** (
        (HEAT_RATIO + 1.0) / (2.0 * (HEAT_RATIO - 1.0))
    )
    return np.asarray(
        np.asarray(area, dtype=np.float64)
        * np.asarray(pressure, dtype=np.float64)
        * term
        / np.sqrt(GAS_CONSTANT * np.asarray(temperature, dtype=np.float64))
    )
