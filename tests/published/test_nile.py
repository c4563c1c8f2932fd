"""The Nile at Aswan, 1871-1970: the level filter, the smoother and the change bank.

Durbin & Koopman, *Time Series Analysis by State Space Methods*, 2nd ed. 2012, ch. 2: the local
level model with irregular variance 15 099 and level variance 1 469.1 (section 2.10.3). The series
ships with statsmodels.
"""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from healthtrack.drift import Carried, Segment, follow, smooth
from healthtrack.drift.grid import Grid, standard_grid

LIMIT = 1e4


@pytest.fixture(scope="module")
def flow() -> np.ndarray:
    data = sm.datasets.nile.load_pandas().data
    assert data["year"].iloc[0] == 1871
    assert data["volume"].sum() == 91_935
    return data["volume"].to_numpy(np.float64)


def yearly(value: np.ndarray, se: float, limit: float, offset_sd: float, points: int) -> Segment:
    """Return the flow as drives, one per unit of distance, with a diffuse offset."""
    count = value.size
    return Segment(
        value=value,
        se=np.full(count, se),
        days=np.arange(count) * 365.25,
        distance=np.arange(count, dtype=np.float64),
        shared=np.ones((count, 1)),
        pinned=np.zeros(count, bool),
        carried=Carried(
            np.zeros((points, 1)),
            np.full((points, 1, 1), offset_sd**2),
            standard_grid().log_prior if points > 1 else np.zeros(1),
            np.ones(points),
        ),
        scale=se,
        limit=limit,
        side=0,
    )


@pytest.fixture(scope="module")
def local_level() -> Grid:
    """Return Durbin and Koopman's model: a walk of 1 469.1 a year, no slope, no wander."""
    return Grid(
        wander=np.zeros(1),
        memory_days=np.ones(1),
        log_prior=np.zeros(1),
        pace=np.zeros(1),
        walk=np.array([np.sqrt(1469.1) / LIMIT]),
        log_prior_pace=np.zeros(1),
        outlying=np.inf,
        prior_drives=np.inf,
        candidates=0,
    )


@pytest.mark.published("Durbin & Koopman 2012, section 2.10.3 and R's StructTS")
def test_the_likelihood_and_the_ends_of_the_nile_are_those_printed(flow, local_level):
    segment = yearly(flow, np.sqrt(15_099.0), LIMIT, 1e6, 1)
    course = follow(segment, 99.0, local_level)
    # diffuse start: the first year only sets the level
    assert course.log_density[1:].sum() == pytest.approx(-632.5456, abs=2e-4)
    offset = course.carried.mean[0, 0]
    # the level is zero in 1871, so the offset given all years is the smoothed level of 1871
    assert offset == pytest.approx(1111.668, abs=0.01)
    assert course.carried.covariance[0, 0, 0] == pytest.approx(4032.158, abs=0.1)
    assert offset + course.level[-1] == pytest.approx(798.3703, abs=0.01)


def test_the_smoothed_nile_is_statsmodels_own(flow, local_level):
    segment = yearly(flow, np.sqrt(15_099.0), LIMIT, 1e6, 1)
    course = follow(segment, 99.0, local_level)
    ours = smooth(segment, course, local_level)[0] + course.carried.mean[0, 0]
    theirs = sm.tsa.UnobservedComponents(flow, "llevel", use_exact_diffuse=True).smooth(
        [15_099.0, 1_469.1]
    )
    np.testing.assert_allclose(ours, theirs.smoothed_state[0], rtol=0, atol=0.01)


@pytest.mark.published("Cobb 1978, Biometrika 65(2); Durbin & Koopman 2012, section 2.12")
def test_the_step_of_1899_is_found_dated_and_sized_by_the_products_own_settings(flow):
    """Flow fell by about a quarter after 1898; the first 20 years are the healthy period."""
    segment = yearly(flow, 125.0, 300.0, 2000.0, standard_grid().wander.size)
    segment.pinned[:20] = True
    course = follow(segment, np.log(80.0))
    assert len(course.episodes.raised) == 1
    assert 1899 <= 1871 + course.episodes.raised[0] <= 1905
    low, middle, high = (1871 + place for place in course.since)
    assert low <= 1899 <= high
    assert abs(middle - 1899) <= 1
    assert high - low <= 10
    assert course.step > 0.9
    # Cobb's means: 1097.75 before and 849.97 since
    sd = course.level_sd[-1]
    assert abs(course.level[-1] - (849.97 - 1097.75)) < 2 * sd
    assert sd < 60
