"""Physics across channels: displacement × speed × density bounds the airflow."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import polars as pl

from healthtrack import units
from healthtrack.airpath.gas import GAS_CONSTANT
from healthtrack.errors import LogError
from healthtrack.ingest.values import held

if TYPE_CHECKING:
    from collections.abc import Sequence

    from healthtrack.config import VehicleSettings
    from healthtrack.ingest.values import Source

LOWEST_BREATHING = 0.35
HIGHEST_BREATHING = 1.9
"""Bounds of the apparent volumetric efficiency, high quantile of a log.

A four-stroke engine breathes 0.8–0.95 of its displacement (Heywood, 1988, ch. 6); recirculated
gas takes down to half of it away, and an intake temperature taken ahead of the charge cooler moves
it by up to a quarter. The nearest two units that could be mixed up, kg/h and g/s, are a factor 3.6
apart.
"""

_ENOUGH = 30
_USUAL_BREATHING = 0.9


def breathing(frame: pl.DataFrame, *more: str) -> pl.DataFrame:
    """Return airflow readings beside what one litre can breathe at that moment.

    Parameters
    ----------
    frame : frame
        ``t`` and channels in the store's units.
    *more : str
        Columns to keep.

    Returns
    -------
    frame
        ``airflow`` [g/s]; ``bound``, speed / 2 × density at the manifold's pressure and the best
        known temperature (charge, else intake, else 20 °C) [g/s per litre]; ``bound_20``, the same
        at 20 °C throughout; ``speed`` [rpm]; ``pressure`` [kPa]. Empty where a channel is missing.
    """
    present = set(frame.columns)
    if not {"airflow", "engine_speed", "manifold_pressure"} <= present:
        names = (*more, "airflow", "bound", "bound_20", "speed", "pressure")
        return pl.DataFrame(schema=dict.fromkeys(names, pl.Float64))
    warm = [
        held(frame, name, 30.0)
        for name in ("charge_temperature", "intake_temperature")
        if name in present
    ]
    at_20 = pl.col("speed") / 120 * pl.col("pressure") * 1000 / (GAS_CONSTANT * 293.15)
    return (
        frame.lazy()
        .select(
            *more,
            "airflow",
            speed=held(frame, "engine_speed", 1.5),
            pressure=held(frame, "manifold_pressure", 1.5),
            temperature=pl.coalesce(*warm, pl.lit(20.0)),
        )
        .filter(
            pl.col("airflow").is_not_null() & (pl.col("speed") > 700) & (pl.col("pressure") > 0)
        )
        .with_columns(
            bound=at_20 * 293.15 / (pl.col("temperature") + 273.15),
            bound_20=at_20,
        )
        .collect()
    )


def breathing_ratio(rows: pl.DataFrame, displacement_l: float) -> float:
    """Return the high (90 %) quantile of airflow over its bound (NaN where there is none)."""
    ratio = (rows["airflow"] / rows["bound"]).quantile(0.9)
    return float("nan") if ratio is None else float(ratio) / displacement_l


def check_airflow(
    rows: pl.DataFrame, found: Sequence[Source], vehicle: VehicleSettings, name: str
) -> None:
    """Refuse a log whose airflow cannot come from this engine in the unit it was read in.

    Parameters
    ----------
    rows : frame
        As :func:`breathing` returns it.
    found : sequence of Source
        Where each channel stood.
    vehicle : VehicleSettings
        Its displacement bounds the airflow; without it nothing is checked.
    name : str
        What messages call the file.

    Raises
    ------
    LogError
        ``wrong_unit``, naming the units that would fit.
    """
    source = next((one for one in found if one.channel.name == "airflow"), None)
    if source is None or vehicle.displacement_l is None:
        return
    ratio = breathing_ratio(rows, vehicle.displacement_l)
    if rows.height < _ENOUGH or LOWEST_BREATHING <= ratio <= HIGHEST_BREATHING:
        return
    fitting = _fitting(rows, source, vehicle)
    words = (
        f"Units that would fit: {', '.join(fitting)}."
        if fitting
        else "No unit of the table would fit: the displacement or the column may be wrong."
    )
    raise LogError(
        "wrong_unit",
        f"{name}: {source.header!r}, read in {source.unit_text}, is {ratio:.2f} times what "
        f"{vehicle.displacement_l:g} L can breathe at the logged speed and pressure; expected "
        f"{LOWEST_BREATHING} to {HIGHEST_BREATHING}. {words} Mend unit under "
        "[channels.airflow] of the pipeline, or displacement_l of the vehicle.",
    )


def _fitting(rows: pl.DataFrame, source: Source, vehicle: VehicleSettings) -> list[str]:
    """Return the units that would fit, the most likely first."""
    displacement = vehicle.displacement_l or 0.0
    # airflow [g/s] = mg per stroke · this
    strokes = rows["speed"] / 120 * vehicle.cylinders / 1000
    per_stroke = source.unit.dimension == "mass_per_stroke"
    written = rows["airflow"] / source.unit.factor
    written = written / strokes if per_stroke else written
    candidates = {"mg/stroke": 1.0 * strokes} | {
        spelling: pl.Series([units.named(spelling).factor])
        for spelling in ("g/s", "kg/h", "lb/min", "kg/min", "g/h", "g/min", "kg/s", "lb/h")
    }
    fitting: dict[str, float] = {}
    for spelling, factor in candidates.items():
        ratio = breathing_ratio(rows.with_columns(airflow=written * factor), displacement)
        if LOWEST_BREATHING <= ratio <= HIGHEST_BREATHING:
            fitting[spelling] = abs(math.log(ratio / _USUAL_BREATHING))
    return sorted(fitting, key=fitting.__getitem__)
