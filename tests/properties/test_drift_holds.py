"""What must hold of a drift whatever the figures are: units, signs, order, stopping anywhere."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from healthtrack.drift import (
    Carried,
    Segment,
    follow,
    follow_many,
    resume,
    state_from_json,
    state_to_json,
)
from healthtrack.drift.course import joined
from healthtrack.drift.grid import standard_grid
from healthtrack.drift.segment import DRIVEN

BAR = float(np.log(2.0))
"""Low, so that alerts come, go and are followed by others within forty drives."""
few = settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@st.composite
def segments(draw) -> Segment:
    """Draw a vehicle: drives at odd times, a step that may end again, now and then an odd drive."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    count = draw(st.integers(14, 45))
    healthy = draw(st.integers(4, 10))
    start, end = sorted(draw(st.tuples(st.integers(healthy, count), st.integers(healthy, count))))
    days = np.cumsum(rng.exponential(3.0, count))
    condition = np.sin(days / 58.0)
    value = rng.standard_t(4, count) + draw(st.sampled_from([0.0, 0.7])) * condition
    value[start:end] += draw(st.sampled_from([-8.0, -4.0, 0.0, 4.0, 8.0]))
    grid = standard_grid()
    points = grid.wander.size
    return Segment(
        value=value,
        se=np.exp(rng.normal(0.0, 0.3, count)),
        days=days,
        distance=np.cumsum(rng.exponential(0.02, count)),
        shared=np.column_stack([np.ones(count), condition]),
        pinned=np.arange(count) < healthy,
        carried=Carried(
            np.zeros((points, 2)),
            np.tile(np.diag([9.0, 1.0]), (points, 1, 1)),
            grid.log_prior.copy(),
            np.ones(points),
        ),
        scale=1.0,
        limit=6.0,
        side=draw(st.sampled_from([-1, 0, 1])),
        notice=draw(st.sampled_from([0.0, 1.0])),
    )


def cut(segment: Segment, first: int, last: int) -> Segment:
    rows = {name: getattr(segment, name)[first:last] for name in DRIVEN}
    return replace(segment, **rows)


@few
@given(segments(), st.data())
def test_stopping_anywhere_is_never_having_stopped(segment, data):
    count = segment.value.size
    places = data.draw(st.lists(st.integers(1, count - 1), max_size=4, unique=True))
    edges = [0, *sorted(places), count]
    state, course = None, None
    for first, last in pairwise(edges):
        state, part = resume(state, cut(segment, first, last), BAR)
        state = state_from_json(state_to_json(state))
        assert state is not None
        course = part if course is None else joined(course, part)
    whole = follow(segment, BAR)
    for name in ("level", "level_sd", "slope", "slope_sd", "covariance", "log_years"):
        np.testing.assert_array_equal(getattr(course, name), getattr(whole, name))
    np.testing.assert_array_equal(course.episodes.state, whole.episodes.state)
    assert course.episodes.raised == whole.episodes.raised
    assert course.episodes.cleared == whole.episodes.cleared
    assert course.injected == whole.injected


@few
@given(segments(), st.integers(-6, 6))
def test_another_unit_is_another_unit_and_nothing_else(segment, power):
    """With a factor that binary numbers hold exactly, to the bit."""
    by = 2.0**power
    carried = segment.carried
    other = replace(
        segment,
        value=segment.value * by,
        se=segment.se * by,
        carried=replace(carried, mean=carried.mean * by, covariance=carried.covariance * by**2),
        scale=segment.scale * by,
        limit=segment.limit * by,
        notice=segment.notice * by,
    )
    here, there = follow(segment, BAR), follow(other, BAR)
    # a logarithm of a density holds the unit, so weights agree to rounding only
    np.testing.assert_allclose(there.level, by * here.level, rtol=1e-9, atol=1e-9 * by)
    np.testing.assert_allclose(there.level_sd, by * here.level_sd, rtol=1e-9)
    np.testing.assert_allclose(there.log_years, here.log_years, atol=1e-8)
    np.testing.assert_allclose(
        there.log_density.sum(), here.log_density.sum() - here.level.size * np.log(by), atol=1e-7
    )
    np.testing.assert_array_equal(there.episodes.state, here.episodes.state)


@few
@given(segments())
def test_high_and_low_are_alike(segment):
    other = replace(segment, value=-segment.value, side=-segment.side)
    here, there = follow(segment, BAR), follow(other, BAR)
    np.testing.assert_array_equal(there.level, -here.level)
    np.testing.assert_array_equal(there.slope, -here.slope)
    np.testing.assert_array_equal(there.level_sd, here.level_sd)
    np.testing.assert_array_equal(there.log_years, here.log_years)
    np.testing.assert_array_equal(there.episodes.state, here.episodes.state)


@few
@given(segments(), st.floats(-5000.0, 5000.0), st.floats(-40.0, 40.0))
def test_where_days_and_distance_are_counted_from_does_not_matter(segment, days, distance):
    other = replace(segment, days=segment.days + days, distance=segment.distance + distance)
    here, there = follow(segment, BAR), follow(other, BAR)
    np.testing.assert_allclose(there.level, here.level, atol=1e-6)
    np.testing.assert_allclose(there.level_sd, here.level_sd, rtol=1e-6, atol=1e-9)
    np.testing.assert_allclose(there.log_years, here.log_years, atol=1e-6)


@few
@given(st.lists(segments(), min_size=2, max_size=4), st.randoms(use_true_random=False))
def test_which_vehicles_run_side_by_side_does_not_matter(several, chance):
    order = list(range(len(several)))
    chance.shuffle(order)
    together = follow_many([several[place] for place in order], [BAR] * len(order))
    for place, course in zip(order, together, strict=True):
        alone = follow(several[place], BAR)
        np.testing.assert_allclose(course.level, alone.level, atol=1e-7)
        np.testing.assert_allclose(course.level_sd, alone.level_sd, rtol=1e-7, atol=1e-9)
        np.testing.assert_array_equal(course.episodes.state, alone.episodes.state)
