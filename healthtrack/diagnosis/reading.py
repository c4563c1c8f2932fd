"""Evidence as arrays: levels, their covariance, and where the vehicle was seen."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeGuard

import numpy as np

from healthtrack.airpath.atmosphere import geopotential_height, standard_pressure
from healthtrack.airpath.mean_value import GAS_CONSTANT
from healthtrack.diagnosis.engines import PLACES
from healthtrack.diagnosis.signatures import INDICATORS, Setting
from healthtrack.indicators.conditions import NOMINAL_CHARGE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from healthtrack.config import VehicleSettings
    from healthtrack.records import Evidence, Kind, RegionEvidence

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]

PERCENT = frozenset({"airflow", "boost", "breathing", "pull_power"})
"""Indicators whose level is a ratio in percent; compared as logarithms."""
ASKED = ("standstill", "pull")
"""Regions that are always solved too: what a next observation could look at."""
USUAL_FILLING = 0.87
"""Volumetric efficiency taken to tell the manifold pressure from the airflow. [1]"""
IDLING_RATIO = 1.01
"""Manifold over ambient pressure of an idling diesel: between 1.00 and, with closed vanes, 1.03."""
FINE_BELOW = 1.15
"""Pressure ratio under which a hundredth matters: a leak's drive is the little that is over 1."""
UNMIXED = frozenset({"part_load_closed", "full_load", "pull"})
SMALLEST_SD = 0.05
"""No level is known better than this: the sensors' own steps. [% or the indicator's unit]"""
SENSORS = {
    "airflow_sensor_reads_low": frozenset({"airflow", "breathing", "intake_restriction"}),
    "airflow_sensor_reads_high": frozenset({"airflow", "breathing", "intake_restriction"}),
    "manifold_pressure_offset": frozenset({"boost", "breathing", "standing_pressure"}),
    "charge_temperature_offset": frozenset({"charge_temperature"}),
}
"""Indicators that use the sensor of a cause: a sensor that no indicator uses is not blamed."""
MODEL_SD = {"airflow": 0.2, "boost": 0.2, "breathing": 0.2, "charge_temperature": 0.4}
"""What a region of a healthy vehicle still differs by beyond its stated error: how regions answer
to temperature is told from their drives, how to pressure and humidity is not. [its unit]"""


@dataclass(frozen=True)
class Reading:
    """Evidence of n levels.

    ``level`` (n,), ``covariance`` (n, n) with the part ``lasting`` (n, n) that no further drive
    lessens; ``follows_manifold`` (indicators,) is by what the healthy expectation rises with each
    kPa that the manifold's sensor reads too high; ``indicator`` and ``bin`` (n,) index the
    signatures' last two axes; ``asked`` gives the bins of :data:`ASKED`; ``seen`` are the
    indicators in it; ``kept`` (n,) are the places of the levels in the evidence.
    """

    level: FloatArray
    covariance: FloatArray
    lasting: FloatArray
    follows_manifold: FloatArray
    indicator: IntArray
    bin: IntArray
    asked: dict[str, int]
    setting: Setting
    seen: frozenset[str]
    regions: tuple[tuple[str, str], ...]
    kept: tuple[int, ...]
    onset: Kind
    alerted: bool

    def has(self, cause: str) -> bool:
        """Return whether the vehicle has the sensor that a cause is an error of, as far as seen."""
        sensor = SENSORS.get(cause)
        return sensor is None or bool(sensor & self.seen)

    def pick(self, effect: FloatArray) -> FloatArray:
        """Return the (..., n) entries of an effect (..., indicators, bins) that were observed."""
        return np.asarray(effect[..., self.indicator, self.bin])


def read(evidence: Evidence, vehicle: VehicleSettings) -> Reading | None:
    """Turn evidence into arrays; None where it holds nothing that can be used.

    Left out are indicators and regions that the diagnosis does not know, and levels without a
    finite value and a positive standard error.
    """
    keep = [index for index, item in enumerate(evidence.regions) if _usable(item)]
    if not keep:
        return None
    items = [evidence.regions[index] for index in keep]
    ambient = _ambient(items, vehicle)
    found = {_place(item, vehicle, ambient) for item in items}
    asked_places = {region: (region, 0.0, 0.0, ambient) for region in ASKED}
    # sorted, so that the order of the levels does not decide the order of the bins
    places = {place: index for index, place in enumerate(sorted(found | {*asked_places.values()}))}
    seen = frozenset(item.indicator for item in items)
    behind = vehicle.intake_temperature_sensor == "behind_cooler"
    setting = Setting(
        regions=tuple(place[0] for place in places),
        engine_speed=tuple(place[1] for place in places),
        pressure_ratio=tuple(place[2] for place in places),
        ambient_pressure=tuple(place[3] for place in places),
        cooled_reading=behind or "charge_temperature" in seen,
    )
    lasting = np.array([_lasting(item) for item in items]) ** 2
    level, sd = np.array([_logarithmic(item) for item in items]).T
    return Reading(
        level=level,
        covariance=_covariance(evidence, keep, sd) + np.diag(lasting),
        lasting=np.diag(lasting),
        follows_manifold=_follows_manifold(evidence),
        indicator=np.array([INDICATORS.index(item.indicator) for item in items]),
        bin=np.array([places[_place(item, vehicle, ambient)] for item in items]),
        asked={region: places[place] for region, place in asked_places.items()},
        setting=setting,
        seen=seen,
        regions=tuple((item.indicator, item.region) for item in items),
        kept=tuple(keep),
        onset=evidence.onset,
        alerted=evidence.alerted,
    )


def _follows_manifold(evidence: Evidence) -> FloatArray:
    answers = [evidence.follows_manifold.get(name, 0.0) for name in INDICATORS]
    return np.array([answer if math.isfinite(answer) else 0.0 for answer in answers])


def _usable(item: RegionEvidence) -> bool:
    finite = math.isfinite(item.level) and math.isfinite(item.sd) and item.sd > 0.0
    sane = item.indicator not in PERCENT or item.level > -90.0
    return finite and sane and item.indicator in INDICATORS and item.region in PLACES


def _logarithmic(item: RegionEvidence) -> tuple[float, float]:
    if item.indicator not in PERCENT:
        return item.level, max(item.sd, SMALLEST_SD)
    ratio = 1.0 + item.level / 100.0
    return 100.0 * math.log(ratio), max(item.sd / ratio, SMALLEST_SD)


def _lasting(item: RegionEvidence) -> float:
    return MODEL_SD.get(item.indicator, SMALLEST_SD)


def _covariance(evidence: Evidence, keep: list[int], sd: FloatArray) -> FloatArray:
    if not evidence.correlation:
        return np.diag(sd**2)
    correlation = np.array(evidence.correlation, dtype=np.float64)[np.ix_(keep, keep)]
    correlation = 0.5 * (correlation + correlation.T)
    # rounding, or levels estimated apart, may have left it a little outside what is possible
    values, vectors = np.linalg.eigh(correlation)
    mended = (vectors * np.maximum(values, 1e-3)) @ vectors.T
    scale = np.sqrt(np.diag(mended))
    return np.asarray(mended / np.outer(scale, scale) * np.outer(sd, sd))


def _ambient(items: list[RegionEvidence], vehicle: VehicleSettings) -> float:
    """Return the ambient pressure: as logged, else what an idling manifold shows, else by height.

    An idling diesel's manifold stands some 1 kPa over ambient (no throttle, next to no boost).
    """
    logged = [item.ambient_pressure for item in items if _known(item.ambient_pressure)]
    idling = [
        item.manifold_pressure
        for item in items
        if item.region == "idle" and _known(item.manifold_pressure)
    ]
    if logged:
        return round(float(np.mean(logged)), 1)
    if idling:
        return round(float(np.mean(idling)) / IDLING_RATIO, 1)
    height = geopotential_height(vehicle.altitude_m or 200.0)
    return float(round(float(standard_pressure(height)) / 1e3))


def _place(
    item: RegionEvidence, vehicle: VehicleSettings, ambient: float
) -> tuple[str, float, float, float]:
    """Return region, speed, pressure ratio and ambient pressure, rounded; 0 where not known.

    Rounded, because signatures are kept for the places where they were solved.
    """
    own = item.ambient_pressure if _known(item.ambient_pressure) else ambient
    speed = max(round(item.engine_speed, -2), 500.0) if _known(item.engine_speed) else 0.0
    ratio = 0.0
    if _known(item.manifold_pressure):
        ratio = item.manifold_pressure / own
    elif item.region in UNMIXED and _known(item.airflow) and speed and vehicle.displacement_l:
        # fresh air alone tells the pressure only where no exhaust gas takes its place
        filled = USUAL_FILLING * vehicle.displacement_l * speed / 120.0
        ratio = item.airflow * GAS_CONSTANT * NOMINAL_CHARGE / (filled * own)
    if ratio > 0.0:
        step = 0.01 if ratio < FINE_BELOW else 0.05
        ratio = round(min(max(round(ratio / step) * step, 0.7), 3.2), 2)
    return item.region, float(speed), ratio, ambient


def _known(value: float | None) -> TypeGuard[float]:
    return value is not None and math.isfinite(value) and value > 0.0
