"""Has anything changed, and when did it start? A running sum of likelihood ratios.

For every drive *k* since the baseline, and for three shapes (a step, a ramp, a fast ramp), the
likelihood of all figures since *k* with a change of unknown size is set against the healthy model's
(Willsky & Jones, *IEEE Trans. Automatic Control* 21(1), 1976: the filter's answer to a change is
propagated beside the filter). The size has a prior of the limit's order and is integrated out. The
sum over *k*,

    R(t) = Σ_k  Δt_k · LR(change at k | figures up to t),      Δt_k in years,

is the Shiryaev-Roberts statistic in units of time: while the vehicle is healthy R(t) − t is a
martingale, so the chance of ever crossing a bar of A years within t years is at most t/A, and the
mean time between false alerts at least A (Pollak, *Annals of Statistics* 13(1), 1985; the
inequality is Doob's). The user's false alerts per vehicle-year set A directly: no threshold to
tune, and the wander and the baseline's error are integrated out on both sides.

Sound vehicles move for good too: another driver, another place, another fuel. Such a change of use
is a step of about a drive's error, rare; the evidence is R over what one of them explains, so the
sound model of which it is a martingale contains them:

    R(t) / (1 + ρ Σ_k  Δt_k · LR(change of use at k | figures up to t))

The same sum is a posterior: with changes coming once in so many years, the odds of a change are R
times their rate, and each candidate says where the level is if it is true
(:mod:`healthtrack.drift.candidates`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import log_ndtr

from healthtrack.drift.gaussian import Filtered, absorb, climb, log_sum, relax

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from healthtrack.drift.gaussian import Term
    from healthtrack.drift.level import Model, Move

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]

STEP_SIZE = 0.4
"""Prior sd of a step, in limits: half of what harms, so that small ones are not ruled out."""
RAMP_SIZE = 0.4
"""Prior sd of a ramp, in limits per 10 000 km: the limit in two or three service intervals."""
FAST_SIZE = 1.2
"""The same of a fast ramp: a few faults reach the limit within a service interval, and a prior that
does not hold them would keep the level behind."""
CHANGES_PER_YEAR = 0.3
"""How often a vehicle's air path changes at all, by wear, fault or work: about once in three years
(common practice, no source). It weighs the candidates in the level before an alert; the alert
itself does not use it."""
USE_SHARE, USE_PER_YEAR = 0.2, 1.0
"""Share of sound vehicles whose figures move for good now and then for a reason that no channel
tells (driver, place, fuel, tyres), and how often theirs do [1/year] (common practice, no source).
The longer a vehicle has not, the less likely it is one of them (:func:`use_rate`)."""
USE_SIZE = 0.85
"""Prior sd of such a move, in typical drive errors."""
STEP, RAMP, FAST, USE = 0, 1, 2, 3
MADE_OF = (STEP, RAMP, RAMP, STEP)
"""Whose answer, power and match a shape has: it differs in the prior of its size only."""
SHARES = np.array([0.35, 0.5, 0.15])
"""How often a fault is a step, a ramp, a fast ramp (common practice, no source)."""
RATE = np.array([CHANGES_PER_YEAR, CHANGES_PER_YEAR, CHANGES_PER_YEAR, 1.0])
"""What turns a candidate's time into the odds that it is true; that of a change of use holds it."""
LOG_RATE = float(np.log(CHANGES_PER_YEAR))
FARTHEST = 300.0
"""Beyond so many nats one candidate is simply the likelier one."""
DAYS_PER_YEAR = 365.25
LEAST_WAIT = 1e-3
"""Drives of one moment still count as a little time apart. [days]"""
WANDER = 2
"""Place of the wander in the state."""


@dataclass
class Bank(Filtered):
    """The filter without a further change (``joint``), K candidates of two shapes beside it.

    ``answer`` (D, K, 2, G, S) is how the filter's state answers to a change of size one; ``power``
    and ``match`` (K, 2, G, S) what the figures say of its size; ``omega`` (K, 4, G, S) the time
    that the candidate stands for [years], times the share of its shape, for a change of use times
    its rate; ``start`` (K, S) its drive (−1: free) and ``origin`` (K, S) its place. The parts are
    the level filter's; level and slope are exactly zero until a change has been found, and go on in
    a straight line since. ``log_weight`` (G, S).
    """

    log_weight: FloatArray
    answer: FloatArray
    power: FloatArray
    match: FloatArray
    omega: FloatArray
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


def advance_bank(bank: Bank, move: Move) -> None:
    """Bring the filter and all its answers from the drive before to this one."""
    relax(bank.joint, WANDER, move.keep, move.fresh)
    bank.answer[WANDER, : bank.used] *= move.keep
    if bank.bent:
        climb(bank.joint, move.step)
        bank.answer[0, : bank.used] += move.step * bank.answer[1, : bank.used]


def open_candidates(
    bank: Bank, model: Model, where: IntArray, drive: IntArray, place: tuple[FloatArray, ...]
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
    place : ((S,), (S,), (S,) float64)
        Time since the drive before [days], where that was [10 000 km], and how often the use
        changes now [1/year].
    """
    wait, origin, rate = place
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
    time = np.maximum(wait, LEAST_WAIT) / DAYS_PER_YEAR
    bank.omega[slot, :USE, :, where] = (time[where, None] * SHARES)[..., None]
    use = time * rate
    bank.omega[slot, USE, :, where] = use[where, None]


def use_rate(years: FloatArray, changed: FloatArray) -> FloatArray:
    """Return how often a vehicle changes its use. [1/year].

    Of the vehicles that do at all (:data:`USE_SHARE`), exp(−rate · years) have not done so yet; one
    that has will do it again.

    Parameters
    ----------
    years : (S,) float64
        Since the first drive.
    changed : (S,) float64
        How likely it is that it has changed since.
    """
    left = USE_SHARE * np.exp(-USE_PER_YEAR * years)
    restless = left / (1.0 - USE_SHARE + left)
    return np.asarray(USE_PER_YEAR * (changed + (1.0 - changed) * restless))


def _join(bank: Bank, model: Model, where: IntArray, drive: IntArray) -> IntArray:
    """Join the two candidates that differ least for their age; return the places set free."""
    order = np.argsort(bank.start[:, where], axis=0)
    starts = np.take_along_axis(bank.start[:, where], order, axis=0)
    spacing = (starts[2:] - starts[:-2]) / (drive[where] - starts[1:-1] + 1.0)
    middle = np.argmin(spacing, axis=0) + 1
    column = np.arange(where.size)
    keep, drop = order[middle - 1, column], order[middle, column]
    more = _log_ratio_at(bank, model, drop, where) - _log_ratio_at(bank, model, keep, where)
    lost = bank.omega[drop, :, :, where] * np.exp(np.minimum(more, FARTHEST))
    bank.omega[keep, :, :, where] += lost
    return np.asarray(drop)


def _log_ratio_at(bank: Bank, model: Model, slot: IntArray, where: IntArray) -> FloatArray:
    """Return ln LR of one candidate per series: (n, 4, G)."""
    power, match = (
        np.moveaxis(part[slot, :, :, where], 0, -1)[None] for part in (bank.power, bank.match)
    )
    prior = prior_variances(model)[..., where]
    return np.asarray(np.moveaxis(_ratio(power, match, prior, model.side[where])[2][0], -1, 0))


def _ratio(
    power: FloatArray, match: FloatArray, prior: FloatArray, side: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return size, its variance and ln LR with the size integrated out: (K', 4, G, S).

    ``power`` and ``match`` are (K', 2, G, S). A fault's size is integrated over its side of concern
    only, where it has one.
    """
    variance = np.empty((power.shape[0], len(MADE_OF), *power.shape[2:]))
    centre, ratio = np.empty_like(variance), np.empty_like(variance)
    for shape, base in enumerate(MADE_OF):
        np.multiply(power[:, base], prior[shape], out=variance[:, shape])
    variance += 1.0
    shrunk = np.log(variance)
    np.divide(prior, variance, out=variance)
    for shape, base in enumerate(MADE_OF):
        np.multiply(match[:, base], variance[:, shape], out=centre[:, shape])
        np.multiply(match[:, base], centre[:, shape], out=ratio[:, shape])
    ratio -= shrunk
    ratio *= 0.5
    if side.any():
        fault = np.s_[:, :USE]
        one_sided = np.log(2.0) + log_ndtr(side * centre[fault] / np.sqrt(variance[fault]))
        ratio[fault] += np.where(side == 0.0, 0.0, one_sided)
    return centre, variance, ratio


def prior_variances(model: Model) -> FloatArray:
    """Return the prior variances of the sizes of all shapes: (4, 1, S)."""
    of_limit = (STEP_SIZE, RAMP_SIZE, FAST_SIZE)
    sizes = [*(size * model.limit for size in of_limit), USE_SIZE * model.scale]
    return (np.array(sizes) ** 2)[:, None]


def absorb_bank(
    bank: Bank,
    model: Model,
    terms: Sequence[Term],
    figure: tuple[FloatArray, FloatArray, FloatArray],
    use: FloatArray | None,
) -> None:
    """Take the drives' figures into the filter and all candidates.

    ``figure`` holds the values (S,), their error variances (G, S) and the places (S,) along the
    distance. The error variances are the level filter's: a decline must not pass for noise.
    """
    value, noise, distance = figure
    new = absorb(bank.joint, terms, (value, noise), model.outlying, use)
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
    """The candidates weighed; K' are the places in use, the shapes are STEP, RAMP, FAST and USE.

    ``log_years`` (S,) is the evidence: ln of R over what a change of use explains.
    ``log_fault`` and ``log_use`` (S,) are the odds of a fault and of a change of use against
    neither, counted only for what the figures say beyond nothing: a candidate that has just opened
    is possible but no reason to widen a band. ``moments`` (5, S) are the change's if it is a fault;
    ``shapes`` (3, 4, S) the odds of each shape against no change, counted in the same way, and the
    level's mean and variance if it is true. ``ratio`` holds ln of weight × likelihood ratio,
    ``odds`` the rate × time of each candidate, ``centre`` and ``variance`` the sizes, all
    (K', 4, G, S).
    """

    log_years: FloatArray
    log_fault: FloatArray
    log_use: FloatArray
    moments: FloatArray
    shapes: FloatArray
    ratio: FloatArray
    odds: FloatArray
    centre: FloatArray
    variance: FloatArray

    def joint(self, series: int) -> FloatArray:
        """Return ln of the odds of each candidate of one series against no change: (K', 4, G)."""
        with np.errstate(divide="ignore"):
            return np.asarray(self.ratio[..., series] + np.log(self.odds[..., series]))


def weigh(bank: Bank, model: Model, distance: FloatArray) -> Weighed:
    """Weigh all candidates at a place (S,) along the distance."""
    used = max(bank.used, 1)
    centre, variance, ratio = _ratio(
        bank.power[:used], bank.match[:used], prior_variances(model), model.side
    )
    ratio += bank.log_weight
    odds = bank.omega[:used] * RATE[:, None, None]
    top = np.maximum(ratio.max(axis=(0, 1, 2)), 0.0)
    share = np.exp(ratio - top)
    share *= odds
    whole = share.sum(axis=(0, 2))
    share -= odds * np.exp(bank.log_weight - top)
    np.maximum(share, 0.0, out=share)
    excess = share.sum(axis=(0, 2))
    with np.errstate(divide="ignore"):
        log_all = np.log([whole[:USE].sum(axis=0), whole[USE]]) + top
        log_fault, log_use = np.log([excess[:USE].sum(axis=0), excess[USE]]) + top
    log_years = log_all[0] - LOG_RATE - np.logaddexp(0.0, log_all[1])
    at, sizes = distance - bank.origin[:used], (centre, variance)
    with np.errstate(divide="ignore"):
        likely = np.exp(np.minimum(np.log(excess) + top, FARTHEST))
    of_shape = share / np.maximum(excess[:, None], 1e-300)
    shapes = np.stack([likely, *_levels(of_shape, sizes, at)])
    bent = np.flatnonzero(bank.covariance[0].any(axis=(0, 1)))
    if bent.size:
        own = [part[..., bent] for part in (of_shape, centre, variance, at)]
        shapes[1:, :, bent] = _levels_beside(bank, bent, own)
    weight = share[:, :USE]
    weight /= np.maximum(excess[:USE].sum(axis=0), 1e-300)
    moments = _moments(weight, sizes, at)
    return Weighed(log_years, log_fault, log_use, moments, shapes, ratio, odds, centre, variance)


def _levels(
    weight: FloatArray, sizes: tuple[FloatArray, FloatArray], at: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the level's mean and variance under each shape: (4, S), (4, S).

    ``weight`` (K', 4, G, S) adds up to one over the candidates and points of each shape.
    """
    centre, variance = sizes
    reach = _reach(at)
    first = (weight * centre).sum(axis=2) * reach
    second = (weight * (variance + centre * centre)).sum(axis=2) * reach * reach
    mean = first.sum(axis=0)
    return mean, second.sum(axis=0) - mean * mean


def _reach(at: FloatArray) -> FloatArray:
    """Return how far a change of size one has taken the level, (K', 4, S), (K', S) on."""
    return np.stack([np.ones(at.shape), at, at, np.zeros(at.shape)], axis=1)


def _levels_beside(bank: Bank, bent: IntArray, own: Sequence[FloatArray]) -> FloatArray:
    """As :func:`_levels`, of series with a change that was found: the filter's level answers too.

    ``bent`` are the series, ``own`` their weights, sizes with variances, and distances; the result
    is (2, 4, n).
    """
    weight, centre, variance, at = own
    reach = _reach(at)[:, :, None] - bank.answer[0, : at.shape[0]][:, MADE_OF][..., bent]
    level = bank.mean[0][:, bent] + reach * centre
    mean = (weight * level).sum(axis=(0, 2))
    spread = level * level + reach * reach * variance + bank.covariance[0, 0][:, bent]
    return np.stack([mean, (weight * spread).sum(axis=(0, 2)) - mean * mean])


def _moments(
    weight: FloatArray, sizes: tuple[FloatArray, FloatArray], at: FloatArray
) -> FloatArray:
    """Return level and slope of a fault with their (co)variances (5, S); weights add up to one."""
    centre, variance = (part[:, :USE] for part in sizes)
    first = (weight * centre).sum(axis=2)
    second = (weight * (variance + centre * centre)).sum(axis=2)
    slope, bend = (part[:, RAMP] + part[:, FAST] for part in (first, second))
    moments = np.stack(
        [
            (first[:, STEP] + at * slope).sum(axis=0),
            (second[:, STEP] + at * at * bend).sum(axis=0),
            slope.sum(axis=0),
            bend.sum(axis=0),
            (at * bend).sum(axis=0),
        ]
    )
    moments[1] -= moments[0] ** 2
    moments[3] -= moments[2] ** 2
    moments[4] -= moments[0] * moments[2]
    return moments
