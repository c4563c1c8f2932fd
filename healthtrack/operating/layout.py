"""The frame of windows and standstills: its columns, and how they are filled from a grid."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from healthtrack.channels import CHANNELS
from healthtrack.operating.grid import fresh_statistics

if TYPE_CHECKING:
    from collections.abc import Sequence

    from healthtrack.operating.grid import FloatArray, Grid, IntArray


def window_schema() -> dict[str, pl.DataType | type[pl.DataType]]:
    """Return the columns of ``windows`` and ``standstills`` and their types."""
    schema: dict[str, pl.DataType | type[pl.DataType]] = {
        "drive": pl.String,
        "t": pl.Datetime("us", "UTC"),
        "seconds": pl.Float64,
        "region": pl.String,
        "standing_pressure": pl.Float64,
    }
    for name in CHANNELS:
        schema |= {name: pl.Float64, f"{name}_sd": pl.Float64, f"{name}_n": pl.Int64}
    return schema


@cache  # a frame cannot be changed, and making this one takes longer than finding a drive's windows
def empty_windows() -> pl.DataFrame:
    """Return a frame of windows or standstills without rows."""
    return pl.DataFrame(schema=window_schema())


def frame_of(
    grid: Grid,
    starts: IntArray,
    points: IntArray,
    regions: Sequence[str],
    standing: float | None,
) -> pl.DataFrame:
    """Fill the frame for given stretches of common times.

    Parameters
    ----------
    grid : Grid
        One drive on common times.
    starts, points : (w,) int64
        First common time and number of them, of each stretch.
    regions : sequence of str
        Name of each stretch's region.
    standing : float or None
        Manifold pressure with the engine not turning. [kPa]
    """
    begin = grid.times[starts]
    finish = begin + points * grid.step
    columns: dict[str, object] = {
        "drive": pl.repeat(grid.drive, starts.size, dtype=pl.String, eager=True),
        "t": grid.origin + np.round(begin * 1e6).astype(np.int64),
        "seconds": points * grid.step,
        "region": regions,
        "standing_pressure": np.full(starts.size, np.nan if standing is None else standing),
    }
    for name, fresh in grid.fresh.items():
        count, _, spread = fresh_statistics(fresh, begin, finish)
        columns[name] = stretch_means(grid.on_grid[name], starts, points)
        columns[f"{name}_sd"] = spread
        columns[f"{name}_n"] = count
    frame = pl.DataFrame(columns, schema_overrides={"region": pl.String}).with_columns(
        pl.col(pl.Float64).fill_nan(None), pl.col("t").cast(pl.Datetime("us", "UTC"))
    )
    return pl.concat([empty_windows(), frame], how="diagonal")


def stretch_means(values: FloatArray, starts: IntArray, points: IntArray) -> FloatArray:
    """Mean over each stretch at the common times; NaN where under half of them are known."""
    known = np.isfinite(values)
    sums = np.concatenate((np.zeros(1), np.cumsum(np.where(known, values, 0.0))))
    counts = np.concatenate((np.zeros(1), np.cumsum(known)))
    count = counts[starts + points] - counts[starts]
    mean = (sums[starts + points] - sums[starts]) / np.maximum(count, 1)
    return np.where(2 * count >= points, mean, np.nan)
