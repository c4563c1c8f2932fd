"""Learn an indicator's healthy surface: a Bayesian linear model with a random effect per drive.

Windows of one drive are one witness, not many. The answer to the weather is told from one drive to
the next and never within one: there a temperature sensor's steps of 1 K and its slow warming are
all that moves, and an indicator that holds that temperature itself moves the opposite way.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.linalg import block_diag

from healthtrack.baseline.conditions import condition_matrix, with_drive_means
from healthtrack.baseline.fit import (
    Belief,
    Problem,
    Region,
    Scatter,
    Spread,
    belief,
    fit,
    group_medians,
    neighbour_correlation,
)
from healthtrack.baseline.model import Baseline, RegionModel, ResponseModel
from healthtrack.baseline.scale import FLAT_SD, unit_of
from healthtrack.baseline.sisters import joint_covariance, prior_region
from healthtrack.baseline.surface import Axis, axis_over, design, penalty, widest

if TYPE_CHECKING:
    from datetime import date

    import polars as pl
    from numpy.typing import NDArray

    from healthtrack.baseline.sisters import Prior
    from healthtrack.indicators.declaration import Indicator, Response

    FloatArray = NDArray[np.float64]

ROUGHNESS = (0.25, 0.5, 1.0, 2.0, 4.0, 8.0)
"""Candidate standard deviations of a second difference of the surface. [limit/8]"""
LEAST_WINDOWS, LEAST_DRIVES = 20, 5
"""A region with less in the baseline is left out: it could not tell its own scatter."""
LEAST_BORROWING = 2
"""Drives from which a region is kept that sisters have: they tell its scatter."""
DRIVE_SD, DRIVE_WEIGHT = 1.0, 4.0
"""Between-drive scatter believed before any log (sd in limit/8, weight in drives): full-load
airflow of the open logs scatters 1–2 % from day to day."""
DOUBTS = (1.0, 2.0, 4.0, 8.0)
"""Candidate factors on the sd of what sisters say: a sister that is none is believed less."""


def learn(
    indicator: Indicator,
    observations: pl.DataFrame,
    period: tuple[date, date],
    prior: Prior | None = None,
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
    prior : Prior or None
        What sisters' baselines say (:func:`healthtrack.baseline.pool`).

    Returns
    -------
    Baseline or None
        None where no region has enough windows and drives.
    """
    usable = observations.drop_nulls(["y", *indicator.predictors]).sort("drive", "t")
    frame = with_drive_means(usable)
    problem = _problem(indicator, frame, prior)
    if problem is None:
        return None
    mean, covariance, spread = fit(problem)
    answers = _answers(indicator, prior)
    at = problem.regions[-1].columns.stop
    return Baseline(
        indicator=indicator.name,
        start=period[0],
        end=period[1],
        drives=tuple(usable["drive"].unique().sort().to_list()),
        regions=_region_models(indicator, problem, mean, (covariance, spread)),
        responses=_response_models(indicator, answers, at, (mean, covariance)),
        sisters=prior.sisters if prior is not None else 0,
        seen=_seen(indicator, usable),
    )


def _problem(indicator: Indicator, frame: pl.DataFrame, prior: Prior | None) -> Problem | None:
    names = frame["region"].to_numpy().astype(str)
    drives = frame["drive"].to_numpy().astype(str)
    columns = [frame[name].to_numpy().astype(np.float64) for name in indicator.predictors]
    regions: list[Region] = []
    blocks: list[FloatArray] = []
    at = 0
    for name in sorted(set(names.tolist())):
        rows = np.flatnonzero(names == name)
        borrowed = prior is not None and prior.region(name) is not None
        if not _enough(rows.size, len(set(drives[rows])), borrowed=borrowed):
            continue
        here = [column[rows] for column in columns]
        axes = _axes(indicator, here, prior, name)
        blocks.append(design(axes, here))
        regions.append(Region(name, axes, rows, slice(at, at + blocks[-1].shape[1])))
        at += blocks[-1].shape[1]
    if not regions:
        return None
    return _assembled(indicator, frame, (regions, blocks), prior)


def _enough(windows: int, drives: int, *, borrowed: bool) -> bool:
    if borrowed:
        return drives >= LEAST_BORROWING
    return windows >= LEAST_WINDOWS and drives >= LEAST_DRIVES


def _axes(
    indicator: Indicator, columns: list[FloatArray], prior: Prior | None, region: str
) -> tuple[Axis, ...]:
    own = tuple(
        axis_over(predictor, column)
        for predictor, column in zip(indicator.predictors, columns, strict=True)
    )
    theirs = prior.region(region) if prior is not None else None
    return own if theirs is None else widest([own, theirs.axes])


def _assembled(
    indicator: Indicator,
    frame: pl.DataFrame,
    parts: tuple[list[Region], list[FloatArray]],
    prior: Prior | None,
) -> Problem:
    regions, blocks = parts
    unit = unit_of(indicator)
    rows = np.concatenate([region.rows for region in regions])
    region_of_row = np.concatenate([np.full(r.rows.size, i) for i, r in enumerate(regions)])
    weather = condition_matrix(indicator.responses, frame)[rows]
    drives = frame["drive"].to_numpy().astype(str)[rows]
    labels = np.char.add(np.char.add(drives, "|"), region_of_row.astype(str))
    _, first, group = np.unique(labels, return_index=True, return_inverse=True)
    answers = _answers(indicator, prior)
    return Problem(
        y=frame["y"].to_numpy().astype(np.float64)[rows] / unit,
        x=np.hstack([block_diag(*blocks), weather]),
        group=group.astype(np.int64),
        region_of_row=region_of_row,
        region_of_group=region_of_row[first],
        regions=tuple(regions),
        beliefs=_beliefs(indicator, regions, answers, prior),
        scatter=tuple(_scatter(indicator, region.name, prior) for region in regions),
    )


def _scatter(indicator: Indicator, region: str, prior: Prior | None) -> Scatter:
    known = prior.region(region) if prior is not None else None
    if known is None:
        return Scatter(DRIVE_SD, DRIVE_WEIGHT)
    unit = unit_of(indicator)
    return Scatter(known.drive_sd / unit, known.weight, known.window_sd / unit)


def _answers(indicator: Indicator, prior: Prior | None) -> tuple[Response, ...]:
    """Return the answers to the weather as believed before this vehicle's own data."""
    return indicator.responses if prior is None else prior.responses


def _beliefs(
    indicator: Indicator,
    regions: list[Region],
    answers: tuple[Response, ...],
    prior: Prior | None,
) -> tuple[Belief, ...]:
    """Return the candidate priors of surfaces and answers together."""
    unit = unit_of(indicator)
    size = regions[-1].columns.stop
    mean = np.zeros(size + len(answers))
    mean[size:] = [answer.mean / unit for answer in answers]
    weather = np.diag([(answer.sd / unit) ** -2 for answer in answers])
    if prior is None:
        surfaces = _smooth(regions)
    else:
        theirs = [prior_region(prior, indicator, region.name, region.axes) for region in regions]
        mean[:size] = np.concatenate([region.mean for region in theirs]) / unit
        surfaces = [
            np.asarray(np.linalg.inv(joint_covariance(theirs, indicator, doubt) / unit**2))
            for doubt in DOUBTS
        ]
    return tuple(belief(mean, np.asarray(block_diag(part, weather))) for part in surfaces)


def _smooth(regions: list[Region]) -> list[FloatArray]:
    """Return precisions that believe in some smoothness, and in any level and tilt."""
    penalties = [penalty(region.axes) for region in regions]
    return [
        np.asarray(block_diag(*(p / rough**2 + np.eye(p.shape[0]) / FLAT_SD**2 for p in penalties)))
        for rough in ROUGHNESS
    ]


def _region_models(
    indicator: Indicator, problem: Problem, mean: FloatArray, fitted: tuple[FloatArray, Spread]
) -> tuple[RegionModel, ...]:
    covariance, spread = fitted
    unit = unit_of(indicator)
    residual = problem.y - problem.x @ mean
    counts = np.bincount(problem.group)
    within = residual - group_medians(residual, problem.group, counts)[problem.group]
    models = []
    for place, region in enumerate(problem.regions):
        rows = problem.region_of_row == place
        block = unit**2 * covariance[region.columns, region.columns]
        models.append(
            RegionModel(
                region=region.name,
                axes=region.axes,
                coefficients=tuple((unit * mean[region.columns]).tolist()),
                covariance=tuple(tuple(row) for row in block.tolist()),
                window_sd=float(unit * spread.window[place]),
                drive_sd=float(unit * spread.drive[place]),
                correlation=neighbour_correlation(within[rows], problem.group[rows]),
                windows=int(rows.sum()),
                drives=int((problem.region_of_group == place).sum()),
            )
        )
    return tuple(models)


def _response_models(
    indicator: Indicator,
    answers: tuple[Response, ...],
    at: int,
    fitted: tuple[FloatArray, FloatArray],
) -> tuple[ResponseModel, ...]:
    unit = unit_of(indicator)
    mean, covariance = fitted
    return tuple(
        ResponseModel(
            condition=answer.condition,
            reference=answer.reference,
            step=answer.step,
            prior_mean=answer.mean,
            prior_sd=answer.sd,
            mean=float(unit * mean[at + place]),
            sd=float(unit * np.sqrt(covariance[at + place, at + place])),
        )
        for place, answer in enumerate(answers)
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
