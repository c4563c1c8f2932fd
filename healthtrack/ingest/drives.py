"""Samples to drives: where each begins and ends, how far it went, what the odometer showed."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import polars as pl

from healthtrack import units

if TYPE_CHECKING:
    from pathlib import Path

    from healthtrack.ingest.pipeline import NamedOdometer, Pipeline

_SPEED_GAP_S = 10.0


def drives_of(
    samples: pl.DataFrame, pipeline: Pipeline, vehicle_id: str, path: Path
) -> pl.DataFrame:
    """Return one row per drive, as :mod:`healthtrack.records` describes it.

    The odometer is that of the drive's end: the last reading of its column, else the reading in
    the file's name (which is that of the start) and the distance driven since.
    """
    read = samples.select({"drive", "t", "odometer", "vehicle_speed"} & set(samples.columns))
    every_row = "vehicle_speed" in read.columns and read["vehicle_speed"].null_count() == 0
    drives = read.group_by("drive", maintain_order=True).agg(
        started=pl.col("t").first(),
        ended=pl.col("t").last(),
        odometer_km=_last_reading(read),
        **({"distance_km": _distance()} if every_row else {}),
    )
    if not every_row:
        drives = drives.join(distances(read), on="drive", how="left", maintain_order="left")
    at_start = _named_reading(pipeline.odometer, path)
    if at_start is not None:
        driven = pl.col("distance_km").fill_null(0.0).cum_sum()
        drives = drives.with_columns(odometer_km=pl.col("odometer_km").fill_null(at_start + driven))
    return drives.select(
        "drive",
        pl.lit(vehicle_id).alias("vehicle"),
        pl.lit(path.name).alias("log"),
        "started",
        "ended",
        "odometer_km",
        "distance_km",
    )


def _last_reading(samples: pl.DataFrame) -> pl.Expr:
    if "odometer" in samples.columns:
        return pl.col("odometer").drop_nulls().last()
    return pl.lit(None, dtype=pl.Float64)


def _named_reading(setting: NamedOdometer | None, path: Path) -> float | None:
    if setting is None:
        return None
    found = re.search(setting.name_search, path.name)
    if found is None or not found.group(1):
        return None
    try:
        return units.convert(float(found.group(1)), setting.unit, "km")
    except ValueError:
        return None


def distances(samples: pl.DataFrame) -> pl.DataFrame:
    """Return each drive's ``distance_km``: the speed integrated by the trapezoid rule.

    A stretch without readings adds nothing. [km]
    """
    if "vehicle_speed" not in samples.columns:
        return samples.select(pl.col("drive").unique(maintain_order=True)).with_columns(
            distance_km=pl.lit(None, dtype=pl.Float64)
        )
    return (
        samples.filter(pl.col("vehicle_speed").is_not_null())
        .group_by("drive", maintain_order=True)
        .agg(distance_km=_distance())
    )


def _distance() -> pl.Expr:
    """Integrate the speed of rows that all have one. [km]."""
    hours = pl.col("t").diff().dt.total_microseconds() / 3.6e9
    mean = (pl.col("vehicle_speed") + pl.col("vehicle_speed").shift()) / 2
    return pl.when(hours * 3600 <= _SPEED_GAP_S).then(mean * hours).sum()
