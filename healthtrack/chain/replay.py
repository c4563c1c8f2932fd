"""What would have been said after each drive of a history, in one pass.

The drift filter looks at each drive once, so the course of the whole history holds what was known
after every drive. Where what was known then is *not* a part of what is known now (a healthy period
that still grew, drives that settle a new zero in vain, an odometer that later readings share out
anew, pieces of one drive on two days), that drive is judged from the history as it was then, by the
very function that :func:`healthtrack.chain.assess` calls. So a replay says what was said.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from healthtrack import drift, indicators
from healthtrack.chain.ahead import Road
from healthtrack.chain.assess import assess
from healthtrack.chain.borrowing import borrowed_from
from healthtrack.chain.following import (
    Followed,
    as_then,
    follow_observed,
    healthy_period,
    measure,
    observe,
    plan_of,
    track,
)
from healthtrack.chain.judging import judge, say
from healthtrack.drift.track import Z95
from healthtrack.indicators.drives import LEARNING_DRIVES
from healthtrack.ingest.joining import drive_names

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date

    from numpy.typing import NDArray

    from healthtrack.baseline import Baseline
    from healthtrack.chain.following import Measured, Observed
    from healthtrack.config import VehicleSettings, WorkspaceSettings
    from healthtrack.drift import Tracked
    from healthtrack.drift.track import Run
    from healthtrack.indicators.declaration import Indicator
    from healthtrack.records import IndicatorFinding, VehicleFinding, VehicleHistory

    FloatArray = NDArray[np.float64]

COURSE_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "indicator": pl.String,
    "unit": pl.String,
    "drive": pl.String,
    "started": pl.Datetime("us", "UTC"),
    "said_on": pl.Date,
    "odometer_km": pl.Float64,
    "value": pl.Float64,
    "se": pl.Float64,
    "state": pl.String,
    "level": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "slope": pl.Float64,
    "slope_low": pl.Float64,
    "slope_high": pl.Float64,
    "raised_on": pl.Date,
    "raised_at_km": pl.Float64,
}
"""One row per indicator and drive: what was said after it. Slopes per 10 000 km; null without an
odometer. ``said_on`` is the day (UTC) on which the drive ended."""
ALERT_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "indicator": pl.String,
    "raised_on": pl.Date,
    "raised_at_km": pl.Float64,
    "said_on": pl.Date,
    "alarm_on": pl.Date,
    "cleared_on": pl.Date,
    "level": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
    "worst": pl.String,
}
"""One row per episode, with the level as it was first said."""
STATES = ("normal", "alert", "alarm", "learning")
CONCERNS = ("alert", "alarm")
KEPT_DRIVES = 100
"""Drives up to which a history as it was on some day is kept: healthy periods grow in less."""


@dataclass(frozen=True)
class Replay:
    """What would have been said of one vehicle.

    ``course`` (:data:`COURSE_SCHEMA`), ``alerts`` (:data:`ALERT_SCHEMA`), and ``verdicts`` with
    ``said_on`` and ``state``, one row per day on which a drive ended.
    """

    vehicle: str
    course: pl.DataFrame
    alerts: pl.DataFrame
    verdicts: pl.DataFrame

    def as_of(self, day: date) -> pl.DataFrame:
        """Return the row of each indicator that was the last by the end of a day."""
        return (
            self.course.filter(pl.col("said_on") <= day)
            .group_by("indicator", maintain_order=True)
            .last()
        )


@dataclass
class Kept:
    """What replays of one history share while settings are tried: a sweep's memory.

    Observations, per healthy period the baseline with its figures, and the course of an indicator
    that stayed quiet: the filter does not know the bar, so under a higher one it is the same. Of
    days that were judged from the history as it was then: that history, its observations, and what
    was said.
    """

    observed: dict[str, Observed | None] = field(default_factory=dict)
    measured: dict[tuple[str, tuple[str, ...]], Measured | None] = field(default_factory=dict)
    quiet: dict[tuple[str, tuple[str, ...], int, date, drift.Plan], tuple[float, Followed]] = field(
        default_factory=dict
    )
    then: dict[date, tuple[VehicleHistory, tuple[Indicator, ...]]] = field(default_factory=dict)
    observed_then: dict[tuple[str, date], Observed | None] = field(default_factory=dict)
    said: dict[tuple[str, date, tuple[str, ...], bool, drift.Plan], dict[str, object]] = field(
        default_factory=dict
    )


def replay(
    history: VehicleHistory,
    vehicle: VehicleSettings,
    workspace: WorkspaceSettings,
    kept: Kept | None = None,
    sisters: Sequence[Baseline] = (),
) -> Replay:
    """Say what would have been said after each drive.

    Parameters
    ----------
    history : VehicleHistory
        The whole of it.
    vehicle, workspace : VehicleSettings, WorkspaceSettings
        As set, or as they might be set.
    kept : Kept, optional
        Shared between replays of this very history that differ in alerts, baseline and limits.
    sisters : sequence of Baseline
        What other vehicles of its kind can lend, as of the last day: as for ``assess``.
    """
    if not history.drives.height:
        empty = pl.DataFrame(schema=COURSE_SCHEMA)
        return Replay(history.vehicle, empty, _alerts(empty), _verdicts(history, empty))
    past = _Past(history, vehicle, workspace, kept or Kept(), sisters)
    frames = [past.course(indicator) for indicator in past.seen]
    course = pl.concat(frames) if frames else pl.DataFrame(schema=COURSE_SCHEMA)
    return Replay(history.vehicle, course, _alerts(course), _verdicts(history, course))


def looks(
    history: VehicleHistory,
    vehicle: VehicleSettings,
    workspace: WorkspaceSettings,
    days: Iterable[date],
    sisters: Sequence[Baseline] = (),
) -> dict[date, VehicleFinding]:
    """Return the whole verdict, with causes and forecasts, as of chosen days.

    A diagnosis costs more than all the rest, so it is asked for only where it is wanted: at raises
    (:func:`days_of_raises`), at the end.
    """
    return {day: assess(history, vehicle, workspace, day, sisters) for day in sorted(set(days))}


def days_of_raises(replayed: Replay) -> list[date]:
    """Return the days on which an alert was first said."""
    return sorted(set(replayed.alerts["said_on"].to_list()))


@dataclass(frozen=True)
class _Stretch:
    """Evenings on which the same was known of the distances before, and the history on the last.

    A later reading of the odometer shares out anew what was driven before it.
    """

    days: tuple[date, ...]
    then: VehicleHistory

    def known(self, measured: Measured) -> Measured:
        """Return the drives that had ended by then, at the distances that were known then."""
        told = self.then.drives.select("drive", "odometer_km")

        def until(frame: pl.DataFrame) -> pl.DataFrame:
            return (
                frame.drop("odometer_km", strict=False)
                .join(told, on="drive", how="inner", maintain_order="left")
                .select(frame.columns)
            )

        regions = measured.regions.join(told, on="drive", how="semi", maintain_order="left")
        return replace(measured, regions=regions, figures=until(measured.figures))


def _stretches(history: VehicleHistory, days: Sequence[date]) -> list[_Stretch]:
    """Part evenings where a reading changed what was known of the distances before."""
    bare = replace(history, windows=history.windows.clear(), standstills=None, pulls=None)
    found: list[list[date]] = []
    before: dict[str, float | None] = {}
    for day in days:
        drives = as_then(bare, day).drives
        now = dict(zip(drives["drive"], drives["odometer_km"], strict=True))
        if not found or any(now.get(drive) != km for drive, km in before.items()):
            found.append([])
        found[-1].append(day)
        before = now
    return [_Stretch(tuple(part), as_then(bare, part[-1])) for part in found]


class _Past:
    """One vehicle's history, with what is needed to judge any drive of it as it was then."""

    def __init__(
        self,
        history: VehicleHistory,
        vehicle: VehicleSettings,
        workspace: WorkspaceSettings,
        kept: Kept,
        sisters: Sequence[Baseline],
    ) -> None:
        self.sisters = sisters
        self.raw, self.vehicle, self.workspace, self.kept = history, vehicle, workspace, kept
        self.now = as_then(history, max(history.drives["ended"].dt.date().to_list()))
        self.seen, _ = indicators.observable(self.now.windows, vehicle)
        drives = self.now.drives
        self.ended = dict(zip(drives["drive"], drives["ended"], strict=True))
        self.split = _split_drives(history)
        known = history.drives["odometer_km"].drop_nulls().len()
        read = known or any(event.odometer_km is not None for event in history.maintenance)
        self.shared_out = bool(read) and known < history.drives.height
        days = tuple(self._all_days())
        self.stretches = (
            _stretches(history, days) if self.shared_out else [_Stretch(days, self.now)]
        )

    def course(self, indicator: Indicator) -> pl.DataFrame:
        """Return the rows of one indicator."""
        measured = self._measured(indicator)
        borrows = any(item.indicator == indicator.name for item in self.sisters)
        if borrows:
            return self._borrowing(indicator, measured)
        if measured is None:
            if self._grows() and self._was_ever_judged(indicator):
                return self._direct(indicator, self._all_days())
            return _learning(indicator, self.now.drives)
        return self._rows(measured, self.workspace.baseline.minimum_drives)

    def _borrowing(self, indicator: Indicator, own: Measured | None) -> pl.DataFrame:
        """Return the rows of an indicator that sisters lend, until its own period is complete."""
        end = None if own is None else own.learned.end
        days = [day for day in self._all_days() if end is None or day < end]
        borrowed = None
        if not (self.shared_out or self._grows()):
            borrowed = self._borrowed(indicator)
        if borrowed is None:
            rows = self._direct(indicator, days)
        else:
            rows = self._rows(borrowed, self.workspace.baseline.borrowing_drives)
        if own is None or end is None:
            return rows
        until = pl.col("started").dt.date() <= end
        if rows.filter(until)["state"].is_in(CONCERNS).any():  # then it goes on borrowing
            return self._direct(indicator, self._all_days()) if borrowed is None else rows
        alone = self._rows(own, self.workspace.baseline.minimum_drives)
        return pl.concat(
            [rows.filter(pl.col("said_on") < end), alone.filter(pl.col("said_on") >= end)]
        )

    def _borrowed(self, indicator: Indicator) -> Measured | None:
        observed = self._observed(indicator)
        if observed is None:
            return None
        return borrowed_from(self.sisters, observed, self.now, self.vehicle, self.workspace)

    def _rows(self, measured: Measured, needs: int) -> pl.DataFrame:
        """Return the rows of an indicator that stands on one healthy period of so many drives."""
        parts = [self._stretch(measured, needs, one) for one in self._stretches(measured)]
        return pl.concat(parts).sort("said_on", "started")

    def _stretch(self, measured: Measured, needs: int, stretch: _Stretch) -> pl.DataFrame:
        """Return the rows of evenings on which the same distances were known of the past."""
        followed = self._tracked(measured, stretch)
        rows = _one_pass(measured.indicator, followed)
        rows = rows.with_columns(
            said_on=pl.Series([self.ended[drive].date() for drive in rows["drive"]], dtype=pl.Date)
        )
        rows = _silent_before(rows, followed.learned.end)
        apart = sorted(self._apart(followed, rows, needs) & set(stretch.days))
        kept = rows.filter(pl.col("said_on").is_in(sorted(set(stretch.days) - set(apart))))
        return pl.concat([kept.select(*COURSE_SCHEMA), self._direct(measured.indicator, apart)])

    def _stretches(self, measured: Measured) -> list[_Stretch]:
        """Return the stretches; nothing is said before the healthy period is complete."""
        end = measured.learned.end
        if len(self.stretches) == 1:
            return self.stretches
        late = [one for one in self.stretches if one.days[-1] >= end]
        early = [day for one in self.stretches if one.days[-1] < end for day in one.days]
        first = replace(late[0], days=(*early, *late[0].days))
        return [first, *late[1:]]

    def _apart(self, followed: Followed, rows: pl.DataFrame, needs: int) -> set[date]:
        """Return the days of which the whole history does not say what was said."""
        days = rows["said_on"].to_list()
        end = followed.learned.end
        apart = set(self.split)
        last = rows.filter(pl.col("drive").is_in(followed.learned.drives)).tail(1)
        if last["started"].dt.date().to_list() != [end] or last["said_on"].to_list() != [end]:
            apart |= {end, end + timedelta(days=1)}  # its last drive has no figure, or met midnight
        if needs < LEARNING_DRIVES:  # the vehicle's own surroundings were still being learned
            apart |= set(days[needs - 1 : LEARNING_DRIVES])
        if self._grows():
            apart |= {day for day in days[needs - 1 :] if day <= end}
        return apart & set(self._all_days())

    def _grows(self) -> bool:
        """Say whether a verdict may rest on a healthy period that was not complete yet."""
        settings = self.workspace.baseline
        return (
            self.vehicle.baseline_to is not None
            or settings.minimum_drives < settings.automatic_drives
        )

    def _all_days(self) -> list[date]:
        return sorted(set(self.raw.drives["ended"].dt.date().to_list()))

    def _observed(self, indicator: Indicator) -> Observed | None:
        name, kept = indicator.name, self.kept
        if name not in kept.observed:
            kept.observed[name] = observe(indicator, self.now, self.vehicle)
        return kept.observed[name]

    def _was_ever_judged(self, indicator: Indicator) -> bool:
        """Say whether there have been drives enough for any healthy period, however it was cut."""
        observed = self._observed(indicator)
        if observed is None:
            return False
        usable = observed.observations.drop_nulls("y")["drive"].n_unique()
        return usable >= self.workspace.baseline.minimum_drives

    def _measured(self, indicator: Indicator) -> Measured | None:
        """Measure all drives against the indicator's own baseline; None while it is learning.

        The steps of :func:`healthtrack.chain.following.follow`, each taken once for all settings
        that it does not depend on.
        """
        observed = self._observed(indicator)
        if observed is None:
            return None
        period = healthy_period(observed, self.now, self.vehicle, self.workspace)
        if period.missing:
            return None
        key = (indicator.name, period.drives)
        if key not in self.kept.measured:
            self.kept.measured[key] = measure(observed, period, self.now)
        return self.kept.measured[key]

    def _tracked(self, measured: Measured, stretch: _Stretch) -> Followed:
        """Follow the drives until the end of a stretch; a quiet course is kept."""
        plan = plan_of(measured.indicator, self.vehicle, self.workspace)
        learned = measured.learned
        place = (
            measured.indicator.name,
            learned.drives,
            learned.sisters,
            stretch.days[-1],
            replace(plan, log_bar=0.0),
        )
        quiet = self.kept.quiet.get(place)
        if quiet is not None and quiet[0] <= plan.log_bar:
            return replace(quiet[1], plan=plan)
        known = measured if len(self.stretches) == 1 else stretch.known(measured)
        followed = track(known, stretch.then, plan)
        if not np.isin(followed.witness.tracked.state, (1, 2)).any():
            self.kept.quiet[place] = (plan.log_bar, followed)
        return followed

    def _direct(self, indicator: Indicator, days: Sequence[date]) -> pl.DataFrame:
        """Return rows of days that were judged from the history as it was then."""
        rows = []
        for day in days:
            row = self._as_said(indicator, day)
            if row is not None:
                rows.append(row)
        return pl.DataFrame(rows, schema=COURSE_SCHEMA, orient="row")

    def _as_said(self, indicator: Indicator, day: date) -> dict[str, object] | None:
        """Judge an indicator from the history as it was; None where it could not be observed.

        What settings do not touch is kept: the history and its observations, and what was said of
        the same healthy period under the same plan.
        """
        then, seen = self._then(day)
        if indicator not in seen:
            return None
        settings = (self.vehicle, self.workspace)
        road = Road(day, None, None, None)
        if any(item.indicator == indicator.name for item in self.sisters):
            judged = judge(indicator, then, *settings, road, self.sisters)
            return _row(judged.finding, judged.followed, day)
        observed = self._observed_then(indicator, day)
        if observed is None:
            judged = judge(indicator, then, *settings, road)
            return _row(judged.finding, judged.followed, day)
        period = healthy_period(observed, then, *settings)
        plan = plan_of(indicator, *settings)
        place = (indicator.name, day, period.drives, bool(period.missing), plan)
        if place not in self.kept.said:
            judged = say(indicator, follow_observed(observed, then, *settings), road)
            self.kept.said[place] = _row(judged.finding, judged.followed, day)
        return self.kept.said[place]

    def _then(self, day: date) -> tuple[VehicleHistory, tuple[Indicator, ...]]:
        known = self.kept.then.get(day)
        if known is None:
            then = as_then(self.raw, day)
            known = then, tuple(indicators.observable(then.windows, self.vehicle)[0])
            if then.drives.height <= KEPT_DRIVES:
                self.kept.then[day] = known
        return known

    def _observed_then(self, indicator: Indicator, day: date) -> Observed | None:
        place = (indicator.name, day)
        if place in self.kept.observed_then:
            return self.kept.observed_then[place]
        then, _ = self._then(day)
        observed = observe(indicator, then, self.vehicle)
        if then.drives.height <= KEPT_DRIVES:
            self.kept.observed_then[place] = observed
        return observed


def _row(found: IndicatorFinding, followed: Followed | None, day: date) -> dict[str, object]:
    last: dict[str, object] = {}
    if followed is not None:
        last = followed.witness.figures.tail(1).to_dicts()[0]
    keys = ("drive", "started", "odometer_km", "value", "se")
    return {
        **{key: last.get(key) for key in keys},
        "indicator": found.indicator,
        "unit": found.unit,
        "said_on": day,
        "state": found.state,
        "level": found.level,
        "low": found.low,
        "high": found.high,
        "slope": found.slope_per_10000_km,
        "slope_low": found.slope_low,
        "slope_high": found.slope_high,
        "raised_on": found.raised_on,
        "raised_at_km": found.raised_at_km,
    }


def _one_pass(indicator: Indicator, followed: Followed) -> pl.DataFrame:
    """Return the rows of every drive with a figure, segment by segment."""
    figures, tracked = followed.witness.figures, followed.witness.tracked
    ends = [*(run.start for run in tracked.runs[1:]), figures.height]
    return pl.concat(
        _segment_rows(indicator, figures, tracked, (run, end))
        for run, end in zip(tracked.runs, ends, strict=True)
    )


def _segment_rows(
    indicator: Indicator, figures: pl.DataFrame, tracked: Tracked, place: tuple[Run, int]
) -> pl.DataFrame:
    run, end = place
    start, course = run.start, run.course
    rows = figures[start:end]
    state = tracked.state[start:end]
    raised = np.full(state.size, -1)
    for at in course.episodes.raised:
        raised[at:] = at
    raised[~np.isin(state, (1, 2))] = -1
    known = [int(at) if at >= 0 else None for at in raised]
    days, km = rows["started"].dt.date().to_list(), rows["odometer_km"].to_list()
    odometer = tracked.axis.has_odometer

    def sloped(values: FloatArray) -> pl.Series:
        return pl.Series(values if odometer else [None] * state.size, dtype=pl.Float64)

    told = rows.select(
        "drive",
        "started",
        "odometer_km",
        "value",
        "se",
        indicator=pl.lit(indicator.name),
        unit=pl.lit(indicator.unit),
        state=pl.Series([STATES[int(code)] for code in state], dtype=pl.String),
        level=pl.Series(tracked.level[start:end]),
        low=pl.Series(tracked.low[start:end]),
        high=pl.Series(tracked.high[start:end]),
        slope=sloped(course.slope),
        slope_low=sloped(course.slope - Z95 * course.slope_sd),
        slope_high=sloped(course.slope + Z95 * course.slope_sd),
        raised_on=pl.Series([None if at is None else days[at] for at in known], dtype=pl.Date),
        raised_at_km=pl.Series(
            [None if at is None or not odometer else km[at] for at in known], dtype=pl.Float64
        ),
    )
    return _settling(told, run.quiet)


def _settling(rows: pl.DataFrame, places: Sequence[int]) -> pl.DataFrame:
    """Say of drives what was said while a new zero seemed to settle: it is zero by definition.

    Later drives showed that the complaint had stayed, and the old course goes on through them.
    """
    settling = pl.Series(np.isin(np.arange(rows.height), places))
    names = ("level", "low", "high", "slope", "slope_low", "slope_high")
    return rows.with_columns(
        pl.when(settling & pl.col(name).is_not_null()).then(0.0).otherwise(pl.col(name)).alias(name)
        for name in names
    )


def _silent_before(rows: pl.DataFrame, end: date) -> pl.DataFrame:
    """Take back what nobody could say while the healthy period was not complete."""
    said = ("level", "low", "high", "slope", "slope_low", "slope_high")
    early = pl.col("said_on") < end
    return rows.with_columns(pl.when(~early).then(pl.col(name)).alias(name) for name in said)


def _learning(indicator: Indicator, drives: pl.DataFrame) -> pl.DataFrame:
    """Return rows of an indicator of which nothing could be said yet."""
    told = drives.select(
        "drive",
        "started",
        "odometer_km",
        indicator=pl.lit(indicator.name),
        unit=pl.lit(indicator.unit),
        said_on=pl.col("ended").dt.date(),
        state=pl.lit("learning"),
    )
    blank = [
        pl.lit(None, dtype=kind).alias(name)
        for name, kind in COURSE_SCHEMA.items()
        if name not in told.columns
    ]
    return told.with_columns(blank).select(*COURSE_SCHEMA)


def _split_drives(history: VehicleHistory) -> set[date]:
    """Return the days on which only some pieces of a drive were known."""
    ends = dict(
        zip(history.drives["drive"], history.drives["ended"].dt.date().to_list(), strict=True)
    )
    names = drive_names(history.drives)
    last: dict[str, date] = {}
    for piece, whole in names.items():
        last[whole] = max(last.get(whole, ends[piece]), ends[piece])
    return {ends[piece] for piece, whole in names.items() if ends[piece] != last[whole]}


def _daily(course: pl.DataFrame) -> pl.DataFrame:
    """Return the last row of each indicator and day: what the evening of that day saw."""
    return course.group_by("indicator", "said_on", maintain_order=True).last()


def _alerts(course: pl.DataFrame) -> pl.DataFrame:
    """Return the episodes, as a service that looks every evening keeps them.

    One ends on the first evening that finds the indicator normal, or another one raised.
    """
    rows: list[dict[str, object]] = []
    for (_,), days in _daily(course).group_by(["indicator"], maintain_order=True):
        current: dict[str, object] | None = None
        for day in days.iter_rows(named=True):
            if day["state"] in CONCERNS:
                if current is None or day["raised_on"] != current["raised_on"]:
                    if current is not None:
                        current["cleared_on"] = day["said_on"]
                    current = _raised(day)
                    rows.append(current)
                if day["state"] == "alarm" and current["alarm_on"] is None:
                    current |= {"alarm_on": day["said_on"], "worst": "alarm"}
            elif day["state"] == "normal" and current is not None:
                current["cleared_on"] = day["said_on"]
                current = None
    frame = pl.DataFrame(rows, schema=ALERT_SCHEMA, orient="row")
    return frame.sort("said_on", "indicator")


def _raised(day: dict[str, object]) -> dict[str, object]:
    keys = ("indicator", "raised_on", "raised_at_km", "said_on", "level", "low", "high")
    return {key: day[key] for key in keys} | {
        "alarm_on": None,
        "cleared_on": None,
        "worst": "alert",
    }


def _verdicts(history: VehicleHistory, course: pl.DataFrame) -> pl.DataFrame:
    """Return the state of the vehicle at the end of each day on which a drive ended."""
    schema = {"said_on": pl.Date, "state": pl.String}
    days = sorted(set(history.drives["ended"].dt.date().to_list()))
    if not days:
        return pl.DataFrame(schema=schema)
    with_windows = history.drives.join(history.windows.select("drive"), on="drive", how="semi")
    first = min(with_windows["ended"].dt.date().to_list(), default=None)
    said: dict[date, dict[str, str]] = {}
    for day in _daily(course).select("said_on", "indicator", "state").iter_rows():
        said.setdefault(day[0], {})[day[1]] = day[2]
    rows: list[tuple[date, str]] = []
    now: dict[str, str] = {}
    for day in days:
        now |= said.get(day, {})
        states = set(now.values()) - {"learning", "no_data"}
        if first is None or day < first:
            state = "no_data"
        else:
            state = next((one for one in ("alarm", "alert", "normal") if one in states), "learning")
        rows.append((day, state))
    return pl.DataFrame(rows, schema=schema, orient="row")
