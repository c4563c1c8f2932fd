"""Has anything changed, and when did it start? A running sum of likelihood ratios.

For every drive *k* since the baseline, and for two shapes (a step, a ramp), the likelihood of all
figures since *k* with a change of unknown size is set against the healthy model's (Willsky & Jones,
*IEEE Trans. Automatic Control* 21(1), 1976: the filter's answer to a change is propagated beside
the filter). The size has a prior of the limit's order and is integrated out. The sum over *k*,

    R(t) = Σ_k  Δt_k · LR(change at k | figures up to t),      Δt_k in years,

is the Shiryaev-Roberts statistic in units of time: while the vehicle is healthy R(t) − t is a
martingale, so the chance of ever crossing a bar of A years within t years is at most t/A, and the
mean time between false alerts at least A (Pollak, *Annals of Statistics* 13(1), 1985; the
inequality is Doob's). The user's false alerts per vehicle-year set A directly: no threshold to
tune, and the wander and the baseline's error are integrated out on both sides.

The same sum is a posterior: with changes coming once in so many years, the odds of a change are R
times their rate, and each candidate says where the level is if it is true
(:mod:`healthtrack.drift.candidates`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import log_ndtr

from healthtrack.drift.gaussian import absorb, climb, log_sum, relax

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from healthtrack.drift.gaussian import Term
    from healthtrack.drift.level import Model

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]

STEP_SIZE = 0.4
"""Prior sd of a step, in limits: half of what harms, so that small ones are not ruled out."""
RAMP_SIZE = 0.4
"""Prior sd of a ramp, in limits per 10 000 km: the limit in two or three service intervals."""
STEP, RAMP = 0, 1
DAYS_PER_YEAR = 365.25
LEAST_WAIT = 1e-3
"""Drives of one moment still count as a little time apart. [days]"""
NEVER = -np.inf
WANDER = 2
"""Place of the wander in the state."""


@dataclass
class Bank:
    """The filter without a further change (D parts; G, S), K candidates of two shapes beside it.

    ``answer`` (D, K, 2, G, S) is how the filter's state answers to a change of size one; ``power``
    and ``match`` (K, 2, G, S) what the figures say of its size; ``log_omega`` the time that the
    candidate stands for [ln years]; ``start`` (K, S) its drive (−1: free) and ``origin`` (K, S) its
    place. The parts are the level filter's; level and slope are exactly zero until a change has
    been found, and go on in a straight line since. ``log_weight`` (G, S).
    """

    mean: FloatArray
    covariance: FloatArray
    log_weight: FloatArray
    answer: FloatArray
    power: FloatArray
    match: FloatArray
    log_omega: FloatArray
    start: IntArray
    origin: FloatArray

    @property
    def used(self) -> int:
        """Places up to which there may be a candidate."""
        return int((self.start >= 0).any(axis=1).sum())

    @property
    def bent(self) -> bool:
        """Whether a change has been found in any series."""
        return bool(self.covariance[0].any())


def advance_bank(bank: Bank, model: Model, step: FloatArray, wait: FloatArray) -> None:
    """Bring the filter and all its answers to the next drive; step and wait are (S,)."""
    keep = np.exp(-wait / model.memory[:, None])
    relax(bank.mean, bank.covariance, WANDER, keep, model.standing)
    bank.answer[WANDER, : bank.used] *= keep
    if bank.bent:
        still = np.zeros(1)
        climb(bank.mean, bank.covariance, step, still, still)
        bank.answer[0, : bank.used] += step * bank.answer[1, : bank.used]


def open_candidates(
    bank: Bank, model: Model, where: IntArray, drive: IntArray, place: tuple[FloatArray, FloatArray]
) -> None:
    """Let a change start at this drive in the series ``where``.

    Where no place is free, two older candidates are joined.

    Parameters
    ----------
    bank : Bank
        Changed in place.
    model : Model
        Its model.
    where : (n,) int
        Series in which a candidate opens.
    drive : (S,) int
        Number of the drive, counted from the segment's first.
    place : ((S,), (S,) float64)
        Time since the drive before [days], and where that was [10 000 km].
    """
    wait, origin = place
    free = bank.start[:, where] < 0
    slot = np.argmax(free, axis=0)
    full = ~free.any(axis=0)
    if full.any():
        slot[full] = _join(bank, model, where[full], drive)
    bank.start[slot, where] = drive[where]
    bank.origin[slot, where] = origin[where]
    bank.answer[:, slot, :, :, where] = 0.0
    bank.power[slot, :, :, where] = 0.0
    bank.match[slot, :, :, where] = 0.0
    time = np.log(np.maximum(wait, LEAST_WAIT) / DAYS_PER_YEAR / 2.0)
    bank.log_omega[slot, :, :, where] = time[where, None, None]


def _join(bank: Bank, model: Model, where: IntArray, drive: IntArray) -> IntArray:
    """Join the two candidates that differ least for their age; return the places set free."""
    order = np.argsort(bank.start[:, where], axis=0)
    starts = np.take_along_axis(bank.start[:, where], order, axis=0)
    spacing = (starts[2:] - starts[:-2]) / (drive[where] - starts[1:-1] + 1.0)
    middle = np.argmin(spacing, axis=0) + 1
    column = np.arange(where.size)
    keep, drop = order[middle - 1, column], order[middle, column]
    kept = _log_ratio_at(bank, model, keep, where)
    lost = _log_ratio_at(bank, model, drop, where)
    joined = np.logaddexp(
        bank.log_omega[keep, :, :, where] + kept, bank.log_omega[drop, :, :, where] + lost
    )
    bank.log_omega[keep, :, :, where] = joined - kept
    return np.asarray(drop)


def _log_ratio_at(bank: Bank, model: Model, slot: IntArray, where: IntArray) -> FloatArray:
    """Return ln LR of one candidate per series: (n, 2, G)."""
    prior = prior_variances(model)[:, 0][:, where].T[:, :, None]
    power, match = bank.power[slot, :, :, where], bank.match[slot, :, :, where]
    variance = prior / (1.0 + prior * power)
    return _ratio(variance * match, variance, prior, match, model.side[where, None, None])


def prior_variances(model: Model) -> FloatArray:
    """Return the prior variances of a change's size: (2, 1, S)."""
    return ((np.array([STEP_SIZE, RAMP_SIZE])[:, None] * model.limit) ** 2)[:, None]


def _ratio(
    centre: FloatArray,
    variance: FloatArray,
    prior: FloatArray,
    match: FloatArray,
    side: FloatArray,
) -> FloatArray:
    """Return ln LR with the size integrated out, over its side of concern only where it has one."""
    ratio = 0.5 * (match * centre + np.log(variance / prior))
    if side.any():
        one_sided = np.log(2.0) + log_ndtr(side * centre / np.sqrt(variance))
        ratio = ratio + np.where(side == 0.0, 0.0, one_sided)
    return np.asarray(ratio)


def absorb_bank(
    bank: Bank,
    model: Model,
    terms: list[Term],
    figure: tuple[FloatArray, FloatArray, FloatArray],
    use: FloatArray | None,
) -> None:
    """Take the drives' figures into the filter and all candidates.

    ``figure`` holds the values (S,), their error variances (G, S) and the places (S,) along the
    distance. The error variances are the level filter's: a decline must not pass for noise.
    """
    value, noise, distance = figure
    new = absorb(bank.mean, bank.covariance, terms, (value, noise), model.outlying, use)
    gained = -0.5 * (np.log(new.variance) + new.error * new.error / new.variance)
    weight = 1.0 / new.variance
    if use is not None:
        gained, weight = gained * use, weight * use
    bank.log_weight += gained
    bank.log_weight -= log_sum(bank.log_weight, 0)
    used = bank.used
    if not used:
        return
    answers = bank.answer[:, :used]
    change = np.empty(answers.shape[1:])
    change[:, STEP] = 1.0
    change[:, RAMP] = (distance - bank.origin[:used])[:, None]
    first = 0 if bank.bent else WANDER
    for part, factor in terms:
        if part >= first:
            change -= answers[part] if factor is None else answers[part] * factor
    weighted = change * weight
    bank.power[:used] += weighted * change
    bank.match[:used] += weighted * new.error
    for part in range(first, len(new.gain)):
        answers[part] += weighted * new.gain[part]


@dataclass(frozen=True)
class Weighed:
    """The candidates weighed: ln R (S,), and the change's moments if one is true, (5, S).

    ``log_excess`` (S,) is R counted only for what the figures say beyond nothing: a candidate that
    has just opened is possible but no reason to widen a band. ``joint`` is ln of weight × time ×
    likelihood ratio, ``centre`` and ``variance`` the sizes, all (K', 2, G, S) over places in use.
    """

    log_years: FloatArray
    log_excess: FloatArray
    moments: FloatArray
    joint: FloatArray
    centre: FloatArray
    variance: FloatArray


def weigh(bank: Bank, model: Model, distance: FloatArray) -> Weighed:
    """Weigh all candidates at a place (S,) along the distance."""
    used = max(bank.used, 1)
    prior = prior_variances(model)
    variance = prior / (1.0 + prior * bank.power[:used])
    centre = variance * bank.match[:used]
    ratio = _ratio(centre, variance, prior, bank.match[:used], model.side)
    joint = ratio + bank.log_omega[:used] + bank.log_weight
    log_years = log_sum(joint, (0, 1, 2))
    known = np.where(np.isfinite(log_years), log_years, 0.0)
    weight = np.exp(joint - known)
    weight *= -np.expm1(-np.maximum(ratio, 0.0))
    total = weight.sum(axis=(0, 1, 2))
    with np.errstate(divide="ignore"):
        log_excess = known + np.log(total)
    weight /= np.where(total > 0.0, total, 1.0)
    first = (weight * centre).sum(axis=2)
    second = (weight * (variance + centre * centre)).sum(axis=2)
    at = distance - bank.origin[:used]
    moments = np.stack(
        [
            (first[:, STEP] + at * first[:, RAMP]).sum(axis=0),
            (second[:, STEP] + at * at * second[:, RAMP]).sum(axis=0),
            first[:, RAMP].sum(axis=0),
            second[:, RAMP].sum(axis=0),
            (at * second[:, RAMP]).sum(axis=0),
        ]
    )
    moments[1] -= moments[0] ** 2
    moments[3] -= moments[2] ** 2
    moments[4] -= moments[0] * moments[2]
    return Weighed(log_years, log_excess, moments, joint, centre, variance)
