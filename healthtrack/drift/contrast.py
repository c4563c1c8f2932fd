"""What work on the vehicle has changed: the drives before against the drives after, with a band."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtri

from healthtrack.drift.grid import standard_grid

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from healthtrack.drift.course import Course
    from healthtrack.drift.segment import Segment

    FloatArray = NDArray[np.float64]

Z95 = float(ndtri(0.975))
FEWEST = 3
"""Drives on each side under which a contrast says nothing."""


@dataclass(frozen=True)
class Contrast:
    """By how much the figure moved, with its 95 % band, from so many drives on each side."""

    change: float
    low: float
    high: float
    before: int
    after: int


def memory_of(course: Course) -> float:
    """Return the correlation time of the wander that fits a course best. [days]."""
    return float(standard_grid().memory_days[course.best[0]])


def contrast(
    segment: Segment, at: int, wander_sd: float, memory_days: float, drives: int = 12
) -> Contrast | None:
    """Compare the drives just before a place with those from it on.

    Generalised least squares of one step: the noise of each drive, the wander that neighbours in
    time share and the error of the answers to the weather are all in the band; what both sides
    share (the offset) drops out.

    Parameters
    ----------
    segment : Segment
        The drives of both sides.
    at : int
        Place of the first drive after the work.
    wander_sd, memory_days : float
        Size [unit] and correlation time [days] of the vehicle's wander.
    drives : int
        At most so many on each side.

    Returns
    -------
    Contrast or None
        None with fewer than three drives on a side.
    """
    first, last = max(at - drives, 0), min(at + drives, segment.value.size)
    before, after = at - first, last - at
    if min(before, after) < FEWEST:
        return None
    rows = slice(first, last)
    apart = np.abs(segment.days[rows, None] - segment.days[None, rows])
    errors = np.diag(segment.se[rows] ** 2) + wander_sd**2 * np.exp(-apart / memory_days)
    weight = np.exp(segment.carried.log_weight - segment.carried.log_weight.max())
    weight /= weight.sum()
    conditions = segment.shared[rows, 1:]
    answers = np.einsum("g,gij->ij", weight, segment.carried.covariance)[1:, 1:]
    errors += conditions @ answers @ conditions.T
    shape = np.column_stack([np.ones(last - first), np.arange(first, last) >= at])
    inverse = np.linalg.inv(errors)
    spread = np.linalg.inv(shape.T @ inverse @ shape)
    expected = conditions @ (weight @ segment.carried.mean)[1:]
    change = float((spread @ (shape.T @ inverse @ (segment.value[rows] - expected)))[1])
    half = Z95 * float(np.sqrt(spread[1, 1]))
    return Contrast(change, change - half, change + half, before, after)
