import numpy as np
import polars as pl
import pytest

from healthtrack.config import VehicleSettings
from healthtrack.indicators.drives import first_drives
from healthtrack.indicators.recirculation import REGIONS, learn, with_recirculation

VEHICLE = VehicleSettings(displacement_l=2.0)


def test_the_pressure_at_which_recirculation_closes_is_found_without_a_valve_channel(make_windows):
    rule = learn(make_windows(), VEHICLE)
    assert rule.pressure == pytest.approx(160.0, abs=3.0)
    regions = with_recirculation(make_windows(), VEHICLE)["region"].unique().to_list()
    assert set(regions) == {"part_load_recirculation", "full_load"}


@pytest.mark.parametrize("gain", [0.85, 0.92, 1.08])
def test_a_fault_of_the_airflow_sensor_does_not_choose_which_windows_are_looked_at(
    make_windows, gain
):
    healthy = make_windows(drives=60)
    late = pl.col("drive").rank("dense") > 40
    faulty = healthy.with_columns(
        airflow=pl.when(late).then(pl.col("airflow") * gain).otherwise(pl.col("airflow"))
    )
    before = with_recirculation(healthy, VEHICLE).select("drive", "t", "region")
    after = with_recirculation(faulty, VEHICLE).select("drive", "t", "region")
    kept = before.join(after, on=["drive", "t", "region"], how="inner").height
    assert kept >= 0.98 * before.height


def test_an_engine_without_recirculation_is_told_as_such(make_windows):
    frame = make_windows()
    whole = pl.col("manifold_pressure") * pl.col("engine_speed") / 8000
    frame = with_recirculation(frame.with_columns(airflow=whole), VEHICLE)
    assert set(frame["region"].to_list()) == {"part_load_closed", "full_load"}
    assert frame.height == make_windows().height


def test_an_engine_that_never_left_recirculation_is_told_by_its_displacement(make_windows):
    part = make_windows(drives=60).filter(pl.col("manifold_pressure") < 155)
    regions = with_recirculation(part, VEHICLE)["region"].unique().to_list()
    assert regions == ["part_load_recirculation"]


def test_a_logged_valve_decides(make_windows):
    frame = make_windows(recirculation=np.resize([0.0, 30.0, 3.5], 600))
    told = with_recirculation(frame, VEHICLE)
    assert told.height == 400  # neither open nor closed: left out
    assert told.filter(pl.col("recirculation") == 30.0)["region"].unique().to_list() == [
        "part_load_recirculation"
    ]
    assert "part_load_recirculation" not in told.filter(pl.col("recirculation") == 0.0)["region"]


def test_windows_with_a_closing_intake_throttle_are_left_out(make_windows):
    frame = make_windows(throttle=np.resize([83.5] * 9 + [40.0], 600))
    assert with_recirculation(frame, VEHICLE)["throttle"].unique().to_list() == [83.5]


def test_with_too_few_windows_nothing_is_guessed(make_windows):
    assert with_recirculation(make_windows(drives=1), VEHICLE).height == 0


def test_what_never_changes_is_learned_from_the_first_drives_only(make_windows):
    frame = make_windows(drives=60)
    early = first_drives(frame)
    assert early["drive"].n_unique() == 20
    assert (
        early["t"].max() < frame.filter(~pl.col("drive").is_in(early["drive"].implode()))["t"].min()
    )


def test_every_region_is_one_of_those_declared(make_windows):
    assert set(with_recirculation(make_windows(), VEHICLE)["region"].to_list()) <= set(REGIONS)


@pytest.mark.parametrize("lacking", ["airflow", "manifold_pressure"])
def test_without_the_channels_to_tell_regions_go_by_load_alone(make_windows, lacking):
    frame = with_recirculation(make_windows(**{lacking: None}), VEHICLE)
    assert frame.height == 600
    assert set(frame["region"].to_list()) == {"part_load", "full_load"}
