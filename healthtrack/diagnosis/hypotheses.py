"""How probable each hypothesis is: one cause, two causes, none, or something not on the list.

Marginal likelihoods by quadrature: over a ladder of sizes with a heavy-tailed prior, and over
plausible engines. The prediction of a hypothesis is not exact: the engines' spread is kernel
smoothed (West, *J. R. Statist. Soc. B* 55, 1993) and a floor stands for what the model leaves out,
both growing with the size of the effect. "Unknown" predicts any pattern, at several scales; it wins
where no cause fits, and pays for its breadth where one does.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import log_ndtr

from healthtrack.diagnosis.causes import (
    CAUSES,
    PRIOR_NONE,
    PRIOR_NONE_ALERTED,
    PRIOR_PAIR,
    PRIOR_UNKNOWN,
)
from healthtrack.diagnosis.engines import KINDS
from healthtrack.diagnosis.signatures import INDICATORS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from healthtrack.diagnosis.reading import Reading
    from healthtrack.diagnosis.signatures import Signature
    from healthtrack.records import Kind

    FloatArray = NDArray[np.float64]

SIZES = 42
"""Steps of the size ladder: each some 13 % larger, finer than the model's own floor and spread."""
PAIR_EVERY = 3
"""Pairs are looked at on every so many steps of the ladder."""
TAILS = 4.0
"""Degrees of freedom of the prior of sizes (half of Student's t on the cause's scale): most faults
are small, a few are gross, and those are not drawn towards the small ones."""
KERNEL = 0.6
"""Width of the kernel between engines of one kind, in standard deviations of their spread."""
FLOOR = 0.12
"""What the model leaves out, of the effect."""
PAIR_FLOOR = 0.2
"""The same for pairs, whose ladder is coarser and whose effects add up only nearly."""
UNKNOWN_SCALES = (1.0, 2.0, 4.0, 8.0)
UNKNOWN_UNIT = {
    "airflow": 1.0,
    "boost": 1.0,
    "breathing": 1.0,
    "charge_temperature": 1.0,
    "intake_restriction": 0.3,
    "standing_pressure": 0.7,
    "spool_time": 0.1,
    "pull_power": 1.5,
}
"""Unit of the unknown's scales, per indicator. [its unit]"""
FILLED = frozenset({"airflow", "breathing"})
"""What an engine that fills worse (valves, timing, deposits) lowers everywhere alike: as a sensor
that reads low does, so that one is never quite sure of the sensor."""
FILLED_SHARE = 0.15
"""Share of that among what is unknown: such engines are far rarer than dirty sensors."""
DRIVEN = frozenset({"airflow", "boost"})
"""What an engine that is asked for more gives more of, both alike: other software, a boost control
that overshoots. No cause of the list does, and a cause that fits badly must not win for that."""
RESTING = frozenset({"standstill", "idle"})
DRIVEN_SHARE = 0.3
"""Share of that among what is unknown: altered software is no rarity (common practice)."""
DRIVEN_VARIES = 0.5
"""By how much regions differ in it, of it: most of it is asked for at full load."""
DRIVEN_BESIDE = 0.3
"""What moves beside it in all indicators (warmth, filling), of it, in their units."""
UNKNOWN_TOGETHER = 0.7
"""Correlation of an unknown's effect on one indicator between regions."""


@dataclass(frozen=True)
class Ladder:
    """One cause (with one sign) as seen by this vehicle.

    ``sizes`` (s,), ``log_prior`` (s,) of the sizes (adds up to one), ``predicted``
    (kinds, engines of a kind, s, n) shrunk towards its kind's mean, ``spread`` (kinds, s, n, n)
    what the prediction leaves open; ``everything`` (engines, s, indicators, bins) is the full
    effect, for outlooks.
    """

    cause: str
    sizes: FloatArray
    log_prior: FloatArray
    predicted: FloatArray
    spread: FloatArray
    everything: FloatArray


@dataclass(frozen=True)
class Posterior:
    """Probabilities, and the weights they are sums of.

    ``single`` and ``pair`` hold weights over (engines, sizes) and (engines, sizes, sizes), indexed
    as ``ladders`` and ``pairs``; all weights with ``none`` and ``unknown`` add up to one.
    """

    ladders: tuple[Ladder, ...]
    single: tuple[FloatArray, ...]
    pairs: tuple[tuple[int, int], ...]
    pair: tuple[FloatArray, ...]
    none: float
    unknown: float
    log_evidence: float

    def alone(self) -> dict[str, float]:
        """Return the probability of each cause alone."""
        result = {ladder.cause: 0.0 for ladder in self.ladders}
        for ladder, weight in zip(self.ladders, self.single, strict=True):
            result[ladder.cause] += float(weight.sum())
        return result

    def together(self) -> dict[tuple[str, str], float]:
        """Return the probability of each pair."""
        result: dict[tuple[str, str], float] = {}
        for (first, second), weight in zip(self.pairs, self.pair, strict=True):
            key = (self.ladders[first].cause, self.ladders[second].cause)
            result[key] = result.get(key, 0.0) + float(weight.sum())
        return result

    def sizes(self, cause: str) -> tuple[FloatArray, FloatArray]:
        """Return sizes and their weights where ``cause`` is at work, alone or with another."""
        sizes, weights = [], []
        for index, ladder in enumerate(self.ladders):
            if ladder.cause != cause:
                continue
            weight = self.single[index].sum(axis=0)
            for (first, second), pair in zip(self.pairs, self.pair, strict=True):
                coarse = np.zeros_like(weight)
                if index == first:
                    coarse[::PAIR_EVERY] = pair.sum(axis=(0, 2))
                elif index == second:
                    coarse[::PAIR_EVERY] = pair.sum(axis=(0, 1))
                weight = weight + coarse
            sizes.append(ladder.sizes)
            weights.append(weight)
        return np.concatenate(sizes), np.concatenate(weights)


def ladders(reading: Reading, effects: dict[str, tuple[Signature, ...]]) -> tuple[Ladder, ...]:
    """Put every cause on a ladder of sizes, with what it predicts for the observed levels."""
    result = []
    for name, cause in CAUSES.items():
        if not reading.has(name):
            continue
        signs = effects[name]
        if cause.field == "pressure_offset":
            signs = tuple(_as_expected(reading, signature) for signature in signs)
        for signature in signs:
            share = 1.0 / len(signs)
            result.append(_ladder(reading, signature, name, cause.scale, share))
    return tuple(result)


def weigh(
    reading: Reading,
    steps: tuple[Ladder, ...],
    level: FloatArray | None = None,
    covariance: FloatArray | None = None,
    *,
    with_pairs: bool = True,
) -> Posterior:
    """Return the posterior over all hypotheses.

    Parameters
    ----------
    reading : Reading
        What was observed.
    steps : tuple of Ladder
        From :func:`ladders`.
    level, covariance : (n,), (n, n) float64
        In place of the reading's own, to ask what one would say to other levels.
    with_pairs : bool
        Whether pairs of causes are considered.
    """
    level = reading.level if level is None else level
    covariance = reading.covariance if covariance is None else covariance
    sound = PRIOR_NONE_ALERTED if reading.alerted else PRIOR_NONE
    prior = _prior_single(steps, reading.onset, sound)
    single = [
        prior[step.cause]
        + step.log_prior
        + _over_kinds(level, step.predicted, covariance + step.spread)
        for step in steps
    ]
    indices = _pairs(steps) if with_pairs else []
    pair_prior = _prior_pair(steps, indices) + np.log1p(-sound)
    pair = [
        log_prior + _pair_log_weight(level, covariance, steps[first], steps[second])
        for (first, second), log_prior in zip(indices, pair_prior, strict=True)
    ]
    zero = np.zeros((1, 1, level.size))
    none = np.log(sound) + _log_density(level, zero, covariance[np.newaxis])[0, 0]
    unknown = np.log((1.0 - sound) * PRIOR_UNKNOWN) + _unknown(reading, level, covariance)
    engines = np.log(steps[0].everything.shape[0])
    parts = [np.array([none, unknown]), *(part.ravel() - engines for part in (*single, *pair))]
    total = float(np.logaddexp.reduce(np.concatenate(parts)))
    return Posterior(
        ladders=steps,
        single=tuple(np.exp(part - engines - total) for part in single),
        pairs=tuple(indices),
        pair=tuple(np.exp(part - engines - total) for part in pair),
        none=float(np.exp(none - total)),
        unknown=float(np.exp(unknown - total)),
        log_evidence=total,
    )


def _ladder(
    reading: Reading, signature: Signature, cause: str, scale: float, share: float
) -> Ladder:
    most = np.abs(signature.sizes[-1]) / scale
    relative = np.geomspace(0.02, most, SIZES)
    sizes = np.sign(signature.sizes[-1]) * scale * relative
    effect = _interpolate(np.abs(signature.sizes), signature.effect, np.abs(sizes))
    observed = reading.pick(effect)
    observed = observed.reshape(KINDS, -1, *observed.shape[1:])
    mean = observed.mean(axis=1)
    off = observed - mean[:, np.newaxis]
    kept = np.sqrt(1.0 - KERNEL**2)
    spread = KERNEL**2 * np.einsum("kesi,kesj->ksij", off, off) / observed.shape[1]
    floor = FLOOR * (np.abs(mean) + observed.std(axis=1))
    spread += np.einsum("ksi,ij->ksij", floor**2, np.eye(mean.shape[-1]))
    density = (1.0 + relative**2 / TAILS) ** (-(TAILS + 1.0) / 2.0) * np.gradient(relative)
    return Ladder(
        cause=cause,
        sizes=sizes,
        log_prior=np.log(share * density / density.sum()),
        predicted=mean[:, np.newaxis] + kept * off,
        spread=spread,
        everything=effect,
    )


def _as_expected(reading: Reading, signature: Signature) -> Signature:
    """Take off what the healthy expectation itself follows an offset of the manifold's sensor."""
    followed = np.outer(signature.sizes, reading.follows_manifold)
    return replace(signature, effect=signature.effect - followed[np.newaxis, :, :, np.newaxis])


def _interpolate(knots: FloatArray, values: FloatArray, at: FloatArray) -> FloatArray:
    right = np.clip(np.searchsorted(knots, at), 1, knots.size - 1)
    share = np.clip((at - knots[right - 1]) / (knots[right] - knots[right - 1]), 0.0, 1.0)
    weight = share[np.newaxis, :, np.newaxis, np.newaxis]
    return np.asarray((1.0 - weight) * values[:, right - 1] + weight * values[:, right])


def _over_kinds(level: FloatArray, predicted: FloatArray, covariance: FloatArray) -> FloatArray:
    """Return log densities: (k, e, s, n), (k, s, n, n) -> (k·e, s)."""
    parts = [_log_density(level, *kind) for kind in zip(predicted, covariance, strict=True)]
    return np.concatenate(parts)


def _log_density(level: FloatArray, predicted: FloatArray, covariance: FloatArray) -> FloatArray:
    """Return log N(level; predicted, covariance): (e, s, n), (s, n, n) -> (e, s)."""
    root = np.linalg.cholesky(covariance)
    inverse = np.linalg.inv(root)
    off = np.einsum("sij,esj->esi", inverse, level - predicted)
    log_det = np.log(np.diagonal(root, axis1=-2, axis2=-1)).sum(axis=-1)
    constant = 0.5 * level.size * np.log(2.0 * np.pi)
    return np.asarray(-0.5 * (off**2).sum(axis=-1) - log_det - constant)


def _prior_single(steps: tuple[Ladder, ...], onset: Kind, sound: float) -> dict[str, float]:
    left = (1.0 - sound) * (1.0 - PRIOR_UNKNOWN - PRIOR_PAIR)
    names = {step.cause for step in steps}
    total = sum(CAUSES[name].weight for name in names)
    return {
        name: float(np.log(left * CAUSES[name].weight / total * _came_so(name, onset)))
        for name in names
    }


def _came_so(cause: str, onset: Kind) -> float:
    """Return how likely the onset is under a cause, over an even chance (of what is unknown)."""
    sudden = CAUSES[cause].sudden
    return {"none": 1.0, "step": 2.0 * sudden, "drift": 2.0 * (1.0 - sudden)}[onset]


def _pairs(steps: tuple[Ladder, ...]) -> list[tuple[int, int]]:
    sensor = {"airflow_sensor_reads_low", "airflow_sensor_reads_high"}
    return [
        (first, second)
        for first, second in combinations(range(len(steps)), 2)
        if steps[first].cause != steps[second].cause
        and not {steps[first].cause, steps[second].cause} <= sensor
    ]


def _prior_pair(steps: tuple[Ladder, ...], indices: list[tuple[int, int]]) -> FloatArray:
    if not indices:
        return np.zeros(0)
    # the two signs of a cause share its weight already, in their log_prior
    weight = np.array(
        [CAUSES[steps[a].cause].weight * CAUSES[steps[b].cause].weight for a, b in indices]
    )
    share = np.array(
        [np.exp(steps[a].log_prior).sum() * np.exp(steps[b].log_prior).sum() for a, b in indices]
    )
    return np.asarray(np.log(PRIOR_PAIR * weight / (weight * share).sum()))


def _pair_log_weight(
    level: FloatArray, covariance: FloatArray, first: Ladder, second: Ladder
) -> FloatArray:
    """Return log prior of the sizes and log likelihood: (engines, sizes, sizes)."""
    a, b = first.predicted[:, :, ::PAIR_EVERY], second.predicted[:, :, ::PAIR_EVERY]
    grow = (PAIR_FLOOR / FLOOR) ** 2
    spread_a, spread_b = first.spread[:, ::PAIR_EVERY] * grow, second.spread[:, ::PAIR_EVERY] * grow
    kinds, engines, count_a, size = a.shape
    count_b = b.shape[2]
    both = (a[:, :, :, np.newaxis] + b[:, :, np.newaxis]).reshape(kinds, engines, -1, size)
    spread = (spread_a[:, :, np.newaxis] + spread_b[:, np.newaxis]).reshape(kinds, -1, size, size)
    density = _over_kinds(level, both, covariance + spread).reshape(-1, count_a, count_b)
    prior = _coarse(first.log_prior)[:, np.newaxis] + _coarse(second.log_prior)[np.newaxis]
    return np.asarray(density + prior)


def _coarse(log_prior: FloatArray) -> FloatArray:
    kept = log_prior[::PAIR_EVERY]
    return np.asarray(
        kept + np.logaddexp.reduce(log_prior) - np.logaddexp.reduce(kept), dtype=np.float64
    )


def _driven(
    reading: Reading, level: FloatArray, covariance: FloatArray, unit: FloatArray
) -> list[float]:
    """Return the log densities of an engine that gives more air and boost under load.

    By an amount that is half-normal, at each of :data:`UNKNOWN_SCALES`: integrated in closed form.
    """
    alike = np.array(
        [float(name in DRIVEN and region not in RESTING) for name, region in reading.regions]
    )
    here = np.array([region for _, region in reading.regions])
    together = np.outer(alike, alike) * (here[:, np.newaxis] == here[np.newaxis])
    beside = DRIVEN_VARIES**2 * together + np.diag((DRIVEN_BESIDE * unit) ** 2)
    zero = np.zeros((1, 1, level.size))
    densities = []
    for scale in UNKNOWN_SCALES:
        left = covariance + scale**2 * beside
        inverse = np.linalg.inv(left)
        certain = 1.0 / scale**2 + alike @ inverse @ alike
        found = alike @ inverse @ level / np.sqrt(certain)
        whole = (left + scale**2 * np.outer(alike, alike))[np.newaxis]
        density = _log_density(level, zero, whole)[0, 0] + np.log(2.0) + log_ndtr(found)
        densities.append(float(density))
    return densities


def _unknown(reading: Reading, level: FloatArray, covariance: FloatArray) -> float:
    names = [INDICATORS[index] for index in reading.indicator]
    unit = np.array([UNKNOWN_UNIT[name] for name in names])
    same = reading.indicator[:, np.newaxis] == reading.indicator[np.newaxis]
    shape = np.where(same, UNKNOWN_TOGETHER, 0.0)
    np.fill_diagonal(shape, 1.0)
    # what is unknown is any pattern, or an engine that itself fills less or more
    filled = np.array([float(name in FILLED) for name in names])
    shapes = (
        (1.0 - FILLED_SHARE - DRIVEN_SHARE, shape * np.outer(unit, unit)),
        # no more alike everywhere than a cause's effects are: else it fits what is flat too well
        (FILLED_SHARE, np.outer(filled, filled) + FLOOR**2 * np.diag(filled)),
    )
    zero = np.zeros((1, 1, level.size))
    densities = [
        np.log(share) + _log_density(level, zero, (covariance + scale**2 * pattern)[None])[0, 0]
        for scale in UNKNOWN_SCALES
        for share, pattern in shapes
    ]
    driven = _driven(reading, level, covariance, unit)
    densities += [np.log(DRIVEN_SHARE) + density for density in driven]
    return float(np.logaddexp.reduce(densities) - np.log(len(UNKNOWN_SCALES)))
