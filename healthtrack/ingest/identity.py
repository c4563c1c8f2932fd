"""Whose log is it? Gearing and breathing tell one vehicle from another.

In each gear road speed over engine speed is a constant of the vehicle (tyres, axle, gearbox), and a
drive's steady windows lie on a handful of them. A log whose windows lie on none of its vehicle's,
but on another vehicle's, was put into the wrong folder.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

WIDTH = 0.025
"""Half width of a gear, as a share: tyre wear and pressure move it by 1 to 2 %."""

_FEWEST_WINDOWS = 150
_FEWEST_NEW = 12
_KNOWN_SHARE = 0.75
_FOREIGN_SHARE = 0.25
_GEAR_SHARE = 0.01
_SLOWEST, _IDLE = 15.0, 1000.0


@dataclass(frozen=True, slots=True)
class Gearing:
    """The gears that a vehicle was seen in.

    Parameters
    ----------
    gears : tuple of float
        Natural logarithm of road speed over engine speed. [log of km/h per rpm]
    windows : int
        Windows behind it.
    share : float
        Share of them that lie on one of the gears: near 1 for a gearbox, low for a
        transmission without steps, of which then nothing can be said.
    """

    gears: tuple[float, ...]
    windows: int
    share: float

    @property
    def tells(self) -> bool:
        """Whether enough is known, and the gearbox has steps."""
        return self.windows >= _FEWEST_WINDOWS and self.share >= _KNOWN_SHARE


def gearing(windows: pl.DataFrame) -> Gearing:
    """Return the gears that show in a vehicle's steady windows.

    Parameters
    ----------
    windows : frame
        ``engine_speed`` [rpm] and ``vehicle_speed`` [km/h]; may lack them.
    """
    ratio = _ratios(windows)
    if len(ratio) < _FEWEST_NEW:
        return Gearing((), len(ratio), 0.0)
    gears: list[float] = []
    left = ratio
    while len(left) >= max(_FEWEST_NEW // 3, _GEAR_SHARE * len(ratio)):
        centre = _densest(left)
        near = np.abs(left - centre) <= WIDTH
        if near.sum() < max(3, _GEAR_SHARE * len(ratio)):
            break
        gears.append(float(np.median(left[near])))
        left = left[~near]
        if len(gears) == 12:
            break
    gears.sort()
    return Gearing(tuple(gears), len(ratio), share_in(ratio, tuple(gears)))


def _densest(values: FloatArray) -> float:
    ordered = np.sort(values)
    ends = np.searchsorted(ordered, ordered + 2 * WIDTH, side="right")
    best = int(np.argmax(ends - np.arange(len(ordered))))
    return float(ordered[best] + WIDTH)


def _ratios(windows: pl.DataFrame) -> FloatArray:
    if not {"engine_speed", "vehicle_speed"} <= set(windows.columns):
        return np.empty(0)
    moving = windows.filter((pl.col("vehicle_speed") > _SLOWEST) & (pl.col("engine_speed") > _IDLE))
    ratio = moving.select((pl.col("vehicle_speed") / pl.col("engine_speed")).log())
    return np.array(ratio.to_series().drop_nulls().to_numpy(), dtype=np.float64)


def share_in(ratio: FloatArray, gears: tuple[float, ...]) -> float:
    """Return the share of speed ratios that lie on one of the gears."""
    if not len(ratio) or not gears:
        return 0.0
    off = np.abs(ratio[:, None] - np.array(gears)[None, :]).min(axis=1)
    return float(np.mean(off <= WIDTH))


def foreign(
    windows: pl.DataFrame, own: Gearing, others: Mapping[str, Gearing]
) -> tuple[str, ...] | None:
    """Say whether a log's windows are another vehicle's.

    Parameters
    ----------
    windows : frame
        Of the new log.
    own : Gearing
        What is known of the vehicle that it is said to be of.
    others : mapping of str to Gearing
        What is known of the other vehicles.

    Returns
    -------
    tuple of str or None
        None where the log fits, or where too little is known to say; else the vehicles that it
        would fit (none of them: an empty tuple).
    """
    ratio = _ratios(windows)
    if not own.tells or len(ratio) < _FEWEST_NEW or share_in(ratio, own.gears) > _FOREIGN_SHARE:
        return None
    return tuple(
        name
        for name, other in others.items()
        if other.tells and share_in(ratio, other.gears) >= _KNOWN_SHARE
    )
