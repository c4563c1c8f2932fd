"""What the sensors say while nothing moves: they can be compared with each other there."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from healthtrack.operating.layout import empty_windows, frame_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from healthtrack.operating.grid import FloatArray, Grid, IntArray

SETTLING = 2.0
"""Time that manifold pressure is given to reach ambient after the engine has stopped. [s]"""

NEAREST_SPEED = 2.5
"""How far away the engine speed that tells whether the engine turns may be. [s]"""

LEAST_KEY_ON = 1.5
"""Shortest standstill with the engine off that is kept: two values of a slow logger. [s]"""

LEAST_IDLE = 10.0
"""Shortest standstill with the engine idling that is kept. [s]"""

IDLING = (400.0, 1300.0)
"""Engine speeds that count as idling while the vehicle stands. [rpm]"""

FEWEST_SOAKS = 6
"""Cold soaks from which sensors are compared: the least of which the extremes bound the median with
95 % confidence (1 − 2·0.5^6 = 97 %)."""

SOAKED_AFTER = 6.0
"""Hours after which an engine has nearly the temperature of its surroundings (common practice, no
source: emission tests soak for 6 to 36 h). [h]"""


def standing_pressure(grid: Grid) -> float | None:
    """Manifold pressure with the engine not turning: the surroundings' pressure.

    A manifold pressure value counts where the last engine speed before it and the first after it
    are zero (or, at the drive's start and end, the one that there is), and the engine has stood
    for at least :data:`SETTLING` or had not yet been started.

    Returns
    -------
    float or None
        Median of those values; None where there is none. [kPa]
    """
    if "manifold_pressure" not in grid.fresh or "engine_speed" not in grid.fresh:
        return None
    pressure = grid.fresh["manifold_pressure"]
    stood = _stood(grid, pressure.times)
    return float(np.median(pressure.values[stood])) if stood.any() else None


def find_standstills(grid: Grid) -> pl.DataFrame:
    """Find the stretches in which the vehicle stood, with the engine off or idling.

    Parameters
    ----------
    grid : Grid
        One drive on common times.

    Returns
    -------
    polars.DataFrame
        ``standstills`` of :mod:`healthtrack.records`: means at common times, spread and number of
        the fresh values, of every channel. The two seconds after the engine stopped are left out.
    """
    if "engine_speed" not in grid.fresh:
        return empty_windows()
    speed = grid.channel("engine_speed")
    still = ~(grid.channel("vehicle_speed") >= 1.0)
    off = _stood(grid, grid.times) & still
    idle = still & (speed >= IDLING[0]) & (speed <= IDLING[1])
    starts, points, regions = [], [], []
    for mask, least, region in ((off, LEAST_KEY_ON, "key_on"), (idle, LEAST_IDLE, "idle")):
        begin, length = stretches(grid, mask)
        kept = length * grid.step >= least
        starts.append(begin[kept])
        points.append(length[kept])
        regions += [region] * int(kept.sum())
    begin, length = np.concatenate(starts), np.concatenate(points)
    order = np.argsort(begin, kind="stable")
    ordered = [regions[place] for place in order]
    return frame_of(grid, begin[order], length[order], ordered, standing_pressure(grid))


def stretches(grid: Grid, mask: NDArray[np.bool_]) -> tuple[IntArray, IntArray]:
    """Return starts and lengths of unbroken runs of true, in common times."""
    broken = np.concatenate(([True], np.diff(grid.times) > 1.5 * grid.step, [True]))
    padded = np.concatenate(([False], mask, [False]))
    begins = padded[1:] & (~padded[:-1] | broken)
    ends = padded[:-1] & (~padded[1:] | broken)
    begin = np.flatnonzero(begins)
    return begin, np.flatnonzero(ends) - begin


def cold_soak_differences(standstills: pl.DataFrame, drives: pl.DataFrame) -> pl.DataFrame:
    """Compare temperature sensors with each other after a cold soak.

    When nothing has run for hours, the coolant, the intake air, the charge air and the air outside
    have one temperature, and what differs is sensors (or sun on the bonnet).

    Parameters
    ----------
    standstills, drives : polars.DataFrame
        Of :mod:`healthtrack.records`, of one vehicle.

    Returns
    -------
    polars.DataFrame
        ``drive``, ``soak_hours`` and, less the coolant's, ``intake_temperature``,
        ``charge_temperature`` and ``ambient_temperature`` [K]: one row per drive that began with
        the engine off at least :data:`SOAKED_AFTER` after the drive before.
    """
    rest = drives.sort("started").select(
        "drive",
        soak_hours=(pl.col("started") - pl.col("ended").shift(1)).dt.total_seconds() / 3600.0,
    )
    first = standstills.filter(pl.col("region") == "key_on").sort("t").unique("drive", keep="first")
    names = ("intake_temperature", "charge_temperature", "ambient_temperature")
    return (
        first.join(rest.filter(pl.col("soak_hours") >= SOAKED_AFTER), on="drive", how="inner")
        .select(
            "drive",
            "t",
            "soak_hours",
            *(pl.col(name) - pl.col("coolant_temperature") for name in names),
        )
        .sort("t")
        .drop("t")
    )


def soak_words(differences: pl.DataFrame) -> tuple[str, ...]:
    """Say by how much each temperature sensor differs from the coolant's after a cold soak.

    Parameters
    ----------
    differences : polars.DataFrame
        From :func:`cold_soak_differences`.

    Returns
    -------
    tuple of str
        A sentence per sensor with at least :data:`FEWEST_SOAKS`: the median over the soaks with its
        95 % interval from the order statistics, which a day in the sun does not move. Soaks are
        taken as independent: days lie between them.
    """
    names = {
        "intake_temperature": "intake",
        "charge_temperature": "charge",
        "ambient_temperature": "ambient",
    }
    told = []
    for column, words in names.items():
        values = np.sort(differences[column].drop_nulls().to_numpy())
        if values.size < FEWEST_SOAKS:
            continue
        rank = _lower_rank(values.size)
        interval = values[rank - 1], values[values.size - rank]
        sense = "differs" if interval[0] > 0.0 or interval[1] < 0.0 else "agrees"
        told.append(
            f"After {values.size} cold soaks the {words} temperature sensor {sense}: "
            f"{np.median(values):+.1f} K ({interval[0]:+.1f} to {interval[1]:+.1f}) from the "
            "coolant's."
        )
    return tuple(told)


def _lower_rank(size: int) -> int:
    """Rank of the order statistic that bounds a median from below with 97.5 % (sign test)."""
    chances = np.cumsum([math.comb(size, count) / 2.0**size for count in range(size)])
    return int((chances <= 0.025).sum())


def _stood(grid: Grid, times: FloatArray) -> NDArray[np.bool_]:
    """Tell at which times the engine had stood still for long enough."""
    speed = grid.fresh["engine_speed"]
    turning = speed.values > 0.0
    after = np.searchsorted(speed.times, times, side="left")
    right = np.minimum(after, speed.times.size - 1)
    left = np.maximum(after - 1, 0)
    near = np.minimum(np.abs(times - speed.times[left]), np.abs(times - speed.times[right]))
    last_turn = np.maximum.accumulate(np.where(turning, speed.times, -np.inf))[left]
    rested = (after == 0) | (times - last_turn >= SETTLING)
    return np.asarray(~turning[right] & ~turning[left] & (near <= NEAREST_SPEED) & rested)
