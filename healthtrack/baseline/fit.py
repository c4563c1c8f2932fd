"""The algebra of learning: robust generalised least squares with a Gaussian prior.

Each drive (in each region) has an offset of its own, so that a long drive does not outvote ten
short ones. Odd windows and odd drives are weighted down, as a Student-t error with four degrees of
freedom would, never dropped. Among the candidate priors the one with the highest marginal
likelihood is taken (Rasmussen & Williams, *Gaussian Processes for Machine Learning*, 2006, ch. 2.7
and 5.4, for a model linear in its coefficients).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.linalg import cho_factor, cho_solve

from healthtrack.spread import robust_sd

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from healthtrack.baseline.surface import Axis

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]

FREEDOM = 4.0
"""Degrees of freedom of the Student-t weights: heavy tails as of field data, yet a variance."""
ROUNDS = 6
"""Rounds of reweighting; the variances have settled to 1 % by then (tests/baseline)."""
SETTLED = 20
"""Windows from which a region's own scatter is taken from drives with three or more of them."""


@dataclass(frozen=True)
class Region:
    """One region's rows in the observations, and its columns in the design."""

    name: str
    axes: tuple[Axis, ...]
    rows: IntArray
    columns: slice


@dataclass(frozen=True)
class Belief:
    """A Gaussian prior of all coefficients, with its log determinant for comparing priors."""

    mean: FloatArray
    precision: FloatArray
    log_determinant: float


@dataclass(frozen=True)
class Scatter:
    """What is believed of the scatter: sd of drives and of windows, each worth some drives."""

    drive: float
    weight: float
    window: float | None = None


@dataclass(frozen=True)
class Spread:
    """Scatter of windows around their drive, and of drives, per region."""

    window: FloatArray
    drive: FloatArray


@dataclass(frozen=True)
class Problem:
    """Data and priors in parts of the indicator's limit; rows of all regions one after another."""

    y: FloatArray
    x: FloatArray
    group: IntArray
    region_of_row: IntArray
    region_of_group: IntArray
    regions: tuple[Region, ...]
    beliefs: tuple[Belief, ...]
    scatter: tuple[Scatter, ...]


def belief(mean: FloatArray, precision: FloatArray) -> Belief:
    """Return a prior with its log determinant."""
    return Belief(mean, precision, float(np.linalg.slogdet(precision)[1]))


def fit(problem: Problem) -> tuple[FloatArray, FloatArray, Spread]:
    """Return posterior mean (m,), covariance (m, m) and scatter, in the problem's unit."""
    count = len(problem.regions)
    scale = np.array([robust_sd(problem.y[problem.region_of_row == r]) for r in range(count)])
    drive = np.array([scatter.drive for scatter in problem.scatter])
    spread = Spread(window=np.maximum(scale, 0.1), drive=drive)
    row_weight = np.ones(problem.y.size)
    group_weight = np.ones(problem.region_of_group.size)
    prior = problem.beliefs[0]
    mean = prior.mean
    covariance = np.eye(mean.size)
    for round_ in range(ROUNDS):
        x, y = whitened(problem, spread, row_weight, group_weight)
        if round_ in {0, 1, ROUNDS // 2}:
            prior = likeliest(problem.beliefs, x, y)
        mean, covariance = posterior(prior, x, y)
        residual = problem.y - problem.x @ mean
        spread, row_weight, group_weight = _spread(problem, residual)
    return mean, covariance, spread


def whitened(
    problem: Problem, spread: Spread, row_weight: FloatArray, group_weight: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return design and data scaled so that the errors are independent with variance one.

    A random effect of variance τ² beside row variances σ²/w is removed by taking from each row a
    share of its group's weighted mean (generalised least squares of the one-way error component;
    Baltagi, *Econometric Analysis of Panel Data*, ch. 2, with weights).
    """
    root = np.sqrt(row_weight) / spread.window[problem.region_of_row]
    total = np.bincount(problem.group, weights=root**2)
    tau2 = spread.drive[problem.region_of_group] ** 2 / group_weight
    share = (1.0 - 1.0 / np.sqrt(1.0 + tau2 * total)) / total
    stacked = np.column_stack([problem.x, problem.y])
    sums = np.zeros((total.size, stacked.shape[1]))
    np.add.at(sums, problem.group, root[:, None] ** 2 * stacked)
    means = share[:, None] * sums
    scaled = root[:, None] * (stacked - means[problem.group])
    return scaled[:, :-1], scaled[:, -1]


def posterior(prior: Belief, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return mean (m,) and covariance (m, m) of the coefficients given whitened data."""
    factor = cho_factor(x.T @ x + prior.precision)
    mean = cho_solve(factor, x.T @ y + prior.precision @ prior.mean)
    return mean, cho_solve(factor, np.eye(mean.size))


def likeliest(beliefs: Sequence[Belief], x: FloatArray, y: FloatArray) -> Belief:
    """Return the prior under which the whitened data have the highest density."""
    gram, moment = x.T @ x, x.T @ y
    best, best_value = beliefs[0], -np.inf
    for prior in beliefs:
        factor = cho_factor(gram + prior.precision)
        pull = prior.precision @ prior.mean
        mean = cho_solve(factor, moment + pull)
        fit_ = prior.mean @ pull - (moment + pull) @ mean
        log_determinant = 2.0 * np.log(np.diag(factor[0])).sum()
        value = 0.5 * (prior.log_determinant - log_determinant - fit_)
        if value > best_value:
            best, best_value = prior, float(value)
    return best


def _spread(problem: Problem, residual: FloatArray) -> tuple[Spread, FloatArray, FloatArray]:
    """Estimate the scatter of windows and of drives, robustly, and the weights that follow."""
    counts = np.bincount(problem.group)
    centre = group_medians(residual, problem.group, counts)
    within = residual - centre[problem.group]
    window = np.empty(len(problem.regions))
    drive = np.empty(len(problem.regions))
    for place in range(len(problem.regions)):
        rows = (problem.region_of_row == place) & (counts[problem.group] >= 3)
        if rows.sum() < SETTLED // 2:
            rows = problem.region_of_row == place
        scatter = problem.scatter[place]
        own = max(robust_sd(within[rows]) * 1.05, 0.05)
        window[place] = _window_sd(own, int(rows.sum()), scatter)
        groups = problem.region_of_group == place
        noise = float(np.median(window[place] ** 2 / counts[groups]))
        drive[place] = _drive_sd(centre[groups], noise, scatter)
    z_row = within / window[problem.region_of_row]
    z_group = centre / np.sqrt(
        drive[problem.region_of_group] ** 2 + window[problem.region_of_group] ** 2 / counts
    )
    return (
        Spread(window, drive),
        (FREEDOM + 1) / (FREEDOM + z_row**2),
        (FREEDOM + 1) / (FREEDOM + z_group**2),
    )


def _window_sd(own: float, rows: int, scatter: Scatter) -> float:
    """Lean on what is believed of windows while there are few."""
    if scatter.window is None:
        return own
    variance = (SETTLED * scatter.window**2 + rows * own**2) / (SETTLED + rows)
    return float(np.sqrt(variance))


def _drive_sd(centre: FloatArray, noise: float, scatter: Scatter) -> float:
    variance = max(robust_sd(centre) ** 2 - noise, 0.0)
    weight = scatter.weight
    pooled = (weight * scatter.drive**2 + centre.size * variance) / (weight + centre.size)
    return float(np.sqrt(pooled))


def group_medians(values: FloatArray, group: IntArray, counts: IntArray) -> FloatArray:
    """Return each group's median."""
    order = np.lexsort((values, group))
    ends = np.cumsum(counts)
    starts = ends - counts
    ordered = values[order]
    middle = ordered[starts + (counts - 1) // 2] + ordered[starts + counts // 2]
    return np.asarray(0.5 * middle, np.float64)


def neighbour_correlation(within: FloatArray, group: IntArray) -> float:
    """Return the correlation of neighbouring rows of one group, between 0 and 0.9."""
    together = group[1:] == group[:-1]
    if together.sum() < SETTLED:
        return 0.0
    a, b = within[1:][together], within[:-1][together]
    limit = 4.0 * robust_sd(within)
    a, b = np.clip(a, -limit, limit), np.clip(b, -limit, limit)
    power = float(np.sqrt(np.mean(a**2) * np.mean(b**2)))
    return float(np.clip(np.mean(a * b) / power, 0.0, 0.9)) if power > 0 else 0.0
