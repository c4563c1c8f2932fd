"""The likelihood of many series at once, against statsmodels' own on the same model."""

from __future__ import annotations

import numpy as np
import pytest

from healthtrack.drift import follow, log_likelihood


def test_many_series_at_once_have_statsmodels_likelihood(maker, one_point_grid, reference):
    grid = one_point_grid(wander=0.7, memory_days=9.0, pace=0.5, walk=0.3)
    segments = [
        maker.segment(maker.rng.normal(size=60), pinned=np.arange(60) < healthy)
        for healthy in (0, 12, 30)
    ]
    ours = log_likelihood(segments, grid)
    for segment, one in zip(segments, ours, strict=True):
        assert one == pytest.approx(reference(segment, grid).ssm.loglike(), abs=1e-6)


def test_it_is_what_following_drive_by_drive_says(maker, one_point_grid):
    """Series of different length side by side."""
    segments = [maker.segment(maker.rng.normal(size=size)) for size in (25, 40)]
    grid = one_point_grid(wander=0.5)
    ours = log_likelihood(segments, grid)
    alone = [follow(segment, 99.0, grid).log_density.sum() for segment in segments]
    np.testing.assert_allclose(ours, alone, atol=1e-9)
