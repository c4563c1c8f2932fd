"""A vehicle is known by its gears."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from healthtrack.ingest.identity import Gearing, foreign, gearing, strangers

OTTER = (8.0, 14.5, 22.4, 31.0, 40.2)  # km/h per 1000 rpm
STOAT = (9.1, 16.8, 26.0, 36.3, 47.0)


def windows(gears, count=300, scatter=0.004, seed=1):
    """Steady windows of a vehicle with these gears; the wheels' slip scatters a little."""
    rng = np.random.default_rng(seed)
    engine = rng.uniform(1100, 3000, count)
    gear = rng.choice(gears[1:], count)
    road = engine / 1000 * gear * np.exp(rng.normal(0, scatter, count))
    return pl.DataFrame({"engine_speed": engine, "vehicle_speed": road})


def test_the_gears_are_found_again():
    known = gearing(windows(OTTER))
    assert 1000 * np.exp(known.gears) == pytest.approx(OTTER[1:], rel=0.005)
    assert known.share == pytest.approx(1.0, abs=0.01)
    assert known.tells


def test_a_log_of_the_same_vehicle_fits():
    assert foreign(windows(OTTER, 40, seed=2), gearing(windows(OTTER)), {}) is None


def test_worn_tyres_do_not_make_another_vehicle():
    worn = tuple(gear * 0.985 for gear in OTTER)
    assert foreign(windows(worn, 40, seed=2), gearing(windows(OTTER)), {}) is None


def test_another_vehicle_s_log_is_told_and_named():
    others = {"stoat": gearing(windows(STOAT, seed=3)), "hare": gearing(windows((5, 11, 19)))}
    found = foreign(windows(STOAT, 40, seed=2), gearing(windows(OTTER)), others)
    assert found == ("stoat",)


def test_a_log_that_fits_nobody_is_told_too():
    assert foreign(windows((12, 18.3, 28.4), 40), gearing(windows(OTTER)), {}) == ()


def test_of_a_transmission_without_steps_nothing_is_said():
    rng = np.random.default_rng(4)
    engine = rng.uniform(1100, 3000, 400)
    stepless = pl.DataFrame({"engine_speed": engine, "vehicle_speed": rng.uniform(20, 130, 400)})
    known = gearing(stepless)
    assert not known.tells
    assert foreign(windows(STOAT, 40), known, {}) is None


@pytest.mark.parametrize(
    "frame",
    [
        pl.DataFrame(),
        pl.DataFrame({"engine_speed": [1500.0] * 300}),
        windows(OTTER, 8),
        windows(OTTER).with_columns(vehicle_speed=pl.lit(0.0)),
    ],
)
def test_too_little_is_no_reason_to_refuse(frame):
    assert not gearing(frame).tells
    assert foreign(frame, gearing(windows(OTTER)), {}) is None
    assert foreign(windows(STOAT, 40), gearing(frame), {}) is None


def test_nothing_known_tells_nothing():
    assert not Gearing((), 0, 0.0).tells


def first_logs(*vehicles):
    return [windows(gears, 60, seed=10 + seed) for seed, gears in enumerate(vehicles)]


@pytest.mark.parametrize("place", range(5))
def test_of_the_first_logs_the_one_of_another_vehicle_is_told_wherever_it_stands(place):
    vehicles = [OTTER] * 4
    vehicles.insert(place, STOAT)
    assert strangers(first_logs(*vehicles)) == (place,)


def test_two_of_another_vehicle_do_not_vouch_for_each_other():
    assert strangers(first_logs(STOAT, OTTER, OTTER, OTTER, STOAT, OTTER, OTTER)) == (0, 4)


def test_first_logs_of_one_vehicle_are_none_strangers():
    assert strangers(first_logs(*[OTTER] * 6)) == ()


def test_without_a_clear_majority_nothing_is_said():
    assert strangers(first_logs(OTTER, STOAT, OTTER, STOAT)) == ()
    assert strangers(first_logs(OTTER, STOAT)) == ()


def test_a_drive_in_one_gear_only_is_no_stranger_to_its_own_vehicle():
    motorway = windows((0, OTTER[-1]), 60, seed=3)
    assert strangers([*first_logs(*[OTTER] * 4), motorway]) == ()
