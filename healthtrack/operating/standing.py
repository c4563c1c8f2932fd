"""What the sensors say while nothing moves."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from healthtrack.operating.grid import Grid

SETTLING = 2.0
"""Time that manifold pressure is given to reach ambient after the engine has stopped. [s]"""


def standing_pressure(grid: Grid) -> float | None:
    """Manifold pressure with the engine not turning: the surroundings' pressure.

    A manifold pressure value counts where the last engine speed before it and the first after it
    are zero (or, at the drive's start and end, the one that there is), and the engine has stood
    for at least ``SETTLING`` seconds or had not yet been started.

    Returns
    -------
    float or None
        Median of those values; None where there is none. [kPa]
    """
    if "manifold_pressure" not in grid.fresh or "engine_speed" not in grid.fresh:
        return None
    pressure, speed = grid.fresh["manifold_pressure"], grid.fresh["engine_speed"]
    turning = speed.values > 0.0
    after = np.searchsorted(speed.times, pressure.times, side="left")
    last = speed.times.size - 1
    right, left = np.minimum(after, last), np.maximum(after - 1, 0)
    near = np.minimum(
        np.abs(pressure.times - speed.times[left]), np.abs(pressure.times - speed.times[right])
    )
    stood = ~turning[right] & ~turning[left] & (near <= 2.5)
    last_turn = np.where(turning, speed.times, -np.inf)
    since = pressure.times - np.maximum.accumulate(last_turn)[left]
    first = after == 0
    stood &= first | (since >= SETTLING)
    if not stood.any():
        return None
    return float(np.median(pressure.values[stood]))
