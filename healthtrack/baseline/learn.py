"""Learn an indicator's healthy surface: a Bayesian linear model with a random effect per drive.

Windows of one drive are one witness, not many: each drive (in each region) has an offset of its
own, so that a long drive does not outvote ten short ones. Odd windows and odd drives are weighted
down, as a Student-t error with four degrees of freedom would, never dropped. The smoothness is
chosen by the marginal likelihood (Rasmussen & Williams, *Gaussian Processes for Machine Learning*,
2006, ch. 2.7 and 5.4, for a model linear in its coefficients).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.linalg import block_diag, cho_factor, cho_solve

from healthtrack.baseline.model import Baseline, RegionModel, ResponseModel
from healthtrack.baseline.surface import Axis, axis_over, design, penalty

if TYPE_CHECKING:
    from datetime import date

    import polars as pl
    from numpy.typing import NDArray

    from healthtrack.indicators.declaration import Indicator, Response

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]

ROUGHNESS = (0.25, 0.5, 1.0, 2.0, 4.0, 8.0)
"""Candidate standard deviations of a second difference of the surface. [unit of y]"""
FREEDOM = 4.0
"""Degrees of freedom of the Student-t weights: heavy tails as of field data, yet a variance."""
ROUNDS = 6
"""Rounds of reweighting; the variances have settled to 1 % by then (tests/baseline)."""
FLAT_SD = 100.0
"""Prior sd of the surface's level and tilt: wide against any physical value of y. [unit of y]"""
LEAST_WINDOWS = 30
LEAST_DRIVES = 5
"""A region with less in the baseline is left out: it could not tell its own scatter."""
DRIVE_SD_PRIOR = (1.0, 4.0)
"""Between-drive scatter believed before any log (sd in the unit of y, weight in drives): full-load
airflow of the open logs scatters 1–2 % from day to day."""


@dataclass(frozen=True)
class _Region:
    name: str
    axes: tuple[Axis, ...]
    rows: IntArray
    columns: slice


@dataclass(frozen=True)
class _Spread:
    window: FloatArray
    drive: FloatArray


@dataclass(frozen=True)
class _Problem:
    y: FloatArray
    x: FloatArray
    group: IntArray
    region_of_row: IntArray
    region_of_group: IntArray
    regions: tuple[_Region, ...]
    prior_mean: FloatArray
    response_precision: FloatArray


def learn(
    indicator: Indicator, observations: pl.DataFrame, period: tuple[date, date]
) -> Baseline | None:
    """Learn from the observations of the healthy period.

    Parameters
    ----------
    indicator : Indicator
        Its declaration.
    observations : DataFrame
        Of the period only, as the indicator's ``observe`` gives them.
    period : (date, date)
        First and last day, as stated or chosen.

    Returns
    -------
    Baseline or None
        None where no region has enough windows and drives.
    """
    usable = observations.drop_nulls(["y", *indicator.predictors]).sort("drive", "t")
    problem = _problem(indicator, usable)
    if problem is None:
        return None
    mean, covariance, spread = _fit(problem)
    return Baseline(
        indicator=indicator.name,
        start=period[0],
        end=period[1],
        drives=tuple(usable["drive"].unique().sort().to_list()),
        regions=_region_models(problem, mean, covariance, spread),
        responses=_response_models(indicator, problem, mean, covariance),
        seen=_seen(indicator, usable),
    )


def condition_matrix(responses: tuple[Response, ...], frame: pl.DataFrame) -> FloatArray:
    """Return the conditions in steps from their references, 0 where unknown.

    Returns
    -------
    (n, len(responses)) float64
    """
    matrix = np.zeros((frame.height, len(responses)))
    for place, response in enumerate(responses):
        if response.condition in frame.columns:
            values = frame[response.condition].to_numpy().astype(np.float64)
            steps = (values - response.reference) / response.step
            matrix[:, place] = np.nan_to_num(steps, nan=0.0)
    return matrix


def _problem(indicator: Indicator, frame: pl.DataFrame) -> _Problem | None:
    names = frame["region"].to_numpy().astype(str)
    drives = frame["drive"].to_numpy().astype(str)
    columns = [frame[name].to_numpy().astype(np.float64) for name in indicator.predictors]
    regions: list[_Region] = []
    blocks: list[FloatArray] = []
    at = 0
    for name in sorted(set(names)):
        rows = np.flatnonzero(names == name)
        if rows.size < LEAST_WINDOWS or len(set(drives[rows])) < LEAST_DRIVES:
            continue
        axes = tuple(
            axis_over(predictor, column[rows])
            for predictor, column in zip(indicator.predictors, columns, strict=True)
        )
        blocks.append(design(axes, [column[rows] for column in columns]))
        regions.append(_Region(name, axes, rows, slice(at, at + blocks[-1].shape[1])))
        at += blocks[-1].shape[1]
    if not regions:
        return None
    return _assemble(indicator, frame, regions, blocks)


def _assemble(
    indicator: Indicator, frame: pl.DataFrame, regions: list[_Region], blocks: list[FloatArray]
) -> _Problem:
    rows = np.concatenate([region.rows for region in regions])
    region_of_row = np.concatenate([np.full(r.rows.size, i) for i, r in enumerate(regions)])
    weather = condition_matrix(indicator.responses, frame)[rows]
    drives = frame["drive"].to_numpy().astype(str)[rows]
    labels = np.char.add(np.char.add(drives, "|"), region_of_row.astype(str))
    _, first, group = np.unique(labels, return_index=True, return_inverse=True)
    surface = sum(block.shape[1] for block in blocks)
    prior_mean = np.zeros(surface + len(indicator.responses))
    prior_mean[surface:] = [response.mean for response in indicator.responses]
    precision = np.array([response.sd**-2 for response in indicator.responses])
    return _Problem(
        y=frame["y"].to_numpy().astype(np.float64)[rows],
        x=np.hstack([block_diag(*blocks), weather]),
        group=group.astype(np.int64),
        region_of_row=region_of_row,
        region_of_group=region_of_row[first],
        regions=tuple(regions),
        prior_mean=prior_mean,
        response_precision=precision,
    )


def _fit(problem: _Problem) -> tuple[FloatArray, FloatArray, _Spread]:
    count = len(problem.regions)
    scale = np.array([_robust_sd(problem.y[problem.region_of_row == r]) for r in range(count)])
    spread = _Spread(window=np.maximum(scale, 0.1), drive=np.full(count, DRIVE_SD_PRIOR[0]))
    row_weight = np.ones(problem.y.size)
    group_weight = np.ones(problem.region_of_group.size)
    roughness = 1.0
    mean = problem.prior_mean
    covariance = np.eye(mean.size)
    for round_ in range(ROUNDS):
        x, y = _whiten(problem, spread, row_weight, group_weight)
        if round_ in {0, 1, ROUNDS // 2}:
            roughness = _smoothest_likely(problem, x, y)
        mean, covariance = _posterior(problem, x, y, roughness)
        residual = problem.y - problem.x @ mean
        spread, row_weight, group_weight = _spread(problem, residual)
    return mean, covariance, spread


def _whiten(
    problem: _Problem, spread: _Spread, row_weight: FloatArray, group_weight: FloatArray
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


def _precision(problem: _Problem, roughness: float) -> FloatArray:
    blocks = []
    for region in problem.regions:
        size = region.columns.stop - region.columns.start
        blocks.append(penalty(region.axes) / roughness**2 + np.eye(size) / FLAT_SD**2)
    return np.asarray(block_diag(*blocks, np.diag(problem.response_precision)))


def _posterior(
    problem: _Problem, x: FloatArray, y: FloatArray, roughness: float
) -> tuple[FloatArray, FloatArray]:
    prior = _precision(problem, roughness)
    factor = cho_factor(x.T @ x + prior)
    mean = cho_solve(factor, x.T @ y + prior @ problem.prior_mean)
    return mean, cho_solve(factor, np.eye(mean.size))


def _smoothest_likely(problem: _Problem, x: FloatArray, y: FloatArray) -> float:
    """Return the roughness with the highest marginal likelihood."""
    gram, moment = x.T @ x, x.T @ y
    best, best_value = ROUGHNESS[0], -np.inf
    for roughness in ROUGHNESS:
        prior = _precision(problem, roughness)
        factor = cho_factor(gram + prior)
        right = moment + prior @ problem.prior_mean
        mean = cho_solve(factor, right)
        fit = problem.prior_mean @ prior @ problem.prior_mean - right @ mean
        logdet_prior = np.linalg.slogdet(prior)[1]
        logdet_posterior = 2.0 * np.log(np.diag(factor[0])).sum()
        value = 0.5 * (logdet_prior - logdet_posterior - fit)
        if value > best_value:
            best, best_value = roughness, float(value)
    return best


def _spread(problem: _Problem, residual: FloatArray) -> tuple[_Spread, FloatArray, FloatArray]:
    """Estimate the scatter of windows and of drives, robustly, and the weights that follow."""
    counts = np.bincount(problem.group)
    centre = _group_medians(residual, problem.group, counts)
    within = residual - centre[problem.group]
    window = np.empty(len(problem.regions))
    drive = np.empty(len(problem.regions))
    for place in range(len(problem.regions)):
        rows = (problem.region_of_row == place) & (counts[problem.group] >= 3)
        if rows.sum() < LEAST_WINDOWS // 2:
            rows = problem.region_of_row == place
        window[place] = max(_robust_sd(within[rows]) * 1.05, 0.05)
        groups = problem.region_of_group == place
        drive[place] = _drive_sd(centre[groups], counts[groups], window[place])
    z_row = within / window[problem.region_of_row]
    z_group = centre / np.sqrt(
        drive[problem.region_of_group] ** 2 + window[problem.region_of_group] ** 2 / counts
    )
    return (
        _Spread(window, drive),
        (FREEDOM + 1) / (FREEDOM + z_row**2),
        (FREEDOM + 1) / (FREEDOM + z_group**2),
    )


def _drive_sd(centre: FloatArray, counts: IntArray, window_sd: float) -> float:
    prior_sd, prior_weight = DRIVE_SD_PRIOR
    noise = np.median(window_sd**2 / counts)
    variance = max(_robust_sd(centre) ** 2 - noise, 0.0)
    pooled = (prior_weight * prior_sd**2 + centre.size * variance) / (prior_weight + centre.size)
    return float(np.sqrt(pooled))


def _group_medians(values: FloatArray, group: IntArray, counts: IntArray) -> FloatArray:
    order = np.lexsort((values, group))
    ends = np.cumsum(counts)
    starts = ends - counts
    ordered = values[order]
    middle = ordered[starts + (counts - 1) // 2] + ordered[starts + counts // 2]
    return np.asarray(0.5 * middle, np.float64)


def _robust_sd(values: FloatArray) -> float:
    """Return the standard deviation from the median absolute deviation (consistent for normal)."""
    return float(1.4826 * np.median(np.abs(values - np.median(values))))


def _neighbour_correlation(within: FloatArray, group: IntArray) -> float:
    """Return the correlation of neighbouring rows of one group, between 0 and 0.9."""
    together = group[1:] == group[:-1]
    if together.sum() < LEAST_WINDOWS:
        return 0.0
    a, b = within[1:][together], within[:-1][together]
    limit = 4.0 * _robust_sd(within)
    a, b = np.clip(a, -limit, limit), np.clip(b, -limit, limit)
    power = float(np.sqrt(np.mean(a**2) * np.mean(b**2)))
    return float(np.clip(np.mean(a * b) / power, 0.0, 0.9)) if power > 0 else 0.0


def _region_models(
    problem: _Problem, mean: FloatArray, covariance: FloatArray, spread: _Spread
) -> tuple[RegionModel, ...]:
    residual = problem.y - problem.x @ mean
    counts = np.bincount(problem.group)
    within = residual - _group_medians(residual, problem.group, counts)[problem.group]
    models = []
    for place, region in enumerate(problem.regions):
        rows = problem.region_of_row == place
        block = covariance[region.columns, region.columns]
        models.append(
            RegionModel(
                region=region.name,
                axes=region.axes,
                coefficients=tuple(mean[region.columns].tolist()),
                covariance=tuple(tuple(row) for row in block.tolist()),
                window_sd=float(spread.window[place]),
                drive_sd=float(spread.drive[place]),
                correlation=_neighbour_correlation(within[rows], problem.group[rows]),
                windows=int(rows.sum()),
                drives=int((problem.region_of_group == place).sum()),
            )
        )
    return tuple(models)


def _response_models(
    indicator: Indicator, problem: _Problem, mean: FloatArray, covariance: FloatArray
) -> tuple[ResponseModel, ...]:
    at = problem.regions[-1].columns.stop
    return tuple(
        ResponseModel(
            condition=response.condition,
            reference=response.reference,
            step=response.step,
            prior_mean=response.mean,
            prior_sd=response.sd,
            mean=float(mean[at + place]),
            sd=float(np.sqrt(covariance[at + place, at + place])),
        )
        for place, response in enumerate(indicator.responses)
    )


def _seen(indicator: Indicator, frame: pl.DataFrame) -> dict[str, tuple[float, float]]:
    names = [*indicator.predictors, *(response.condition for response in indicator.responses)]
    seen = {}
    for name in names:
        column = frame[name].drop_nulls() if name in frame.columns else frame["y"].head(0)
        if column.len():
            low, high = np.quantile(column.to_numpy().astype(np.float64), [0.02, 0.98])
            seen[name] = (float(low), float(high))
    return seen
