"""When a drifting level first passes a limit, as a distribution over distance.

The level moves with a slope; the slope itself may change and the level may wander, each as a random
walk. Paths are followed forward from the joint uncertainty of level and slope now, with evenly
spread starting points; between steps the chance of having touched the limit and come back is that
of a Brownian bridge, so the answer hardly hangs on the step.

How large the errors are is itself known from a few spells of wander only. So all of a path's errors
share a factor, drawn such that the level at any distance has Student's t distribution and not a
normal one (a normal with a scaled inverse χ² variance: Gelman et al., *Bayesian Data Analysis*, 3rd
ed. 2013, section 3.2).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import chi2, norm, qmc

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

STEPS = 120
PATHS = 2048
"""A power of two: the starting points are a Sobol sequence."""
SEED = 6
INNERMOST = 1e-9
"""The starting points stay so far inside the distributions that they are drawn from."""


@dataclass(frozen=True, slots=True)
class DriftState:
    """Level and slope now, and how they move on. Distances in 10 000 km.

    Parameters
    ----------
    level, slope : float
        [unit, unit per 10 000 km]
    level_variance, slope_variance, covariance : float
        Of what is known of both now.
    walk_variance : float
        By which the level wanders on in 10 000 km, for good. [unit²]
    pace_variance : float
        By which the slope changes in 10 000 km. [(unit per 10 000 km)²]
    freedom : float
        Degrees of freedom with which the size of all these errors is known; infinite: exactly.
    """

    level: float
    slope: float
    level_variance: float
    slope_variance: float
    covariance: float = 0.0
    walk_variance: float = 0.0
    pace_variance: float = 0.0
    freedom: float = math.inf


@dataclass(frozen=True)
class Passage:
    """The distribution of the distance to the limit, up to a horizon.

    ``distance`` (m,) rises from 0 to the horizon [km], ``probability`` (m,) that the limit has been
    passed by then; what is left at the horizon may never come.
    """

    distance: FloatArray
    probability: FloatArray

    def quantile(self, share: float) -> float | None:
        """Return the distance by which the limit is passed with this probability. [km].

        None where that is not within the horizon; 0 where it is passed already.
        """
        if share > self.probability[-1]:
            return None
        after = int(np.searchsorted(self.probability, share))
        if after == 0:
            return 0.0
        near = slice(after - 1, after + 1)
        return float(np.interp(share, self.probability[near], self.distance[near]))

    def within(self, distance: float) -> float:
        """Return the probability that the limit is passed within a distance. [km]."""
        return float(np.interp(distance, self.distance, self.probability))


def first_passage(
    state: DriftState,
    high: float | None,
    low: float | None = None,
    horizon_km: float = 30_000.0,
) -> Passage:
    """Return when the level first goes above ``high`` or below ``low``.

    Parameters
    ----------
    state : DriftState
        Where the level stands and how it moves.
    high, low : float or None
        Limits; None for none on that side. [the level's unit]
    horizon_km : float
        How far ahead to look. [km]

    Returns
    -------
    Passage
        The same for the same arguments: the paths' numbers are fixed.
    """
    rng = np.random.default_rng(SEED)
    step = horizon_km / 10_000.0 / STEPS
    level, slope, factor = _start(state, rng)
    walk = np.sqrt(state.walk_variance * step) * factor
    pace = np.sqrt(state.pace_variance * step) * factor
    top = np.inf if high is None else high
    bottom = -np.inf if low is None else low
    alive = ((level < top) & (level > bottom)).astype(np.float64)
    probability = [1.0 - alive.mean()]
    for _ in range(STEPS):
        kick = rng.standard_normal((2, PATHS))
        turn = pace * kick[0]
        moved = level + (slope + 0.5 * turn) * step + walk * kick[1]
        alive = alive * _survives(level, moved, (bottom, top), walk**2)
        level, slope = moved, slope + turn
        probability.append(1.0 - alive.mean())
    distance = np.linspace(0.0, horizon_km, STEPS + 1)
    return Passage(distance, np.maximum.accumulate(np.array(probability)))


def _start(
    state: DriftState, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return each path's level and slope, and the factor on all of its errors."""
    points = np.clip(qmc.Sobol(d=3, rng=rng).random(PATHS), INNERMOST, 1.0 - INNERMOST)
    factor = np.ones(PATHS)
    if math.isfinite(state.freedom):
        factor = np.sqrt(state.freedom / chi2.ppf(points[:, 2], state.freedom))
    first, second = norm.ppf(points[:, :2]).T * factor
    level_sd = np.sqrt(max(state.level_variance, 0.0))
    along = state.covariance / level_sd if level_sd > 0.0 else 0.0
    left = np.sqrt(max(state.slope_variance - along**2, 0.0))
    return state.level + level_sd * first, state.slope + along * first + left * second, factor


def _survives(
    before: FloatArray, after: FloatArray, limits: tuple[float, float], variance: FloatArray
) -> FloatArray:
    bottom, top = limits
    survives = ((after < top) & (after > bottom)).astype(np.float64)
    if np.any(variance > 0.0):
        for room in ((top - before) * (top - after), (before - bottom) * (after - bottom)):
            # no limit is infinitely far, next to no wander divides by next to nothing: both give 0
            with np.errstate(invalid="ignore", over="ignore", divide="ignore"):
                touched = np.exp(-2.0 * np.maximum(room, 0.0) / variance)
            survives = survives * (1.0 - np.nan_to_num(touched))
    return survives
