"""From evidence to the causes, what can not be told apart, and what would tell it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from healthtrack.diagnosis.causes import CAUSES
from healthtrack.diagnosis.hypotheses import Posterior, ladders, weigh
from healthtrack.diagnosis.outlook import next_observations
from healthtrack.diagnosis.reading import PERCENT, read
from healthtrack.diagnosis.signatures import signatures
from healthtrack.records import CauseFinding, Diagnosis, ExpectedLevels, PairFinding

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from healthtrack.config import VehicleSettings
    from healthtrack.diagnosis.reading import Reading
    from healthtrack.records import Evidence

    FloatArray = NDArray[np.float64]

MOST_EXPECTED = 3
"""Causes whose predicted levels are given beside the observed ones."""
BAND = (0.025, 0.5, 0.975)
WORTH_A_SIZE = 0.02
"""Probability under which a cause's size is not stated."""
WORTH_A_PAIR = 0.02
MORE_DRIVES = 16.0
"""How many times more evidence counts as "all that these channels could ever show"."""
ALIKE = 0.05
"""Two causes are alike where that much evidence would still leave the lesser one this share."""


def examine(evidence: Evidence, vehicle: VehicleSettings) -> Diagnosis:
    """Say which part it is, how sure, and what to look at next.

    Parameters
    ----------
    evidence : Evidence
        Levels per indicator and region; what could not be observed is not in it.
    vehicle : VehicleSettings
        Displacement and the place of the intake temperature sensor are used.

    Returns
    -------
    Diagnosis
        Empty where the evidence holds nothing that can be used.
    """
    reading = read(evidence, vehicle)
    if reading is None:
        return Diagnosis(())
    steps = ladders(reading, signatures(reading.setting))
    posterior = weigh(reading, steps)
    return Diagnosis(
        causes=cause_findings(posterior),
        pairs=pair_findings(posterior),
        alike=_alike(reading, posterior),
        expected=_expected_levels(evidence, reading, posterior),
        next_observations=next_observations(
            reading, posterior, ambient_logged=evidence.ambient_temperature_logged
        ),
    )


def diagnose(evidence: Evidence, vehicle: VehicleSettings) -> tuple[CauseFinding, ...]:
    """Return the causes only, sorted by probability, ``none`` and ``unknown`` among them."""
    return examine(evidence, vehicle).causes


def cause_findings(posterior: Posterior) -> tuple[CauseFinding, ...]:
    """Return every cause with its probability and the band of its size."""
    total = posterior.alone()
    for causes, probability in posterior.together().items():
        for cause in causes:
            total[cause] += probability
    found = [
        CauseFinding("none", posterior.none),
        CauseFinding("unknown", posterior.unknown),
        *(_finding(posterior, name, probability) for name, probability in total.items()),
    ]
    return tuple(sorted(found, key=lambda finding: -finding.probability))


def pair_findings(posterior: Posterior) -> tuple[PairFinding, ...]:
    """Return the pairs that are worth a word, the likeliest first."""
    pairs = [
        PairFinding(causes, probability)
        for causes, probability in posterior.together().items()
        if probability >= WORTH_A_PAIR
    ]
    return tuple(sorted(pairs, key=lambda pair: -pair.probability))


def _finding(posterior: Posterior, name: str, probability: float) -> CauseFinding:
    unit = CAUSES[name].unit
    if probability < WORTH_A_SIZE:
        return CauseFinding(name, probability, unit=unit)
    sizes, weights = posterior.sizes(name)
    low, middle, high = quantiles(sizes, weights, BAND)
    return CauseFinding(name, probability, middle, low, high, unit)


def quantiles(
    sizes: FloatArray, weights: FloatArray, levels: tuple[float, ...]
) -> tuple[float, ...]:
    """Return quantiles of a distribution given by weights on a ladder, smooth between its steps."""
    order = np.argsort(sizes)
    sizes, weights = sizes[order], weights[order]
    cumulative = np.cumsum(weights) - 0.5 * weights
    return tuple(float(value) for value in np.interp(levels, cumulative / weights.sum(), sizes))


def _alike(reading: Reading, posterior: Posterior) -> tuple[tuple[str, ...], ...]:
    """Return the set of causes that far more drives would not separate from the likeliest one."""
    alone = posterior.alone()
    top = max(alone, key=lambda name: alone[name])
    if alone[top] <= posterior.none or alone[top] <= posterior.unknown:
        return ()
    expected = _expected(reading, posterior, top)
    passing = reading.covariance - reading.lasting
    certain = passing / MORE_DRIVES + reading.lasting
    imagined = weigh(reading, posterior.ladders, expected, certain, with_pairs=False).alone()
    others = [
        name
        for name in sorted(alone, key=lambda name: -alone[name])
        if name != top
        and imagined[name] >= ALIKE * (imagined[name] + imagined[top])
        and alone[name] >= 0.01
    ]
    return ((top, *others),) if others else ()


def _expected_levels(
    evidence: Evidence, reading: Reading, posterior: Posterior
) -> tuple[ExpectedLevels, ...]:
    """Return what the likeliest causes predict for every level of the evidence."""
    alone = posterior.alone()
    likeliest = sorted(alone, key=lambda name: -alone[name])[:MOST_EXPECTED]
    result = []
    for name in likeliest:
        if alone[name] < WORTH_A_SIZE:
            continue
        levels: list[float | None] = [None] * len(evidence.regions)
        for place, level in zip(reading.kept, _expected(reading, posterior, name), strict=True):
            ratio = evidence.regions[place].indicator in PERCENT
            levels[place] = 100.0 * float(np.expm1(level / 100.0)) if ratio else float(level)
        result.append(ExpectedLevels(name, tuple(levels)))
    return tuple(result)


def _expected(reading: Reading, posterior: Posterior, cause: str) -> FloatArray:
    """Return the levels that ``cause`` predicts, at the sizes and engines that fit."""
    total = np.zeros(reading.level.size)
    mass = 0.0
    for ladder, weight in zip(posterior.ladders, posterior.single, strict=True):
        if ladder.cause == cause:
            flat = ladder.predicted.reshape(-1, *ladder.predicted.shape[2:])
            total += np.einsum("es,esn->n", weight, flat)
            mass += float(weight.sum())
    return total / mass
