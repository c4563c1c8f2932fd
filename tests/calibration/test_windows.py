"""The promise through the whole chain: windows of the demo's physical engine, baseline to drift."""

from __future__ import annotations

import numpy as np
import pytest

from demo_history.simulator.fleet import random_fleet
from demo_history.simulator.frames import simulate_fleet
from demo_history.simulator.stories import Story, Trouble
from tests.benchmarks.drift_windows import assess_all

pytestmark = pytest.mark.slow
VEHICLES = 6


def run(story: Story, seed: int):
    vehicles = random_fleet(np.random.default_rng([seed, 0]), VEHICLES)
    frames = simulate_fleet(np.random.default_rng([seed, 1]), vehicles, story, per_drive=12)
    return assess_all(vehicles, frames)


def test_sound_vehicles_of_unknown_make_stay_within_their_bands_and_without_alerts():
    results = run(Story(years=2.0, wander="ar", wander_size=0.005, memory=15.0), 31)
    covered, raised = [], 0
    for _, _, _, tracked in results:
        judged = tracked.state != 3
        covered.append(((tracked.low <= 0.0) & (tracked.high >= 0.0))[judged].mean())
        raised += len(tracked.course.episodes.raised)
    assert len(results) >= 3 * VEHICLES
    error = max(np.std(covered), 0.05) / np.sqrt(len(covered))
    assert np.mean(covered) > 0.93 - 3 * error
    # promised over some 35 indicator-years: 0.4
    assert raised <= 3


def test_an_airflow_sensor_that_reads_low_is_found_on_every_vehicle_after_and_not_before():
    trouble = Trouble("airflow_gain", -0.05, start=0.6)
    story = Story(years=2.0, wander="ar", wander_size=0.005, memory=15.0, troubles=(trouble,))
    results = run(story, 32)
    airflow = [tracked for _, name, _, tracked in results if name == "airflow"]
    assert len(airflow) >= VEHICLES - 1
    for tracked in airflow:
        raised = tracked.axis.days[list(tracked.course.episodes.raised)]
        assert (raised >= 0.6 * 2.0 * 365.25 - 8.0).all()
        assert raised.size >= 1
