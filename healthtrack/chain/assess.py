"""A history in, a finding out: baseline, drift, diagnosis and advice of one vehicle."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from healthtrack import baseline as baselines
from healthtrack import drift, indicators
from healthtrack.advice import advise
from healthtrack.chain.ahead import Road, road_ahead, with_forecast
from healthtrack.chain.repairs import Followed, repairs
from healthtrack.chain.verdict import verdict
from healthtrack.diagnosis import examine
from healthtrack.ingest.joining import joined
from healthtrack.ingest.odometer import with_odometer
from healthtrack.operating import cold_soak_differences, soak_words
from healthtrack.records import Diagnosis, IndicatorFinding, VehicleFinding

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from healthtrack.config import VehicleSettings, WorkspaceSettings
    from healthtrack.indicators.declaration import Indicator
    from healthtrack.records import Kind, VehicleHistory

CONCERN_SIDES = {"low": -1, "high": 1, "both": 0}


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
    then = with_odometer(joined(_until(history, as_of)))
    seen, unseen = indicators.observable(then.windows, vehicle)
    road = road_ahead(then, vehicle, as_of)
    judged = [_indicator(indicator, then, vehicle, workspace, road) for indicator in seen]
    found = tuple(finding for finding, _ in judged)
    followed = [item for _, item in judged if item is not None]
    witnesses = [item.witness for item in followed]
    evidence = None
    if witnesses:
        alerted = any(item.state in {"alert", "alarm"} for item in found)
        evidence = replace(drift.evidence(witnesses), onset=_onset(found), alerted=alerted)
    diagnosis = examine(evidence, vehicle) if evidence is not None else Diagnosis(())
    state, reason = verdict(then, found, diagnosis)
    return VehicleFinding(
        vehicle=history.vehicle,
        as_of=as_of,
        state=state,
        reason=reason,
        odometer_km=road.odometer_km,
        drives=then.drives.height,
        baseline=next((item.baseline for item in found if item.baseline is not None), None),
        indicators=found,
        causes=diagnosis.causes,
        not_observable=unseen if then.windows.height else (),
        advice=advise(diagnosis, unseen) if state in {"alert", "alarm"} else (),
        maintenance=then.maintenance,
        losses=then.losses,
        windows=then.windows.height,
        first_drive=_moment(then.drives, "started", first=True),
        last_drive=_moment(then.drives, "started", first=False),
        logs_stored=history.logs_stored,
        logs_quarantined=history.logs_quarantined,
        evidence=evidence,
        diagnosis=diagnosis,
        sensors=_sensors(then),
        repairs=repairs(followed, then.maintenance, vehicle),
        next_service=None if road.service is None else road.service.due,
    )


def _sensors(history: VehicleHistory) -> tuple[str, ...]:
    """Compare temperature sensors with each other after cold soaks."""
    if history.standstills is None:
        return ()
    return soak_words(cold_soak_differences(history.standstills, history.drives))


def log_bar(workspace: WorkspaceSettings) -> float:
    """Return ln of the evidence [years] that raises an alert.

    The promised rate is shared out evenly over all declared indicators, observed or not: an
    indicator that appears later must not change what was said before.
    """
    rate = workspace.alerts.false_alerts_per_vehicle_year / len(indicators.ALL)
    return float(np.log(1.0 / rate))


def _until(history: VehicleHistory, as_of: date) -> VehicleHistory:
    end = datetime.combine(as_of + timedelta(days=1), time(), tzinfo=UTC)
    drives = history.drives.filter(pl.col("ended") < end).sort("started", "drive")
    known = drives.select("drive")

    def until(frame: pl.DataFrame | None) -> pl.DataFrame | None:
        return None if frame is None else frame.join(known, on="drive", how="semi")

    return replace(
        history,
        drives=drives,
        windows=history.windows.join(known, on="drive", how="semi"),
        maintenance=tuple(event for event in history.maintenance if event.on <= as_of),
        standstills=until(history.standstills),
        pulls=until(history.pulls),
    )


def _indicator(
    indicator: Indicator,
    history: VehicleHistory,
    vehicle: VehicleSettings,
    workspace: WorkspaceSettings,
    road: Road,
) -> tuple[IndicatorFinding, Followed | None]:
    source = _source(indicator, history)
    if source is None:
        return _learning(indicator, f"learning: no {indicator.source} are stored yet"), None
    observations = indicator.observe(source, vehicle).sort("drive", "t")
    period = baselines.healthy_period(
        indicator, observations, vehicle, workspace.baseline, history.maintenance
    )
    if period.missing or period.start is None or period.end is None:
        return _learning(indicator, f"learning: {period.missing}{_unused(period, history)}"), None
    # before the healthy period nothing is known of the vehicle's health
    observations = observations.filter(pl.col("t").dt.date() >= period.start)
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
        notice=indicator.notice,
    )
    tracked = drift.track(figures, learned, history.maintenance, plan)
    points = observations.select("drive", "t", "region").join(
        source.drop("region", strict=False), on=["drive", "t"], how="left"
    )
    witness = drift.Witness(indicator, measured.regions, figures, tracked, points)
    followed = Followed(witness, learned, plan)
    finding = drift.finding(indicator, learned, figures, tracked, plan)
    return with_forecast(finding, indicator, tracked, plan, road), followed


def _unused(period: baselines.Period, history: VehicleHistory) -> str:
    """Say of the other stored drives that they cannot be used, lest the count surprise."""
    stored = history.drives.height
    chosen = "stated" in period.missing or "since" in period.missing
    if chosen or stored <= len(period.drives):
        return ""
    return f" ({stored} stored; the others hold no steady running that it can use)"


def _source(indicator: Indicator, history: VehicleHistory) -> pl.DataFrame | None:
    return {
        "windows": history.windows,
        "standstills": history.standstills,
        "pulls": history.pulls,
    }[indicator.source]


def _onset(found: Sequence[IndicatorFinding]) -> Kind:
    """Return how it came: as the indicators of concern say, if they agree."""
    kinds = {item.kind for item in found if item.state in {"alert", "alarm"}} - {"none"}
    return kinds.pop() if len(kinds) == 1 else "none"


def _learning(indicator: Indicator, reason: str) -> IndicatorFinding:
    return IndicatorFinding(indicator.name, indicator.unit, "learning", reason)


def _moment(drives: pl.DataFrame, column: str, *, first: bool) -> datetime | None:
    if not drives.height:
        return None
    value = drives[column].min() if first else drives[column].max()
    return value if isinstance(value, datetime) else None
