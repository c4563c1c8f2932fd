"""What an analyst would otherwise reach for: charts and trend tests of the textbook.

Each chart is a path of scores, one per drive, that alerts where it first exceeds a threshold; so
all can be set to one rate of false alerts and compared.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from scipy.special import ndtr

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]


def ewma(values: FloatArray, weight: float, target: float = 0.0) -> FloatArray:
    """Return the exponentially weighted moving average after each value.

    Parameters
    ----------
    values : (n,) or (n, m) float64
        One series, or m side by side.
    weight : float
        λ, the weight of the newest value.
    target : float
        Where it starts.

    Notes
    -----
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4.
    """
    path = np.empty_like(values, dtype=np.float64)
    now = np.full(values.shape[1:], target, np.float64)
    for place, value in enumerate(values):
        now = weight * value + (1.0 - weight) * now
        path[place] = now
    return path


def ewma_sd(weight: float, count: int | None = None) -> float:
    """Return the standard deviation of an EWMA of unit values, after ``count`` or very many."""
    settled = weight / (2.0 - weight)
    if count is not None:
        settled *= 1.0 - (1.0 - weight) ** (2 * count)
    return float(np.sqrt(settled))


def cusum(values: FloatArray, slack: float, target: float = 0.0) -> tuple[FloatArray, FloatArray]:
    """Return the upper and the lower cumulative sum after each value.

    Parameters
    ----------
    values : (n,) or (n, m) float64
        One series, or m side by side.
    slack : float
        k, in the unit of the values.
    target : float
        The value in control.

    Notes
    -----
    NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3.
    """
    upper = np.empty_like(values, dtype=np.float64)
    lower = np.empty_like(upper)
    up = np.zeros(values.shape[1:])
    down = np.zeros(values.shape[1:])
    for place, value in enumerate(values):
        up = np.maximum(0.0, up + (value - target) - slack)
        down = np.maximum(0.0, down - (value - target) - slack)
        upper[place], lower[place] = up, down
    return upper, lower


def page_hinkley(values: FloatArray, slack: float) -> FloatArray:
    """Return the larger of the two Page-Hinkley statistics after each value (Page 1954).

    The cumulative sum of departures from the running mean, less ``slack``, over its least value.
    """
    path = np.empty_like(values, dtype=np.float64)
    mean = np.zeros(values.shape[1:])
    up, down, least_up, least_down = (np.zeros(values.shape[1:]) for _ in range(4))
    for place, value in enumerate(values):
        mean = mean + (value - mean) / (place + 1)
        up = up + (value - mean - slack)
        down = down + (mean - value - slack)
        least_up, least_down = np.minimum(least_up, up), np.minimum(least_down, down)
        path[place] = np.maximum(up - least_up, down - least_down)
    return path


class Trend(NamedTuple):
    """Mann-Kendall: S, its variance with ties, the normal score, its two-sided probability."""

    score: float
    variance: float
    z: float
    probability: float


def mann_kendall(values: FloatArray) -> Trend:
    """Test a series for a monotonic trend.

    Notes
    -----
    Gilbert, *Statistical Methods for Environmental Pollution Monitoring*, 1987, ch. 16; EPA
    QA/G-9, 2000, p. 4-27. Ties lower the variance of S.
    """
    count = values.size
    rows, columns = np.triu_indices(count, 1)
    score = float(np.sign(values[columns] - values[rows]).sum())
    ties = np.unique(values, return_counts=True)[1].astype(np.float64)
    shared = float((ties * (ties - 1) * (2 * ties + 5)).sum())
    variance = (count * (count - 1) * (2 * count + 5) - shared) / 18.0
    z = (score - np.sign(score)) / np.sqrt(variance) if variance > 0 else 0.0
    return Trend(score, variance, float(z), float(2.0 * ndtr(-abs(z))))


def sen_slope(times: FloatArray, values: FloatArray) -> tuple[float, float, float]:
    """Return Sen's slope with its 95 % interval by Gilbert's ranks.

    Parameters
    ----------
    times, values : (n,) float64
        Pairs of one time are left out.
    """
    rows, columns = np.triu_indices(values.size, 1)
    apart = times[columns] - times[rows]
    use = apart != 0.0
    slopes = np.sort((values[columns] - values[rows])[use] / apart[use])
    half = 1.959963984540054 * np.sqrt(mann_kendall(values).variance)
    ranks = np.arange(1, slopes.size + 1)
    low, high = (slopes.size - half) / 2.0, (slopes.size + half) / 2.0 + 1.0
    ends = np.interp([low, high], ranks, slopes)
    return float(np.median(slopes)), float(ends[0]), float(ends[1])


def first_over(path: FloatArray, threshold: float) -> int:
    """Return the first place at which a path is over a threshold; −1 where it never is."""
    over = np.flatnonzero(path > threshold)
    return int(over[0]) if over.size else -1
