"""What was tracked, kept as plain numbers and gone on from, equals never having stopped."""

from __future__ import annotations

import json
from dataclasses import fields
from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from healthtrack.baseline import Baseline, ResponseModel
from healthtrack.drift import Plan, track, track_on, tracked_from_kept, tracked_to_kept
from healthtrack.drift.finding import finding
from healthtrack.indicators import ALL
from healthtrack.records import MaintenanceEvent

FIRST = datetime(2024, 1, 1, 8, tzinfo=UTC)
COUNT, LEARNED = 110, 30
PLAN = Plan(8.0, 0, float(np.log(80.0)), 1.0)
BASELINE = Baseline(
    "airflow",
    date(2024, 1, 1),
    (FIRST + timedelta(days=2 * (LEARNED - 1))).date(),
    tuple(f"v/{place:03d}" for place in range(LEARNED)),
    (),
    (ResponseModel("ambient_temperature", 20.0, 10.0, -1.5, 1.5, -1.0, 0.7),),
)


def drives(*, repaired=True):
    """Return a vehicle that loses 6 % from drive 50 on until work after drive 79 mends it."""
    rng = np.random.default_rng(4)
    place = np.arange(COUNT)
    wrong = (place >= 50) & ((place < 80) if repaired else True)
    return pl.DataFrame(
        {
            "drive": [f"v/{one:03d}" for one in place],
            "started": [FIRST + timedelta(days=int(2 * one)) for one in place],
            "odometer_km": 60.0 * place,
            "value": np.where(wrong, -6.0, 0.0) + rng.normal(0, 0.7, COUNT),
            "se": rng.uniform(0.5, 0.9, COUNT),
            "windows": np.full(COUNT, 12),
            "inside": np.ones(COUNT),
            "c_ambient_temperature": np.sin(place / 30.0) + rng.normal(0, 0.3, COUNT),
        }
    )


WORK = MaintenanceEvent(
    "w", "v", (FIRST + timedelta(days=2 * 79 + 1)).date(), "airflow_sensor_replaced"
)


def kept(tracked, figures):
    rows, document = tracked_to_kept(tracked)
    return tracked_from_kept(rows, document, figures, BASELINE, PLAN)


def assert_same(one, other):
    for name in ("level", "level_sd", "state"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))
    for mine, theirs in zip(one.runs, other.runs, strict=True):
        assert (mine.start, mine.quiet, mine.failed) == (theirs.start, theirs.quiet, theirs.failed)
        for item in fields(mine.course):
            if item.name not in {"episodes", "carried"}:
                np.testing.assert_array_equal(
                    getattr(mine.course, item.name), getattr(theirs.course, item.name)
                )
        assert mine.course.episodes.raised == theirs.course.episodes.raised
        np.testing.assert_array_equal(mine.course.carried.mean, theirs.course.carried.mean)
    for mine, theirs in zip(one.smoothed(), other.smoothed(), strict=True):
        np.testing.assert_array_equal(mine, theirs)
    rows, document = tracked_to_kept(one)
    others, same = tracked_to_kept(other)
    assert rows.equals(others)
    assert document == same


@pytest.mark.parametrize("repaired", [True, False])
def test_drive_by_drive_from_what_was_kept_equals_all_at_once(repaired):
    figures, events = drives(repaired=repaired), (WORK,)
    now = track(figures.head(40), BASELINE, events, PLAN)
    from_the_start = 0
    for count in range(41, COUNT + 1):
        here = figures.head(count)
        going = track_on(kept(now, figures.head(count - 1)), here, BASELINE, events, PLAN)
        if going is None:
            from_the_start += 1
            going = track(here, BASELINE, events, PLAN)
        now = going
        if count in {60, 79, 80, 85, 88, 100, COUNT}:
            assert_same(now, track(here, BASELINE, events, PLAN))
    # the first drive after the work, and each until its zero has settled
    assert from_the_start == 8
    found = finding(ALL["airflow"], BASELINE, figures, now, PLAN)
    fresh = finding(ALL["airflow"], BASELINE, figures, track(figures, BASELINE, events, PLAN), PLAN)
    assert found == fresh
    assert found.trend.frame.equals(fresh.trend.frame)


def test_work_entered_late_and_moved_places_are_not_gone_on_from():
    figures = drives()
    before = kept(track(figures.head(100), BASELINE, (), PLAN), figures.head(100))
    assert track_on(before, figures, BASELINE, (), PLAN) is not None
    assert track_on(before, figures, BASELINE, (WORK,), PLAN) is None
    moved = figures.with_columns(odometer_km=pl.col("odometer_km") * 1.1)
    assert track_on(before, moved, BASELINE, (), PLAN) is None
    unknown = figures.with_columns(
        odometer_km=pl.when(pl.col("drive") < "v/105").then("odometer_km")
    )
    assert track_on(before, unknown, BASELINE, (), PLAN) is None


def test_what_was_kept_by_another_version_is_not_read():
    figures = drives()
    rows, document = tracked_to_kept(track(figures, BASELINE, (), PLAN))
    other = json.dumps(json.loads(document) | {"version": 0})
    assert tracked_from_kept(rows, other, figures, BASELINE, PLAN) is None
    assert tracked_from_kept(rows.head(50), document, figures, BASELINE, PLAN) is None
