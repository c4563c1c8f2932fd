from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import invgauss, norm
from scipy.stats import t as student

from healthtrack.forecast import DriftState, first_passage


def state(level=0.0, slope=1.0, level_variance=0.0, slope_variance=0.0, **more) -> DriftState:
    return DriftState(level, slope, level_variance, slope_variance, **more)


def test_a_certain_slope_reaches_its_limit_where_the_line_does():
    passage = first_passage(state(1.0, 2.0), high=4.0)
    assert passage.quantile(0.5) == pytest.approx(15_000.0, abs=260.0)  # one step of the path
    assert passage.within(14_000.0) == 0.0
    assert passage.within(16_000.0) == 1.0


def test_a_wandering_level_with_drift_passes_as_the_inverse_gaussian_does():
    # Folks & Chhikara, J. R. Statist. Soc. B 40(3), 1978: mean a/v, shape a²/σ²
    limit, drift, variance = 3.0, 2.0, 1.0
    passage = first_passage(state(0.0, drift, walk_variance=variance), limit, horizon_km=60_000.0)
    mean, shape = limit / drift, limit**2 / variance
    exact = invgauss.cdf(passage.distance / 10_000.0, mean / shape, scale=shape)
    # 2 048 paths: binomial sd 0.011 at most
    np.testing.assert_allclose(passage.probability, exact, atol=0.03)


def test_an_uncertain_slope_passes_when_its_line_does():
    # level 0, slope normal: P(T ≤ t) = P(slope ≥ limit/t)
    passage = first_passage(state(0.0, 1.0, slope_variance=0.25), high=2.0, horizon_km=40_000.0)
    t = passage.distance[12:] / 10_000.0
    np.testing.assert_allclose(passage.probability[12:], norm.sf(2.0 / t, 1.0, 0.5), atol=0.01)


def test_a_slope_whose_error_is_known_from_few_spells_passes_as_students_t_does():
    # level 0, slope 1 + 0.5·t with 4 degrees: P(T ≤ h) = P(t ≥ (limit/h − 1)/0.5)
    vague = state(0.0, 1.0, slope_variance=0.25, freedom=4.0)
    passage = first_passage(vague, high=2.0, horizon_km=40_000.0)
    h = passage.distance[12:] / 10_000.0
    expected = student.sf((2.0 / h - 1.0) / 0.5, 4.0)
    np.testing.assert_allclose(passage.probability[12:], expected, atol=0.01)


def test_walk_and_pace_share_the_scale_of_the_error_now():
    # all errors have one factor, so the level at a distance is √(0.5·h + 0.8·h³/3)·t(4)
    vague = state(0.0, 0.0, walk_variance=0.5, pace_variance=0.8, freedom=4.0)
    down = first_passage(vague, high=None, low=-3.0, horizon_km=20_000.0)
    scale = np.sqrt(0.5 * 2.0 + 0.8 * 2.0**3 / 3.0)
    below = student.cdf(-3.0 / scale, 4.0)
    # what is below at the end has passed; without a slope at most half of it comes back
    assert below - 0.01 <= down.probability[-1] <= 2.0 * below + 0.01
    sure = first_passage(replace(vague, freedom=np.inf), None, -3.0, 20_000.0)
    assert sure.probability[-1] < down.probability[-1]


def test_level_and_slope_that_err_together_are_taken_together():
    # level − slope·1 known exactly: at 10 000 km the level's sd is 2·0.5, apart it is 0.71
    apart = first_passage(state(0, 0, 0.25, 0.25), 2.0, horizon_km=10_000.0)
    together = first_passage(state(0, 0, 0.25, 0.25, covariance=0.25), 2.0, horizon_km=10_000.0)
    assert together.probability[-1] == pytest.approx(norm.sf(2.0), abs=0.005)
    assert apart.probability[-1] == pytest.approx(norm.sf(2.0 / np.sqrt(0.5)), abs=0.005)


def test_what_is_past_the_limit_has_reached_it():
    passage = first_passage(state(-5.0, 0.0, 0.01), high=None, low=-4.0)
    assert passage.quantile(0.5) == 0.0
    assert passage.within(0.0) == 1.0


def test_two_limits_are_symmetric():
    up = first_passage(state(0.0, 1.0, 0.5, 0.3), high=3.0, low=-3.0)
    down = first_passage(state(0.0, -1.0, 0.5, 0.3), high=3.0, low=-3.0)
    assert up.probability[-1] == pytest.approx(down.probability[-1], abs=0.01)


def test_a_still_level_never_gets_there():
    passage = first_passage(state(0.0, 0.0, 0.01, 0.0001), high=5.0)
    assert passage.probability[-1] == 0.0
    assert passage.quantile(0.025) is None


@given(
    level=st.floats(-3, 3),
    slope=st.floats(-3, 3),
    spread=st.floats(0, 4),
    walk=st.floats(0, 2),
    pace=st.floats(0, 2),
)
@settings(max_examples=30, deadline=None)
def test_the_probability_only_ever_grows_and_stays_one(level, slope, spread, walk, pace):
    drifting = DriftState(level, slope, spread, spread, 0.0, walk, pace)
    passage = first_passage(drifting, high=4.0, low=-4.0)
    assert (np.diff(passage.probability) >= 0.0).all()
    assert passage.probability[0] >= 0.0
    assert passage.probability[-1] <= 1.0
    again = first_passage(drifting, high=4.0, low=-4.0)
    np.testing.assert_array_equal(passage.probability, again.probability)


@given(near=st.floats(1.0, 3.0), further=st.floats(0.0, 3.0))
@settings(max_examples=20, deadline=None)
def test_a_limit_further_off_is_never_reached_sooner(near, further):
    drifting = DriftState(0.0, 1.0, 0.2, 0.2, 0.0, 0.1, 0.1)
    one, other = (first_passage(drifting, high=limit) for limit in (near, near + further))
    assert (one.probability >= other.probability - 1e-12).all()
