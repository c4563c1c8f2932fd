"""How far a vehicle is driven in a week, and how sure one can be of it for the weeks ahead."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
from scipy.special import ndtri

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

LATE_WEEKS = 26
"""Half a year: long enough to even out holidays, short enough to see a change of job."""
LEAST_WEEKS = 4
CHANGE = 0.2
"""By how much the mean of the weeks ahead may differ from that of the weeks behind (sd, share)."""


@dataclass(frozen=True, slots=True)
class Usage:
    """Mean distance per week and its standard deviation for the weeks ahead. [km]."""

    km_per_week: float
    sd: float

    def weeks(self, distance: float, share: float) -> float:
        """Return the weeks within which a distance is driven with probability ``share``.

        The rate is lognormal: never negative, and its uncertainty is one of proportion.
        """
        spread = np.sqrt(np.log1p((self.sd / self.km_per_week) ** 2))
        middle = np.log(self.km_per_week) - 0.5 * spread**2
        rate = np.exp(middle - float(ndtri(share)) * spread)
        return float(distance / rate)


def usage(drives: pl.DataFrame, as_of: date) -> Usage | None:
    """Learn the usage from the late drives' odometer, or their own distance where there is none.

    Parameters
    ----------
    drives : DataFrame
        ``started``, ``odometer_km``, ``distance_km``.
    as_of : date
        Drives after that day are left out.

    Returns
    -------
    Usage or None
        None with fewer than four weeks, or where nothing tells a distance.
    """
    end = datetime.combine(as_of + timedelta(days=1), time(), tzinfo=UTC)
    begin = end - timedelta(weeks=LATE_WEEKS)
    late = drives.filter((pl.col("started") < end) & (pl.col("started") >= begin)).sort("started")
    if not late.height:
        return None
    first = late["started"][0]
    weeks = int((end - first).total_seconds() // (7 * 86_400))
    if weeks < LEAST_WEEKS:
        return None
    per_week = _per_week(late, first, weeks)
    mean = float(per_week.mean())
    if mean <= 0.0:
        return None
    sampling = float(per_week.std(ddof=1)) / np.sqrt(weeks)
    return Usage(mean, float(np.hypot(sampling, CHANGE * mean)))


def _per_week(late: pl.DataFrame, first: datetime, weeks: int) -> FloatArray:
    """Return the distance of each of the weeks. [km]."""
    days = (late["started"] - first).dt.total_seconds().to_numpy() / 86_400.0
    odometer = late["odometer_km"]
    if odometer.null_count() == 0:
        km = np.maximum.accumulate(odometer.to_numpy().astype(np.float64))
        edges = np.interp(7.0 * np.arange(weeks + 1), days, km)
        return np.diff(edges)
    distance = late["distance_km"].fill_null(0.0).to_numpy()
    week = np.minimum((days // 7).astype(np.int64), weeks - 1)
    return np.bincount(week, weights=distance, minlength=weeks).astype(np.float64)
