"""The 95 % band of the level, read part by part from what may be true.

Four things may be true of a level: nothing has changed and it is what the figures since the healthy
period say; a fault has begun (a step, a ramp, a fast ramp); the use has changed and the level is
where it was. Each has its odds, its middle and its spread. The band leaves 2.5 % of the whole on
either side. Moments would do for one part: for several of them ±1.96 standard deviations is as wide
for a far part of no weight as for a near part of much.

The band is what is said; the alert rules look at the moments and at the evidence, and know nothing
of the two numbers below.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtr

from healthtrack.drift.change import USE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]
    BoolArray = NDArray[np.bool_]

UNCHANGED = 0.7
"""Share of its variance that 'nothing has changed' keeps beside the other parts: it lets the level
be anything, as if no vehicle were ever sound, and the other parts hold what has changed already.
Set, like the next, on lives of every kind (seed 31 of tests/calibration): a larger share makes
bands of steady lives too wide, a smaller one loses the beginnings of a decline."""
FAULT_ODDS = 4.0
"""How often a fault counts in the band: as if vehicles broke four times as often as they do. What
a band misses is the beginning of a decline that nobody has noticed yet."""
TAIL = 0.025
"""What the band leaves out on either side."""
WEIGHT, MEAN, VARIANCE = 0, 1, 2
"""Places in the parts, (3, 5, S); of the five the first is 'nothing has changed', the others are
the shapes of a change."""
FARTHEST = 8.0
"""Standard deviations from each part within which the edges are looked for."""
HALVINGS = 44
"""Of that range: more than the digits that are told."""


def alone(mean: FloatArray, variance: FloatArray) -> FloatArray:
    """Return the parts (3, 5, S) of levels of which nothing else may be true."""
    parts = np.zeros((3, 1 + USE + 1, mean.size))
    parts[WEIGHT, 0], parts[MEAN, 0], parts[VARIANCE, 0] = 1.0, mean, variance
    return parts


def together(
    unchanged: tuple[FloatArray, FloatArray], shapes: FloatArray, sound: BoolArray, free: BoolArray
) -> FloatArray:
    """Return the parts (3, 5, S) of levels beside which changes are looked for.

    Parameters
    ----------
    unchanged : ((S,), (S,) float64)
        Mean and variance where nothing has changed.
    shapes : (3, 4, S) float64
        Odds, mean and variance of the changes, see :class:`healthtrack.drift.change.Weighed`.
    sound : (S,) bool
        Where no alert stands: a change of use then leaves the level where it was, at zero.
    free : (S,) bool
        Where no change is settling, which both would hold.
    """
    mean, variance = unchanged
    spread = np.where(sound, UNCHANGED, 1.0) * variance
    parts = alone(mean, spread)
    parts[:, 1:] = shapes
    parts[WEIGHT, 1:] *= free
    parts[WEIGHT, 1 : 1 + USE] *= FAULT_ODDS
    parts[WEIGHT] /= parts[WEIGHT].sum(axis=0)
    parts[VARIANCE, 1 + USE] = np.where(sound, spread, parts[VARIANCE, 1 + USE])
    return parts


def edges(parts: FloatArray) -> FloatArray:
    """Return where the band begins and ends.

    Parameters
    ----------
    parts : (N, 3, 5, S) float64
        Weight, mean and variance; the weights of each level add up to one.

    Returns
    -------
    (2, N, S) float64
        The 2.5 % and 97.5 % points of the mixture.
    """
    weight, mean, variance = np.moveaxis(parts, 1, 0)
    sd = np.sqrt(np.maximum(variance, 0.0))
    reach = FARTHEST * sd
    low = np.stack([(mean - reach).min(axis=1)] * 2)
    high = np.stack([(mean + reach).max(axis=1)] * 2)
    chance = np.array([TAIL, 1.0 - TAIL])[:, None, None]
    sd = np.maximum(sd, 1e-300)
    told = tuple(zip(*(np.moveaxis(part, 1, 0) for part in (weight, mean, sd)), strict=True))

    def below(place: FloatArray) -> FloatArray:
        total = np.zeros(place.shape)
        for share, middle, width in told:  # one after the other: the same digits for any N and S
            total += share * ndtr((place - middle) / width)
        return total

    with np.errstate(over="ignore"):
        for _ in range(HALVINGS):
            place = 0.5 * (low + high)
            under = below(place) < chance
            low, high = np.where(under, place, low), np.where(under, high, place)
    return np.asarray(0.5 * (low + high))
