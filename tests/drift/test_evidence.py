"""What each region says of late."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from healthtrack.baseline import Baseline
from healthtrack.baseline.model import ResponseModel
from healthtrack.drift import Plan, Witness, evidence, track, with_sums
from healthtrack.indicators import ALL

BOOST = ALL["boost"]
FIRST = datetime(2024, 1, 1, tzinfo=UTC)
COUNT, LEARNED = 90, 40


ANSWER = 0.5
"""What the healthy boost of this vehicle answers to ambient pressure. [% per kPa]"""
OFFSET = 10.0
"""What the manifold's sensor reads too high from drive 60 on, in one of the tests. [kPa]"""


def make_witness(
    offset: float = 0.0, own: float = 0.0, fault: float = -6.0, **logged: float
) -> Witness:
    """Return a vehicle whose full load loses 6 % from drive 60 on while part load loses nothing.

    Its expectation follows the ambient pressure that it was told, ``offset`` too high as well. It
    learns in winter and ends in summer; full load answers by ``own`` percent per 10 K.
    """
    rng = np.random.default_rng(8)
    drives = [f"v/{place:03d}" for place in range(COUNT)]
    late = np.arange(COUNT) >= 60
    loss = np.where(late, fault, 0.0)
    common = rng.normal(0, 0.4, COUNT)
    weather = rng.normal(0, 1.0, COUNT)
    steps = np.linspace(-2.0, 1.0, COUNT) + rng.normal(0, 0.4, COUNT)
    answered = own * (steps - steps[:LEARNED].mean())
    told = {
        "c_ambient_temperature": steps,
        "c_ambient_pressure": weather + np.where(late, offset, 0.0),
    }
    followed = np.where(late, -ANSWER * offset, 0.0)
    parts = {
        "full_load": loss + answered + common + followed + rng.normal(0, 0.5, COUNT),
        "part_load": common + followed + rng.normal(0, 0.5, COUNT),
    }
    base = {"se": np.full(COUNT, 0.6), "windows": np.full(COUNT, 10), "inside": np.ones(COUNT)}
    regions = pl.concat(
        pl.DataFrame({"drive": drives, "region": [name] * COUNT, "value": value, **base, **told})
        for name, value in parts.items()
    )
    figures = pl.DataFrame(
        {
            "drive": drives,
            "started": [FIRST + timedelta(days=place) for place in range(COUNT)],
            "odometer_km": 50.0 * np.arange(COUNT),
            "value": sum(parts.values()) / 2,
            **base,
            **told,
        }
    )
    answers = (
        ResponseModel("ambient_temperature", 20.0, 10.0, -0.5, 2.0, 0.0, 0.2),
        ResponseModel("ambient_pressure", 98.0, 1.0, 0.5, 0.4, ANSWER, 0.1),
    )
    baseline = Baseline(
        "boost", date(2024, 1, 1), date(2024, 2, 9), tuple(drives[:LEARNED]), (), answers
    )
    tracked = track(figures, baseline, (), Plan(8.0, 0, float(np.log(50.0))))
    # ten windows of each drive in each region
    points = pl.concat([regions.select("drive", "region")] * 10).with_columns(
        engine_speed=2000.0, ambient_temperature=pl.lit(None, dtype=pl.Float64)
    )
    points = points.with_columns(pl.lit(value).alias(name) for name, value in logged.items())
    return Witness(BOOST, with_sums(regions, points), figures, tracked, baseline)


@pytest.fixture
def witness():
    return make_witness()


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
    weather = ("c_ambient_temperature", "c_ambient_pressure")
    same = {"value": pl.lit(0.25), **dict.fromkeys(weather, pl.lit(0.0))}
    still = replace(witness, regions=witness.regions.with_columns(**same))
    found = evidence([still])
    assert len(found.regions) == 2
    np.testing.assert_array_equal(np.array(found.correlation), np.eye(2))


def test_a_level_holds_what_the_expectation_followed_of_an_offset_sensor():
    """Whatever the drift took for weather of it: what was taken off is told beside the levels."""
    found = evidence([make_witness(OFFSET, standing_pressure=98.0)])
    follows = found.follows_manifold["boost"]
    levels = {one.region: one for one in found.regions}
    truth = 100.0 * np.expm1(-0.06)
    full = levels["full_load"]
    assert abs(full.level + follows * OFFSET - truth) < full.sd
    assert abs(levels["part_load"].level + follows * OFFSET) < levels["part_load"].sd
    assert abs(full.level - truth) > 3.0  # and it is no trifle


@pytest.mark.parametrize(
    ("logged", "share"),
    [
        ({"standing_pressure": 98.0}, 1.0),
        ({"standing_pressure": 98.0, "ambient_pressure": 97.0}, 0.0),
        ({}, 0.0),
    ],
)
def test_only_an_ambient_pressure_read_from_the_manifold_follows_it(logged, share):
    found = evidence([make_witness(**logged)])
    # the drift has seen the weather: it may have moved the answer by what it knows it to
    assert found.follows_manifold.get("boost", 0.0) == pytest.approx(ANSWER * share, abs=0.3)
    assert bool(found.follows_manifold) is bool(share)


@pytest.mark.parametrize("fault", [0.0, -6.0])
def test_a_region_that_answers_to_warmth_in_its_own_way_is_no_fault(fault):
    """Some 2 % per 10 K at full load alone: 4 to 5 % by summer, with nothing wrong."""
    levels = {one.region: one for one in evidence([make_witness(own=-2.0, fault=fault)]).regions}
    full = levels["full_load"]
    assert full.level == pytest.approx(100.0 * np.expm1(fault / 100.0), abs=2.0 * full.sd)
    assert full.sd < 1.5


def test_a_region_without_known_temperatures_keeps_its_levels(witness):
    blind = replace(witness, regions=witness.regions.with_columns(c_ambient_temperature=0.0))
    levels = {one.region: one for one in evidence([blind]).regions}
    assert abs(levels["full_load"].level + 5.8) < 3 * levels["full_load"].sd
