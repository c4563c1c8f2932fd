"""The 95 % band of the level, read part by part from what may be true.

Four things may be true of a level: nothing has changed and it is what the figures since the healthy
period say, at one of the paces at which it may move by itself; a fault has begun (a step, a ramp, a
fast ramp); the use has changed and the level is where it was. Each has its odds, its middle and its
spread. The band leaves 2.5 % of the whole on either side. Moments would do for one part: for
several of them ±1.96 standard deviations is as wide for a far part of no weight as for a near part
of much.

The band is what is said; the alert rules look at the moments and at the evidence, and know nothing
of the numbers below. They were set on lives of every kind whose numbers (wander, memory, season,
tails, gaps, sizes, drives a week) differ from life to life and from those of tests/calibration.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtr, ndtri

from healthtrack.drift.change import USE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]
    BoolArray = NDArray[np.bool_]
    Part = tuple[FloatArray, FloatArray, FloatArray]

REMEMBERED = 0.25
"""Share of what the figures say of the pace that counts: a level that has kept still so far may
begin to move, which the livelier paces follow with a spread that is right for either."""
UNCHANGED, SOON = 0.45, 15.0
"""Share of its variance that each pace keeps while no alert stands, and the drives since the
healthy period after which a third of the way from the whole variance to that share is left. The
level filter lets the level be anything, as if no vehicle were ever sound; that is right in the
first weeks, later the paces and the changes hold what it holds as well."""
BESIDE = 1.5
"""The same beside an alert for a decline, which goes on in ways that no pace foresees; beside one
for a step it is the whole variance, and in between by the odds of a step."""
ODDS = np.array([0.25, 6.0, 6.0, 1.0])
"""How often a step, a ramp, a fast ramp and a change of use count in the band. A step is seen after
a few drives whatever its odds; a decline begins before anybody can notice, and that beginning, and
beside an alert its end, is what a band misses."""
TAIL = 0.025
"""What the band leaves out on either side."""
WEIGHT, MEAN, VARIANCE = 0, 1, 2
"""Places in the parts, (3, P, S): of the P the first are the paces at which nothing has changed,
then come the shapes of a change."""
SHAPES = USE + 1
FARTHEST = 8.0
"""Standard deviations from each part within which the edges are looked for."""
HALVINGS, POLISHED = 20, 3
"""Of that range, then steps of Newton's within what is left: more than the digits that are told."""


def parts_of(paces: int) -> int:
    """Return how many parts a level has."""
    return paces + SHAPES


def alone(mean: FloatArray, variance: FloatArray, paces: int) -> FloatArray:
    """Return the parts (3, P, S) of levels of which nothing else may be true."""
    parts = np.zeros((3, parts_of(paces), mean.size))
    parts[WEIGHT, 0], parts[MEAN, 0], parts[VARIANCE, 0] = 1.0, mean, variance
    return parts


def spread(drives: IntArray, sound: BoolArray, step: FloatArray) -> FloatArray:
    """Return the share of its variance that each pace keeps, (S,).

    Parameters
    ----------
    drives : (S,) int
        Since the healthy period.
    sound : (S,) bool
        Where no alert stands.
    step : (S,) float64
        How likely it is that the standing alert's change was a step.
    """
    kept = UNCHANGED + (1.0 - UNCHANGED) * np.exp(-drives / SOON)
    return np.where(sound, kept, step + (1.0 - step) * BESIDE)


def together(
    unchanged: FloatArray,
    shapes: FloatArray,
    kept: FloatArray,
    where: tuple[BoolArray, BoolArray],
) -> FloatArray:
    """Return the parts (3, P, S) of levels beside which changes are looked for.

    Parameters
    ----------
    unchanged : (3, Q, S) float64
        Weight, mean and variance at each pace where nothing has changed.
    shapes : (3, 4, S) float64
        Odds, mean and variance of the changes, see :class:`healthtrack.drift.change.Weighed`.
    kept : (S,) float64
        Share of its variance that each pace keeps.
    where : ((S,) bool, (S,) bool)
        Where no alert stands: a change of use then leaves the level where it was, at zero; and
        where no change is settling, which both would hold.
    """
    sound, free = where
    parts = np.concatenate([unchanged, shapes], axis=1)
    paces = unchanged.shape[1]
    parts[VARIANCE, :paces] *= kept
    parts[WEIGHT, paces:] *= free * ODDS[:, None]
    parts[WEIGHT] /= parts[WEIGHT].sum(axis=0)
    weight, mean, variance = unchanged
    middle = (weight * mean).sum(axis=0)
    whole = (weight * (variance + mean * mean)).sum(axis=0) - middle * middle
    use = parts[VARIANCE, paces + USE]
    use[sound] = (kept * whole)[sound]
    return parts


def edges(parts: FloatArray) -> FloatArray:
    """Return where the band begins and ends.

    Parameters
    ----------
    parts : (N, 3, P, S) float64
        Weight, mean and variance; the weights of each level add up to one.

    Returns
    -------
    (2, N, S) float64
        The 2.5 % and 97.5 % points of the mixture.
    """
    weight, mean, variance = np.moveaxis(parts, 1, 0)
    sd = np.sqrt(np.maximum(variance, 0.0))
    half = ndtri(1.0 - TAIL) * sd[:, 0]
    found = np.stack([mean[:, 0] - half, mean[:, 0] + half])
    mixed = weight[:, 0] < 1.0
    if mixed.any():
        told = (np.moveaxis(part, 1, 0)[:, mixed] for part in (weight, mean, sd))
        found[:, mixed] = _quantiles(*told)
    return found


def _quantiles(weight: FloatArray, mean: FloatArray, sd: FloatArray) -> FloatArray:
    """Return the edges (2, n) of n mixtures; weight, mean and sd are (P, n)."""
    low = np.stack([(mean - FARTHEST * sd).min(axis=0)] * 2)
    high = np.stack([(mean + FARTHEST * sd).max(axis=0)] * 2)
    chance = np.array([[TAIL], [1.0 - TAIL]])
    told = tuple(zip(weight, mean, np.maximum(sd, 1e-300), strict=True))

    with np.errstate(over="ignore", under="ignore"):
        for _ in range(HALVINGS):
            place = 0.5 * (low + high)
            under = _below(told, place) < chance
            low, high = np.where(under, place, low), np.where(under, high, place)
        place = 0.5 * (low + high)
        for _ in range(POLISHED):
            step = (_below(told, place) - chance) / np.maximum(_dense(told, place), 1e-300)
            place = np.clip(place - step, low, high)
    return np.asarray(place)


def _below(told: Sequence[Part], place: FloatArray) -> FloatArray:
    """Return how much of the mixtures lies below; part after part: the same digits for any n."""
    total = np.zeros(place.shape)
    for share, middle, width in told:
        total += share * ndtr((place - middle) / width)
    return total


def _dense(told: Sequence[Part], place: FloatArray) -> FloatArray:
    """Return the mixtures' density."""
    total = np.zeros(place.shape)
    for share, middle, width in told:
        z = (place - middle) / width
        total += share / width * np.exp(-0.5 * z * z)
    return np.asarray(total / np.sqrt(2.0 * np.pi))
