"""Whose log is it? Gearing and breathing tell one vehicle from another.

In each gear road speed over engine speed is a constant of the vehicle (tyres, axle, gearbox), and a
drive's steady windows lie on a handful of them. A log whose windows lie on none of its vehicle's,
but on another vehicle's, was put into the wrong folder.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import polars as pl
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
    return _gearing_of(_ratios(windows))


def _gearing_of(ratio: FloatArray) -> Gearing:
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
    road, engine = (
        windows[name].to_numpy().astype(np.float64) for name in ("vehicle_speed", "engine_speed")
    )
    moving = (road > _SLOWEST) & (engine > _IDLE)  # not so where one of them is missing
    return np.log(road[moving] / engine[moving])


def share_in(ratio: FloatArray, gears: tuple[float, ...]) -> float:
    """Return the share of speed ratios that lie on one of the gears."""
    if not len(ratio) or not gears:
        return 0.0
    off = np.abs(ratio[:, None] - np.array(gears)[None, :]).min(axis=1)
    return float(np.mean(off <= WIDTH))


_CLEAR_MAJORITY = 2 / 3
_FEWEST_GEARS = 3


def strangers(logs: Sequence[pl.DataFrame]) -> tuple[int, ...]:
    """Say which of the first logs of a vehicle are another's, told by the others among them.

    Logs on the same gears are of one vehicle; where those hold two thirds of all windows, show
    three gears and are enough to know a vehicle by, a log that lies on none of them is a stranger.

    Parameters
    ----------
    logs : sequence of frame
        The windows of each log, as :func:`gearing` takes them.

    Returns
    -------
    tuple of int
        Places of the strangers; none where there is no clear majority.
    """
    ratios = {at: _ratios(windows) for at, windows in enumerate(logs)}
    usable = {at: ratio for at, ratio in ratios.items() if len(ratio) >= _FEWEST_NEW}
    if len(usable) < 3:
        return ()
    groups = (_alike(seed, usable) for seed in usable)
    own = max(groups, key=lambda group: (sum(len(usable[at]) for at in group), -min(group)))
    known = _gearing_of(np.concatenate([usable[at] for at in own]))
    total = sum(len(ratio) for ratio in usable.values())
    clear = known.windows >= _CLEAR_MAJORITY * total and len(own) > len(usable) / 2
    if not (clear and known.tells and len(known.gears) >= _FEWEST_GEARS):
        return ()
    return tuple(
        at for at, ratio in usable.items() if share_in(ratio, known.gears) <= _FOREIGN_SHARE
    )


def _alike(seed: int, ratios: Mapping[int, FloatArray]) -> list[int]:
    """Return the logs that lie on the gears of one of them, and of those found so far."""
    group = [seed]
    while True:
        gears = _gearing_of(np.concatenate([ratios[at] for at in group])).gears
        more = [
            at
            for at, ratio in ratios.items()
            if at not in group and share_in(ratio, gears) >= _KNOWN_SHARE
        ]
        if not more:
            return sorted(group)
        group += more


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
    return fits(windows, others)


def fits(windows: pl.DataFrame, vehicles: Mapping[str, Gearing]) -> tuple[str, ...]:
    """Return the vehicles on whose gears a log's windows lie."""
    ratio = _ratios(windows)
    return tuple(
        name
        for name, known in vehicles.items()
        if known.tells and share_in(ratio, known.gears) >= _KNOWN_SHARE
    )
