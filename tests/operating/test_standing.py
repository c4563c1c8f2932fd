from datetime import UTC, datetime, timedelta

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


@pytest.fixture
def mornings(make_drive, stop_and_go):
    """Return a function that gives standstills and drives of one morning and two mornings on."""

    def make(**changes):
        starts = [datetime(2024, 3, d, h, tzinfo=UTC) for d, h in ((1, 7), (1, 9), (2, 7))]
        names = ["otter/1", "otter/2", "otter/3"]
        drives = pl.DataFrame(
            {
                "drive": names,
                "started": starts,
                "ended": [start + timedelta(hours=1) for start in starts],
            }
        )
        frames = []
        for name, start in zip(names, starts, strict=True):
            drive = make_drive(stop_and_go | changes, 140.0, drive=name)
            moved = drive.with_columns(pl.col("t") - pl.col("t").min() + start)
            frames.append(find_operation(moved, VEHICLE).standstills)
        return pl.concat(frames), drives

    return make


def test_temperatures_are_compared_after_a_cold_soak_only(mornings):
    seen = cold_soak_differences(*mornings())
    assert seen["drive"].to_list() == ["otter/3"]
    assert seen["soak_hours"].to_list() == [21.0]
    assert seen["against"].to_list() == ["ambient"]
    assert seen["intake_temperature"].to_list() == [3.0]
    assert seen["coolant_temperature"].to_list() == [1.0]
    assert seen["charge_temperature"].to_list() == [None]


def test_without_an_ambient_sensor_the_coolant_stands_for_it(mornings):
    seen = cold_soak_differences(*mornings(ambient_temperature=np.nan))
    assert seen["against"].to_list() == ["coolant"]
    assert seen["intake_temperature"].to_list() == [2.0]


def test_a_warm_coolant_shows_that_there_was_a_drive_without_a_log(mornings):
    assert cold_soak_differences(*mornings(coolant_temperature=60.0)).height == 0


def test_a_stop_later_in_the_drive_is_no_soak(mornings):
    late = lambda t: np.where(t < 70, 2000.0, 0.0)  # noqa: E731
    assert cold_soak_differences(*mornings(engine_speed=late)).height == 0


def soaks(values):
    count = len(values)
    return pl.DataFrame(
        {
            "against": ["ambient"] * count,
            "intake_temperature": values,
            "charge_temperature": [None] * count,
            "coolant_temperature": [9.0, 7.0] * (count // 2) + [8.0] * (count % 2),
        },
        schema_overrides={"charge_temperature": pl.Float64},
    )


def test_a_sensor_that_reads_high_after_every_soak_is_named_with_its_interval():
    rng = np.random.default_rng(2)
    (intake, coolant) = soak_words(soaks(list(7.0 + rng.normal(0, 0.5, 40))))
    assert "intake temperature sensor differs from the ambient one: +" in intake
    # an engine block keeps some of its heat over a night
    assert "coolant temperature sensor agrees with the ambient one" in coolant


def test_what_sensors_may_differ_by_is_not_called_a_difference():
    (intake, _) = soak_words(soaks([3.0] * 30))
    assert "agrees" in intake


def test_five_soaks_are_too_few_to_compare_sensors():
    assert soak_words(soaks([5.0] * 5)) == ()


def test_the_interval_of_the_soaks_median_covers_what_it_says():
    # a true difference of just the tolerance: the interval lies beyond it in 2.5 % of cases
    rng = np.random.default_rng(7)
    sets = (list(rng.normal(4.0, 1, 15)) for _ in range(400))
    wrong = sum("differs" in soak_words(soaks(values))[0] for values in sets)
    assert wrong <= 400 * 0.025 + 3 * np.sqrt(400 * 0.025 * 0.975)
