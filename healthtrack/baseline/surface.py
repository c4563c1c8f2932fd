"""A smooth surface over an indicator's predictors, linear in its coefficients.

Cubic B-splines on evenly spaced knots over the range that the baseline has seen, their tensor
product over the predictors, and a penalty on second differences (Eilers & Marx, *Statistical
Science* 11(2), 1996). Outside the range the surface goes on linearly, and with it its error: what
was not seen is not known.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.interpolate import BSpline

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

DEGREE = 3
SEGMENTS = 5
"""Segments per predictor: an engine's surfaces bend two or three times over speed or load."""


@dataclass(frozen=True, slots=True)
class Axis:
    """The range over which one predictor was seen in the baseline, in the predictor's unit."""

    predictor: str
    low: float
    high: float

    @property
    def size(self) -> int:
        """Number of basis functions."""
        return SEGMENTS + DEGREE

    def knots(self) -> FloatArray:
        """Return the evenly spaced knots, ``DEGREE`` beyond each end."""
        step = (self.high - self.low) / SEGMENTS
        return np.asarray(self.low + step * np.arange(-DEGREE, SEGMENTS + DEGREE + 1), np.float64)

    def basis(self, values: FloatArray) -> FloatArray:
        """Evaluate the basis, going on linearly outside the range.

        Parameters
        ----------
        values : (n,) float64
            The predictor. [its unit]

        Returns
        -------
        (n, size) float64
        """
        inside = np.clip(values, self.low, self.high)
        spline = BSpline(self.knots(), np.eye(self.size), DEGREE)
        basis = np.asarray(spline(inside), dtype=np.float64)
        beyond = values - inside
        outside = np.flatnonzero(beyond)
        if outside.size:
            slope = np.asarray(spline.derivative()(inside[outside]), dtype=np.float64)
            basis[outside] += beyond[outside, None] * slope
        return basis


def axis_over(predictor: str, values: FloatArray) -> Axis:
    """Return the axis that spans the bulk of what was seen (1st to 99th percentile)."""
    low, high = np.quantile(values, [0.01, 0.99])
    if high - low < 1e-9 * max(1.0, abs(high)):
        high = low + max(1.0, abs(low)) * 1e-3
    return Axis(predictor, float(low), float(high))


def widest(several: Sequence[Sequence[Axis]]) -> tuple[Axis, ...]:
    """Return the axes that span what any of several spans."""
    return tuple(
        Axis(same[0].predictor, min(a.low for a in same), max(a.high for a in same))
        for same in zip(*several, strict=True)
    )


def greville(axes: Sequence[Axis]) -> list[FloatArray]:
    """Return as many points as there are coefficients, each in the middle of one's knots.

    Returns
    -------
    list of (m,) float64
        One array per predictor: the grid of all axes' points, in the order of the coefficients.
    """
    grids = []
    for axis in axes:
        knots = axis.knots()
        grids.append(np.array([knots[i + 1 : i + 1 + DEGREE].mean() for i in range(axis.size)]))
    return [grid.ravel() for grid in np.meshgrid(*grids, indexing="ij")]


def design(axes: Sequence[Axis], columns: Sequence[FloatArray]) -> FloatArray:
    """Return the tensor-product design matrix.

    Parameters
    ----------
    axes : sequence of Axis
        One per predictor.
    columns : sequence of (n,) float64
        The predictors' values, in the same order.

    Returns
    -------
    (n, product of sizes) float64
    """
    matrix = axes[0].basis(columns[0])
    for axis, column in zip(axes[1:], columns[1:], strict=True):
        other = axis.basis(column)
        matrix = (matrix[:, :, None] * other[:, None, :]).reshape(len(column), -1)
    return matrix


def penalty(axes: Sequence[Axis]) -> FloatArray:
    """Return the roughness penalty: squared second differences along each predictor, added up.

    Returns
    -------
    (m, m) float64
        For a prior standard deviation of one unit per second difference.
    """
    sizes = [axis.size for axis in axes]
    total = np.zeros((int(np.prod(sizes)),) * 2)
    for place in range(len(sizes)):
        part: FloatArray = np.ones((1, 1), np.float64)
        for index, size in enumerate(sizes):
            difference = np.diff(np.eye(size), n=2, axis=0)
            factor = difference.T @ difference if index == place else np.eye(size)
            part = np.asarray(np.kron(part, factor), np.float64)
        total += part
    return total
