"""Print how well what a fleet moves in common is told from what one vehicle does alone.

Run as ``python -m tests.benchmarks.moved_together [FLEETS [SEED]]`` with OPENBLAS_NUM_THREADS=1.
Fleets of six simulated vehicles, each with answers to the weather, wander, regimes of driver and
place, heavy tails and bad drives of its own (:mod:`tests.calibration.histories`); of the first one
an alert is asked for, and looked at on the day of the alert, two and seven months later.
"""

# ruff: noqa: T201 - a script that prints a table
from __future__ import annotations

import sys
from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import polars as pl

from healthtrack import drift
from healthtrack.drift.others import Neighbour, sides, span_of, together
from healthtrack.drift.segment import part_of
from healthtrack.records import IndicatorFinding, Together, Trend
from tests.calibration.histories import Kind, Life, life

if TYPE_CHECKING:
    from collections.abc import Callable

    from healthtrack.drift import Course, Segment

VEHICLES = 6
LOG_BAR = float(np.log(60.0))
AT = 500.0
"""Day on which something happens; every vehicle's healthy period is over by then."""
LATER = (0.0, 60.0, 210.0)
"""Days after the alert at which it is asked."""
VEHICLE = Kind(
    "vehicle", wander=0.5, response=0.7, regime=0.3, tails=4.0, bad=0.03, known_seasons=False
)


PER_WEEK = (1.0, 5.0)
"""Drives a week, each vehicle at its own pace."""


@dataclass(frozen=True)
class Story:
    """What all do and what the first, or the second too, does alone, over (N,) days."""

    name: str
    shared: Callable[[np.ndarray], np.ndarray]
    own: Callable[[np.ndarray], np.ndarray]
    second: Callable[[np.ndarray], np.ndarray]


def nothing(days: np.ndarray) -> np.ndarray:
    return np.zeros_like(days)


def step(size: float) -> Callable[[np.ndarray], np.ndarray]:
    return lambda days: np.where(days >= AT, size, 0.0)


def ramp(size: float) -> Callable[[np.ndarray], np.ndarray]:
    return lambda days: size * np.clip((days - AT) / 365.25, 0.0, 1.0)


def season(size: float) -> Callable[[np.ndarray], np.ndarray]:
    return lambda days: size * np.sin(2.0 * np.pi * days / 365.25)


STORIES = (
    Story("a step of its own", nothing, step(-4.0), nothing),
    Story("a step of its own, another one fails too", nothing, step(-4.0), step(-5.0)),
    Story("a ramp of its own", nothing, ramp(-6.0), nothing),
    Story("a ramp of its own, a season for all", season(1.5), ramp(-6.0), nothing),
    Story("a step for all", step(-4.0), nothing, nothing),
    Story("a step for all, another one fails too", step(-4.0), nothing, step(-5.0)),
    Story("a ramp for all", ramp(-6.0), nothing, nothing),
    Story("a step for all, as much of its own", step(-4.0), step(-4.0), nothing),
)


class Fleet(NamedTuple):
    """Lives with what happened put in, and the true levels of both parts for each."""

    segments: list[Segment]
    shared: list[np.ndarray]
    own: list[np.ndarray]


def fleet_of(story: Story, rng: np.random.Generator) -> Fleet:
    """Simulate one fleet."""
    paces = rng.uniform(*PER_WEEK, VEHICLES)
    lives = [life(replace(VEHICLE, per_week=float(pace)), rng) for pace in paces]
    alone = [story.own, story.second, *[nothing] * (VEHICLES - 2)]
    shared = [_since_healthy(story.shared, one) for one in lives]
    own = [_since_healthy(what, one) for what, one in zip(alone, lives, strict=True)]
    segments = [
        replace(one.segment, value=one.segment.value + all_ + its)
        for one, all_, its in zip(lives, shared, own, strict=True)
    ]
    return Fleet(segments, shared, own)


def _since_healthy(what: Callable[[np.ndarray], np.ndarray], one: Life) -> np.ndarray:
    segment = one.segment
    moved = what(segment.days)
    weight = segment.pinned / segment.se**2
    return moved - float(weight @ moved / weight.sum())


def until(segment: Segment, day: float) -> Segment:
    """Return the drives until a day."""
    return part_of(segment, slice(int(np.searchsorted(segment.days, day, side="right"))))


def days_of(segment: Segment) -> np.ndarray:
    """Return the days of the drives."""
    return np.datetime64("2022-01-01") + segment.days.astype(int)


def neighbour_of(segment: Segment, course: Course) -> Neighbour:
    """Return what a life can say of others."""
    known = replace(segment, carried=course.carried)
    return Neighbour("airflow", days_of(segment), known, course.wander_sd, drift.memory_of(course))


def finding_of(segment: Segment, course: Course) -> IndicatorFinding:
    """Return what is said of a life at alert."""
    days = days_of(segment).tolist()
    low, middle, _ = course.since
    started = pl.DataFrame({"started": pl.Series(days).cast(pl.Datetime("us", "UTC"))})
    return IndicatorFinding(
        "airflow", "%", "alert", "", float(course.level[-1]), float(course.low[-1]),
        float(course.high[-1]), since_on=days[middle], since_on_low=days[max(low - 1, 0)],
        trend=Trend(started),
    )  # fmt: skip


class Said(NamedTuple):
    """What is said so many days after an alert, and the truths: how far all moved, and it alone."""

    later: float
    found: Together | None
    shared: float
    own: float


def asked(fleet: Fleet) -> list[Said]:
    """Return what is said at and after the first alert."""
    first = fleet.segments[0]
    whole = drift.follow(first, LOG_BAR)
    raised = [at for at in whole.episodes.raised if first.days[at] >= AT]
    if not raised:
        return []
    said = []
    for later in LATER:
        day = first.days[raised[0]] + later
        known = [until(one, day) for one in fleet.segments]
        courses = drift.follow_many(known, [LOG_BAR] * len(known))
        if courses[0].episodes.state[-1] not in {1, 2}:
            continue
        pairs = list(zip(known, courses, strict=True))
        mine, *others = (neighbour_of(*pair) for pair in pairs)
        finding = finding_of(*pairs[0])
        span = span_of(finding)
        assert span is not None, "it stands at alert"
        held = [sides(one.days, span) for one in (mine, *others)]
        shared = [_between(*pair) for pair in zip(held, fleet.shared, strict=True)]
        said.append(
            Said(
                later,
                together(finding, mine, others),
                float(np.nanmean(shared)),
                _between(held[0], fleet.own[0]),
            )
        )
    return said


def _between(held: tuple[np.ndarray, np.ndarray], truth: np.ndarray) -> float:
    before, late = held
    if not before.size or not late.size:
        return np.nan
    return float(truth[late].mean() - truth[before].mean())


def main(fleets: int, seed: int) -> None:
    """Simulate, ask and count."""
    print(f"{fleets} fleets of {VEHICLES} a story, seed {seed}; bands of 95 %")
    for place, story in enumerate(STORIES):
        rng = np.random.default_rng([seed, place])
        said = [one for _ in range(fleets) for one in asked(fleet_of(story, rng))]
        for later in LATER:
            here = [one for one in said if one.later == later]
            heard = [(found, *truth) for _, found, *truth in here if found is not None]
            if not heard:
                print(f"{story.name:42s} {later:4.0f} days: nothing said of {len(here)}")
                continue
            covered = np.mean(
                [one.shared_low <= shared <= one.shared_high for one, shared, _ in heard]
            )
            own = np.mean([one.own_low <= alone <= one.own_high for one, _, alone in heard])
            half = np.mean([one.shared_high - one.shared_low for one, _, _ in heard]) / 2
            off = np.mean([one.shared - shared for one, shared, _ in heard])
            kinds = Counter(one.kind for one, _, _ in heard)
            print(
                f"{story.name:42s} {later:4.0f} days: {len(heard):3d} of {len(here):3d}; others' "
                f"band covers {100 * covered:3.0f} %, ±{half:.2f}, off {off:+.2f}; own "
                f"{100 * own:3.0f} %; {dict(kinds.most_common())}",
                flush=True,
            )


if __name__ == "__main__":
    given = [int(one) for one in sys.argv[1:]]
    main(*(given + [40, 1][len(given) :]))
