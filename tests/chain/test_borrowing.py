"""A vehicle with few drives, judged by what vehicles of its kind lend it.

The vehicles are the demo simulator's: one engine type with tolerances, other places and drivers.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
import pytest

from demo_history.simulator.stories import Story
from healthtrack import chain
from healthtrack.chain.borrowing import follow_with
from healthtrack.chain.following import Followed, Learning, as_then, follow
from healthtrack.config import WorkspaceSettings
from healthtrack.indicators import ALL
from tests.chain.kinds import of_one_kind

if TYPE_CHECKING:
    from healthtrack.records import VehicleHistory

AIRFLOW = ALL["airflow"]
WORKSPACE = WorkspaceSettings()
JOINED = 120
"""Days that the last vehicle joins after the others."""


@pytest.fixture(scope="module")
def fleet():
    """Return settings and the histories of four vehicles of one type; the last has joined late."""
    story = Story(years=1.2, wander="ar", wander_size=0.004, drives_per_week=2.0)
    settings, histories = of_one_kind(np.random.default_rng(7), 4, story)
    last = histories[-1]
    late = last.drives["started"].min() + timedelta(days=JOINED)
    drives = last.drives.filter(pl.col("started") > late)
    windows = last.windows.join(drives, on="drive", how="semi")
    histories[-1] = replace(last, drives=drives, windows=windows)
    return settings, {one.vehicle: one for one in histories}


@pytest.fixture(scope="module")
def sisters(fleet):
    settings, histories = fleet
    last = date(2023, 12, 31)
    return tuple(
        one
        for name in ("v0", "v1", "v2")
        for one in chain.lent(histories[name], settings, WORKSPACE, last)
    )


def after(history: VehicleHistory, count: int) -> VehicleHistory:
    """Return a history after so many drives."""
    return as_then(history, history.drives["ended"].sort()[count - 1].date())


def told(fleet, sisters, count: int, history: VehicleHistory | None = None):
    settings, histories = fleet
    then = after(history or histories["v3"], count)
    return follow_with(sisters, AIRFLOW, then, settings, WORKSPACE)


def faulty(history: VehicleHistory, since: int, factor: float) -> VehicleHistory:
    """Return a history whose airflow is multiplied from one drive on."""
    moment = history.drives["started"].sort()[since]
    late = pl.col("t") >= moment
    flow = pl.when(late).then(pl.col("airflow") * factor).otherwise("airflow")
    return replace(history, windows=history.windows.with_columns(airflow=flow))


def test_twelve_drives_are_too_few_alone_and_enough_with_sisters(fleet, sisters):
    assert isinstance(told(fleet, (), 12), Learning)
    borrowed = told(fleet, sisters, 12)
    assert isinstance(borrowed, Followed)
    assert borrowed.learned.sisters == 3
    assert len(borrowed.learned.drives) == WORKSPACE.baseline.borrowing_drives
    track = borrowed.witness.tracked
    assert abs(track.level[-1]) <= 1.96 * track.level_sd[-1] + 0.5
    assert track.state[-1] == 0


def test_eight_drives_of_its_own_are_needed_even_so(fleet, sisters):
    assert isinstance(told(fleet, sisters, 7), Learning)


def test_with_a_healthy_period_of_its_own_it_stands_alone(fleet, sisters):
    alone, with_sisters = told(fleet, (), 45), told(fleet, sisters, 45)
    assert with_sisters.learned == alone.learned
    assert with_sisters.learned.sisters == 0


def test_a_fault_found_while_borrowing_is_not_learned_as_healthy(fleet, sisters):
    broken = faulty(fleet[1]["v3"], since=9, factor=0.88)
    for count in (18, 45):
        followed = told(fleet, sisters, count, broken)
        assert followed.learned.sisters == 3
        assert followed.witness.tracked.state[-1] in {1, 2}
        assert followed.witness.tracked.level[-1] == pytest.approx(-12.0, abs=2.5)


def test_a_sister_whose_healthy_period_ends_later_lends_nothing(fleet, sisters):
    now = told(fleet, sisters, 12)
    later = [replace(item, end=item.end + timedelta(days=2000)) for item in sisters]
    again = told(fleet, (*sisters, *later), 12)
    assert again.learned == now.learned
    assert isinstance(told(fleet, later, 12), Learning)


def test_a_fleet_of_one_is_followed_as_ever(fleet):
    settings, histories = fleet
    then = after(histories["v0"], 30)
    plain = follow(AIRFLOW, then, settings, WORKSPACE)
    alone = follow_with((), AIRFLOW, then, settings, WORKSPACE)
    assert alone.learned == plain.learned
    np.testing.assert_array_equal(alone.witness.tracked.level, plain.witness.tracked.level)


def test_a_verdict_says_how_many_sisters_it_rests_on(fleet, sisters):
    settings, histories = fleet
    history = histories["v3"]
    day = history.drives["ended"].sort()[13].date()
    finding = chain.assess(history, settings, WORKSPACE, day, sisters)
    assert finding.state == "normal"
    assert finding.baseline.sisters == 3
    assert chain.assess(history, settings, WORKSPACE, day).state == "learning"
