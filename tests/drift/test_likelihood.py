"""The likelihood of many series at once, against statsmodels' own on the same model."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from healthtrack.drift import Carried, follow, log_likelihood


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


def test_what_is_known_beforehand_counts_and_shorter_series_are_no_longer(
    maker, one_point_grid, reference
):
    """Means and covariances of the shared parts, errors of another size, unlike lengths."""
    grid = one_point_grid(wander=0.7, memory_days=9.0, pace=0.5, walk=0.3)
    mean, covariance = np.array([[0.4, -0.2]]), np.array([[[4.0, 0.9], [0.9, 1.0]]])
    carried = Carried(mean, covariance, np.zeros(1), np.array([1.7]))
    segments = [
        maker.segment(maker.rng.normal(size=size), carried=carried, pinned=np.arange(size) < 9)
        for size in (60, 33, 47)
    ]
    ours = log_likelihood(segments, grid)
    for segment, one in zip(segments, ours, strict=True):
        larger = replace(segment, se=segment.se * np.sqrt(1.7))
        assert one == pytest.approx(reference(larger, grid).ssm.loglike(), abs=1e-6)


def test_any_number_of_drives_and_of_responses_will_do(maker, one_point_grid, reference):
    """Drives are made ready eight at a time; the last of them may be fewer."""
    grid = one_point_grid(wander=0.7, memory_days=9.0, pace=0.5, walk=0.3)
    for sds in ([3.0], [3.0, 1.0, 0.5, 2.0]):
        segments = [
            maker.segment(
                maker.rng.normal(size=size),
                shared=np.column_stack(
                    [np.ones(size), maker.rng.normal(size=(size, len(sds) - 1))]
                ),
                carried=maker.carried(sds),
            )
            for size in (1, 7, 8, 9, 17)
        ]
        together = log_likelihood(segments, grid)
        alone = [log_likelihood([segment], grid)[0] for segment in segments]
        theirs = [reference(segment, grid).ssm.loglike() for segment in segments]
        np.testing.assert_allclose(together, theirs, rtol=0, atol=1e-6)
        np.testing.assert_allclose(alone, theirs, rtol=0, atol=1e-6)


def test_numpys_settings_are_left_as_they_were(maker, one_point_grid):
    before = np.getbufsize(), np.geterr()
    log_likelihood([maker.segment(maker.rng.normal(size=9))], one_point_grid(wander=0.5))
    assert (np.getbufsize(), np.geterr()) == before


def test_the_short_filter_says_what_the_products_own_says(maker, one_point_grid):
    """A condition instead of the offset in the first place takes the product's filter."""
    grid = one_point_grid(wander=0.7, memory_days=9.0, pace=0.5, walk=0.3)
    segments = [maker.segment(maker.rng.normal(size=50)) for _ in range(3)]
    other_order = [
        replace(
            segment,
            shared=segment.shared[:, ::-1],
            carried=replace(segment.carried, covariance=segment.carried.covariance[:, ::-1, ::-1]),
        )
        for segment in segments
    ]
    np.testing.assert_allclose(
        log_likelihood(segments, grid), log_likelihood(other_order, grid), atol=1e-9
    )


def test_a_healthy_period_in_the_middle_is_refused(maker, one_point_grid):
    healthy = np.isin(np.arange(30), [0, 1, 2, 15, 16])
    segment = maker.segment(maker.rng.normal(size=30), pinned=healthy)
    with pytest.raises(ValueError, match="must come first"):
        log_likelihood([segment], one_point_grid(wander=0.5))
