"""One step of a Kalman filter for many small states at once.

A state of D parts has its mean as (D, …) and its covariance as (T, …), T = D(D + 1)/2: the upper
triangle, row by row. All trailing axes (grid points, paces, series) run through numpy together, so
the cost of a call is shared by all of them.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]
    Term = tuple[int, FloatArray | None]


class Innovation(NamedTuple):
    """What a figure brought: arrays over the trailing axes, ``gain`` D of them.

    ``variance`` is that of ``error``, larger where the drive lies far out; ``foreseen`` is without
    that; ``gain`` the covariance of each part of the state with the figure.
    """

    error: FloatArray
    variance: FloatArray
    foreseen: FloatArray
    gain: list[FloatArray]


@lru_cache(maxsize=16)
def places(size: int) -> tuple[tuple[int, ...], ...]:
    """Return the place of each pair of parts in the packed covariance.

    >>> places(2)
    ((0, 1), (1, 2))
    """
    table = np.zeros((size, size), dtype=np.int64)
    table[np.triu_indices(size)] = np.arange(size * (size + 1) // 2)
    table = np.maximum(table, table.T)
    return tuple(tuple(row) for row in table.tolist())


def pack(covariance: FloatArray) -> FloatArray:
    """Pack (…, D, D) into (T, …)."""
    rows, columns = np.triu_indices(covariance.shape[-1])
    return np.ascontiguousarray(np.moveaxis(covariance[..., rows, columns], -1, 0))


def unpack(packed: FloatArray) -> FloatArray:
    """Unpack (T, …) into (…, D, D)."""
    size = int((np.sqrt(8 * packed.shape[0] + 1) - 1) / 2)
    return np.asarray(np.moveaxis(packed[np.array(places(size))], (0, 1), (-2, -1)))


def relax(
    mean: FloatArray, covariance: FloatArray, place: int, keep: FloatArray, standing: FloatArray
) -> None:
    """Let the part at ``place`` fall back towards zero, with its standing variance kept up."""
    table = places(mean.shape[0])
    mean[place] *= keep
    for other in range(mean.shape[0]):
        covariance[table[place][other]] *= keep
    own = covariance[table[place][place]]
    own *= keep
    own += (1.0 - keep * keep) * standing


def climb(
    mean: FloatArray,
    covariance: FloatArray,
    step: FloatArray,
    pace2: FloatArray,
    walk2: FloatArray,
) -> None:
    """Carry parts 0 and 1, level and slope, over a distance.

    ``pace2`` and ``walk2`` are the variances of the slope and of the level's unsmooth movement per
    unit of distance.
    """
    table = places(mean.shape[0])
    mean[0] += step * mean[1]
    both, slope = covariance[1], covariance[table[1][1]]
    covariance[0] += step * (2.0 * both + step * slope)
    covariance[0] += pace2 * (step**3 / 3.0) + walk2 * step
    both += step * slope + pace2 * (step**2 / 2.0)
    slope += pace2 * step
    for other in range(2, mean.shape[0]):
        covariance[table[0][other]] += step * covariance[table[1][other]]


def hold(mean: FloatArray, covariance: FloatArray, where: NDArray[np.bool_]) -> None:
    """Hold parts 0 and 1 at zero in the series (last axis) that are marked."""
    size = mean.shape[0]
    mean[:2, ..., where] = 0.0
    covariance[: 2 * size - 1, ..., where] = 0.0


def absorb(
    mean: FloatArray,
    covariance: FloatArray,
    terms: Sequence[Term],
    figure: tuple[FloatArray, FloatArray],
    outlying: float,
    use: FloatArray | None = None,
) -> Innovation:
    """Take in one figure.

    Parameters
    ----------
    mean : (D, …) float64
        Changed in place.
    covariance : (T, …) float64
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
    size = mean.shape[0]
    table = places(size)
    gain = [_weighted(covariance, table[part], terms) for part in range(size)]
    value, noise = figure
    error = value - _weighted(mean, range(size), terms)
    foreseen = noise + _weighted(gain, range(size), terms)
    variance = foreseen
    if np.isfinite(outlying):
        excess = np.maximum(error * error / (foreseen * outlying**2), 1.0)
        variance = foreseen + noise * (excess - 1.0)
    weight = 1.0 / variance if use is None else use / variance
    for part in range(size):
        share = gain[part] * weight
        mean[part] += share * error
        for other in range(part, size):
            covariance[table[part][other]] -= share * gain[other]
    return Innovation(error, variance, foreseen, gain)


def _weighted(
    parts: FloatArray | list[FloatArray], places_: Sequence[int], terms: Sequence[Term]
) -> FloatArray:
    """Add up the terms' parts; the result is a fresh array."""
    total: FloatArray | None = None
    for term, factor in terms:
        part = parts[places_[term]]
        if factor is not None:
            part = part * factor
        if total is None:
            total = part + 0.0
        else:
            total += part
    assert total is not None
    return total


def log_sum(values: FloatArray, axis: int | tuple[int, ...]) -> FloatArray:
    """Return ln Σ exp along axes; −∞ where all are (scipy's own costs ten times as much)."""
    top = np.max(values, axis=axis, keepdims=True)
    safe = np.where(np.isfinite(top), top, 0.0)
    with np.errstate(divide="ignore"):
        total = np.log(np.exp(values - safe).sum(axis=axis, keepdims=True)) + safe
    return np.asarray(np.squeeze(total, axis=axis))
