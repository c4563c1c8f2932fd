"""What to look at next, ranked by how much of the doubt about the cause it would settle.

The measure is the mutual information between the cause and the observation's outcome over the
present entropy of the cause (Lindley, *Ann. Math. Statist.* 27, 1956), computed on atoms drawn
evenly from the posterior and on evenly spread outcomes: no chance enters.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import norm, qmc

from healthtrack.diagnosis.causes import CAUSES
from healthtrack.diagnosis.signatures import INDICATORS
from healthtrack.records import NextObservation

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from healthtrack.diagnosis.hypotheses import Posterior
    from healthtrack.diagnosis.reading import Reading

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]

ATOMS = 256
OUTCOMES = 3
"""Imagined outcomes per atom."""
WORTH_SETTLING = 0.15
"""Entropy of the cause under which nothing is open any more. [nat]"""
LEAST = 0.02
"""Share under which an observation is not worth proposing."""


@dataclass(frozen=True, slots=True)
class Look:
    """An observation that could be made.

    Parameters
    ----------
    name, words : str
        Stable name, and what to do in plain words.
    measures : tuple of (indicator, region, sd)
        Levels that it gives. [the indicator's unit]
    fields : tuple of (cause, sd or threshold)
        Sizes of causes that it shows directly. [the cause's unit]
    yes_or_no : bool
        Whether it only tells if such a size is beyond the threshold (found in nine of ten cases,
        wrongly in one of thirty).
    needs : frozenset of str
        Indicators without which it gives nothing: what the vehicle must log already.
    pointless_with : frozenset of (indicator, region)
        Evidence that it would only repeat.
    """

    name: str
    words: str
    measures: tuple[tuple[str, str, float], ...] = ()
    fields: tuple[tuple[str, float], ...] = ()
    yes_or_no: bool = False
    needs: frozenset[str] = frozenset()
    pointless_with: frozenset[tuple[str, str]] = frozenset()


LOOKS = (
    Look(
        "key_on_reading",
        "log half a minute with the key on and the engine standing: manifold and ambient pressure "
        "must agree",
        measures=(("standing_pressure", "standstill", 0.7),),
        pointless_with=frozenset({("standing_pressure", "standstill")}),
    ),
    Look(
        "full_load_pull",
        "log a pull at full load, on a safe legal road with a second person at the logger",
        measures=(
            ("airflow", "pull", 1.5),
            ("boost", "pull", 1.5),
            ("breathing", "pull", 1.5),
            ("pull_power", "pull", 3.0),
        ),
        pointless_with=frozenset(
            {("airflow", "pull"), ("boost", "pull"), ("breathing", "pull"), ("pull_power", "pull")}
        ),
    ),
    Look(
        "charge_temperature_log",
        "log the temperature behind the charge cooler",
        measures=(("charge_temperature", "pull", 2.5),),
        pointless_with=frozenset(
            {("charge_temperature", "full_load"), ("charge_temperature", "pull")}
        ),
    ),
    Look(
        "air_box_pressure",
        "measure the pressure behind the air filter against ambient at high flow",
        measures=(("intake_restriction", "pull", 0.4),),
        pointless_with=frozenset(
            {("intake_restriction", "full_load"), ("intake_restriction", "pull")}
        ),
    ),
    Look(
        "smoke_test",
        "pressurise the charge-air path with the engine off (smoke or soap) and look for leaks",
        fields=(("charge_air_leak", 1.5),),
        yes_or_no=True,
    ),
    Look(
        "airflow_compared",
        "compare with a known good airflow sensor, cleaned or borrowed, on the same road",
        fields=(("airflow_sensor_reads_low", 2.0), ("airflow_sensor_reads_high", 2.0)),
        needs=frozenset({"airflow"}),
    ),
    Look(
        "valve_looked_at",
        "take the recirculation valve's pipe off, or block it for one drive, and see if it closes",
        fields=(("egr_stuck_open", 2.0),),
        yes_or_no=True,
    ),
    Look(
        "cold_soak",
        "compare all temperature readings after a night's standing: they must agree",
        fields=(("charge_temperature_offset", 1.5),),
        needs=frozenset({"charge_temperature"}),
    ),
    Look(
        "filter_looked_at",
        "take the air filter out and hold it against the light",
        fields=(("air_filter_restricted", 1.0),),
        yes_or_no=True,
    ),
)
"""Observations in the order of the effort they take."""

_DIRECT = tuple(CAUSES)


@dataclass(frozen=True)
class _Atoms:
    """Equally weighted draws: what each hypothesis class predicts everywhere, and its sizes."""

    label: IntArray
    effect: FloatArray
    size: FloatArray
    vague: FloatArray


def next_observations(
    reading: Reading, posterior: Posterior, *, ambient_logged: bool
) -> tuple[NextObservation, ...]:
    """Rank what could be looked at next; empty where the cause is settled already."""
    atoms = _draw(posterior)
    entropy = _entropy(np.bincount(atoms.label) / ATOMS)
    if entropy < WORTH_SETTLING:
        return ()
    found = []
    for look in LOOKS:
        if not _possible(look, reading):
            continue
        gained = _yes_no_gain(atoms, look) if look.yes_or_no else _gain(reading, atoms, look)
        found.append(NextObservation(look.name, look.words, min(gained / entropy, 1.0)))
    for name, words, factor in _repeats(ambient_logged=ambient_logged):
        gained = _repeat_gain(reading, atoms, factor)
        found.append(NextObservation(name, words, min(gained / entropy, 1.0)))
    ranked = sorted(found, key=lambda item: -item.settles)
    return tuple(item for item in ranked if item.settles >= LEAST)


def _repeats(*, ambient_logged: bool) -> list[tuple[str, str, float]]:
    repeats = [("more_drives", "wait for as many drives again", 0.5)]
    if not ambient_logged:
        words = "log the ambient temperature, so that the weather need not be guessed"
        repeats.append(("ambient_temperature_log", words, 0.4))
    return repeats


def _possible(look: Look, reading: Reading) -> bool:
    have = set(reading.regions)
    repeats = bool(look.pointless_with & have)
    return not repeats and (not look.needs or bool(look.needs & reading.seen))


def _draw(posterior: Posterior) -> _Atoms:
    weights = [np.array([posterior.none, posterior.unknown])]
    weights += [part.ravel() for part in (*posterior.single, *posterior.pair)]
    flat = np.concatenate(weights)
    edges = np.cumsum([part.size for part in weights])
    picked = np.searchsorted(
        np.cumsum(flat) / flat.sum(), (np.arange(ATOMS) + 0.5) / ATOMS, side="right"
    )
    shape = posterior.ladders[0].everything.shape[2:]
    effect = np.zeros((ATOMS, *shape))
    size = np.zeros((ATOMS, len(_DIRECT)))
    label = np.zeros(ATOMS, dtype=np.int64)
    vague = np.zeros(ATOMS)
    for atom, index in enumerate(picked):
        block = int(np.searchsorted(edges, index, side="right"))
        within = int(index - (edges[block - 1] if block else 0))
        if block == 0:
            label[atom] = within
            vague[atom] = float(within == 1)
            continue
        for ladder, engine, step in _parts(posterior, block - 1, within):
            chosen = posterior.ladders[ladder]
            effect[atom] += chosen.everything[engine, step]
            size[atom, _DIRECT.index(chosen.cause)] = chosen.sizes[step]
        label[atom] = _label(posterior, block - 1)
    return _Atoms(label, effect, size, vague)


def _parts(posterior: Posterior, block: int, within: int) -> list[tuple[int, int, int]]:
    """Return (ladder, engine, step) of a single's or a pair's weight."""
    count = len(posterior.single)
    if block < count:
        engine, step = np.unravel_index(within, posterior.single[block].shape)
        return [(block, int(engine), int(step))]
    first, second = posterior.pairs[block - count]
    engine, one, two = np.unravel_index(within, posterior.pair[block - count].shape)
    every = -(-posterior.ladders[first].sizes.size // posterior.pair[block - count].shape[1])
    return [(first, int(engine), int(one) * every), (second, int(engine), int(two) * every)]


def _label(posterior: Posterior, block: int) -> int:
    """Return the cause's number; a pair counts as its likelier member's."""
    count = len(posterior.single)
    ladder = block if block < count else posterior.pairs[block - count][0]
    if block >= count:
        first, second = posterior.pairs[block - count]
        alone = posterior.alone()
        better = alone[posterior.ladders[second].cause] > alone[posterior.ladders[first].cause]
        ladder = second if better else first
    return 2 + _DIRECT.index(posterior.ladders[ladder].cause)


def _gain(reading: Reading, atoms: _Atoms, look: Look) -> float:
    columns, errors, vague = [], [], []
    for indicator, region, sd in look.measures:
        if not _would_log(indicator, reading):
            continue
        place = reading.asked["pull" if region == "pull" else "standstill"]
        columns.append(atoms.effect[:, INDICATORS.index(indicator), place])
        errors.append(sd)
        vague.append(3.0 * sd)
    for cause, sd in look.fields:
        columns.append(atoms.size[:, _DIRECT.index(cause)])
        errors.append(sd)
        vague.append(0.0)
    if not columns:
        return 0.0
    sds = np.array(errors) + atoms.vague[:, np.newaxis] * np.array(vague)
    return _information(np.stack(columns, axis=1), sds, atoms.label)


def _would_log(indicator: str, reading: Reading) -> bool:
    """Return whether the vehicle's channels give it; a new sensor is a look of its own."""
    own = {"airflow", "boost", "breathing"}
    return indicator not in own or indicator in reading.seen


def _repeat_gain(reading: Reading, atoms: _Atoms, factor: float) -> float:
    """Gain of halving the error of what is seen already: a second look with error sd/√(1/f − 1)."""
    seen = reading.pick(atoms.effect)
    error = np.sqrt(np.diag(reading.covariance)) / np.sqrt(1.0 / factor - 1.0)
    sds = error * (1.0 + 3.0 * atoms.vague[:, np.newaxis])
    return _information(seen, sds, atoms.label)


def _information(mean: FloatArray, sd: FloatArray, label: IntArray) -> float:
    """Return the mutual information of label and outcome. [nat]."""
    width = mean.shape[1]
    z = norm.ppf(qmc.Halton(d=width, scramble=False).random(ATOMS * OUTCOMES + 1)[1:])
    z = z.reshape(OUTCOMES, ATOMS, width)[:, np.argsort(np.sin(np.arange(ATOMS) * 12.9898))]
    outcome = (mean + sd * z).reshape(-1, 1, width)
    log_density = (-0.5 * ((outcome - mean) / sd) ** 2 - np.log(sd)).sum(axis=-1)
    return _entropy(np.bincount(label) / ATOMS) - _left(log_density, label)


def _left(log_density: FloatArray, label: IntArray) -> float:
    """Return the entropy of the label that is left on average, given outcomes (m, ATOMS)."""
    density = np.exp(log_density - log_density.max(axis=1, keepdims=True))
    by_label = density @ (label[:, np.newaxis] == np.unique(label)).astype(np.float64)
    share = by_label / by_label.sum(axis=1, keepdims=True)
    return float(-(share * np.log(np.maximum(share, 1e-300))).sum(axis=1).mean())


def _yes_no_gain(atoms: _Atoms, look: Look) -> float:
    found = np.full(ATOMS, 1.0 / 30.0)
    for cause, threshold in look.fields:
        size = np.abs(atoms.size[:, _DIRECT.index(cause)])
        seen = 0.9 / (1.0 + np.exp(-4.0 * (size / threshold - 1.0)))
        found = np.where(size > 0.0, np.maximum(found, seen), found)
    found = np.where(atoms.vague > 0.0, 0.2, found)
    left = 0.0
    for probability in (found, 1.0 - found):
        log_density = np.log(np.maximum(probability, 1e-12))[np.newaxis]
        left += float(probability.mean()) * _left(log_density, atoms.label)
    return _entropy(np.bincount(atoms.label) / ATOMS) - left


def _entropy(share: FloatArray) -> float:
    positive = share[share > 0.0]
    return float(-(positive * np.log(positive)).sum())
