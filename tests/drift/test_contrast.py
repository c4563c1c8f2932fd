"""A repair's effect: before against after."""

from __future__ import annotations

import numpy as np
import pytest

from healthtrack.drift import contrast


def test_without_wander_or_weather_it_is_the_difference_of_two_means(maker):
    value = np.concatenate([np.full(10, -5.0), np.full(6, 1.0)])
    segment = maker.segment(value, shared=np.ones((16, 1)), carried=maker.carried([3.0]))
    found = contrast(segment, 10, 0.0, 10.0)
    assert found.change == pytest.approx(6.0)
    half = 1.959964 * np.sqrt(1 / 10 + 1 / 6)
    assert (found.low, found.high) == pytest.approx((6.0 - half, 6.0 + half), abs=1e-6)
    assert (found.before, found.after) == (10, 6)


def test_what_both_sides_share_drops_out_and_an_unknown_season_widens_the_band(maker):
    value = np.concatenate([np.full(12, -5.0), np.full(12, 1.0)])
    season = np.concatenate([np.zeros(12), np.ones(12)])
    widths = []
    for sd in (0.0, 2.0):
        segment = maker.segment(
            value + 40.0,
            shared=np.column_stack([np.ones(24), season]),
            carried=maker.carried([3.0, sd]),
        )
        found = contrast(segment, 12, 0.5, 10.0)
        assert found.change == pytest.approx(6.0)
        widths.append(found.high - found.low)
    assert widths[1] > widths[0] + 5.0


def test_its_band_covers_the_truth_under_wander(maker):
    hits = []
    for _ in range(400):
        segment = maker.segment(np.zeros(24), days=np.arange(24) * 1.5)
        segment.carried.covariance[:] *= 0.0
        apart = np.abs(segment.days[:, None] - segment.days[None, :])
        root = np.linalg.cholesky(np.eye(24) + 0.8**2 * np.exp(-apart / 9.0))
        segment.value[:] = root @ maker.rng.normal(size=24) + 3.0 * (np.arange(24) >= 12)
        found = contrast(segment, 12, 0.8, 9.0)
        hits.append(found.low <= 3.0 <= found.high)
    assert abs(np.mean(hits) - 0.95) < 4 * np.sqrt(0.95 * 0.05 / 400)


def test_two_drives_say_nothing(maker):
    assert contrast(maker.segment(np.zeros(14)), 12, 0.5, 10.0) is None
