from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest

from healthtrack.config import VehicleSettings
from healthtrack.operating import find_operation
from healthtrack.operating.standing import cold_soak_differences, soak_words

VEHICLE = VehicleSettings()


@pytest.fixture
def stop_and_go():
    """Return a drive: key on for 20 s, idling to 60 s, driving to 120 s, engine off to 140 s."""
    return {
        "engine_speed": lambda t: np.select([t < 20, t < 60, t < 120], [0.0, 820.0, 2000.0], 0.0),
        "vehicle_speed": lambda t: np.where((t >= 60) & (t < 120), 70.0, 0.0),
        # after the engine stops the manifold takes half a second to fill
        "manifold_pressure": lambda t: np.select(
            [t < 20, t < 60, t < 120, t < 120.5], [97.0, 96.0, 150.0, 60.0], 97.0
        ),
        "ambient_pressure": 96.5,
        "airflow": lambda t: np.where((t >= 20) & (t < 120), 10.0, 0.0),
        "coolant_temperature": 15.0,
        "intake_temperature": 17.0,
        "ambient_temperature": 14.0,
    }


def test_standstills_with_key_on_and_idling_are_told_apart(make_drive, stop_and_go):
    frame = find_operation(make_drive(stop_and_go, 140.0, every=0.5), VEHICLE).standstills
    assert frame["region"].to_list() == ["key_on", "idle", "key_on"]
    assert frame["seconds"].to_list() == pytest.approx([20, 40, 18], abs=1.0)
    assert frame["manifold_pressure"].to_list() == pytest.approx([97.0, 96.0, 97.0], abs=0.05)
    assert frame["ambient_pressure"].to_list() == pytest.approx([96.5] * 3)
    assert (frame["manifold_pressure_n"] > 30).all()


def test_the_moment_in_which_the_manifold_fills_does_not_count(make_drive, stop_and_go):
    frame = find_operation(make_drive(stop_and_go, 140.0, every=0.1), VEHICLE).standstills
    assert frame.filter(pl.col("region") == "key_on")["manifold_pressure_sd"].max() < 0.01


def test_a_cold_engine_is_no_loss_at_standstill(make_drive, stop_and_go):
    operation = find_operation(make_drive(stop_and_go, 140.0), VEHICLE)
    assert operation.windows.frame.height == 0
    assert operation.standstills.height == 3


def test_temperatures_are_compared_after_a_cold_soak_only(make_drive, stop_and_go):
    drives = pl.DataFrame(
        {
            "drive": ["otter/1", "otter/2", "otter/3"],
            "started": [datetime(2024, 3, d, h, tzinfo=UTC) for d, h in ((1, 7), (1, 9), (2, 7))],
            "ended": [datetime(2024, 3, d, h, tzinfo=UTC) for d, h in ((1, 8), (1, 10), (2, 8))],
        }
    )
    standstills = pl.concat(
        find_operation(make_drive(stop_and_go, 140.0, drive=drive), VEHICLE).standstills
        for drive in drives["drive"]
    )
    seen = cold_soak_differences(standstills, drives)
    assert seen["drive"].to_list() == ["otter/3"]
    assert seen["soak_hours"].to_list() == [21.0]
    assert seen["intake_temperature"].to_list() == [2.0]
    assert seen["ambient_temperature"].to_list() == [-1.0]
    assert seen["charge_temperature"].to_list() == [None]


def soaks(values):
    return pl.DataFrame(
        {
            "intake_temperature": values,
            "charge_temperature": [None] * len(values),
            "ambient_temperature": [0.1, -0.1] * (len(values) // 2) + [0.0] * (len(values) % 2),
        },
        schema_overrides={"charge_temperature": pl.Float64},
    )


def test_a_sensor_that_reads_high_after_every_soak_is_named_with_its_interval():
    rng = np.random.default_rng(2)
    (intake, ambient) = soak_words(soaks(list(5.0 + rng.normal(0, 0.5, 40))))
    assert "intake temperature sensor differs: +5." in intake or "differs: +4.9" in intake
    assert "ambient temperature sensor agrees" in ambient


def test_five_soaks_are_too_few_to_compare_sensors():
    assert soak_words(soaks([5.0] * 5)) == ()


def test_the_interval_of_the_soaks_median_covers_what_it_says():
    rng = np.random.default_rng(7)
    wrong = sum("differs" in soak_words(soaks(list(rng.normal(0, 1, 15))))[0] for _ in range(400))
    assert wrong <= 400 * 0.05 + 3 * np.sqrt(400 * 0.05 * 0.95)
