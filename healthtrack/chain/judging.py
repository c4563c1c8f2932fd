"""What was followed in, a verdict out: findings, diagnosis, advice."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from typing import TYPE_CHECKING

from healthtrack import drift
from healthtrack.advice import advise
from healthtrack.chain.ahead import Road, with_forecast
from healthtrack.chain.borrowing import follow_with
from healthtrack.chain.following import Followed, Learning
from healthtrack.chain.verdict import verdict
from healthtrack.diagnosis import examine
from healthtrack.operating import cold_soak_differences, soak_words
from healthtrack.records import Diagnosis, IndicatorFinding, VehicleFinding

if TYPE_CHECKING:
    from collections.abc import Sequence

    import polars as pl

    from healthtrack.baseline import Baseline
    from healthtrack.config import VehicleSettings, WorkspaceSettings
    from healthtrack.indicators.declaration import Indicator
    from healthtrack.records import (
        Evidence,
        Kind,
        NotObservable,
        RepairFinding,
        VehicleHistory,
    )


@dataclass(frozen=True)
class Judged:
    """One indicator: what is said of it, and what that rests on (None while it is learning)."""

    finding: IndicatorFinding
    followed: Followed | None


def judge(
    indicator: Indicator,
    history: VehicleHistory,
    vehicle: VehicleSettings,
    workspace: WorkspaceSettings,
    road: Road,
    sisters: Sequence[Baseline] = (),
) -> Judged:
    """Follow one indicator through a history and say where it stands after its last drive.

    ``sisters`` are the baselines that vehicles of its kind lend.
    """
    return say(indicator, follow_with(sisters, indicator, history, vehicle, workspace), road)


def say(indicator: Indicator, followed: Followed | Learning, road: Road) -> Judged:
    """Say where an indicator stands after its last drive, with its forecast."""
    if isinstance(followed, Learning):
        reason = f"learning: {followed.reason}"
        return Judged(IndicatorFinding(indicator.name, indicator.unit, "learning", reason), None)
    witness, plan = followed.witness, followed.plan
    finding = drift.finding(indicator, followed.learned, witness.figures, witness.tracked, plan)
    return Judged(with_forecast(finding, indicator, witness.tracked, plan, road), followed)


def evidence_of(judged: Sequence[Judged]) -> Evidence | None:
    """Put together what the regions say of late; None while every indicator is learning."""
    witnesses = [item.followed.witness for item in judged if item.followed is not None]
    if not witnesses:
        return None
    found = [item.finding for item in judged]
    alerted = any(item.state in {"alert", "alarm"} for item in found)
    return replace(drift.evidence(witnesses), onset=_onset(found), alerted=alerted)


def judge_vehicle(
    history: VehicleHistory,
    judged: Sequence[Judged],
    unseen: tuple[NotObservable, ...],
    vehicle: VehicleSettings,
    road: Road,
) -> VehicleFinding:
    """Put the verdict together from what is said of each indicator.

    Parameters
    ----------
    history : VehicleHistory
        As :func:`healthtrack.chain.following.as_then` gives it.
    judged : sequence of Judged
        The indicators that can be observed.
    unseen : tuple of NotObservable
        Those that can not.
    vehicle : VehicleSettings
        As set.
    road : Road
        What lies ahead; says as of which day.
    """
    found = tuple(item.finding for item in judged)
    evidence = evidence_of(judged)
    diagnosis = examine(evidence, vehicle) if evidence is not None else Diagnosis(())
    state, reason = verdict(history, found, diagnosis)
    return VehicleFinding(
        vehicle=history.vehicle,
        as_of=road.as_of,
        state=state,
        reason=reason,
        odometer_km=road.odometer_km,
        drives=history.drives.height,
        baseline=next((item.baseline for item in found if item.baseline is not None), None),
        indicators=found,
        causes=diagnosis.causes,
        not_observable=unseen if history.windows.height else (),
        advice=advise(diagnosis, unseen) if state in {"alert", "alarm"} else (),
        maintenance=history.maintenance,
        losses=history.losses,
        windows=history.windows.height,
        first_drive=_moment(history.drives, "started", first=True),
        last_drive=_moment(history.drives, "started", first=False),
        logs_stored=history.logs_stored,
        logs_quarantined=history.logs_quarantined,
        evidence=evidence,
        diagnosis=diagnosis,
        sensors=_sensors(history),
        next_service=None if road.service is None else road.service.due,
    )


def with_repairs(finding: VehicleFinding, found: tuple[RepairFinding, ...]) -> VehicleFinding:
    """Return the finding with what late work on the vehicle has done."""
    return replace(finding, repairs=found)


def _sensors(history: VehicleHistory) -> tuple[str, ...]:
    """Compare temperature sensors with each other after cold soaks."""
    if history.standstills is None:
        return ()
    return soak_words(cold_soak_differences(history.standstills, history.drives))


def _onset(found: Sequence[IndicatorFinding]) -> Kind:
    """Return how it came: as the indicators of concern say, if they agree."""
    kinds = {item.kind for item in found if item.state in {"alert", "alarm"}} - {"none"}
    return kinds.pop() if len(kinds) == 1 else "none"


def _moment(drives: pl.DataFrame, column: str, *, first: bool) -> datetime | None:
    if not drives.height:
        return None
    value = drives[column].min() if first else drives[column].max()
    return value if isinstance(value, datetime) else None
