"""Work on the vehicle as evidence: what it undid tells what was wrong.

Before and after are taken together. A cause that the work undoes predicts its pattern before and
nothing after; any other cause, and a repair that failed, predicts the same pattern twice. So a
repair that helped confirms its cause, and one that did not clears it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from healthtrack.diagnosis.examine import cause_findings, diagnose
from healthtrack.diagnosis.hypotheses import Ladder, ladders, weigh
from healthtrack.diagnosis.reading import read
from healthtrack.diagnosis.signatures import signatures
from healthtrack.records import Evidence, RepairChange, RepairFinding

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from healthtrack.config import VehicleSettings
    from healthtrack.diagnosis.hypotheses import Posterior
    from healthtrack.diagnosis.reading import Reading

    FloatArray = NDArray[np.float64]

UNDOES: dict[str, tuple[str, ...]] = {
    "airflow_sensor_replaced": ("airflow_sensor_reads_low", "airflow_sensor_reads_high"),
    "airflow_sensor_cleaned": ("airflow_sensor_reads_low", "airflow_sensor_reads_high"),
    "manifold_pressure_sensor_replaced": ("manifold_pressure_offset",),
    "turbocharger_replaced": ("turbocharger_weak",),
    "charge_air_leak_repaired": ("charge_air_leak",),
    "charge_cooler_cleaned": ("charge_cooler_fouled",),
    "air_filter_replaced": ("air_filter_restricted",),
    "recirculation_valve_serviced": ("egr_stuck_open",),
}
"""Causes that a kind of maintenance undoes where it succeeds."""
SUCCEEDS = 0.9
"""How often work that aims at the right part mends it."""
NEW_PART = {
    "airflow_sensor_replaced": ({"airflow", "breathing"}, 2.5),
    "airflow_sensor_cleaned": ({"airflow", "breathing"}, 1.0),
}
"""Indicators whose zero moves with the new part, and by how much (sd): new airflow sensors keep
within 2 to 3 % of reading (common practice, from memory). [%]"""
Z95 = 1.959964


def score_repair(
    before: Evidence, after: Evidence, kind: str, vehicle: VehicleSettings
) -> RepairFinding | None:
    """Say what a repair changed, whether the complaint is gone, and what had been wrong.

    Parameters
    ----------
    before, after : Evidence
        Late levels before the work and after it, both against the same baseline. Only what both
        hold is used.
    kind : str
        A key of :data:`healthtrack.config.MAINTENANCE_KINDS`; kinds that undo no cause (a routine
        service) are taken as such.
    vehicle : VehicleSettings
        As for the diagnosis.

    Returns
    -------
    RepairFinding or None
        None where before and after have nothing in common.
    """
    then, now = _common(before, after)
    reading, later = read(then, vehicle), read(now, vehicle)
    if reading is None or later is None or reading.regions != later.regions:
        return None
    steps = ladders(reading, signatures(reading.setting))
    twice = tuple(part for step in steps for part in _both(step, kind))
    joint = _joint(reading, later, kind)
    posterior = weigh(joint, twice, with_pairs=False)
    causes = cause_findings(posterior)
    return RepairFinding(
        kind=kind,
        changes=_changes(then, now),
        causes=causes,
        gone=_gone(posterior, twice),
        score=_score(before, vehicle, {item.cause: item.probability for item in causes}),
    )


def _common(before: Evidence, after: Evidence) -> tuple[Evidence, Evidence]:
    keys = [(item.indicator, item.region) for item in before.regions]
    others = [(item.indicator, item.region) for item in after.regions]
    both = [key for key in keys if key in others and keys.count(key) == others.count(key) == 1]
    return _only(before, [keys.index(key) for key in both]), _only(
        after, [others.index(key) for key in both]
    )


def _only(evidence: Evidence, places: list[int]) -> Evidence:
    correlation: tuple[tuple[float, ...], ...] = ()
    if evidence.correlation:
        correlation = tuple(
            tuple(evidence.correlation[row][column] for column in places) for row in places
        )
    regions = tuple(evidence.regions[place] for place in places)
    return replace(evidence, regions=regions, correlation=correlation)


def _both(step: Ladder, kind: str) -> list[Ladder]:
    """Return what a cause predicts before and after: undone where the work undoes it, or not."""
    same = replace(
        step,
        predicted=np.concatenate([step.predicted, step.predicted], axis=-1),
        spread=np.tile(step.spread, (1, 1, 2, 2)),
    )
    if step.cause not in UNDOES.get(kind, ()):
        return [same]
    gone = np.zeros_like(step.predicted)
    size = step.predicted.shape[-1]
    undone = replace(
        same,
        predicted=np.concatenate([step.predicted, gone], axis=-1),
        spread=np.pad(step.spread, ((0, 0), (0, 0), (0, size), (0, size))),
        log_prior=step.log_prior + np.log(SUCCEEDS),
    )
    return [undone, replace(same, log_prior=step.log_prior + np.log1p(-SUCCEEDS))]


def _joint(reading: Reading, later: Reading, kind: str) -> Reading:
    size = reading.level.size
    covariance = np.zeros((2 * size, 2 * size))
    covariance[:size, :size] = reading.covariance
    covariance[size:, size:] = later.covariance
    indicators, sd = NEW_PART.get(kind, (set(), 0.0))
    moved = np.array([sd if name in indicators else 0.0 for name, _ in reading.regions])
    covariance[size:, size:] += np.outer(moved, moved)
    return replace(
        reading,
        level=np.concatenate([reading.level, later.level]),
        covariance=covariance,
        indicator=np.tile(reading.indicator, 2),
        bin=np.tile(reading.bin, 2),
        regions=2 * reading.regions,
    )


def _gone(posterior: Posterior, twice: tuple[Ladder, ...]) -> float:
    """Return the probability that nothing is wrong any more: undone, or never was."""
    gone = posterior.none
    for ladder, weight in zip(twice, posterior.single, strict=True):
        size = ladder.predicted.shape[-1] // 2
        if not np.any(ladder.predicted[..., size:]) and np.any(ladder.predicted[..., :size]):
            gone += float(weight.sum())
    return gone


def _changes(then: Evidence, now: Evidence) -> tuple[RepairChange, ...]:
    changes = []
    for old, new in zip(then.regions, now.regions, strict=True):
        change = new.level - old.level
        half = Z95 * float(np.hypot(old.sd, new.sd))
        changes.append(
            RepairChange(old.indicator, old.region, change, change - half, change + half)
        )
    return tuple(changes)


def _score(before: Evidence, vehicle: VehicleSettings, shown: dict[str, float]) -> float:
    said = {item.cause: item.probability for item in diagnose(before, vehicle)}
    total = sum(shown.values())
    return float(
        sum(
            share / total * np.log(max(said.get(cause, 0.0), 1e-6))
            for cause, share in shown.items()
        )
    )
