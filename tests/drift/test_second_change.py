"""A change beside one that was found: a repair nobody told of is one, a few odd drives are none."""

from __future__ import annotations

import numpy as np
import pytest

from healthtrack.drift import Carried, follow, smooth
from healthtrack.drift.grid import standard_grid

LEARNED, FAULT, LATER, COUNT = 40, 70, 110, 150
BAR = float(np.log(80.0))


def vehicle(maker, level, seed):
    """Return a vehicle with this level and errors of one unit, learned on its first drives."""
    rng = np.random.default_rng(seed)
    grid = standard_grid()
    points = grid.wander.size
    value = level + rng.normal(size=level.size)
    value -= value[:LEARNED].mean()
    carried = Carried(
        np.zeros((points, 2)),
        np.tile(np.diag([100.0, 1.0]), (points, 1, 1)),
        grid.log_prior.copy(),
        np.ones(points),
    )
    pinned = np.arange(level.size) < LEARNED
    return maker.segment(value, pinned=pinned, carried=carried, limit=8.0)


@pytest.fixture
def faulty():
    """6 % from one drive to the next, and no end."""
    return np.where(np.arange(COUNT) >= FAULT, -6.0, 0.0)


def found(course):
    return [start for start, _ in (*course.injected, *course.pending)]


@pytest.mark.parametrize("seed", range(5))
def test_a_few_odd_drives_beside_a_fault_are_no_second_change(maker, faulty, seed):
    odd = faulty.copy()
    odd[LATER : LATER + 4] += 3.5  # a trailer, a mountain pass: four drives, then as before
    segment = vehicle(maker, odd, seed)
    course = follow(segment, BAR)
    assert len(course.episodes.raised) == 1
    assert all(abs(start - LATER) > 5 for start in found(course))
    # soon after them the level is where it was, and the smooth curve never jumped
    off = np.abs(course.level - faulty)[LATER + 8 :]
    assert (off <= 3.0 * course.level_sd[LATER + 8 :]).all()
    level, _ = smooth(segment, course)
    assert np.abs(np.diff(level[LATER - 5 : LATER + 10])).max() < 1.0


@pytest.mark.parametrize("seed", range(5))
def test_a_repair_nobody_told_of_ends_the_level_within_a_few_drives(maker, faulty, seed):
    mended = np.where(np.arange(COUNT) < LATER, faulty, 0.0)
    course = follow(vehicle(maker, mended, seed), BAR)
    assert (course.level[LATER - 3 : LATER] < -4.0).all()
    assert (np.abs(course.level[LATER + 6 :]) < 1.5).all()
    assert course.episodes.state[LATER - 1] > 0
    assert (course.episodes.state[LATER + 20 :] == 0).all()


@pytest.mark.parametrize("seed", range(5))
def test_a_second_fault_beside_the_first_is_found(maker, seed):
    drive = np.arange(COUNT)
    level = np.where(drive >= FAULT, -6.0, 0.0) + np.where(drive >= LATER, -5.0, 0.0)
    course = follow(vehicle(maker, level, seed), BAR)
    assert any(abs(start - LATER) <= 3 for start in found(course))
    assert (np.abs(course.level - level)[LATER + 6 :] < 2.0).all()
