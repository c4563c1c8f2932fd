"""One step of a Kalman filter for many small states at once.

A state of D parts is one array, (D, D + 1, …): its covariance, kept symmetric to the bit, with the
mean as a last column, to which nearly everything that happens to a row happens too. All trailing
axes (grid points, paces, series) run through numpy together, so the cost of a call is shared by all
of them: a drive takes some thirty calls, whatever their number.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]
    Term = tuple[int, FloatArray | None]

AT_ONCE = 8_000
"""Numbers of a state up to which it is updated by one call; larger ones go row by row, so that what
a call needs beside it stays in the processor's cache."""


@dataclass
class Filtered:
    """What a filter knows: ``joint`` (D, D + 1, …), covariance and mean."""

    joint: FloatArray

    @property
    def mean(self) -> FloatArray:
        """The mean (D, …), a view."""
        return self.joint[:, -1]

    @property
    def covariance(self) -> FloatArray:
        """The covariance (D, D, …), a view."""
        return self.joint[:, :-1]


class Innovation(NamedTuple):
    """What a figure brought: arrays over the trailing axes, ``gain`` (D, …).

    ``variance`` is that of ``error``, larger where the drive lies far out; ``foreseen`` is without
    that; ``gain`` the covariance of each part of the state with the figure.
    """

    error: FloatArray
    variance: FloatArray
    foreseen: FloatArray
    gain: FloatArray


def packed(covariance: FloatArray) -> FloatArray:
    """Return (D, D, …) as its upper triangle row by row, (D(D + 1)/2, …).

    >>> packed(np.array([[1.0, 2.0], [2.0, 3.0]])).tolist()
    [1.0, 2.0, 3.0]
    """
    return np.asarray(covariance[np.triu_indices(covariance.shape[0])])


def unpacked(triangle: FloatArray) -> FloatArray:
    """Return the upper triangle as (D, D, …)."""
    size = int((np.sqrt(8 * triangle.shape[0] + 1) - 1) / 2)
    place = np.zeros((size, size), dtype=np.int64)
    place[np.triu_indices(size)] = np.arange(triangle.shape[0])
    return np.asarray(triangle[np.maximum(place, place.T)])


def joined(mean: FloatArray, covariance: FloatArray) -> FloatArray:
    """Return mean (D, …) and covariance (D, D, …) as one state (D, D + 1, …)."""
    return np.concatenate([covariance, mean[:, None]], axis=1)


def outside(covariance: FloatArray) -> FloatArray:
    """Return (D, D, …) as (…, D, D)."""
    return np.moveaxis(covariance, (0, 1), (-2, -1))


def inside(covariance: FloatArray) -> FloatArray:
    """Return (…, D, D) as (D, D, …), of its own and symmetric to the bit."""
    moved = np.moveaxis(covariance, (-2, -1), (0, 1))
    return np.ascontiguousarray(0.5 * (moved + np.swapaxes(moved, 0, 1)))


def relax(joint: FloatArray, place: int, keep: FloatArray, fresh: FloatArray) -> None:
    """Let the part at ``place`` fall back towards zero; ``fresh`` is the variance it gains."""
    joint[place] *= keep
    joint[:, place] *= keep
    joint[place, place] += fresh


def climb(
    joint: FloatArray,
    step: FloatArray,
    fresh: tuple[FloatArray, FloatArray, FloatArray] | None = None,
) -> None:
    """Carry parts 0 and 1, level and slope, over a distance.

    ``fresh`` is what they gain on the way: variance of the level, covariance, variance of the
    slope.
    """
    row = joint[0]
    row += step * joint[1]
    row[0] += step * row[1]
    joint[1:, 0] = row[1:-1]  # as symmetric to the bit as before
    if fresh is not None:
        rise, tilt, bend = fresh
        row[0] += rise
        row[1] += tilt
        joint[1, 0] += tilt
        joint[1, 1] += bend


def hold(joint: FloatArray, where: NDArray[np.bool_]) -> None:
    """Hold parts 0 and 1 at zero in the series (last axis) that are marked."""
    joint[:2, ..., where] = 0.0
    joint[:, :2, ..., where] = 0.0


def absorb(
    joint: FloatArray,
    terms: Sequence[Term],
    figure: tuple[FloatArray, FloatArray],
    outlying: float,
    use: FloatArray | None = None,
) -> Innovation:
    """Take in one figure.

    Parameters
    ----------
    joint : (D, D + 1, …) float64
        Changed in place.
    terms : sequence of (int, array or None)
        Which parts make up the figure, each with its factor; None is one.
    figure : (array, array)
        Value and error variance.
    outlying : float
        Beyond so many standard deviations the error is taken to be larger (Huber).
    use : array, optional
        1 where the figure counts, 0 where there is none.
    """
    answers = weighted(joint, terms)  # of each part, then of the figure itself
    gain = answers[:-1]
    value, noise = figure
    error = value - answers[-1]
    foreseen = weighted(gain, terms)
    foreseen += noise
    variance = foreseen
    if np.isfinite(outlying):
        excess = np.maximum(error * error / (foreseen * outlying**2), 1.0)
        variance = foreseen + noise * (excess - 1.0)
    np.negative(error, out=answers[-1])
    root = answers / np.sqrt(variance) if use is None else answers * np.sqrt(use / variance)
    if joint.size <= AT_ONCE:
        joint -= root[:-1, None] * root
    else:
        taken = np.empty_like(root)
        for part, share in enumerate(root[:-1]):
            np.multiply(share, root, out=taken)
            joint[part] -= taken
    return Innovation(error, variance, foreseen, gain)


def weighted(parts: FloatArray, terms: Sequence[Term]) -> FloatArray:
    """Add up the terms' parts (first axis); the result is a fresh array."""
    (first, factor), *others = terms
    total = parts[first] + 0.0 if factor is None else parts[first] * factor
    for term, factor in others:
        total += parts[term] if factor is None else parts[term] * factor
    return np.asarray(total)


def log_sum(values: FloatArray, axis: int | tuple[int, ...]) -> FloatArray:
    """Return ln Σ exp along axes; −∞ where all are (scipy's own costs ten times as much)."""
    top = np.max(values, axis=axis, keepdims=True)
    safe = np.where(np.isfinite(top), top, 0.0)
    with np.errstate(divide="ignore"):
        total = np.log(np.exp(values - safe).sum(axis=axis, keepdims=True)) + safe
    return np.asarray(np.squeeze(total, axis=axis))
