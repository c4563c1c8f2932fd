"""Simulated fleets hold what their story says, in the frames that the blocks exchange."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from demo_history.simulator.fleet import plan_drives, random_fleet, solve_windows
from demo_history.simulator.frames import CHANNELS, simulate_fleet, simulate_windows
from demo_history.simulator.stories import SCALES, WANDERS, Story, Trouble
from demo_history.simulator.whole_drives import Polling, record_drives
from healthtrack.channels import CHANNELS as KNOWN
from healthtrack.config import VehicleSettings
from healthtrack.operating import empty_windows


@pytest.fixture(scope="module")
def fleet():
    """Return six random vehicles."""
    return random_fleet(np.random.default_rng(11), 6)


@pytest.fixture(scope="module")
def calm(fleet):
    """Return a year of them without any trouble."""
    return simulate_fleet(np.random.default_rng(12), fleet, Story(years=1.0), per_drive=12)


def test_frames_have_the_columns_that_the_blocks_exchange(calm):
    assert calm.windows.schema == empty_windows().schema
    assert calm.standstills.schema == empty_windows().schema
    assert tuple(KNOWN) == CHANNELS
    assert calm.drives.columns == [
        "drive",
        "vehicle",
        "log",
        "started",
        "ended",
        "odometer_km",
        "distance_km",
    ]


def test_values_are_physically_possible_and_unlogged_channels_are_null(calm, fleet):
    for vehicle in fleet:
        windows = calm.of(vehicle.name).windows
        for name, channel in KNOWN.items():
            values = windows[name].drop_nulls()
            assert values.is_between(channel.low, channel.high).all()
            assert (values.len() > 0) == (name in vehicle.channels)


def test_settings_of_a_simulated_vehicle_are_valid(fleet):
    for vehicle in fleet:
        assert VehicleSettings(**vehicle.settings()).displacement_l is not None


def test_the_same_seed_gives_the_same_history(fleet, calm):
    again = simulate_fleet(np.random.default_rng(12), fleet, Story(years=1.0), per_drive=12)
    assert again.windows.equals(calm.windows)
    assert again.drives.equals(calm.drives)


def test_splitting_by_vehicle_loses_nothing(calm, fleet):
    parts = calm.by_vehicle()
    assert set(parts) == {v.name for v in fleet}
    assert sum(p.windows.height for p in parts.values()) == calm.windows.height
    assert parts["v003"].windows.equals(calm.of("v003").windows)


def test_a_fault_alone_changes_the_reading_on_the_same_roads_with_the_same_noise(fleet):
    # by map, not by sensor: then nothing but the reading moves
    engines = [
        replace(
            v, engine=replace(v.engine, recirculation_closed_loop=0.0, smoke_by_airflow_sensor=0.0)
        )
        for v in fleet
    ]
    story = Story(years=0.3)
    drives = plan_drives(np.random.default_rng(1), engines, story)
    low = replace(drives, faults=replace(drives.faults, airflow_gain=-0.05))
    sound = simulate_windows(np.random.default_rng(2), engines, drives, 8).windows
    wrong = simulate_windows(np.random.default_rng(2), engines, low, 8).windows
    ratio = (wrong["airflow"] / sound["airflow"]).to_numpy()
    assert ratio == pytest.approx(0.95, abs=2e-4)
    assert wrong["manifold_pressure"].equals(sound["manifold_pressure"])


@pytest.mark.parametrize("kind", WANDERS)
def test_wander_has_the_size_that_the_story_gives_it(fleet, kind):
    story = Story(years=12.0, wander=kind, wander_size=0.01)
    truth = simulate_fleet(np.random.default_rng(3), fleet, story, per_drive=1).truth
    for name, scale in SCALES.items():
        got = float(truth[name].std())
        wanted = 0.0 if kind == "none" else 0.01 * scale
        # over six vehicles and twelve years: a third for what is correlated over a year
        assert got == pytest.approx(wanted, rel=0.33, abs=1e-12)


def test_an_unknown_wander_is_refused_with_the_known_ones(fleet):
    with pytest.raises(ValueError, match="seasonal"):
        simulate_fleet(np.random.default_rng(3), fleet, Story(wander="sideways"), per_drive=1)


def test_steps_and_ramps_reach_their_size_where_the_story_says(fleet):
    story = Story(
        years=2.0,
        troubles=(
            Trouble("charge_air_leak", 0.04, start=0.5, kind="step"),
            Trouble("airflow_gain", -0.06, start=0.25, kind="ramp", km=9000.0),
            Trouble("turbocharger_loss", 0.1, start=0.4, kind="ramp", length=0.3),
        ),
    )
    truth = simulate_fleet(np.random.default_rng(4), fleet, story, per_drive=1).truth
    for (_,), rows in truth.group_by("vehicle"):
        ordered = rows.sort("started")
        share = np.linspace(0.0, 1.0, ordered.height)
        leak = ordered["charge_air_leak"].to_numpy()
        assert set(np.unique(leak)) == {0.0, 0.04}
        assert np.mean(leak > 0.0) == pytest.approx(0.5, abs=0.12)
        gain = ordered["airflow_gain"].to_numpy()
        km = ordered["odometer_km"].to_numpy()
        grown = km[gain > -0.06 + 1e-9][-1] - km[gain < 0.0][0]
        assert gain[-1] == pytest.approx(-0.06)
        assert grown < 9000.0
        loss = ordered["turbocharger_loss"].to_numpy()
        assert loss[share > 0.85].min() == pytest.approx(0.1)
        assert loss[share < 0.3].max() == 0.0


def test_gaps_and_bad_drives_are_in_the_story(fleet):
    story = Story(years=3.0, gaps=2, bad_share=0.1)
    frames = simulate_fleet(np.random.default_rng(5), fleet, story, per_drive=1)
    for part in frames.by_vehicle().values():
        silence = part.drives.sort("started")["started"].diff().max()
        assert silence.days >= 60
    assert frames.truth["bad"].mean() == pytest.approx(0.1, abs=0.04)


def test_another_region_and_driver_show_in_the_windows(fleet):
    story = Story(years=2.0, region_changes=1, driver_changes=1, wander="none")
    frames = simulate_fleet(np.random.default_rng(6), fleet, story, per_drive=6)
    moved = []
    for part in frames.by_vehicle().values():
        pressure = part.windows.sort("t")["standing_pressure"].to_numpy()
        half = len(pressure) // 2
        moved.append(abs(pressure[: half - 20].mean() - pressure[half + 20 :].mean()))
    assert max(moved) > 2.0


def test_windows_of_a_drive_balance_like_any_operating_point(fleet):
    drives = plan_drives(np.random.default_rng(7), fleet, Story(years=0.2))
    solved = solve_windows(np.random.default_rng(8), fleet, drives, 10)
    flows = solved.point.intake
    fresh = flows.into_engine * (1.0 - flows.recirculated)
    assert flows.airflow == pytest.approx(fresh + flows.leak, rel=1e-9)
    assert np.all(np.isfinite(solved.point.manifold_pressure))
    loaded = solved.kind == 2
    assert np.all(solved.point.air_fuel_ratio[loaded] > 16.0)


def test_idle_windows_are_idle_and_full_load_windows_are_full_load(calm):
    idle = calm.windows.filter(pl.col("region") == "idle")
    assert idle["engine_speed"].max() < 1000.0
    full = calm.windows.filter(pl.col("region") == "full_load")
    assert full["pedal"].min() > 65.0


@pytest.fixture(scope="module")
def three_drives(fleet):
    """Return vehicles and a few drives to be recorded whole."""
    drives = plan_drives(np.random.default_rng(9), fleet, Story(years=0.3, wander="none"))
    return fleet, drives.take(np.array([0, len(drives.day) // 2, len(drives.day) - 1]))


@pytest.mark.slow
def test_a_pull_polled_one_channel_at_a_time_reaches_its_true_peak_pressure(three_drives):
    vehicles, drives = three_drives
    polling = Polling(period=0.9, in_turn=True)
    recorded = record_drives(np.random.default_rng(10), vehicles, drives, polling)
    assert recorded.samples["drive"].n_unique() == 3
    for (name,), truth in recorded.truth.filter("pulling").group_by("drive"):
        begin, end = truth["t"].min(), truth["t"].max()
        assert 5.0 < (end - begin).total_seconds() < 36.0
        seen = recorded.samples.filter(
            (pl.col("drive") == name) & pl.col("t").is_between(begin, end)
        )
        peak = truth["manifold_pressure"].max()
        assert seen["manifold_pressure"].max() == pytest.approx(peak, abs=2.5)
    together = recorded.samples.select(
        pl.sum_horizontal(pl.exclude("drive", "t").is_not_null()).alias("n")
    )
    assert together["n"].max() == 1
