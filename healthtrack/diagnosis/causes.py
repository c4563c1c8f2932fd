"""The causes that are told apart: their words, their unit, how large and how common they are."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Sign = Literal["negative", "positive", "both"]


@dataclass(frozen=True, slots=True)
class Cause:
    """A fault hypothesis.

    Parameters
    ----------
    name, words, unit : str
        Name in tables and JSON, words for a person, unit of its size.
    size_means : str
        What the size says, in one line.
    field : str
        The field of :class:`healthtrack.airpath.mean_value.Fault` that it changes.
    sign : "negative", "positive" or "both"
        Which sizes it can take.
    scale : float
        Scale of the prior of its size (:data:`healthtrack.diagnosis.hypotheses.TAILS`). [unit]
    weight : float
        How common it is among single faults, relative to the others.
    sudden : float
        How often it comes, or seems to come, all at once and not gradually: between two logs that
        lie weeks apart everything is sudden. [1]
    reason : str
        Why that scale and weight.
    """

    name: str
    words: str
    unit: str
    size_means: str
    field: str
    sign: Sign
    scale: float
    weight: float
    sudden: float
    reason: str


_ALL = (
    Cause(
        "airflow_sensor_reads_low",
        "the airflow sensor reads low",
        "%",
        "error of the airflow reading",
        "airflow_reading",
        "negative",
        8.0,
        1.5,
        0.35,
        "dirt on the element; sensors in use are commonly accepted within ±5 %; common",
    ),
    Cause(
        "airflow_sensor_reads_high",
        "the airflow sensor reads high",
        "%",
        "error of the airflow reading",
        "airflow_reading",
        "positive",
        6.0,
        0.45,
        0.5,
        "a sensor of another make, a disturbed inlet; dirt makes it read low, so this is rare",
    ),
    Cause(
        "manifold_pressure_offset",
        "the manifold pressure sensor is offset",
        "kPa",
        "offset of the manifold pressure reading",
        "pressure_offset",
        "both",
        4.0,
        0.7,
        0.5,
        "1 to 1.5 % of a 250 to 300 kPa range is 2 to 4 kPa (common practice)",
    ),
    Cause(
        "charge_air_leak",
        "air leaks between compressor and engine",
        "%",
        "air lost, of the flow at full boost and 2 500 /min",
        "leak",
        "positive",
        8.0,
        1.6,
        0.65,
        "a hose, a clamp, a split cooler; from a weep to a hose half off; common",
    ),
    Cause(
        "turbocharger_weak",
        "the turbocharger is weak",
        "%",
        "change of the compressor's efficiency",
        "turbocharger_loss",
        "negative",
        10.0,
        1.0,
        0.35,
        "erosion, fouling, worn bearings: efficiency falls from above 0.7 towards 0.6",
    ),
    Cause(
        "charge_cooler_fouled",
        "the charge cooler is fouled",
        "points",
        "effectiveness lost, at full flow",
        "cooler_loss",
        "positive",
        12.0,
        0.8,
        0.3,
        "effectiveness falls from 60 to 85 points when new (common practice)",
    ),
    Cause(
        "air_filter_restricted",
        "the air filter is restricted",
        "kPa",
        "extra depression at the engine's own full flow",
        "restriction",
        "positive",
        2.5,
        1.0,
        0.3,
        "clean 1 to 3 kPa, due near 6.2 kPa at full flow",
    ),
    Cause(
        "egr_stuck_open",
        "the recirculation valve sticks open or leaks",
        "%",
        "extra recirculated gas, of what the cylinders take",
        "recirculation",
        "positive",
        10.0,
        1.0,
        0.5,
        "deposits keep the valve from closing; from a weep to half open",
    ),
    Cause(
        "charge_temperature_offset",
        "the charge temperature sensor is offset",
        "K",
        "offset of the charge temperature reading",
        "temperature_offset",
        "both",
        5.0,
        0.5,
        0.5,
        "sensors are good to 1 or 2 K when sound",
    ),
)

CAUSES: dict[str, Cause] = {cause.name: cause for cause in _ALL}
"""Every cause by its name, in the order of tables."""

PRIOR_NONE = 0.90
"""Probability, before any evidence, that nothing is wrong where no alert was raised: a fault every
four years or so that an alert takes some months to find leaves one day in ten with one under way
(common practice, no source)."""
PRIOR_NONE_ALERTED = 0.15
"""The same where the drift has raised an alert: with one false alert in ten vehicle-years and some
six in ten vehicle-years that have a reason, one in seven is false."""
PRIOR_UNKNOWN = 0.04
"""Share of what is wrong that no cause of the list describes."""
PRIOR_PAIR = 0.06
"""Share of what is wrong that is two causes at once; wear comes in company."""
