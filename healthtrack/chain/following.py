"""A history in, each indicator's course out: observations, healthy period, figures, track.

One pure step after the other, so that a replay or a sweep can keep what a setting does not touch.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from healthtrack import baseline as baselines
from healthtrack import drift, indicators
from healthtrack.ingest.joining import joined
from healthtrack.ingest.odometer import with_odometer

if TYPE_CHECKING:
    from datetime import date

    from healthtrack.baseline import Baseline, Figures, Period, Prior
    from healthtrack.config import VehicleSettings, WorkspaceSettings
    from healthtrack.indicators.declaration import Indicator
    from healthtrack.records import VehicleHistory

CONCERN_SIDES = {"low": -1, "high": 1, "both": 0}


@dataclass(frozen=True)
class Observed:
    """What an indicator's ``observe`` gives of a history, in order; ``source`` is what it saw."""

    indicator: Indicator
    observations: pl.DataFrame
    source: pl.DataFrame


@dataclass(frozen=True)
class Measured:
    """The healthy surface, and every drive measured against it.

    ``regions`` as :class:`healthtrack.drift.Witness` has them; ``figures`` are those of whole
    drives with ``started`` and ``odometer_km``, in order of time.
    """

    indicator: Indicator
    learned: Baseline
    regions: pl.DataFrame
    figures: pl.DataFrame


@dataclass(frozen=True)
class Followed:
    """An indicator that was followed, with what it takes to follow it again."""

    witness: drift.Witness
    plan: drift.Plan

    @property
    def learned(self) -> Baseline:
        """The baseline that its drives are measured against."""
        return self.witness.learned


@dataclass(frozen=True)
class Learning:
    """An indicator that cannot be followed yet, and why."""

    reason: str


def history_until(history: VehicleHistory, as_of: date) -> VehicleHistory:
    """Return what was known at the end of a day (UTC): drives that had ended, work done by then."""
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


def as_then(history: VehicleHistory, as_of: date) -> VehicleHistory:
    """Return :func:`history_until` with pieces of one drive joined and every odometer told."""
    return with_odometer(joined(history_until(history, as_of)))


def log_bar(workspace: WorkspaceSettings) -> float:
    """Return ln of the evidence [years] that raises an alert.

    The promised rate is shared out evenly over all declared indicators, observed or not: an
    indicator that appears later must not change what was said before.
    """
    rate = workspace.alerts.false_alerts_per_vehicle_year / len(indicators.ALL)
    return float(np.log(1.0 / rate))


def plan_of(
    indicator: Indicator, vehicle: VehicleSettings, workspace: WorkspaceSettings
) -> drift.Plan:
    """Return limit, side, bar and notice of an indicator as set."""
    return drift.Plan(
        limit=vehicle.limits.get(indicator.name, indicator.limit),
        side=CONCERN_SIDES[indicator.concern],
        log_bar=log_bar(workspace),
        notice=indicator.notice,
    )


def follow(
    indicator: Indicator,
    history: VehicleHistory,
    vehicle: VehicleSettings,
    workspace: WorkspaceSettings,
) -> Followed | Learning:
    """Follow one indicator through a history: all the steps below.

    Parameters
    ----------
    indicator : Indicator
        Its declaration; one that the vehicle's channels can show.
    history : VehicleHistory
        As :func:`as_then` gives it.
    vehicle, workspace : VehicleSettings, WorkspaceSettings
        As set.
    """
    observed = observe(indicator, history, vehicle)
    if observed is None:
        return Learning(f"no {indicator.source} are stored yet")
    return follow_observed(observed, history, vehicle, workspace)


def follow_observed(
    observed: Observed,
    history: VehicleHistory,
    vehicle: VehicleSettings,
    workspace: WorkspaceSettings,
) -> Followed | Learning:
    """Follow one indicator from its observations on."""
    period = healthy_period(observed, history, vehicle, workspace)
    if period.missing:
        return Learning(f"{period.missing}{_unused(period, history)}")
    measured = measure(observed, period, history)
    if measured is None:
        return Learning("too few steady windows of one kind in the healthy period")
    return track(measured, history, plan_of(observed.indicator, vehicle, workspace))


def observe(
    indicator: Indicator, history: VehicleHistory, vehicle: VehicleSettings
) -> Observed | None:
    """Return the indicator's observations; None where its source is not stored."""
    source = {
        "windows": history.windows,
        "standstills": history.standstills,
        "pulls": history.pulls,
    }[indicator.source]
    if source is None:
        return None
    return Observed(indicator, indicator.observe(source, vehicle).sort("drive", "t"), source)


def healthy_period(
    observed: Observed,
    history: VehicleHistory,
    vehicle: VehicleSettings,
    workspace: WorkspaceSettings,
) -> Period:
    """Choose the indicator's healthy period."""
    return baselines.healthy_period(
        observed.indicator,
        observed.observations,
        vehicle,
        workspace.baseline,
        history.maintenance,
    )


def measure(
    observed: Observed, period: Period, history: VehicleHistory, prior: Prior | None = None
) -> Measured | None:
    """Learn from the healthy period and measure every drive from its first day on.

    Before the healthy period nothing is known of the vehicle's health. None where no region has
    enough windows. ``prior`` is what sisters lend.
    """
    if period.start is None or period.end is None:
        return None
    since = observed.observations.filter(pl.col("t").dt.date() >= period.start)
    healthy = since.filter(pl.col("drive").is_in(period.drives))
    learned = baselines.learn(observed.indicator, healthy, (period.start, period.end), prior)
    if learned is None:
        return None
    return measured_against(learned, replace(observed, observations=since), history)


def measured_against(learned: Baseline, observed: Observed, history: VehicleHistory) -> Measured:
    """Measure drives against a baseline that is known."""
    found: Figures = baselines.figures(observed.indicator, learned, observed.observations)
    figures = found.drives.join(
        history.drives.select("drive", "started", "odometer_km"), on="drive"
    ).sort("started", "drive")
    points = observed.observations.select("drive", "t", "region").join(
        observed.source.drop("region", strict=False),
        on=["drive", "t"],
        how="left",
        maintain_order="left",
    )
    return Measured(observed.indicator, learned, drift.with_sums(found.regions, points), figures)


def track(measured: Measured, history: VehicleHistory, plan: drift.Plan) -> Followed:
    """Follow the measured drives in time."""
    tracked = drift.track(measured.figures, measured.learned, history.maintenance, plan)
    return followed(measured, tracked, plan)


def followed(measured: Measured, tracked: drift.Tracked, plan: drift.Plan) -> Followed:
    """Put together what was measured and how it was tracked."""
    witness = drift.Witness(
        measured.indicator, measured.regions, measured.figures, tracked, measured.learned
    )
    return Followed(witness, plan)


def _unused(period: Period, history: VehicleHistory) -> str:
    """Say of the other stored drives that they cannot be used, lest the count surprise."""
    stored = history.drives.height
    chosen = "stated" in period.missing or "since" in period.missing
    if chosen or stored <= len(period.drives):
        return ""
    return f" ({stored} stored; the others hold no steady running that it can use)"
