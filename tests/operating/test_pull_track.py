"""The track of a pull with known truth, and what is said of it."""

import numpy as np
import polars as pl
import pytest

from healthtrack.airpath.compressor import Reference
from healthtrack.airpath.compressor_map import CompressorMap, Line, SpeedLine
from healthtrack.config import VehicleSettings
from healthtrack.operating.pull_reading import read_pull
from healthtrack.operating.pull_track import DRAWING_REFERENCE, track
from healthtrack.operating.pulls import candidates, pull_grid

VEHICLE = VehicleSettings(displacement_l=2.0, mass_kg=1500.0)
START, END = 40.0, 52.0

LOGGERS = {
    "10 Hz": {"every": 0.1},
    "1 Hz": {"every": 1.0},
    "in turn, 0.9 s": {"every": 0.9, "in_turn": True},
}


def engine_speed(t):
    return 1500.0 + 110.0 * np.clip(t - START, 0.0, END - START)


def manifold(t):
    """Boost builds over a second and a half and is then held at 200 kPa. [kPa]"""
    return 115.0 + 85.0 * (1.0 - np.exp(-np.maximum(t - START, 0.0) / 1.5))


def airflow(t):
    return 0.9 * 2.0e-3 * engine_speed(t) / 120 * manifold(t) * 1e3 / (287.05 * 320) * 1e3


@pytest.fixture
def signals():
    return {
        "engine_speed": engine_speed,
        "vehicle_speed": lambda t: engine_speed(t) / 30.0,
        "manifold_pressure": manifold,
        "airflow": airflow,
        "pedal": lambda t: np.where((t >= START) & (t <= END), 100.0, 15.0),
        "coolant_temperature": 88.0,
        "ambient_pressure": 96.0,
        "ambient_temperature": 20.0,
    }


@pytest.fixture
def chart():
    """Return a map on whose axes the pull runs through the middle."""
    speeds = np.array([60e3, 100e3, 130e3, 160e3])
    lines = []
    for speed, top in zip(speeds, (1.25, 1.75, 2.3, 3.1), strict=True):
        u = speed / speeds[-1]
        flow = np.linspace(0.02 + 0.035 * u**2, 0.05 + 0.13 * u, 9)
        share = np.linspace(0, 1, 9)
        ratio = top - 0.25 * (top - 1) * share**2
        lines.append(SpeedLine(speed, flow, ratio, 0.75 - 0.5 * (share - 0.5) ** 2))
    edge = lambda at: Line(  # noqa: E731
        np.array([line.flow[at] for line in lines]), np.array([line.ratio[at] for line in lines])
    )
    return CompressorMap("x", "x", Reference(298.15, 100e3), tuple(lines), edge(0), edge(-1))


def follow(drive, chart, vehicle=VEHICLE):
    grid = pull_grid("otter/1", drive)
    found = candidates(grid)
    assert len(found) == 1
    return track(grid, found[0].first, found[0].last, vehicle, chart)


@pytest.fixture(params=list(LOGGERS))
def logger(request):
    return LOGGERS[request.param]


def test_pressure_ratio_and_corrected_flow_are_within_their_stated_errors(
    make_drive, signals, chart, logger
):
    followed = follow(make_drive(signals, 70.0, **logger), chart)
    frame = followed.frame
    # the pull began where demand did; its clock is known from engine speed, which never repeats
    when = START + (frame["engine_speed"].to_numpy() - 1500.0) / 110.0
    ratio = manifold(when) / 96.0
    flow = airflow(when) / 1e3 * np.sqrt(293.15 / 298.15) / (96.0 / 100.0)
    apart = np.abs(frame["pressure_ratio"].to_numpy() - ratio)
    assert (apart <= 2 * frame["pressure_ratio_error"].to_numpy()).mean() > 0.95
    apart = np.abs(frame["corrected_flow"].to_numpy() - flow)
    assert (apart <= 2 * frame["corrected_flow_error"].to_numpy()).mean() > 0.95


def test_held_values_bend_the_track_and_common_times_do_not(make_drive, signals, chart):
    frame = follow(make_drive(signals, 70.0, every=0.9, in_turn=True), chart).frame
    when = START + (frame["engine_speed"].to_numpy() - 1500.0) / 110.0
    truth = manifold(when) / 96.0
    held = np.abs(frame["held_pressure_ratio"].to_numpy() - truth).max()
    joined = np.abs(frame["pressure_ratio"].to_numpy() - truth).max()
    assert held > 3 * joined


def test_a_pull_through_the_middle_of_the_map_is_said_to_be_so(make_drive, signals, chart):
    reading = read_pull(follow(make_drive(signals, 70.0, every=0.1), chart), chart)
    assert reading.peak_ratio == pytest.approx(200.0 / 96.0, rel=0.01)
    assert reading.held_ratio == pytest.approx(2.06, abs=0.03)
    assert reading.share_efficient > 0.3
    assert reading.surge.percent > 0
    assert reading.choke.percent > 0
    told = " ".join(reading.sentences)
    assert "the wastegate or the vanes cut it there" in told
    assert "efficient zone" in told
    assert "Worst" not in told


def test_an_actuator_at_its_stop_is_not_said_to_cut_boost(make_drive, signals, chart):
    regulated = follow(make_drive(signals | {"boost_duty": 55.0}, 70.0, every=0.1), chart)
    assert "the wastegate or the vanes cut it" in " ".join(read_pull(regulated, chart).sentences)
    stuck = follow(make_drive(signals | {"boost_duty": 100.0}, 70.0, every=0.1), chart)
    told = " ".join(read_pull(stuck, chart).sentences)
    assert "at its stop (100 %)" in told
    assert "cut it there" not in told


def test_too_little_airflow_is_said_to_lie_left_of_the_surge_line(make_drive, signals, chart):
    signals["airflow"] = lambda t: 0.3 * airflow(t)
    reading = read_pull(follow(make_drive(signals, 70.0, every=0.1), chart), chart)
    assert reading.surge.percent < 0
    assert reading.outside["surge"] > 2.0
    assert "left of the surge line" in " ".join(reading.sentences)


def test_too_much_airflow_is_said_to_lie_past_the_choke_line(make_drive, signals, chart):
    signals["airflow"] = lambda t: 3.0 * airflow(t)
    reading = read_pull(follow(make_drive(signals, 70.0, every=0.1), chart), chart)
    assert reading.choke.percent < 0
    assert "right of the choke line" in " ".join(reading.sentences)


def test_boost_that_falls_off_at_the_end_is_told(make_drive, signals, chart):
    signals["manifold_pressure"] = lambda t: manifold(t) - 6.0 * np.maximum(t - 46.0, 0.0)
    reading = read_pull(follow(make_drive(signals, 70.0, every=0.1), chart), chart)
    assert reading.falls_off == pytest.approx(17.0, abs=3.0)
    assert "falls off" in " ".join(reading.sentences)


def test_without_a_map_the_rest_still_works_and_says_what_a_map_would_add(make_drive, signals):
    followed = follow(make_drive(signals, 70.0, every=0.1), None)
    reading = read_pull(followed, None)
    assert followed.reference == DRAWING_REFERENCE
    assert followed.frame["efficiency"].null_count() == followed.frame.height
    assert reading.surge is None
    assert reading.peak_ratio == pytest.approx(200.0 / 96.0, rel=0.01)
    assert "no compressor map" in " ".join(reading.sentences)


@pytest.mark.parametrize(
    ("change", "vehicle", "words"),
    [
        ({"air_box_pressure": 94.0}, VEHICLE, "measured behind the air filter"),
        ({}, VEHICLE, "the measured ambient pressure"),
        ({"ambient_pressure": np.nan}, VehicleSettings(altitude_m=800.0), "standard atmosphere"),
        ({"ambient_pressure": np.nan}, VEHICLE, "assumed 100 kPa"),
    ],
)
def test_it_is_told_where_the_inlet_pressure_is_known_from(
    make_drive, signals, change, vehicle, words
):
    followed = follow(make_drive(signals | change, 70.0, every=0.1), None, vehicle)
    assert words in "; ".join(followed.words)


def test_power_is_told_three_ways_where_the_channels_allow(make_drive, signals):
    signals["fuel_per_stroke"] = 45.0
    frame = follow(make_drive(signals, 70.0, every=0.1), None).frame
    # 45 mg · 4 / 2 per turn at 2000 rpm: 3.0 g/s; at 225 g/kWh 48 kW
    at = frame.filter((pl.col("engine_speed") - 2000).abs() < 6)
    assert at["power_fuel"].mean() == pytest.approx(48.0, rel=0.01)
    pounds = at["airflow"].mean() / 453.59237 * 60
    assert at["power_airflow"].mean() == pytest.approx(pounds * 10 * 0.7457, rel=1e-3)
    # constant acceleration of 110/30 km/h per second at 66.7 km/h, 1500 kg, plus road load
    metres = 2000 / 30 / 3.6
    expected = metres * (1500 * 1.04 * 110 / 30 / 3.6 + 1500 * 9.81 * 0.01)
    expected += 0.5 * 1.2 * VEHICLE.drag_area_m2 * metres**3
    assert at["power_acceleration"].mean() == pytest.approx(expected / 1e3, rel=0.01)
