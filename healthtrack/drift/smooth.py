"""What is known now of each past drive: the fixed-interval smoother at the likeliest grid point.

Rauch, Tung & Striebel, *AIAA Journal* 3(8), 1965. Only for drawing: alerts use the filter alone.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from healthtrack.drift.grid import Grid, standard_grid
from healthtrack.drift.level import SHARED, absorb_level, advance_level, moves_of, pin, release
from healthtrack.drift.segment import Carried
from healthtrack.drift.state import first_level, model_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from healthtrack.drift.course import Course
    from healthtrack.drift.gaussian import Term
    from healthtrack.drift.level import Level
    from healthtrack.drift.segment import Segment

    FloatArray = NDArray[np.float64]

FREE_JUMP, FREE_BEND = 0.6, 1.0
"""Prior sd of a found change, in limits and in limits per 10 000 km (as in the change bank)."""


def smooth(
    segment: Segment, course: Course, grid: Grid | None = None
) -> tuple[FloatArray, FloatArray]:
    """Return the smoothed level and its standard deviation for every drive.

    That of the last drive is the course's own, which all grid points share: a drawing ends where
    the verdict says that the level is.

    Parameters
    ----------
    segment : Segment
        N drives, all of the segment.
    course : Course
        Of the same segment; gives the grid point and the drives at which the level was set free.
    grid : Grid, optional
        The one with which it was followed; the product's where none is given.

    Returns
    -------
    (N,), (N,) float64
        [unit]
    """
    alone, point = _at_best_point(segment, course, standard_grid() if grid is None else grid)
    predicted, filtered = _forward(alone, course, point)
    filtered[-1] = _as_told(course, *filtered[-1])
    return _backward(segment, predicted, filtered, float(point.memory_days[0]))


def _as_told(
    course: Course, mean: FloatArray, covariance: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Give level and slope of the last drive the course's moments; the rest follows as it leans.

    Jeffrey's rule (*The Logic of Decision*, 1965, ch. 11) for Gaussians: what is known of the rest
    given level and slope stays as it is. With a single grid point nothing changes.
    """
    cross = course.covariance[-1]
    told = np.array([[course.level_sd[-1] ** 2, cross], [cross, course.slope_sd[-1] ** 2]])
    own = covariance[:2, :2]
    leans = covariance[:, :2] @ np.linalg.pinv(own, hermitian=True)
    shift = np.array([course.level[-1], course.slope[-1]]) - mean[:2]
    return mean + leans @ shift, covariance + leans @ (told - own) @ leans.T


def foretell(
    segment: Segment, course: Course, grid: Grid | None = None
) -> tuple[FloatArray, FloatArray]:
    """Return mean and standard deviation of every drive's figure as the drives before it foretell.

    At the likeliest grid point, which was found with all drives: the state is causal, how lively
    it is taken to be is not. Parameters are those of :func:`smooth`.

    Returns
    -------
    (N,), (N,) float64
        [unit]
    """
    alone, point = _at_best_point(segment, course, standard_grid() if grid is None else grid)
    predicted, _ = _forward(alone, course, point)
    means, sds = np.empty(segment.value.size), np.empty(segment.value.size)
    for drive, (mean, covariance) in enumerate(predicted):
        looks = np.zeros(mean.size)
        looks[[0, 2]] = 1.0  # level and wander
        looks[SHARED : SHARED + segment.shared.shape[1]] = segment.shared[drive]
        noise = course.noise * segment.se[drive] ** 2
        means[drive] = looks @ mean
        sds[drive] = np.sqrt(looks @ covariance @ looks + noise)
    return means, sds


def _at_best_point(segment: Segment, course: Course, full: Grid) -> tuple[Segment, Grid]:
    g, q = course.best
    grid = Grid(
        wander=full.wander[[g]],
        memory_days=full.memory_days[[g]],
        log_prior=np.zeros(1),
        pace=full.pace[[q]],
        walk=full.walk[[q]],
        log_prior_pace=np.zeros(1),
        outlying=full.outlying,
        prior_drives=np.inf,
        candidates=0,
    )
    carried = segment.carried
    alone = Carried(
        carried.mean[[g]], carried.covariance[[g]], np.zeros(1), np.array([course.noise])
    )
    return replace(segment, carried=alone), grid


def _forward(
    segment: Segment, course: Course, grid: Grid
) -> tuple[list[tuple[FloatArray, FloatArray]], list[tuple[FloatArray, FloatArray]]]:
    """Run the filter of one grid point; return its states as predicted and as filtered."""
    model = model_of([segment], grid)
    now = first_level([segment], grid)
    free = {start for start, _ in (*course.injected, *course.pending)}
    everything = np.ones(1, dtype=bool)
    predicted, filtered = [], []
    along, time = (
        np.diff(axis, prepend=axis[0])[:, None] for axis in (segment.distance, segment.days)
    )
    for drive, move in enumerate(moves_of(model, along, time)):
        if drive:
            advance_level(now, move)
            if segment.pinned[drive - 1] and not segment.pinned[drive]:
                release(now, model, everything)
        if segment.pinned[drive]:
            pin(now, everything)
        if drive in free:
            now.covariance[0, 0] += (FREE_JUMP * segment.limit) ** 2
            now.covariance[1, 1] += (FREE_BEND * segment.limit) ** 2
        predicted.append(_moments(now))
        terms: list[Term] = [(0, None), (2, None)]
        terms += [
            (SHARED + part, np.array([factor])) for part, factor in enumerate(segment.shared[drive])
        ]
        noise = np.array([[course.noise * segment.se[drive] ** 2]])
        absorb_level(now, model, terms, (segment.value[[drive]], noise), None)
        filtered.append(_moments(now))
    return predicted, filtered


def _moments(now: Level) -> tuple[FloatArray, FloatArray]:
    return now.mean[:, 0, 0, 0].copy(), now.covariance[..., 0, 0, 0].copy()


def _backward(
    segment: Segment,
    predicted: list[tuple[FloatArray, FloatArray]],
    filtered: list[tuple[FloatArray, FloatArray]],
    memory_days: float,
) -> tuple[FloatArray, FloatArray]:
    count = segment.value.size
    level, variance = np.zeros(count), np.zeros(count)
    mean, covariance = filtered[-1]
    level[-1], variance[-1] = mean[0], covariance[0, 0]
    for drive in range(count - 2, -1, -1):
        move = np.eye(mean.size)
        move[0, 1] = segment.distance[drive + 1] - segment.distance[drive]
        move[2, 2] = np.exp(-(segment.days[drive + 1] - segment.days[drive]) / memory_days)
        mean_then, covariance_then = filtered[drive]
        mean_next, covariance_next = predicted[drive + 1]
        gain = covariance_then @ move.T @ np.linalg.pinv(covariance_next, hermitian=True)
        mean = mean_then + gain @ (mean - mean_next)
        covariance = covariance_then + gain @ (covariance - covariance_next) @ gain.T
        level[drive], variance[drive] = mean[0], covariance[0, 0]
    return level, np.sqrt(np.maximum(variance, 0.0))
