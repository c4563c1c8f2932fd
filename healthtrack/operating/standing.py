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

TOLERANCES = {
    "intake_temperature": 4.0,
    "charge_temperature": 4.0,
    "coolant_temperature": 12.0,
}
"""How far sensors may be apart after a soak: air sensors are good to 1 to 2 K each (common
practice, no source); in the open logs the coolant was still 9 K warmer after 11 hours. [K]"""

STILL_WARM = 20.0
"""Coolant this far above the air did not soak, whatever the hours: there was a drive without a log.
[K]"""

AT_THE_START = 60.0
"""How soon after the drive's start the standstill must begin for the engine not to have run. [s]"""

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
    if not begin.size:
        return empty_windows()
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

    When nothing has run for hours, the intake air, the charge air and the air outside have one
    temperature, and what differs is sensors. The coolant keeps some of its heat for longer. Hours
    without a log are no proof of a soak: a coolant far above the air shows an unlogged drive.

    Parameters
    ----------
    standstills, drives : polars.DataFrame
        Of :mod:`healthtrack.records`, of one vehicle.

    Returns
    -------
    polars.DataFrame
        ``drive``, ``soak_hours``, ``against`` (``ambient``, or ``coolant`` where no ambient
        temperature is logged) and, less that one, ``intake_temperature``, ``charge_temperature``
        and ``coolant_temperature`` [K]: one row per drive that began cold with the engine off, at
        least :data:`SOAKED_AFTER` after the drive before.
    """
    rest = drives.sort("started").select(
        "drive",
        "started",
        soak_hours=(pl.col("started") - pl.col("ended").shift(1)).dt.total_seconds() / 3600.0,
    )
    first = standstills.filter(pl.col("region") == "key_on").sort("t").unique("drive", keep="first")
    ambient, coolant = pl.col("ambient_temperature"), pl.col("coolant_temperature")
    names = ("intake_temperature", "charge_temperature", "coolant_temperature")
    return (
        first.join(rest.filter(pl.col("soak_hours") >= SOAKED_AFTER), on="drive", how="inner")
        .filter(
            (pl.col("t") - pl.col("started")).dt.total_seconds() <= AT_THE_START,
            coolant - pl.coalesce(ambient, coolant) <= STILL_WARM,
        )
        .sort("t")
        .select(
            "drive",
            "soak_hours",
            pl.when(ambient.is_not_null())
            .then(pl.lit("ambient"))
            .otherwise(pl.lit("coolant"))
            .alias("against"),
            *(pl.col(name) - pl.coalesce(ambient, coolant) for name in names),
        )
    )


def soak_words(differences: pl.DataFrame) -> tuple[str, ...]:
    """Say by how much each temperature sensor differs from the others after a cold soak.

    Parameters
    ----------
    differences : polars.DataFrame
        From :func:`cold_soak_differences`.

    Returns
    -------
    tuple of str
        A sentence per sensor with at least :data:`FEWEST_SOAKS`: the median over the soaks with its
        95 % interval from the order statistics, which a day in the sun does not move. Soaks are
        taken as independent: days lie between them. A sensor differs if the interval lies beyond
        what sensors and engine-bay heat make (:data:`TOLERANCES`).
    """
    told = []
    for (against,), rows in differences.group_by(["against"], maintain_order=True):
        for column, tolerance in TOLERANCES.items():
            values = np.sort(rows[column].drop_nulls().to_numpy())
            if values.size < FEWEST_SOAKS or column == f"{against}_temperature":
                continue
            rank = _lower_rank(values.size)
            low, high = values[rank - 1], values[values.size - rank]
            differs = low > tolerance or high < -tolerance
            told.append(
                f"After {values.size} cold soaks the {column.split('_')[0]} temperature sensor "
                f"{'differs from' if differs else 'agrees with'} the {against} one: "
                f"{np.median(values):+.1f} K ({low:+.1f} to {high:+.1f})."
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
