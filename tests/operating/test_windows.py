import numpy as np
import polars as pl
import pytest

from healthtrack.config import VehicleSettings
from healthtrack.operating import empty_windows, find_windows

VEHICLE = VehicleSettings()


def reasons(windows):
    return {loss.reason: loss.count for loss in windows.losses}


def test_a_minute_of_constant_cruise_is_ten_windows_of_six_seconds(make_drive, cruise):
    # 61 samples at 1 Hz, the last at 60 s
    windows = find_windows(make_drive(cruise, 61.0), VEHICLE).frame
    assert windows.height == 10
    assert windows["seconds"].to_list() == [6.0] * 10
    assert windows["region"].unique().to_list() == ["part_load"]
    assert windows["airflow"].to_list() == pytest.approx([30.0] * 10)
    assert windows["airflow_sd"].to_list() == pytest.approx([0.0] * 10, abs=1e-9)
    assert windows["airflow_n"].to_list() == [6] * 10


def test_no_two_windows_overlap(make_drive, cruise):
    cruise["engine_speed"] = lambda t: 2000 + 15 * np.sin(t / 7)
    frame = find_windows(make_drive(cruise, 300.0, every=0.9, in_turn=True), VEHICLE).frame
    starts = frame["t"].dt.timestamp("us").to_numpy() / 1e6
    assert (np.diff(starts) >= frame["seconds"].to_numpy()[:-1] - 1e-6).all()


def test_repeats_are_no_evidence_fresh_values_are_counted(make_drive, cruise):
    frame = find_windows(make_drive(cruise, 60.0, every=0.9, in_turn=True), VEHICLE).frame
    assert frame.height == 9
    assert set(frame["manifold_pressure_n"].to_list()) <= {6, 7}


def test_channels_polled_in_turn_are_compared_at_common_times(make_drive, cruise):
    # airflow grows with speed; each is polled every 1.8 s, 0.9 s apart. Means of raw values would
    # pair speeds and flows from different moments and be wrong by 0.9 s of growth in every window.
    rise = 8.0  # rpm/s
    cruise["engine_speed"] = lambda t: 2000 + rise * t
    cruise["airflow"] = lambda t: (2000 + rise * t) / 100.0
    signals = {name: cruise[name] for name in ("engine_speed", "coolant_temperature", "airflow")}
    frame = find_windows(make_drive(signals, 60.0, every=1.2, in_turn=True), VEHICLE).frame
    assert frame.height >= 5
    ratio = frame["engine_speed"] / frame["airflow"]
    assert ratio.to_numpy() == pytest.approx(100.0, rel=1e-9)


def test_a_cold_engine_gives_no_window_and_says_so(make_drive, cruise):
    cruise["coolant_temperature"] = lambda t: np.where(t < 60, 40.0, 85.0)
    windows = find_windows(make_drive(cruise, 121.0), VEHICLE)
    assert windows.frame.height == pytest.approx(10, abs=1)
    assert reasons(windows)["cold"] == pytest.approx(10, abs=1)


def test_an_engine_without_coolant_sensor_counts_as_warm_after_a_quarter_of_an_hour(
    make_drive, cruise
):
    del cruise["coolant_temperature"]
    windows = find_windows(make_drive(cruise, 1000.0), VEHICLE)
    assert reasons(windows)["cold"] == 150
    assert windows.frame.height == 16


def test_a_gap_gives_no_window_across_it(make_drive, cruise):
    rows = make_drive(cruise, 121.0)
    seconds = (pl.col("t") - pl.col("t").min()).dt.total_milliseconds() / 1e3
    windows = find_windows(rows.filter(~seconds.is_between(20, 80)), VEHICLE)
    inside = (windows.frame["t"] - rows["t"].min()).dt.total_milliseconds() / 1e3
    assert not inside.is_between(14.0, 80.0).any()


def test_a_channel_that_falls_silent_is_not_carried_over(make_drive, cruise):
    rows = make_drive(cruise, 61.0)
    seconds = (pl.col("t") - pl.col("t").min()).dt.total_milliseconds() / 1e3
    silent = pl.when(~seconds.is_between(20, 40)).then(pl.col("airflow")).alias("airflow")
    windows = find_windows(rows.with_columns(silent), VEHICLE)
    assert windows.frame.height < 8
    assert reasons(windows)["gap"] >= 3
    assert windows.frame["airflow"].null_count() == 0


def test_an_unsteady_engine_gives_no_window(make_drive, cruise):
    cruise |= {"engine_speed": lambda t: 2000 + 400 * np.sin(t / 2), "manifold_pressure": 120.0}
    windows = find_windows(make_drive(cruise, 61.0), VEHICLE)
    assert windows.frame.height == 0
    assert reasons(windows) == {"unsteady": 10}


def test_overrun_is_left_out_but_cruise_control_is_not(make_drive, cruise):
    cruise["pedal"] = 0.0
    cruise["manifold_pressure"] = lambda t: np.where(t < 60, 101.0, 150.0)
    windows = find_windows(make_drive(cruise, 121.0), VEHICLE)
    assert reasons(windows)["overrun"] == pytest.approx(10, abs=1)
    assert windows.frame["manifold_pressure"].min() > 140.0


def test_a_settled_full_load_acceleration_gives_short_windows_though_speed_rises(
    make_drive, cruise
):
    cruise |= {
        "engine_speed": lambda t: 1800 + 60 * t,
        "airflow": lambda t: (1800 + 60 * t) / 25.0,
        "manifold_pressure": 220.0,
        "pedal": 95.0,
    }
    frame = find_windows(make_drive(cruise, 25.0, every=0.5), VEHICLE).frame
    assert frame.height >= 5
    assert set(frame["seconds"].to_list()) == {3.0}
    assert set(frame["region"].to_list()) == {"full_load"}


def test_idling_is_a_region_of_its_own(make_drive, cruise):
    cruise |= {"engine_speed": 820.0, "vehicle_speed": 0.0, "pedal": 0.0, "airflow": 8.0}
    cruise["manifold_pressure"] = 100.0
    frame = find_windows(make_drive(cruise, 61.0), VEHICLE).frame
    assert frame["region"].unique().to_list() == ["idle"]


def test_manifold_pressure_with_the_engine_standing_goes_with_every_window(make_drive, cruise):
    cruise["engine_speed"] = lambda t: np.where(t < 20, 0.0, 2000.0)
    cruise["manifold_pressure"] = lambda t: np.where(t < 20, 94.0, 150.0)
    frame = find_windows(make_drive(cruise, 90.0), VEHICLE).frame
    assert frame["standing_pressure"].unique().to_list() == [94.0]


def test_a_drive_that_never_stood_has_no_standing_pressure(make_drive, cruise):
    assert (
        find_windows(make_drive(cruise, 60.0), VEHICLE).frame["standing_pressure"].is_null().all()
    )


def test_without_engine_speed_the_loss_names_the_channel(make_drive, cruise):
    del cruise["engine_speed"]
    windows = find_windows(make_drive(cruise, 61.0), VEHICLE)
    assert windows.frame.height == 0
    assert [(loss.reason, loss.channel) for loss in windows.losses] == [
        ("missing_channel", "engine_speed")
    ]


def test_frames_of_any_drive_stack(make_drive, cruise):
    nothing = find_windows(make_drive(cruise, 10.0).clear(), VEHICLE)
    some = find_windows(make_drive(cruise, 60.0), VEHICLE)
    assert nothing.frame.height == 0
    assert nothing.losses == ()
    assert pl.concat([nothing.frame, some.frame, empty_windows()]).height == some.frame.height


def test_drives_together_give_what_they_give_apart(make_drive, cruise):
    one = make_drive(cruise, 60.0)
    other = make_drive(cruise | {"airflow": 31.0}, 60.0, drive="otter/2024-03-02T07:00:00")
    together = find_windows(pl.concat([one, other]), VEHICLE).frame
    apart = pl.concat([find_windows(one, VEHICLE).frame, find_windows(other, VEHICLE).frame])
    assert together.equals(apart)


def test_a_drive_of_one_second_is_no_fault(make_drive, cruise):
    assert find_windows(make_drive(cruise, 1.0, every=0.1), VEHICLE).frame.height == 0


def test_of_two_values_at_one_time_the_later_row_counts(make_drive, cruise):
    rows = make_drive(cruise, 60.0)
    twice = pl.concat([rows.with_columns(airflow=pl.lit(99.0)), rows])
    frame = find_windows(twice, VEHICLE).frame
    assert frame["airflow"].to_list() == pytest.approx([30.0] * frame.height)
    assert frame["airflow_n"].max() <= 6
