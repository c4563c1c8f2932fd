"""Engines and drives that the demo's tests share."""

from __future__ import annotations

import numpy as np
import pytest

from demo_history.simulator import driving, dynamic, steady
from demo_history.simulator.engine import HEATING_VALUE, Conditions, Engine, Faults, stack
from demo_history.simulator.weather import Weather

SOUND = Faults()


@pytest.fixture(scope="session")
def ordinary_engine() -> Engine:
    """Return a 2.5-litre engine with vanes that gives full boost from 1 500 rpm."""
    fuel = steady.fuel_for(2.5e-3, 4, 92e3, 20.5)
    return steady.size_turbocharger(Engine(fuel_full=fuel), 1500.0)


@pytest.fixture(scope="session")
def wastegate_engine() -> Engine:
    """Return a 2.5-litre engine with a wastegate, without recirculation."""
    fuel = steady.fuel_for(2.5e-3, 4, 92e3, 20.5)
    engine = Engine(fuel_full=fuel, vane=0.0, recirculation=0.0, smoke_by_airflow_sensor=0.0)
    return steady.size_turbocharger(engine, 1900.0)


@pytest.fixture(scope="session")
def solve():
    """Return a function that solves one engine on a grid of speeds and loads."""

    def run(engine, faults=SOUND, speeds=(1500, 2000, 2600, 3200), loads=(0.25, 0.5, 0.8, 1.0)):
        rpm = np.repeat(np.array(speeds, dtype=float), len(loads))
        load = np.tile(np.array(loads, dtype=float), len(speeds))
        around = Conditions(98e3, 293.15)
        return steady.solve(steady.Task(engine, faults, around, rpm, load))

    return run


@pytest.fixture(scope="session")
def drive_along():
    """Return a function that drives one vehicle along wanted speeds, warm, near sea level."""

    def run(engine, speed, *, mode=None, gradient=None, chassis=None, altitude=100.0):
        speed = np.atleast_2d(speed)
        n, steps = speed.shape
        one = np.ones(n)
        plan = driving.Plan(
            speed,
            np.zeros((n, steps)) if gradient is None else gradient,
            np.zeros((n, steps), dtype=np.int8) if mode is None else np.atleast_2d(mode),
            4.0,
            1e9,
        )
        batch = dynamic.Batch(
            stack([engine] * n),
            driving.stack_chassis([chassis or driving.Chassis()] * n),
            Faults(),
            Weather(288.0 * one, 0.0 * one, 0.005 * one),
            altitude * one,
            361.0 * one,
            HEATING_VALUE * one,
            plan,
            4.0 * one,
            1e9 * one,
        )
        return dynamic.integrate(batch, 1)

    return run
