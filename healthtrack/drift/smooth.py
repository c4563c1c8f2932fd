"""What is known now of each past drive: the fixed-interval smoother at the likeliest grid point.

Rauch, Tung & Striebel, *AIAA Journal* 3(8), 1965. Only for drawing: alerts use the filter alone.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from healthtrack.drift.grid import Grid, standard_grid
from healthtrack.drift.level import LevelFilter, batch
from healthtrack.drift.segment import Carried

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from healthtrack.drift.run import Course
    from healthtrack.drift.segment import Segment

    FloatArray = NDArray[np.float64]


def smooth(segment: Segment, course: Course) -> tuple[FloatArray, FloatArray]:
    """Return the smoothed level and its standard deviation for every drive.

    Parameters
    ----------
    segment : Segment
        N drives.
    course : Course
        Of the same segment; gives the grid point and the drives at which the level was set free.

    Returns
    -------
    (N,), (N,) float64
        [unit]
    """
    alone, grid = _at_best_point(segment, course)
    data = batch([alone])
    filter_ = LevelFilter(data, [alone], grid)
    free = {start for start, _ in course.injected}
    predicted, filtered = [], []
    for drive in range(segment.value.size):
        filter_.advance(drive)
        if drive in free:
            filter_.free(0)
        predicted.append((filter_.mean[0, 0, 0].copy(), filter_.covariance[0, 0, 0].copy()))
        filter_.absorb(drive)
        filtered.append((filter_.mean[0, 0, 0].copy(), filter_.covariance[0, 0, 0].copy()))
    return _backward(segment, float(grid.memory_days[0]), predicted, filtered)


def _at_best_point(segment: Segment, course: Course) -> tuple[Segment, Grid]:
    g, q = course.best
    full = standard_grid()
    grid = Grid(
        noise=full.noise[[g]],
        wander=full.wander[[g]],
        memory_days=full.memory_days[[g]],
        log_prior=np.zeros(1),
        pace=full.pace[[q]],
        log_prior_pace=np.zeros(1),
    )
    carried = segment.carried
    alone = Carried(carried.mean[[g]], carried.covariance[[g]], np.zeros(1))
    return replace(segment, carried=alone), grid


def _backward(
    segment: Segment,
    memory_days: float,
    predicted: list[tuple[FloatArray, FloatArray]],
    filtered: list[tuple[FloatArray, FloatArray]],
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
