"""The frame of windows and standstills: its columns, and how they are filled from a grid."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from healthtrack.channels import CHANNELS
from healthtrack.operating.grid import places_within, running_sums, statistics

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

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


def stacked(frames: Sequence[pl.DataFrame], nothing: pl.DataFrame) -> pl.DataFrame:
    """Return frames of one layout one under the other; ``nothing`` where there are no rows."""
    filled = [frame for frame in frames if frame.height]
    if len(filled) == 1:
        return filled[0]
    return pl.concat(filled) if filled else nothing


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
    columns: dict[str, NDArray[np.generic]] = {
        "seconds": points * grid.step,
        "standing_pressure": np.full(starts.size, np.nan if standing is None else standing),
    }
    times, places = begin[:0], (starts[:0], starts[:0])
    for name, fresh in grid.fresh.items():
        if times is not fresh.times:  # many channels share theirs
            times, places = fresh.times, places_within(fresh.times, begin, finish)
        count, _, spread = statistics(fresh, places)
        columns[name] = stretch_means(grid.on_grid[name], starts, points)
        columns[f"{name}_sd"] = spread
        columns[f"{name}_n"] = count
    moments = grid.origin + np.round(begin * 1e6).astype(np.int64)
    filled = {
        "drive": pl.Series("drive", [grid.drive]).new_from_index(0, starts.size),
        "t": pl.Series("t", moments).cast(pl.Datetime("us", "UTC")),
        "region": pl.Series("region", regions, dtype=pl.String),
        **{name: pl.Series(name, some, nan_to_null=True) for name, some in columns.items()},
    }
    return pl.DataFrame(
        [
            filled.get(nothing.name, nothing.new_from_index(0, starts.size))
            for nothing in _one_of_nothing().get_columns()
        ]
    )


@cache
def _one_of_nothing() -> pl.DataFrame:
    """Return a row of which nothing is known."""
    return empty_windows().clear(1)


def stretch_means(values: FloatArray, starts: IntArray, points: IntArray) -> FloatArray:
    """Mean over each stretch at the common times; NaN where under half of them are known."""
    known = np.isfinite(values)
    if known.all():
        sums = running_sums(values)
        return np.asarray((sums[starts + points] - sums[starts]) / np.maximum(points, 1))
    sums = running_sums(np.where(known, values, 0.0))
    counts = running_sums(known)
    count = counts[starts + points] - counts[starts]
    mean = (sums[starts + points] - sums[starts]) / np.maximum(count, 1)
    return np.where(2 * count >= points, mean, np.nan)
