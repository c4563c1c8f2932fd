"""How likely many series are under one model with known errors, as fast as numpy goes.

Where nothing is learned on the way (one grid point, Gaussian errors of known size) the filter of
:mod:`healthtrack.drift.level` does more than the likelihood needs: only the sum of level and offset
makes a figure, and half of a covariance is the other half. Here level and offset are one part, and
the triangle below the diagonal is left out; each part's row begins with its mean, to which what
happens to the row happens too.

The recursion is Kalman's with the prediction-error decomposition (Durbin & Koopman, *Time Series
Analysis by State Space Methods*, 2nd ed. 2012, ch. 4.3 and 7.2).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from healthtrack.drift.level import LOG_2PI, SHARED, moves_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from healthtrack.drift.level import Level, Model, Move
    from healthtrack.drift.padded import Padded

    FloatArray = NDArray[np.float64]

TOGETHER = 8
"""Drives whose variances are multiplied before one logarithm is taken of all."""


class _Parts(NamedTuple):
    """What is known of S series: shared parts other than the offset, wander, slope, level.

    ``rows`` are of one part each, (i + 2, S): its mean, then its covariance with those up to it;
    ``sway`` (2, S) is what slope and level share with the wander. ``answers`` (D + 1, S) are the
    figure's mean and its covariance with each part, ``taken`` is room for what a figure takes from
    each row, ``answered`` what of the answers belongs to each.
    """

    rows: tuple[FloatArray, ...]
    sway: FloatArray
    answers: FloatArray
    taken: tuple[FloatArray, ...]
    answered: tuple[FloatArray, ...]


def log_likelihood_of(data: Padded, model: Model, before: Level) -> FloatArray:
    """Return ln of the density of all figures of each series.

    Parameters
    ----------
    data : Padded
        S series; the first shared part is the offset, and pinned drives come first.
    model : Model
        Of one grid point.
    before : Level
        What is known before the first drives.

    Returns
    -------
    (S,) float64

    Raises
    ------
    ValueError
        Where a drive is pinned after one that is not.
    """
    parts, released = _first_parts(before), _released(data)
    use, factor = data.use, before.noise[0]
    noise = data.variance if (factor == 1.0).all() else data.variance * factor
    if use is not None:  # nothing is learned from padding
        noise = np.where(data.valid, noise, np.inf)
    total, product = np.zeros(data.value.shape[1]), np.ones(data.value.shape[1])
    moves = moves_of(model, data.step, data.wait)
    drives = zip(moves, data.value, noise, data.shared[:, 1:], strict=True)
    for drive, (move, value, error, factors) in enumerate(drives):
        _advance(parts, move, None if released is None else data.pinned[drive])
        if released is not None:
            parts.rows[-1][-1] += model.release2 * released[drive]
        variance, squared = _absorb(parts, factors, (value, error))
        if use is not None:
            variance, squared = np.where(data.valid[drive], (variance, squared), [[1.0], [0.0]])
        total += squared
        product *= variance
        if drive % TOGETHER == TOGETHER - 1:
            total += np.log(product)
            product.fill(1.0)
    total += np.log(product)
    return np.asarray(-0.5 * (total + LOG_2PI * data.valid.sum(axis=0)))


def _released(data: Padded) -> NDArray[np.bool_] | None:
    """Return where the healthy period ends just before a drive, (N, S); None if there is none."""
    if not data.pinned.any():
        return None
    if (data.pinned[1:] & ~data.pinned[:-1]).any():
        msg = "pinned drives must come first in a segment"
        raise ValueError(msg)
    ended = np.zeros(data.pinned.shape, dtype=np.bool_)
    ended[1:] = data.pinned[:-1] & ~data.pinned[1:]
    return ended


def _first_parts(before: Level) -> _Parts:
    """Return the parts as they are known beforehand, level and offset put together."""
    size = before.joint.shape[0]
    joint = before.joint[:, :, 0, 0]
    order = [*range(SHARED + 1, size), 2, 1, SHARED]
    numbers = [
        number
        for place, part in enumerate(order)
        for number in (joint[part, -1], *(joint[part, other] for other in order[: place + 1]))
    ]
    whole, starts = np.stack(numbers), [i * (i + 3) // 2 for i in range(len(order))]
    rows = tuple(whole[start : start + i + 2] for i, start in enumerate(starts))
    wander = len(order) - SHARED
    answers = np.empty((len(rows) + 1, joint.shape[-1]))
    room = np.empty_like(answers)
    return _Parts(
        rows,
        whole[starts[wander + 1] + wander + 1 :: wander + 3][:2],
        answers,
        tuple(room[: len(row)] for row in rows),
        tuple(answers[: len(row)] for row in rows),
    )


def _advance(parts: _Parts, move: Move, pinned: NDArray[np.bool_] | None) -> None:
    """Carry all parts from the drive before to this one; where pinned the level stays."""
    wander, slope, level = parts.rows[-SHARED:]
    sway = parts.sway
    lean, variance, step, keep = level[-2], level[-1], move.step, move.keep[0]
    variance += step * lean
    before = level[:-1]
    before += step * slope
    variance += step * lean
    wander *= keep
    last = wander[-1]
    last *= keep
    last += move.fresh[0]
    sway *= keep
    gained = (move.rise[0], move.tilt[0], move.bend[0])
    rise, tilt, bend = gained if pinned is None else (part * ~pinned for part in gained)
    variance += rise
    lean += tilt
    last = slope[-1]
    last += bend


def _absorb(
    parts: _Parts, factors: FloatArray, figure: tuple[FloatArray, FloatArray]
) -> tuple[FloatArray, FloatArray]:
    """Take in one figure; return its variance as foreseen and its squared error over that.

    ``factors`` are those of the shared parts (B - 1, S).
    """
    value, noise = figure
    answers = parts.answers
    _answer(parts, factors)
    variance = noise + answers[-1]
    variance += answers[len(parts.rows) - SHARED + 1]
    for part, factor in enumerate(factors):
        variance += factor * answers[part + 1]
    error = answers[0]
    error -= value
    shares = answers / variance
    of_error, *of_parts = shares
    for row, share, taken, answered in zip(
        parts.rows, of_parts, parts.taken, parts.answered, strict=True
    ):
        np.multiply(share, answered, taken)
        np.subtract(row, taken, row)
    of_error *= error
    return variance, of_error


def _answer(parts: _Parts, factors: FloatArray) -> None:
    """Reckon the figure's mean and its covariance with each part."""
    rows, out = parts.rows, parts.answers
    wander, level = rows[-SHARED], rows[-1]
    np.add(level[: len(wander)], wander, parts.answered[-SHARED])
    np.add(level[-2:], parts.sway, out[-2:])
    for other, factor in enumerate(factors):
        row = rows[other]
        out[: len(row)] += row * factor
        for later in range(other + 1, len(rows)):
            out[later + 1] += rows[later][other + 1] * factor
