"""What the driver asks of the engine."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from healthtrack.operating.grid import Grid

FULL_LOAD_PERCENT = 85.0
"""Calculated load from which the engine is at full load. [%]"""

FULL_PEDAL = 0.7
"""Share of the pedal's travel above rest from which a diesel asks for all it has: the upper part of
the travel is commonly flat (common practice, no source). On the open logs boost is at its ceiling
(225 to 235 kPa) from half of the travel on; where the pedal is linear, half is not full load."""

PULL_FUEL = 0.85
"""Share of the drive's greatest injected fuel or torque that counts as full demand."""


def pedal_rest(grid: Grid) -> float:
    """Return the pedal's reading at rest in percent: the least of the drive, if it is small."""
    least = float(grid.fresh["pedal"].values.min())
    return least if least < 30.0 else 0.0


def full_demand(grid: Grid) -> NDArray[np.bool_] | None:
    """Tell at which common times all was asked of the engine.

    By the pedal, else the calculated load, else the injected fuel or the torque against the
    drive's own greatest.

    Returns
    -------
    (g,) bool or None
        None where no channel tells.
    """
    name = demand_channel(grid)
    if name is None:
        return None
    asked = grid.channel(name)
    if name == "pedal":
        rest = pedal_rest(grid)
        return np.asarray((asked - rest) / (100.0 - rest) >= FULL_PEDAL)
    if name == "load":
        return np.asarray(asked >= FULL_LOAD_PERCENT)
    return np.asarray(asked >= PULL_FUEL * grid.fresh[name].values.max())


def demand_channel(grid: Grid) -> str | None:
    """Name the channel by which full demand is told; None where there is none."""
    names = ("pedal", "load", "fuel_per_stroke", "torque")
    return next((name for name in names if name in grid.fresh), None)
