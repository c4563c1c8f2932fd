"""What all vehicles move together is told from what one does alone."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from healthtrack.baseline import shared_movement, without_shared

FIRST = datetime(2023, 1, 2, tzinfo=UTC)
DAYS = 800.0
LEARNING = 20


def nothing(days):
    return np.zeros(days.size)


def fuel(days):
    """Return what a change of fuel on day 400 does to every vehicle. [%]"""
    return np.where(days > 400.0, -2.5, 0.0)


def broken(days):
    """Return what fails in one vehicle from day 600 on. [%]"""
    return np.where(days > 600.0, -5.0, 0.0)


class Vehicle:
    """Figures of a vehicle: what all share, what it does alone, its own wander and noise."""

    def __init__(self, rng, name, shared=nothing, own=nothing, joins=0.0):
        steps = rng.gamma(2.5, 3.5 / 2.5, 400)
        days = joins + np.cumsum(steps)
        self.days = days[days < DAYS]
        size = self.days.size
        keep = np.exp(-np.diff(self.days, prepend=self.days[0]) / 20.0)
        wander = rng.normal(0.0, 0.5, size)
        for place in range(1, size):
            kept = keep[place]
            wander[place] = kept * wander[place - 1] + np.sqrt(1 - kept**2) * wander[place]
        self.shared = shared(self.days)
        value = self.shared + own(self.days) + wander + rng.normal(0.0, 0.7, size)
        learned = np.arange(size) < LEARNING
        # a vehicle's figures are measured against what it learned
        self.zero = self.shared[learned].mean()
        self.frame = pl.DataFrame(
            {
                "drive": [f"{name}/{place}" for place in range(size)],
                "started": [FIRST + timedelta(days=float(day)) for day in self.days],
                "value": value - value[learned].mean(),
                "se": np.full(size, 0.7),
                "learned": learned,
            }
        )


def told(one, others):
    found = shared_movement(one.frame, [other.frame for other in others])
    assert found["drive"].to_list() == one.frame["drive"].to_list()
    return found["shared"].to_numpy(), found["shared_se"].to_numpy()


@pytest.fixture
def rng():
    return np.random.default_rng(8)


def test_a_change_of_fuel_is_taken_off_and_a_fault_of_one_vehicle_stays(rng):
    ill = Vehicle(rng, "a", fuel, broken)
    others = [Vehicle(rng, f"v{place}", fuel) for place in range(6)]
    shared = shared_movement(ill.frame, [other.frame for other in others])
    left = without_shared(ill.frame, shared)
    value, days = left["value"].to_numpy(), ill.days
    before = value[(days > 470.0) & (days < 600.0)].mean()
    after = value[days > 600.0].mean()
    assert before == pytest.approx(0.0, abs=0.8)
    assert after == pytest.approx(-5.0, abs=0.8)
    assert ill.frame["value"].to_numpy()[days > 600.0].mean() < -6.5
    assert (left["se"] >= ill.frame["se"]).all()


def test_a_fault_of_one_vehicle_is_not_shared(rng):
    """The sound one among others of whom one fails is not corrected by that."""
    sound = Vehicle(rng, "a")
    others = [
        Vehicle(rng, f"v{place}", own=broken if place == 0 else nothing) for place in range(5)
    ]
    level, error = told(sound, others)
    late = sound.days > 650.0
    assert np.abs(level[late]).max() < 1.0
    assert (np.abs(level[late]) <= 1.96 * error[late]).mean() > 0.8


def test_the_band_covers_and_a_fleet_that_shares_nothing_costs_little(rng):
    """Promised for jumps and for nothing; what moves all the time is followed with a lag."""
    for shared, widest in ((nothing, 0.6), (fuel, 1.0)):
        covered, widths = [], []
        for _ in range(12):
            one, *others = (Vehicle(rng, f"v{place}", shared) for place in range(7))
            level, error = told(one, others)
            off = level - (one.shared - one.zero)
            # a jump is seen after some weeks
            judged = (one.days < 400.0) | (one.days > 450.0)
            judged[:LEARNING] = False
            covered.append((np.abs(off) <= 1.96 * error)[judged].mean())
            widths.append(1.96 * error[judged].mean())
        assert np.mean(covered) > 0.93
        assert np.mean(widths) < widest


def test_of_fewer_than_three_others_nobody_can_say_who_moved(rng):
    one, *others = (Vehicle(rng, f"v{place}", fuel) for place in range(3))
    for few in (others, others[:1], []):
        level, error = told(one, few)
        assert (level == 0.0).all()
        assert (error == 0.0).all()


def test_later_drives_of_others_change_nothing_of_what_was_told(rng):
    one, *others = (Vehicle(rng, f"v{place}", fuel) for place in range(5))
    day = FIRST + timedelta(days=500)
    early = [other.frame.filter(pl.col("started") < day) for other in others]
    until = one.frame.filter(pl.col("started") < day)
    now = shared_movement(until, early)
    later = shared_movement(one.frame, [other.frame for other in others])
    assert later.head(until.height).equals(now)


def test_a_vehicle_that_learned_after_the_change_says_the_same_as_those_before(rng):
    """Its own zero holds the new fuel already: what it says is lifted to where it began."""
    one = Vehicle(rng, "a", fuel)
    old = [Vehicle(rng, f"v{place}", fuel) for place in range(4)]
    new = [Vehicle(rng, f"n{place}", fuel, joins=450.0) for place in range(4)]
    level, _ = told(one, [*old, *new])
    assert level[one.days > 650.0].mean() == pytest.approx(-2.5, abs=0.8)
