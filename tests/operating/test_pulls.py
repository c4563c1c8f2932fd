"""Pulls with known truth, as three kinds of logger would see them."""

import numpy as np
import polars as pl
import pytest

from healthtrack.config import VehicleSettings
from healthtrack.operating import find_operation
from healthtrack.operating.grid import measured
from healthtrack.operating.pull_figures import asynchrony

VEHICLE = VehicleSettings(displacement_l=2.0, mass_kg=1500.0, drag_area_m2=0.7)

RATIO = 32.0  # rpm per km/h
SPECIFIC = 40.0  # W/kg at the wheels
START, SECONDS = 40.0, 9.0
PEAK, RISE = 215.0, 1.1  # kPa, s


def road_speed(time):
    """Constant power against rolling and drag, by small steps. [m/s]"""
    fine = np.arange(0.0, SECONDS + 0.01, 0.01)
    speed = np.empty_like(fine)
    speed[0] = 60.0 / 3.6
    for place in range(1, fine.size):
        now = speed[place - 1]
        resisting = 9.80665 * 0.010 + 0.5 * 1.18 * 0.7 / 1500.0 * now**2
        speed[place] = now + 0.01 * (SPECIFIC / now - resisting) / 1.04
    return np.interp(time - START, fine, speed)


def pressure(time):
    since = np.maximum(time - START, 0.0)
    return np.where(time < START, 120.0, 120.0 + (PEAK - 120.0) * (1 - np.exp(-since / RISE)))


def airflow(time):
    return (
        0.9
        * 2.0e-3
        * road_speed(time)
        * 3.6
        * RATIO
        / 120
        * pressure(time)
        * 1e3
        / (287.05 * 320)
        * 1e3
    )


@pytest.fixture
def signals():
    during = lambda t: (t >= START) & (t <= START + SECONDS)  # noqa: E731
    return {
        "engine_speed": lambda t: road_speed(t) * 3.6 * RATIO,
        "vehicle_speed": lambda t: np.round(road_speed(t) * 3.6),
        "manifold_pressure": lambda t: np.where(during(t), pressure(t), 120.0),
        "airflow": airflow,
        "pedal": lambda t: np.where(during(t), 95.0, 20.0),
        "coolant_temperature": 88.0,
        "ambient_temperature": 15.0,
    }


LOGGERS = {
    "10 Hz": {"every": 0.1},
    "1 Hz": {"every": 1.0},
    "in turn, 0.9 s": {"every": 0.9, "in_turn": True},
}


@pytest.fixture(params=list(LOGGERS))
def logger(request):
    return LOGGERS[request.param]


def test_a_pull_is_found_with_its_gear_by_every_logger(make_drive, signals, logger):
    pulls = find_operation(make_drive(signals, 80.0, **logger), VEHICLE).pulls
    assert pulls.height == 1
    pull = pulls.row(0, named=True)
    assert pull["gear_ratio"] == pytest.approx(RATIO, rel=0.01)
    # its end is the last moment that no value from after it bears on: up to two polls early
    assert SECONDS - 1.9 <= pull["seconds"] <= SECONDS + 0.2


def test_peak_pressure_and_airflow_are_within_their_stated_errors(make_drive, signals, logger):
    pull = find_operation(make_drive(signals, 80.0, **logger), VEHICLE).pulls.row(0, named=True)
    end = START + SECONDS
    # the last values in the pull may lie two polls before its end: that much is not seen
    unseen = float(airflow(end) - airflow(end - 1.9))
    assert abs(pull["manifold_pressure_peak"] - pressure(end)) <= 3 * (
        pull["manifold_pressure_peak_se"] + 0.01
    )
    assert abs(pull["airflow_peak"] - airflow(end)) <= 3 * pull["airflow_peak_se"] + unseen


@pytest.mark.parametrize("level", [160, 180, 200])
def test_spool_time_is_within_its_stated_error(make_drive, signals, logger, level):
    pull = find_operation(make_drive(signals, 80.0, **logger), VEHICLE).pulls.row(0, named=True)
    truth = -RISE * np.log(1 - (level - 120.0) / (PEAK - 120.0))
    assert abs(pull[f"seconds_to_{level}"] - truth) <= 2 * np.sqrt(3) * pull["spool_se"]


def test_power_is_within_its_stated_error_on_a_level_road(make_drive, signals, logger):
    pull = find_operation(make_drive(signals, 80.0, **logger), VEHICLE).pulls.row(0, named=True)
    assert abs(pull["specific_power"] - SPECIFIC) <= 2 * pull["specific_power_se"]
    assert pull["specific_power"] == pytest.approx(SPECIFIC, rel=0.05)
    assert pull["slope"] is None


def test_a_climb_is_added_where_altitude_tells_it(make_drive, signals):
    # the same speed up a slope of 4 % needs m·g·v·0.04 more
    distance = np.cumsum(road_speed(np.arange(0, 80, 0.1))) * 0.1
    signals["altitude"] = lambda t: 300 + 0.04 * distance
    pull = find_operation(make_drive(signals, 80.0, every=0.1), VEHICLE).pulls.row(0, named=True)
    assert pull["slope"] == pytest.approx(0.04, rel=0.02)
    assert pull["specific_power"] - SPECIFIC == pytest.approx(9.81 * 0.04 * 24.5, rel=0.1)


def test_spool_times_over_many_phases_of_the_poll_cover_the_truth(make_drive, signals):
    truth = -RISE * np.log(1 - (180 - 120.0) / (PEAK - 120.0))
    errors, stated = [], []
    for phase in np.linspace(0, 0.9, 19):
        shifted = {
            name: (lambda t, s=signal, p=phase: s(t + p)) if callable(signal) else signal
            for name, signal in signals.items()
        }
        drive = make_drive(shifted, 80.0, every=0.9, in_turn=True)
        pull = find_operation(drive, VEHICLE).pulls.row(0, named=True)
        errors.append(pull["seconds_to_180"] - truth)
        stated.append(pull["spool_se"])
    assert np.std(errors) <= 1.3 * np.mean(stated)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"coolant_temperature": 40.0}, "cold"),
        ({"pedal": lambda t: np.where((t >= START) & (t <= START + 2.2), 95.0, 20.0)}, "lifted"),
        (
            {
                "engine_speed": lambda t: (
                    road_speed(t) * 3.6 * np.where(t < START + 2.2, RATIO, 0.72 * RATIO)
                )
            },
            "shifted",
        ),
    ],
)
def test_a_near_miss_says_why_it_was_not_counted(make_drive, signals, change, reason):
    operation = find_operation(make_drive(signals | change, 48.0, every=0.1), VEHICLE)
    assert operation.near_misses["reason"].to_list()[0] == reason
    assert f"pull_{reason}" in {loss.reason for loss in operation.windows.losses}


def test_a_pull_ends_where_the_demand_is_eased_off_though_it_stays_high(make_drive, signals):
    signals["pedal"] = lambda t: np.select(
        [t < START, t <= START + 6.0, t <= START + SECONDS], [20.0, 100.0, 80.0], 20.0
    )
    pull = find_operation(make_drive(signals, 80.0, every=0.1), VEHICLE).pulls.row(0, named=True)
    assert pull["seconds"] == pytest.approx(6.0, abs=0.2)


def test_an_airflow_that_falls_silent_makes_a_near_miss(make_drive, signals):
    drive = make_drive(signals, 80.0, every=0.1)
    seconds = (pl.col("t") - pl.col("t").min()).dt.total_milliseconds() / 1e3
    drive = drive.with_columns(
        airflow=pl.when(~seconds.is_between(START + 2, START + 6)).then(pl.col("airflow"))
    )
    assert find_operation(drive, VEHICLE).near_misses["reason"].to_list() == ["gap"]


def test_part_load_is_no_pull(make_drive, signals):
    operation = find_operation(make_drive(signals | {"pedal": 40.0}, 80.0, every=0.1), VEHICLE)
    assert operation.pulls.height == 0
    assert operation.near_misses.height == 0


def test_without_any_measure_of_demand_there_are_no_pulls(make_drive, signals):
    del signals["pedal"]
    assert find_operation(make_drive(signals, 80.0, every=0.1), VEHICLE).pulls.height == 0


def test_the_bound_of_interpolation_holds_for_a_parabola_exactly():
    times = np.arange(0.0, 9.0, 0.9)
    between = np.linspace(0.9, 7.1, 200)
    channel = measured(times, 3.0 * times**2)
    error = np.abs(np.interp(between, times, 3.0 * times**2) - 3.0 * between**2)
    assert asynchrony(channel, between) == pytest.approx(error, abs=1e-9)


def test_the_bound_of_interpolation_is_zero_where_there_is_a_value():
    channel = measured(np.arange(5.0), np.array([0.0, 1.0, 5.0, 2.0, 8.0]))
    assert asynchrony(channel, np.arange(4.0)) == pytest.approx(0.0)
