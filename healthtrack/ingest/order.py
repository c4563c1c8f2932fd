"""Which readings of something that only grows (a clock, an odometer) can all be right together."""

from __future__ import annotations

from bisect import bisect_right
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import polars as pl
    from numpy.typing import NDArray


def ticks(t: pl.Series) -> NDArray[np.int64]:
    """Return times, none of them missing, as numbers. [µs since 1970, UTC]."""
    return t.to_numpy().view(np.int64)


def longest_rise(values: NDArray[np.int64] | NDArray[np.float64]) -> NDArray[np.bool_]:
    """Return the largest set of readings that never go back.

    Parameters
    ----------
    values : (n,) int64 or float64
        In the order in which they were written; none missing.

    Returns
    -------
    (n,) bool
        True where a reading belongs to the longest non-decreasing subsequence (patience sorting,
        Fredman, *Discrete Mathematics* 11, 1975). Of several, the one that ends lowest.
    """
    kept = np.ones(len(values), dtype=np.bool_)
    if len(values) < 2 or bool(np.all(values[1:] >= values[:-1])):
        return kept
    tails: list[float] = []
    tail_rows: list[int] = []
    before = np.full(len(values), -1, dtype=np.int64)
    for row, value in enumerate(values.tolist()):
        place = bisect_right(tails, value)
        before[row] = tail_rows[place - 1] if place else -1
        if place == len(tails):
            tails.append(value)
            tail_rows.append(row)
        else:
            tails[place], tail_rows[place] = value, row
    kept[:] = False
    row = tail_rows[-1]
    while row >= 0:
        kept[row] = True
        row = int(before[row])
    return kept
