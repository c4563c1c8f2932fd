"""From figures per drive to what is said of an indicator: restarts, course, finding.

Work on the vehicle may change what is healthy. After an event that restarts an indicator its next
drives settle the new zero: within the tolerance of a new part the offset is learned anew; further
off, the complaint has stayed, the old baseline holds and the level may have jumped.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtri

from healthtrack.config import MAINTENANCE_KINDS
from healthtrack.drift.grid import standard_grid
from healthtrack.drift.run import Course, follow
from healthtrack.drift.segment import Carried, Segment
from healthtrack.drift.smooth import smooth

if TYPE_CHECKING:
    from collections.abc import Sequence

    import polars as pl
    from numpy.typing import NDArray

    from healthtrack.baseline import Baseline
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
Z95 = float(ndtri(0.975))


@dataclass(frozen=True)
class Axis:
    """Where the drives lie: ``days`` since the first, ``distance`` in 10 000 km, both (N,)."""

    days: FloatArray
    distance: FloatArray
    has_odometer: bool


@dataclass(frozen=True)
class Tracked:
    """An indicator's whole life; arrays over (N,) drives in time order.

    ``state`` is 0 normal, 1 alert, 2 alarm, 3 settling or in the baseline period. ``course`` is the
    last segment's, which starts at drive ``last_start``; ``smoothed`` is what is known now.
    """

    axis: Axis
    level: FloatArray
    level_sd: FloatArray
    smoothed: FloatArray
    smoothed_sd: FloatArray
    state: NDArray[np.int64]
    course: Course
    last_start: int
    settling: int
    repair_failed: bool


@dataclass(frozen=True)
class Plan:
    """What tracking needs beside the figures: size of harm [unit], side, bar [ln years]."""

    limit: float
    side: int
    log_bar: float


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
    whole = _whole(figures, baseline, axis, plan)
    starts = _starts(figures, baseline, events)
    ends = [start for start, _ in starts[1:]] + [figures.height]
    pieces: list[tuple[Segment, Course, bool]] = []
    carried = whole.carried
    for (start, event), end in zip(starts, ends, strict=True):
        segment, course, failed = _piece(_cut(whole, start, end, carried), event, plan)
        pieces.append((segment, course, failed))
        carried = course.carried
    return _join(axis, pieces, starts, events)


def _whole(figures: pl.DataFrame, baseline: Baseline, axis: Axis, plan: Plan) -> Segment:
    learned = set(baseline.drives)
    pinned = np.array([drive in learned for drive in figures["drive"]])
    if pinned.any():
        pinned[: int(np.flatnonzero(pinned)[-1]) + 1] = True
    conditions = [f"c_{response.condition}" for response in baseline.responses]
    shared = np.column_stack(
        [np.ones(figures.height), *(figures[name].to_numpy() for name in conditions)]
    )
    se = figures["se"].to_numpy().astype(np.float64)
    grid = standard_grid()
    points, width = grid.wander.size, shared.shape[1]
    mean = np.zeros((points, width))
    mean[:, 1:] = [r.prior_mean - r.mean for r in baseline.responses]
    sd = np.array([OFFSET_SD, *(r.prior_sd for r in baseline.responses)])
    covariance = np.tile(np.diag(sd**2), (points, 1, 1))
    return Segment(
        value=figures["value"].to_numpy().astype(np.float64),
        se=se,
        days=axis.days,
        distance=axis.distance,
        shared=shared.astype(np.float64),
        pinned=pinned,
        carried=Carried(mean, covariance, grid.log_prior.copy(), np.ones(points)),
        scale=float(np.median(se[pinned] if pinned.any() else se)),
        limit=abs(plan.limit),
        side=plan.side,
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


def _cut(whole: Segment, start: int, end: int, carried: Carried) -> Segment:
    part = slice(start, end)
    return replace(
        whole,
        value=whole.value[part],
        se=whole.se[part],
        days=whole.days[part],
        distance=whole.distance[part],
        shared=whole.shared[part],
        pinned=whole.pinned[part],
        carried=carried,
    )


def _piece(
    segment: Segment, event: MaintenanceEvent | None, plan: Plan
) -> tuple[Segment, Course, bool]:
    """Follow one segment; decide first, from its settling drives, whether the work has helped."""
    if event is None:
        return segment, follow(segment, plan.log_bar), False
    new_part = event.kind.endswith("_sensor_replaced")
    tolerance = NEW_PART_TOLERANCE if new_part else OTHER_TOLERANCE
    settle = min(SETTLING_DRIVES, segment.value.size)
    pinned = segment.pinned.copy()
    pinned[:settle] = True
    covariance = segment.carried.covariance.copy()
    covariance[:, 0, 0] += tolerance**2
    carried = replace(segment.carried, covariance=covariance)
    fresh = replace(segment, pinned=pinned, carried=carried)
    full = segment.value.size >= SETTLING_DRIVES
    if full and _still_off(segment, settle, tolerance):
        same = replace(segment, jump=True)
        return same, follow(same, plan.log_bar), True
    return fresh, follow(fresh, plan.log_bar), False


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


def _join(
    axis: Axis,
    pieces: list[tuple[Segment, Course, bool]],
    starts: list[tuple[int, MaintenanceEvent | None]],
    events: Sequence[MaintenanceEvent],
) -> Tracked:
    smoothed = [smooth(segment, course) for segment, course, _ in pieces]
    states = []
    for segment, course, _ in pieces:
        states.append(np.where(segment.pinned, 3, course.episodes.state))
    last_segment, last_course, failed = pieces[-1]
    settling = 0
    if len(starts) > 1 and not failed and events:
        settling = max(SETTLING_DRIVES - last_segment.value.size, 0)
    return Tracked(
        axis=axis,
        level=np.concatenate([course.level for _, course, _ in pieces]),
        level_sd=np.concatenate([course.level_sd for _, course, _ in pieces]),
        smoothed=np.concatenate([level for level, _ in smoothed]),
        smoothed_sd=np.concatenate([sd for _, sd in smoothed]),
        state=np.concatenate(states),
        course=last_course,
        last_start=starts[-1][0],
        settling=settling,
        repair_failed=failed,
    )
