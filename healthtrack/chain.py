"""The blocks composed, pure: a log in, operating points out; a history in, a finding out.

Nothing here touches the disk (but for reading the one log it is given), the clock, the network or
a figure. The service, the commands and the bench all call these functions, so what an analyst tunes
is what an owner gets.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from healthtrack import baseline as baselines
from healthtrack import drift, indicators
from healthtrack.diagnosis import examine
from healthtrack.ingest import read_log
from healthtrack.operating import find_windows
from healthtrack.records import Diagnosis, IndicatorFinding, VehicleFinding

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date
    from pathlib import Path

    from healthtrack.config import VehicleSettings, WorkspaceSettings
    from healthtrack.indicators.declaration import Indicator
    from healthtrack.ingest import Pipeline
    from healthtrack.records import ReadLog, State, VehicleHistory, Windows

CONCERN_SIDES = {"low": -1, "high": 1, "both": 0}


@dataclass(frozen=True)
class ProcessedLog:
    """A log as it was read, and the operating points found in it."""

    read: ReadLog
    windows: Windows


def process_log(
    path: Path, pipelines: Sequence[Pipeline], vehicle_id: str, vehicle: VehicleSettings
) -> ProcessedLog:
    """Read one log and find its operating points.

    Raises
    ------
    LogError
        Where the log cannot be read; it carries the reason.
    """
    read = read_log(path, pipelines, vehicle_id, vehicle)
    return ProcessedLog(read, find_windows(read.samples, vehicle))


def assess(
    history: VehicleHistory,
    vehicle: VehicleSettings,
    workspace: WorkspaceSettings,
    as_of: date,
) -> VehicleFinding:
    """Say how a vehicle stands at the end of a day, from what was known then.

    Parameters
    ----------
    history : VehicleHistory
        May hold later drives and events: they are left out.
    vehicle, workspace : VehicleSettings, WorkspaceSettings
        As set.
    as_of : date
        The day, in UTC.
    """
    then = _until(history, as_of)
    seen, unseen = indicators.observable(then.windows, vehicle)
    windowed = [indicator for indicator in seen if indicator.source == "windows"]
    judged = [_indicator(indicator, then, vehicle, workspace) for indicator in windowed]
    found = tuple(finding for finding, _ in judged)
    witnesses = [witness for _, witness in judged if witness is not None]
    evidence = drift.evidence(witnesses) if witnesses else None
    diagnosis = examine(evidence, vehicle) if evidence is not None else Diagnosis(())
    state, reason = _verdict(then, found)
    odometer = then.drives["odometer_km"].drop_nulls()
    return VehicleFinding(
        vehicle=history.vehicle,
        as_of=as_of,
        state=state,
        reason=reason,
        odometer_km=float(odometer.max()) if odometer.len() else None,  # type: ignore[arg-type]
        drives=then.drives.height,
        baseline=next((item.baseline for item in found if item.baseline is not None), None),
        indicators=found,
        causes=diagnosis.causes,
        not_observable=unseen if then.windows.height else (),
        maintenance=then.maintenance,
        losses=then.losses,
        windows=then.windows.height,
        first_drive=_moment(then.drives, "started", first=True),
        last_drive=_moment(then.drives, "started", first=False),
        logs_stored=history.logs_stored,
        logs_quarantined=history.logs_quarantined,
        evidence=evidence,
        diagnosis=diagnosis,
    )


def log_bar(workspace: WorkspaceSettings) -> float:
    """Return ln of the evidence [years] that raises an alert.

    The promised rate is shared out evenly over all declared indicators, observed or not: an
    indicator that appears later must not change what was said before.
    """
    rate = workspace.alerts.false_alerts_per_vehicle_year / len(indicators.ALL)
    return float(np.log(1.0 / rate))


def _until(history: VehicleHistory, as_of: date) -> VehicleHistory:
    end = datetime.combine(as_of + timedelta(days=1), time(), tzinfo=UTC)
    drives = history.drives.filter(pl.col("started") < end).sort("started", "drive")
    return type(history)(
        vehicle=history.vehicle,
        drives=drives,
        windows=history.windows.join(drives.select("drive"), on="drive", how="semi"),
        losses=history.losses,
        maintenance=tuple(event for event in history.maintenance if event.on <= as_of),
        logs_stored=history.logs_stored,
        logs_quarantined=history.logs_quarantined,
        standstills=history.standstills,
        pulls=history.pulls,
    )


def _indicator(
    indicator: Indicator,
    history: VehicleHistory,
    vehicle: VehicleSettings,
    workspace: WorkspaceSettings,
) -> tuple[IndicatorFinding, drift.Witness | None]:
    observations = indicator.observe(history.windows, vehicle).sort("drive", "t")
    period = baselines.healthy_period(observations, vehicle, workspace.baseline)
    if period.missing or period.start is None or period.end is None:
        return _learning(indicator, f"learning: {period.missing}"), None
    healthy = observations.filter(pl.col("drive").is_in(period.drives))
    learned = baselines.learn(indicator, healthy, (period.start, period.end))
    if learned is None:
        few = "learning: too few steady windows of one kind in the healthy period"
        return _learning(indicator, few), None
    measured = baselines.figures(indicator, learned, observations)
    figures = measured.drives.join(
        history.drives.select("drive", "started", "odometer_km"), on="drive"
    ).sort("started", "drive")
    plan = drift.Plan(
        limit=vehicle.limits.get(indicator.name, indicator.limit),
        side=CONCERN_SIDES[indicator.concern],
        log_bar=log_bar(workspace),
    )
    tracked = drift.track(figures, learned, history.maintenance, plan)
    points = observations.select("drive", "t", "region").join(
        history.windows.drop("region"), on=["drive", "t"], how="left"
    )
    witness = drift.Witness(indicator, measured.regions, figures, tracked, points)
    return drift.finding(indicator, learned, figures, tracked, plan), witness


def _learning(indicator: Indicator, reason: str) -> IndicatorFinding:
    return IndicatorFinding(indicator.name, indicator.unit, "learning", reason)


def _verdict(history: VehicleHistory, found: tuple[IndicatorFinding, ...]) -> tuple[State, str]:
    """Return the worst state of all indicators and the sentence that explains it."""
    if not history.drives.height:
        return "no_data", "no drives are stored yet: drop logs into the inbox and ingest them"
    if not found or not history.windows.height:
        return "no_data", _nothing_usable(history)
    judged = [item for item in found if item.state != "learning"]
    if not judged:
        return "learning", found[0].reason
    for state in ("alarm", "alert"):
        worst = [item for item in judged if item.state == state]
        if worst:
            return worst[0].state, "; ".join(item.reason for item in worst)
    widest = max((item.high or 0.0) - (item.low or 0.0) for item in judged) / 2
    names = _listed([indicators.ALL[item.indicator].label.lower() for item in judged])
    return "normal", f"{names} as healthy, known to within ±{widest:.1f} %"


def _listed(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _nothing_usable(history: VehicleHistory) -> str:
    most = max(history.losses, key=lambda loss: loss.count, default=None)
    why = f"; most was lost as {most.reason.replace('_', ' ')}" if most else ""
    return f"{history.drives.height} drives hold no steady window of the warm engine{why}"


def _moment(drives: pl.DataFrame, column: str, *, first: bool) -> datetime | None:
    if not drives.height:
        return None
    value = drives[column].min() if first else drives[column].max()
    return value if isinstance(value, datetime) else None
