"""What each region says of late."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from healthtrack.baseline import Baseline
from healthtrack.drift import Plan, Witness, evidence, track, with_sums
from healthtrack.indicators import ALL

BOOST = ALL["boost"]
FIRST = datetime(2024, 1, 1, tzinfo=UTC)
COUNT, LEARNED = 90, 40


@pytest.fixture
def witness():
    """Return a vehicle whose full load loses 6 % from drive 60 on while part load loses nothing."""
    rng = np.random.default_rng(8)
    drives = [f"v/{place:03d}" for place in range(COUNT)]
    loss = np.where(np.arange(COUNT) >= 60, -6.0, 0.0)
    common = rng.normal(0, 0.4, COUNT)
    parts = {
        "full_load": loss + common + rng.normal(0, 0.5, COUNT),
        "part_load": common + rng.normal(0, 0.5, COUNT),
    }
    base = {"se": np.full(COUNT, 0.6), "windows": np.full(COUNT, 10), "inside": np.ones(COUNT)}
    regions = pl.concat(
        pl.DataFrame({"drive": drives, "region": [name] * COUNT, "value": value, **base})
        for name, value in parts.items()
    )
    figures = pl.DataFrame(
        {
            "drive": drives,
            "started": [FIRST + timedelta(days=place) for place in range(COUNT)],
            "odometer_km": 50.0 * np.arange(COUNT),
            "value": sum(parts.values()) / 2,
            **base,
        }
    )
    baseline = Baseline(
        "boost", date(2024, 1, 1), date(2024, 2, 9), tuple(drives[:LEARNED]), (), ()
    )
    tracked = track(figures, baseline, (), Plan(8.0, 0, float(np.log(50.0))))
    points = regions.select("drive", "region").with_columns(
        engine_speed=2000.0, ambient_temperature=pl.lit(None, dtype=pl.Float64)
    )
    return Witness(BOOST, with_sums(regions, points), figures, tracked)


def test_a_loss_at_full_load_shows_there_alone(witness):
    found = evidence([witness])
    levels = {one.region: one for one in found.regions}
    assert witness.tracked.state[-1] in {1, 2}
    # 6 in the logarithm are 5.8 percent
    assert abs(levels["full_load"].level + 5.8) < 3 * levels["full_load"].sd
    assert abs(levels["part_load"].level) < 3 * levels["part_load"].sd
    assert levels["full_load"].engine_speed == 2000.0
    assert levels["full_load"].airflow is None
    assert not found.ambient_temperature_logged


def test_what_moves_regions_together_is_their_correlation(witness):
    matrix = np.array(evidence([witness]).correlation)
    np.testing.assert_allclose(np.diag(matrix), 1.0, atol=1e-9)
    np.testing.assert_allclose(matrix, matrix.T)
    assert 0.1 < matrix[0, 1] < 0.95
    assert np.linalg.eigvalsh(matrix)[0] > 0.0


def test_regions_that_never_move_are_a_result(witness):
    """Drives that are all alike have no correlation with anything; that is no failure."""
    still = replace(witness, regions=witness.regions.with_columns(value=pl.lit(0.25)))
    found = evidence([still])
    assert len(found.regions) == 2
    np.testing.assert_array_equal(np.array(found.correlation), np.eye(2))
