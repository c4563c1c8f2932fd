"""Engine power three ways, and the standards' ambient correction.

None of the three is a dynamometer. Acceleration needs the vehicle's mass and road load, the airflow
a mixture and a specific consumption, the fuel an efficiency; what they are good for is the
comparison of a vehicle with itself, and of the three with each other.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from healthtrack.airpath.atmosphere import GRAVITY

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    FloatArray = NDArray[np.float64]

HORSEPOWER = 745.6999
"""One mechanical horsepower (550 ft·lbf/s). [W]"""

POUND = 0.45359237
"""International avoirdupois pound. [kg]"""

POWER_PER_AIRFLOW = 10.0 * HORSEPOWER / (POUND / 60.0)
"""The trade's rule: about 10 hp at the flywheel per lb/min (common practice, no source). [J/kg]"""

SPECIFIC_CONSUMPTION = 0.225 / 3.6e6
"""Fuel per work of a passenger car diesel at full load, 215 to 235 g/kWh (common practice, no
source). [kg/J]"""

Cooling = Literal["none_or_air", "liquid"]


@dataclass(frozen=True, slots=True)
class RoadLoad:
    """What resists the vehicle.

    Parameters
    ----------
    mass : float
        With people and load. [kg]
    rolling : float
        Rolling resistance coefficient; 0.009 to 0.013 for car tyres (common practice, no source).
    drag_area : float
        Drag coefficient times frontal area. [m²]
    rotating : float
        Mass added by what turns, as a share of the mass: 0.04 in top gear, more in low ones
        (common practice, no source).
    """

    mass: float
    rolling: float = 0.010
    drag_area: float = 0.70
    rotating: float = 0.04


def power_from_acceleration(
    speed: ArrayLike,
    acceleration: ArrayLike,
    load: RoadLoad,
    *,
    slope: ArrayLike = 0.0,
    density: ArrayLike = 1.2,
) -> FloatArray:
    """Power at the wheels from how the vehicle gains speed.

    Parameters
    ----------
    speed : (n,) float64
        [m/s]
    acceleration : (n,) float64
        [m/s²]
    load : RoadLoad
        Of the vehicle.
    slope : (n,) float64
        Rise over run, positive uphill.
    density : (n,) float64
        Of the ambient air. [kg/m³]

    Returns
    -------
    (n,) float64
        v·(m·g·(f·cos α + sin α) + ½·ρ·cdA·v² + m·(1 + ε)·a), without wind. [W] The road load is
        that of SAE J1263 (coastdown) written out in its parts.
    """
    speed = np.asarray(speed, dtype=np.float64)
    angle = np.arctan(np.asarray(slope, dtype=np.float64))
    weight = load.mass * GRAVITY
    resisting = weight * (load.rolling * np.cos(angle) + np.sin(angle))
    drag = 0.5 * np.asarray(density, dtype=np.float64) * load.drag_area * speed**2
    inertia = load.mass * (1.0 + load.rotating) * np.asarray(acceleration, dtype=np.float64)
    return np.asarray(speed * (resisting + drag + inertia))


def power_from_airflow_rule(flow: ArrayLike) -> FloatArray:
    """Power at the flywheel by the trade's rule of 10 hp per lb/min (common practice, no source).

    The rule was made for petrol engines; a diesel at full load gives 7 to 9 hp per lb/min.

    Parameters
    ----------
    flow : (n,) float64
        Air mass flow. [kg/s]

    Returns
    -------
    (n,) float64
        [W]
    """
    return np.asarray(flow, dtype=np.float64) * POWER_PER_AIRFLOW


def power_from_airflow(
    flow: ArrayLike, air_fuel_ratio: ArrayLike, consumption: ArrayLike = SPECIFIC_CONSUMPTION
) -> FloatArray:
    """Power at the flywheel from air, mixture and specific consumption.

    Parameters
    ----------
    flow : (n,) float64
        Air mass flow. [kg/s]
    air_fuel_ratio : (n,) float64
        Mass of air per mass of fuel: 17 to 22 for a diesel at full load.
    consumption : (n,) float64
        Fuel per work at the flywheel. [kg/J]

    Returns
    -------
    (n,) float64
        W/(AFR·b). [W]
    """
    fuel = np.asarray(flow, dtype=np.float64) / np.asarray(air_fuel_ratio, dtype=np.float64)
    return power_from_fuel(fuel, consumption)


def power_from_fuel(fuel: ArrayLike, consumption: ArrayLike = SPECIFIC_CONSUMPTION) -> FloatArray:
    """Power at the flywheel from fuel and specific consumption.

    Parameters
    ----------
    fuel : (n,) float64
        Fuel mass flow. [kg/s]
    consumption : (n,) float64
        Fuel per work at the flywheel. [kg/J]

    Returns
    -------
    (n,) float64
        [W]
    """
    return np.asarray(fuel, dtype=np.float64) / np.asarray(consumption, dtype=np.float64)


def engine_factor(
    fuel: ArrayLike, displacement: float, speed: ArrayLike, boost: ArrayLike = 1.0
) -> FloatArray:
    """Engine factor f_m of the diesel correction in ISO 1585 and SAE J1349.

    Parameters
    ----------
    fuel : (n,) float64
        Fuel mass flow. [kg/s]
    displacement : float
        [m³]
    speed : (n,) float64
        [1/min]
    boost : (n,) float64
        Manifold over ambient pressure, absolute; 1 without a turbocharger.

    Returns
    -------
    (n,) float64
        0.036·q_c − 1.14 for 40 ≤ q_c ≤ 65 mg/(L·cycle), 0.3 under and 1.2 over that range
        (ISO 1585; the range's ends from memory).
    """
    fuel = np.asarray(fuel, dtype=np.float64)
    swept_litres = displacement * 1e3 * np.asarray(speed, dtype=np.float64)
    per_cycle = 120e6 * fuel / swept_litres  # mg per litre and working cycle
    corrected = per_cycle / np.asarray(boost, dtype=np.float64)
    inner = 0.036 * corrected - 1.14
    return np.asarray(
        np.where(corrected < 40.0, 0.3, np.where(corrected > 65.0, 1.2, inner)), dtype=np.float64
    )


def ambient_correction(
    dry_pressure: ArrayLike,
    temperature: ArrayLike,
    factor: ArrayLike,
    *,
    cooling: Cooling = "none_or_air",
) -> FloatArray:
    """Factor that refers a turbocharged diesel's power to 99 kPa and 298 K.

    Parameters
    ----------
    dry_pressure : (n,) float64
        Ambient less the water vapour's. [Pa]
    temperature : (n,) float64
        Of the intake air. [K]
    factor : (n,) float64
        From :func:`engine_factor`.
    cooling : {"none_or_air", "liquid"}
        How the charge is cooled.

    Returns
    -------
    (n,) float64
        [(99 kPa/p)^0.7·(T/298 K)^m]^f_m with m = 1.2, or 0.7 with liquid cooling (ISO 1585; the
        exponents from memory); NaN outside the standard's range of validity, 0.9 to 1.1.

    Notes
    -----
    Engines whose control makes up for the surroundings must not be corrected so (UN R85,
    supplement 7; SAE J1349's rationale says the same of modern diesels). The answer to the
    weather that healthtrack learns from the vehicle is the better correction.
    """
    exponent = 0.7 if cooling == "liquid" else 1.2
    air = (99e3 / np.asarray(dry_pressure, dtype=np.float64)) ** 0.7
    air = air * (np.asarray(temperature, dtype=np.float64) / 298.0) ** exponent
    alpha = air ** np.asarray(factor, dtype=np.float64)
    return np.where((alpha >= 0.9) & (alpha <= 1.1), alpha, np.nan)
