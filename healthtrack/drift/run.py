"""Run the filter and the change bank over segments, and apply the rules: causal, in passes.

A change that has been found sets the level free where it began; an episode that has ended empties
the bank. Both count from the drive at which they became known: what was said before stays as it was
said.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from healthtrack.drift.change import ChangeBank
from healthtrack.drift.grid import standard_grid
from healthtrack.drift.level import LevelFilter, batch
from healthtrack.drift.rules import Episodes, Signals, episodes, signals
from healthtrack.drift.segment import Carried

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from healthtrack.drift.grid import Grid
    from healthtrack.drift.segment import Segment

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]

MOST_PASSES = 12
"""Passes over one segment: one for each step found and each episode ended, and one more."""


@dataclass(frozen=True)
class Course:
    """One segment as it was seen drive by drive: arrays over (N,), ``since`` (N, 3).

    ``injected`` are drives at which the level was set free, with the drive from which that counts.
    """

    level: FloatArray
    level_sd: FloatArray
    slope: FloatArray
    slope_sd: FloatArray
    covariance: FloatArray
    wander_sd: FloatArray
    log_years: FloatArray
    step: FloatArray
    since: IntArray
    start: IntArray
    episodes: Episodes
    injected: tuple[tuple[int, int], ...]
    best: tuple[int, int]
    carried: Carried


@dataclass
class _Plan:
    free: dict[int, int]
    reset: set[int]


def follow(segment: Segment, log_bar: float) -> Course:
    """Follow one segment to its end.

    Parameters
    ----------
    segment : Segment
        At least one drive.
    log_bar : float
        ln of the bar in years that the evidence must reach.
    """
    return follow_many([segment], [log_bar])[0]


def follow_many(segments: Sequence[Segment], log_bars: Sequence[float]) -> list[Course]:
    """Follow many segments at once; those in which something happens are followed up singly."""
    grid = standard_grid()
    plans = [_Plan({}, set()) for _ in segments]
    courses = _passes(segments, plans, grid)
    result = []
    for segment, log_bar, course in zip(segments, log_bars, courses, strict=True):
        result.append(_settle(segment, log_bar, course, grid))
    return result


def _settle(segment: Segment, log_bar: float, course: Course, grid: Grid) -> Course:
    plan = _Plan({}, set())
    for _ in range(MOST_PASSES):
        found = episodes(_signals(segment, course), log_bar)
        at = _next_event(course, found, plan)
        if at is None:
            break
        again = _passes([segment], [plan], grid)[0]
        course = _splice(course, again, at)
    found = episodes(_signals(segment, course), log_bar)
    injected = tuple((start, known) for start, known in plan.free.items())
    return _replace(course, found, injected)


def _next_event(course: Course, found: Episodes, plan: _Plan) -> int | None:
    """Enter the earliest event that no pass has acted on yet into the plan; return its drive."""
    known = set(plan.free.values())
    steps = [r for r in found.raised if r not in known]
    ends = [c for c in found.cleared if c not in plan.reset]
    if not steps and not ends:
        return None
    if steps and (not ends or steps[0] < ends[0]):
        plan.free[int(course.start[steps[0]])] = steps[0]
        return steps[0]
    plan.reset.add(ends[0])
    return ends[0] + 1


def _signals(segment: Segment, course: Course) -> Signals:
    concern, beyond = signals(course.level, course.level_sd, segment.limit, segment.side)
    return Signals(course.log_years, concern, beyond, segment.pinned)


def _passes(segments: Sequence[Segment], plans: Sequence[_Plan], grid: Grid) -> list[Course]:
    data = batch(segments)
    level, bank = LevelFilter(data, segments, grid), ChangeBank(data, segments, grid)
    rows: list[tuple[FloatArray | IntArray, ...]] = []
    for drive in range(data.value.shape[1]):
        level.advance(drive)
        bank.advance(drive)
        for series, plan in enumerate(plans):
            if drive in plan.free:
                level.free(series)
        level.absorb(drive)
        bank.absorb(drive)
        said, evidence = level.answer(), bank.evidence()
        rows.append(
            (
                said.level,
                said.level_sd,
                said.slope,
                said.slope_sd,
                said.covariance,
                said.wander_sd,
                evidence.log_years,
                evidence.step,
                evidence.since,
                evidence.start,
            )
        )
        for series, plan in enumerate(plans):
            if drive in plan.reset:
                bank.reset(series)
                bank.adopt(series, *level.carried(series))
    columns = [np.stack(column, axis=1) for column in zip(*rows, strict=True)]
    return [
        _course(segment, [column[series] for column in columns], level, series)
        for series, segment in enumerate(segments)
    ]


def _course(
    segment: Segment, columns: list[NDArray[np.generic]], level: LevelFilter, series: int
) -> Course:
    count = segment.value.size
    types = [np.float64] * 8 + [np.int64] * 2
    arrays: dict[str, Any] = {
        name: np.asarray(column[:count], dtype=type_)
        for name, column, type_ in zip(ARRAYS, columns, types, strict=True)
    }
    weight = level.weights()[series]
    best = np.unravel_index(int(np.argmax(weight)), weight.shape)
    mean, covariance, log_weight = level.carried(series)
    width = segment.shared.shape[1]
    carried = Carried(mean[:, :width], covariance[:, :width, :width], log_weight)
    return Course(
        **arrays,
        episodes=Episodes(np.zeros(count, dtype=np.int64)),
        injected=(),
        best=(int(best[0]), int(best[1])),
        carried=carried,
    )


ARRAYS = (
    "level",
    "level_sd",
    "slope",
    "slope_sd",
    "covariance",
    "wander_sd",
    "log_years",
    "step",
    "since",
    "start",
)


def _splice(before: Course, after: Course, at: int) -> Course:
    """Return what was said before a drive, and what is said from it on."""
    joined = {
        name: np.concatenate([getattr(before, name)[:at], getattr(after, name)[at:]])
        for name in ARRAYS
    }
    return Course(
        **joined,
        episodes=after.episodes,
        injected=after.injected,
        best=after.best,
        carried=after.carried,
    )


def _replace(course: Course, found: Episodes, injected: tuple[tuple[int, int], ...]) -> Course:
    arrays = {name: getattr(course, name) for name in ARRAYS}
    return Course(
        **arrays, episodes=found, injected=injected, best=course.best, carried=course.carried
    )
