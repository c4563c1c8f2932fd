"""From figures per drive to what is said of an indicator: restarts, course, finding.

Work on the vehicle may change what is healthy. After an event that restarts an indicator its next
drives settle the new zero: within the tolerance of a new part the offset is learned anew; further
off, the complaint has stayed and the old segment goes on as if nothing had been done.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtri

from healthtrack.config import MAINTENANCE_KINDS
from healthtrack.drift.course import joined
from healthtrack.drift.grid import standard_grid
from healthtrack.drift.run import resume
from healthtrack.drift.segment import Carried, Segment, extended, part_of
from healthtrack.drift.smooth import foretell, smooth

if TYPE_CHECKING:
    from collections.abc import Sequence

    import polars as pl
    from numpy.typing import NDArray

    from healthtrack.baseline import Baseline
    from healthtrack.drift.course import Course
    from healthtrack.drift.state import State
    from healthtrack.records import MaintenanceEvent

    FloatArray = NDArray[np.float64]

SETTLING_DRIVES = 8
"""Drives that settle the zero after work on the vehicle: their mean is known to a third of a
drive's own error."""
NEW_PART_TOLERANCE = 2.5
"""How far a new sensor may read from the old one (sd). [%] New airflow sensors keep within 2–3 % of
reading (common practice, from memory); other work leaves the zero where it was, to within 1 %."""
OTHER_TOLERANCE = 1.0
KM_PER_YEAR = 15_000.0
"""Distance per year where no odometer is known: wear then goes along the date."""
DAYS_PER_YEAR = 365.25
OFFSET_SD = 10.0
"""Prior sd of the offset before the first drive: the baseline period itself settles it. [unit]"""
SEASON = 0.5
"""Prior sd of a yearly wave that no logged condition explains (fuel, humidity, tyres, traffic), in
typical drive errors: on one real car airflow moved by a few tenths of a percent within a summer at
the same temperature. A year's drives narrow it."""
Z95 = float(ndtri(0.975))


@dataclass(frozen=True)
class Axis:
    """Where the drives lie: ``days`` since the first, ``distance`` in 10 000 km, both (N,)."""

    days: FloatArray
    distance: FloatArray
    has_odometer: bool


@dataclass(frozen=True)
class Run:
    """A segment with its course; ``quiet`` are places at which a zero was still settling.

    ``state`` is that after its last drive; None where it is over and was not kept.
    """

    start: int
    segment: Segment
    state: State | None
    course: Course
    settling: int = 0
    quiet: tuple[int, ...] = ()
    failed: bool = False


@dataclass(frozen=True)
class Tracked:
    """An indicator's whole life; arrays over (N,) drives in time order.

    ``low`` and ``high`` are the level's 95 % band. ``state`` is 0 normal, 1 alert, 2 alarm, 3
    settling or in the baseline period. ``runs`` are its segments in order; ``starts`` the drives at
    which one was looked for (after work on the vehicle that had not helped none begins).
    """

    axis: Axis
    level: FloatArray
    level_sd: FloatArray
    low: FloatArray
    high: FloatArray
    state: NDArray[np.int64]
    runs: tuple[Run, ...]
    starts: tuple[int, ...]

    @property
    def course(self) -> Course:
        """The last segment's."""
        return self.runs[-1].course

    @property
    def last_start(self) -> int:
        """Place of the last segment's first drive."""
        return self.runs[-1].start

    @property
    def settling(self) -> int:
        """Drives that the new zero after the last work still needs."""
        return self.runs[-1].settling

    @property
    def repair_failed(self) -> bool:
        """Whether the complaint has stayed after the last work."""
        return self.runs[-1].failed

    def smoothed(self) -> tuple[FloatArray, FloatArray]:
        """Return what is known now of every drive's level, with its sd; (N,) each. For drawing."""
        return smoothed(self.runs)


@dataclass(frozen=True)
class Plan:
    """What tracking needs beside the figures.

    Size of harm [unit], side, bar [ln years], size below which a change is not worth a word [unit].
    """

    limit: float
    side: int
    log_bar: float
    notice: float = 0.0


def axis_of(figures: pl.DataFrame) -> Axis:
    """Return the axis of figures sorted by ``started``; the odometer where every drive has it."""
    micros = figures["started"].dt.epoch("us").to_numpy().astype(np.float64)
    days = (micros - micros[0]) / 86_400e6
    odometer = figures["odometer_km"]
    if odometer.null_count() == 0:
        km = np.maximum.accumulate(odometer.to_numpy().astype(np.float64))
        return Axis(days, (km - km[0]) / 10_000.0, has_odometer=True)
    return Axis(days, days / DAYS_PER_YEAR * KM_PER_YEAR / 10_000.0, has_odometer=False)


def track(
    figures: pl.DataFrame, baseline: Baseline, events: Sequence[MaintenanceEvent], plan: Plan
) -> Tracked:
    """Track one indicator over its life.

    Parameters
    ----------
    figures : DataFrame
        Sorted by ``started``: ``drive``, ``started``, ``odometer_km``, ``value``, ``se`` and
        ``c_<condition>``; at least one row.
    baseline : Baseline
        From which the figures were measured.
    events : sequence of MaintenanceEvent
        Of this vehicle; those that restart this indicator count.
    plan : Plan
        Limit, side and bar.
    """
    axis = axis_of(figures)
    whole = whole_segment(figures, baseline, axis, plan)
    starts = _starts(figures, baseline, events)
    begins = tuple(start for start, _ in starts)
    ends = [*begins[1:], figures.height]
    runs: list[Run] = []
    for (start, event), end in zip(starts, ends, strict=True):
        part = cut(whole, start, end)
        if event is None:
            runs.append(Run(start, part, *resume(None, part, plan.log_bar)))
        else:
            _after_work(runs, _Work(start, part, _tolerance(event)), plan)
    return as_tracked(axis, runs, begins)


def track_on(
    before: Tracked,
    figures: pl.DataFrame,
    baseline: Baseline,
    events: Sequence[MaintenanceEvent],
    plan: Plan,
) -> Tracked | None:
    """Go on tracking with new drives; equal to :func:`track` of all of them, to the bit.

    Parameters
    ----------
    before : Tracked
        Of the first drives.
    figures, baseline, events, plan
        As for :func:`track`: all drives, those tracked before first.

    Returns
    -------
    Tracked or None
        None where the drives must be tracked from the first one on: work on the vehicle since then,
        a zero that was still settling, places that have moved.
    """
    count = before.state.size
    axis = axis_of(figures)
    starts = tuple(start for start, _ in _starts(figures, baseline, events))
    last = before.runs[-1]
    if starts != before.starts or not _goes_on(before, axis) or last.state is None:
        return None
    whole = whole_segment(figures, baseline, axis, plan)
    if figures.height == count:
        return replace(before, axis=axis)
    part = cut(whole, count, figures.height)
    if part.pinned.any() or whole.scale != last.segment.scale:
        return None
    state, course = resume(last.state, part, plan.log_bar)
    run = replace(
        last,
        segment=extended(last.segment, part),
        state=state,
        course=joined(last.course, course),
    )
    return as_tracked(axis, [*before.runs[:-1], run], starts)


def _goes_on(before: Tracked, axis: Axis) -> bool:
    """Say whether the drives that were tracked lie where they did, and their zero is settled."""
    count = before.state.size
    after_work = before.starts[-1] > 0 and count - before.starts[-1] < SETTLING_DRIVES
    return (
        not after_work
        and axis.has_odometer == before.axis.has_odometer
        and np.array_equal(axis.days[:count], before.axis.days)
        and np.array_equal(axis.distance[:count], before.axis.distance)
    )


@dataclass(frozen=True)
class _Work:
    start: int
    part: Segment
    tolerance: float


def whole_segment(figures: pl.DataFrame, baseline: Baseline, axis: Axis, plan: Plan) -> Segment:
    """Return all drives as one segment, with nothing learned yet but the baseline's responses."""
    learned = set(baseline.drives)
    pinned = np.array([drive in learned for drive in figures["drive"]])
    if pinned.any():
        pinned[: int(np.flatnonzero(pinned)[-1]) + 1] = True
    conditions = [f"c_{response.condition}" for response in baseline.responses]
    phase = 2.0 * np.pi * figures["started"].dt.ordinal_day().to_numpy() / DAYS_PER_YEAR
    known = [figures[name].to_numpy() for name in conditions]
    shared = np.column_stack([np.ones(figures.height), *known, np.sin(phase), np.cos(phase)])
    se = figures["se"].to_numpy().astype(np.float64)
    scale = float(np.median(se[pinned] if pinned.any() else se))
    grid = standard_grid()
    points, width = grid.wander.size, shared.shape[1]
    mean = np.zeros((points, width))
    mean[:, 1:-2] = [r.prior_mean - r.mean for r in baseline.responses]
    responses = [r.prior_sd for r in baseline.responses]
    sd = np.array([OFFSET_SD, *responses, SEASON * scale, SEASON * scale])
    covariance = np.tile(np.diag(sd**2), (points, 1, 1))
    return Segment(
        value=figures["value"].to_numpy().astype(np.float64),
        se=se,
        days=axis.days,
        distance=axis.distance,
        shared=shared.astype(np.float64),
        pinned=pinned,
        carried=Carried(mean, covariance, grid.log_prior.copy(), np.ones(points)),
        scale=scale,
        limit=abs(plan.limit),
        side=plan.side,
        notice=plan.notice,
    )


def _starts(
    figures: pl.DataFrame, baseline: Baseline, events: Sequence[MaintenanceEvent]
) -> list[tuple[int, MaintenanceEvent | None]]:
    """Return where segments start, with the event that starts each (None for the first)."""
    days = figures["started"].dt.date().to_list()
    starts: dict[int, MaintenanceEvent | None] = {0: None}
    for event in sorted(events, key=lambda item: (item.on, item.event)):
        restarts = baseline.indicator in MAINTENANCE_KINDS[event.kind][1]
        at = next((place for place, day in enumerate(days) if day > event.on), None)
        if restarts and at and event.on >= baseline.end:
            starts[at] = event
    return sorted(starts.items())


def cut(whole: Segment, start: int, end: int) -> Segment:
    """Return the drives from one place up to another."""
    return part_of(whole, slice(start, end))


def _tolerance(event: MaintenanceEvent) -> float:
    new_part = event.kind.endswith("_sensor_replaced")
    return NEW_PART_TOLERANCE if new_part else OTHER_TOLERANCE


def _after_work(runs: list[Run], work: _Work, plan: Plan) -> None:
    """Start a new segment, or go on with the old one where the work has not helped."""
    before, part, size = runs[-1], work.part, work.part.value.size
    segment = replace(part, carried=before.course.carried)
    settle = min(SETTLING_DRIVES, size)
    if size >= SETTLING_DRIVES and _still_off(segment, settle, work.tolerance):
        state, course = resume(before.state, segment, plan.log_bar)
        first = before.segment.value.size
        runs[-1] = Run(
            before.start,
            extended(before.segment, part),
            state,
            joined(before.course, course),
            quiet=(*before.quiet, *range(first, first + settle - 1)),
            failed=True,
        )
        return
    pinned = segment.pinned.copy()
    pinned[:settle] = True
    covariance = segment.carried.covariance.copy()
    covariance[:, 0, 0] += work.tolerance**2
    fresh = replace(segment, pinned=pinned, carried=replace(segment.carried, covariance=covariance))
    state, course = resume(None, fresh, plan.log_bar)
    runs.append(Run(work.start, fresh, state, course, settling=max(SETTLING_DRIVES - size, 0)))


def _still_off(segment: Segment, settle: int, tolerance: float) -> bool:
    """Say whether the settling drives lie beyond what a new part may read."""
    weight = 1.0 / segment.se[:settle] ** 2
    known = np.exp(segment.carried.log_weight - segment.carried.log_weight.max())
    shared = known @ segment.carried.mean / known.sum()
    left = segment.value[:settle] - segment.shared[:settle] @ shared
    mean = float((weight * left).sum() / weight.sum())
    error2 = tolerance**2 + 1.0 / float(weight.sum())
    wrong_side = segment.side == 0 or mean * segment.side > 0
    return wrong_side and mean**2 > 4.0 * error2


def as_tracked(axis: Axis, runs: Sequence[Run], starts: tuple[int, ...]) -> Tracked:
    """Put the segments of an indicator's life together."""
    states = []
    for run in runs:
        state = np.where(run.segment.pinned, 3, run.course.episodes.state)
        state[list(run.quiet)] = 3
        states.append(state)
    return Tracked(
        axis=axis,
        level=np.concatenate([run.course.level for run in runs]),
        level_sd=np.concatenate([run.course.level_sd for run in runs]),
        low=np.concatenate([run.course.low for run in runs]),
        high=np.concatenate([run.course.high for run in runs]),
        state=np.concatenate(states),
        runs=tuple(runs),
        starts=starts,
    )


def smoothed(runs: Sequence[Run]) -> tuple[FloatArray, FloatArray]:
    """Return the smoothed level of every drive with its standard deviation."""
    parts = [smooth(run.segment, run.course) for run in runs]
    return np.concatenate([one for one, _ in parts]), np.concatenate([sd for _, sd in parts])


def foretold(tracked: Tracked) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
    """Return what was foretold of every drive's figure, and which drives were watched.

    Returns
    -------
    (N,), (N,) float64, (N,) bool
        Mean and standard deviation [unit]; false where the vehicle was taken to be healthy.
    """
    parts = [foretell(run.segment, run.course) for run in tracked.runs]
    watched = [~run.segment.pinned for run in tracked.runs]
    return (
        np.concatenate([mean for mean, _ in parts]),
        np.concatenate([sd for _, sd in parts]),
        np.concatenate(watched),
    )
