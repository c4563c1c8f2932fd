"""Level and slope of a drift, told from noise, wander and weather: one state-space model.

A drive's figure is

    value = level + wander + offset + Σ response error · condition + noise

``level`` moves along the distance with a ``slope`` that itself changes slowly (an integrated random
walk: Durbin & Koopman, *Time Series Analysis by State Space Methods*, 2nd ed. 2012, ch. 3.2),
``wander`` is an Ornstein-Uhlenbeck process in time (a discrete AR(1) at irregular spacing),
``offset`` and the responses' errors are constants with the baseline's uncertainty. The filter runs
for all grid points and many series at once; the answer is their mixture.

The drives' own standard errors are believed up to a factor that each grid point follows from its
own innovations: a step of Fisher scoring per drive, the gain being one over the information so far
(for a scale common to all variances this is the recursion of West & Harrison, *Bayesian Forecasting
and Dynamic Models*, 2nd ed. 1997, ch. 4.5).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from healthtrack.drift.gaussian import AT_ONCE, Filtered, absorb, climb, hold, log_sum, relax

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from healthtrack.drift.gaussian import Term

    FloatArray = NDArray[np.float64]

SHARED = 3
"""Place of the first shared part in the state: level, slope and wander come before it."""
MOST_INFORMATION = 300.0
"""Drives over which the noise is averaged at most: a new logger or driver is then followed."""
LOG_2PI = float(np.log(2.0 * np.pi))


@dataclass(frozen=True)
class Model:
    """The numbers of S series and the grid, in the series' units.

    ``standing`` (G, S), ``memory`` (G,), ``pace2`` and ``walk2`` (Q, S), ``log_pace`` (Q,) once a
    change has been found, ``log_pace_before`` (Q,) until then;
    ``limit``, ``notice``, ``side``, ``release2`` and ``scale`` (S,).
    """

    standing: FloatArray
    memory: FloatArray
    pace2: FloatArray
    walk2: FloatArray
    log_pace: FloatArray
    log_pace_before: FloatArray
    limit: FloatArray
    notice: FloatArray
    side: FloatArray
    release2: FloatArray
    scale: FloatArray
    outlying: float


@dataclass
class Level(Filtered):
    """State of the level filter: covariance and mean (D, D + 1, …), log weight (G, Q, S).

    ``noise`` (G, S) is the factor on the drives' error variances, ``information`` (S,) its worth in
    drives. The weights add up to one.
    """

    log_weight: FloatArray
    noise: FloatArray
    information: FloatArray


class Move(NamedTuple):
    """What happens between a drive and the one before it.

    ``step`` (S,) [10 000 km]; the wander keeps ``keep`` and gains ``fresh``, (G, S); level and
    slope gain ``rise``, ``tilt`` and ``bend``, (Q, S), the integrated random walk's.
    """

    step: FloatArray
    keep: FloatArray
    fresh: FloatArray
    rise: FloatArray
    tilt: FloatArray
    bend: FloatArray


def moves_of(model: Model, step: FloatArray, wait: FloatArray) -> Iterator[Move]:
    """Yield the moves over distances (N, S) [10 000 km] in times (N, S) [days], one by one.

    They are reckoned for as many drives together as the processor's cache holds.
    """
    together = max(AT_ONCE // max(model.standing.size, model.pace2.size), 1)
    for first in range(0, len(step), together):
        rows = slice(first, first + together)
        wander, level = ((len(step[rows]), *of.shape) for of in (model.standing, model.pace2))
        moves = Move(step[rows], *map(np.empty, (wander, wander, level, level, level)))
        reckon_moves(model, wait[rows], moves)
        yield from map(Move, *moves)


def reckon_moves(model: Model, wait: FloatArray, moves: Move) -> None:
    """Fill in what happens over ``moves.step`` (N, S) in ``wait`` (N, S); each part has N first."""
    step, keep, fresh, rise, tilt, bend = moves
    np.multiply(wait[:, None], -1.0 / model.memory[:, None], keep)
    np.exp(keep, keep)
    np.multiply(keep, keep, fresh)
    np.subtract(1.0, fresh, fresh)
    fresh *= model.standing
    along = step[:, None]
    np.multiply(model.pace2, along, bend)
    np.multiply(bend, along, tilt)
    tilt *= 0.5
    np.multiply(tilt, 2.0 / 3.0, rise)
    rise += model.walk2
    rise *= along


def advance_level(level: Level, move: Move) -> None:
    """Move all grid points from the drive before to this one."""
    climb(level.joint, move.step, (move.rise, move.tilt, move.bend))
    relax(level.joint, 2, move.keep[:, None], move.fresh[:, None])


def release(level: Level, model: Model, where: NDArray[np.bool_]) -> None:
    """Let the data say where the level is once the healthy period is over."""
    level.joint[0, 0] += model.release2 * where


def pin(level: Level, where: NDArray[np.bool_]) -> None:
    """Hold level and slope at zero: the vehicle is healthy by definition."""
    hold(level.joint, where)


def noise_variance(level: Level, own: FloatArray) -> FloatArray:
    """Return the drives' error variances: their own (S,), times what is known of the factor.

    Not knowing the factor well is paid for with a larger variance (that of Student's t with as many
    degrees of freedom as there were drives).

    Returns
    -------
    (G, S) float64
    """
    return own * (1.0 + 2.0 / level.information) * level.noise


def absorb_level(
    level: Level, model: Model, terms: Sequence[Term], figure: tuple[FloatArray, FloatArray],
    use: FloatArray | None,
) -> FloatArray:  # fmt: skip
    """Take the drives' figures in at all grid points.

    Parameters
    ----------
    level : Level
        Changed in place.
    model, terms, use
        As in :func:`healthtrack.drift.gaussian.absorb`.
    figure : ((S,), (G, S) float64)
        Value and error variance.

    Returns
    -------
    (S,) float64
        ln of the density of each figure, as foreseen.
    """
    value, noise = figure
    noise = noise[:, None]
    new = absorb(level.joint, terms, (value, noise), model.outlying, use)
    z2 = new.error * new.error
    gained = -0.5 * (LOG_2PI + np.log(new.variance) + z2 / new.variance)
    if use is not None:
        gained *= use
    if np.isfinite(level.information).all():
        z2 = np.minimum(z2 / new.foreseen, model.outlying**2)
        _learn_noise(level, noise / new.foreseen, z2, use)
    if level.log_weight.shape[:2] == (1, 1):
        return np.asarray(gained[0, 0])
    level.log_weight += gained
    density = log_sum(level.log_weight, (0, 1))
    level.log_weight -= density
    return density


def _learn_noise(level: Level, share: FloatArray, z2: FloatArray, use: FloatArray | None) -> None:
    """Follow the factor on the drives' errors by a step of scoring; share and z² are (G, Q, S)."""
    of_all = np.exp(level.log_weight)
    of_point = of_all.sum(axis=1)
    within = of_all / np.maximum(of_point, 1e-300)[:, None]
    score = (within * share * (z2 - 1.0)).sum(axis=1)
    worth = (within * share * share).sum(axis=1)
    gain = score / (level.information + worth)
    total = (of_point * worth).sum(axis=0)
    if use is not None:
        gain, total = gain * use, total * use
    level.noise *= np.maximum(1.0 + gain, 0.5)
    level.information = np.minimum(
        level.information + total, np.maximum(level.information, MOST_INFORMATION)
    )


def answer(level: Level) -> FloatArray:
    """Return level, its variance, slope, its variance and their covariance: the mixture's moments.

    Returns
    -------
    (5, S) float64
    """
    weight = np.exp(level.log_weight)
    at, slope = level.mean[0], level.mean[1]
    total = np.stack(
        [
            weight * at,
            weight * (level.covariance[0, 0] + at * at),
            weight * slope,
            weight * (level.covariance[1, 1] + slope * slope),
            weight * (level.covariance[0, 1] + at * slope),
        ]
    ).sum(axis=(1, 2))
    total[1] -= total[0] * total[0]
    total[3] -= total[2] * total[2]
    total[4] -= total[0] * total[2]
    return np.asarray(total)


def by_pace(level: Level, model: Model, sound: NDArray[np.bool_], share: float) -> FloatArray:
    """Return weight, mean and variance of the level at each pace, (3, Q, S); weights add up to one.

    Parameters
    ----------
    level, model : Level, Model
        Of S series.
    sound : (S,) bool
        Where no alert stands.
    share : float
        How much of what the figures say of the pace counts. It is said of the past; the weights
        that are taken beforehand are those that the paces have once a change was found.
    """
    weight = np.exp(level.log_weight)
    of_pace = weight.sum(axis=0)
    within = weight / np.maximum(of_pace, 1e-300)
    at = level.mean[0]
    mean = (within * at).sum(axis=0)
    variance = (within * (level.covariance[0, 0] + at * at)).sum(axis=0) - mean * mean
    prior = model.log_pace[:, None]
    beforehand = np.where(sound, model.log_pace_before[:, None], prior)
    said = np.log(np.maximum(of_pace, 1e-300)) - beforehand
    share_of = np.exp(prior + share * (said - said.max(axis=0)))
    return np.stack([share_of / share_of.sum(axis=0), mean, variance])
