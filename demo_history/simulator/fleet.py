"""Many vehicles over years, straight to steady windows: the fast way for calibration.

Each window is an operating point solved at rest (:mod:`.steady`), read by the vehicle's sensors,
with the noise that a few seconds of a real drive leave. Weather, wander, faults, drivers and
regions are drawn per vehicle and drive. The frames are those of ``healthtrack.records``.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from demo_history.simulator.driving import GEAR_STEPS, Chassis, stack_chassis
from demo_history.simulator.engine import (
    HEATING_VALUE,
    Conditions,
    Engine,
    Faults,
    friction_torque,
    full_fuel,
    stack,
)
from demo_history.simulator.steady import Point, Task, fuel_for, size_turbocharger, solve
from demo_history.simulator.stories import Story, drive_days, fault_sizes, wander_of
from demo_history.simulator.weather import Region, Weather, standard_pressure, weather

if TYPE_CHECKING:
    import numpy.typing as npt

    from demo_history.simulator.engine import Array

CHUNK = 12_000
"""Operating points that are solved at a time: they stay in the processor's cache."""
PEDAL_CURVE = 1.25


@dataclass(frozen=True)
class Driver:
    """How someone drives; a change of driver is a change of these."""

    engine_speed: float = 1950.0  # rpm, mean while driving
    speed_spread: float = 380.0  # rpm, from window to window
    load: float = 0.40  # mean share of full load while driving
    full_share: float = 0.12  # of windows at full load


@dataclass(frozen=True)
class Vehicle:
    """A vehicle of the fleet: engine and chassis (scalar fields), sensors, place and use."""

    name: str
    engine: Engine
    chassis: Chassis = field(default_factory=Chassis)
    channels: tuple[str, ...] = ()
    region: Region = field(default_factory=Region)
    driver: Driver = field(default_factory=Driver)
    intake_sensor: str = "behind_cooler"
    drives_per_week: float = 1.0
    km_per_year: float = 16_000.0
    odometer: float = 180_000.0

    def settings(self) -> dict[str, object]:
        """Keywords for ``healthtrack.config.VehicleSettings``."""
        return {
            "displacement_l": round(float(self.engine.displacement) * 1e3, 2),
            "cylinders": int(self.engine.cylinders),
            "altitude_m": float(self.region.altitude),
            "intake_temperature_sensor": self.intake_sensor,
        }


ALWAYS = (
    "engine_speed",
    "vehicle_speed",
    "airflow",
    "manifold_pressure",
    "ambient_temperature",
    "coolant_temperature",
    "pedal",
)
"""Channels that every random vehicle logs."""


def random_region(rng: np.random.Generator) -> Region:
    """Draw a region between the coast and the mountains."""
    altitude = float(rng.uniform(20.0, 1300.0))
    return Region(
        altitude=altitude,
        mean_temperature=float(14.5 - 6.5e-3 * altitude + rng.normal(0.0, 1.8)),
        yearly_swing=float(rng.uniform(7.0, 12.0)),
        daily_swing=float(rng.uniform(3.0, 6.0)),
        synoptic=float(rng.uniform(2.8, 4.5)),
    )


def random_driver(rng: np.random.Generator) -> Driver:
    """Draw a driver."""
    return Driver(
        engine_speed=float(rng.uniform(1750.0, 2250.0)),
        load=float(rng.uniform(0.32, 0.50)),
        full_share=float(rng.uniform(0.05, 0.20)),
    )


def random_engine(rng: np.random.Generator) -> Engine:
    """Draw an engine between 1.4 and 3.5 litres, with a turbocharger that fits it."""
    litres = float(rng.uniform(1.4, 3.5))
    cylinders = 4 if litres < 2.7 else int(rng.choice([4, 5, 6]))
    boost = float(rng.uniform(75e3, 112e3))
    vane = float(rng.random() < 0.6)
    has_recirculation = float(rng.random() < 0.75)
    engine = Engine(
        displacement=litres * 1e-3,
        cylinders=float(cylinders),
        boost_full=boost,
        fuel_full=fuel_for(litres * 1e-3, cylinders, boost, float(rng.uniform(19.5, 21.5))),
        vane=vane,
        filling_peak=float(rng.uniform(0.84, 0.92)),
        filling_speed=float(rng.uniform(2000.0, 2700.0)),
        filling_temperature=float(rng.uniform(0.2, 0.5)),
        smoke_ratio=float(rng.uniform(16.8, 18.0)),
        smoke_by_airflow_sensor=float(rng.random() < 0.5),
        speed_max=float(rng.uniform(3800.0, 4500.0)),
        exhaust_heat=float(rng.uniform(0.34, 0.38)),
        compressor_efficiency=float(rng.uniform(0.72, 0.78)),
        turbine_efficiency=float(rng.uniform(0.54, 0.62)),
        cooler_units=float(rng.uniform(1.2, 2.0)),
        cooler_liquid=float(rng.uniform(0.6, 0.8)) if rng.random() < 0.2 else 0.0,
        recirculation=has_recirculation * float(rng.uniform(0.14, 0.34)),
        recirculation_closed_loop=vane * float(rng.random() < 0.5),
    )
    return size_turbocharger(engine, float(rng.uniform(1450.0, 1950.0)))


def random_vehicle(rng: np.random.Generator, name: str) -> Vehicle:
    """Draw a vehicle: engine, body, sensors, region, driver and use."""
    engine = random_engine(rng)
    behind = bool(rng.random() < 0.7)
    channels = [*ALWAYS, "charge_temperature" if behind else "intake_temperature"]
    demand = rng.choice(["fuel_per_stroke", "load", "pedal"], p=[0.4, 0.3, 0.3])
    channels += [str(demand)] if demand != "pedal" else []
    optional = {"ambient_pressure": 0.5, "air_box_pressure": 0.25, "boost_duty": 0.3}
    channels += [c for c, share in optional.items() if rng.random() < share]
    channels += ["odometer"] if rng.random() < 0.9 else []
    return Vehicle(
        name,
        engine,
        Chassis(mass=700.0 * float(engine.displacement) * 1e3 + float(rng.uniform(300, 700))),
        tuple(channels),
        random_region(rng),
        random_driver(rng),
        "behind_cooler" if behind else "ahead_of_compressor",
        float(rng.uniform(0.8, 2.0)),
        float(rng.uniform(9_000.0, 25_000.0)),
        float(np.round(rng.uniform(60_000.0, 320_000.0), 1)),
    )


def random_fleet(rng: np.random.Generator, count: int) -> list[Vehicle]:
    """Draw ``count`` vehicles named v000, v001 and so on."""
    return [random_vehicle(rng, f"v{i:03d}") for i in range(count)]


TOLERANCES = {
    "filling_peak": 0.010,
    "compressor_efficiency": 0.012,
    "turbine_efficiency": 0.012,
    "boost_full": 0.012,
    "fuel_full": 0.010,
    "recirculation": 0.06,
    "cooler_units": 0.05,
}
"""By how much engines of one type differ from each other by production and age (standard deviation,
relative; guesses)."""


def random_sister(rng: np.random.Generator, vehicle: Vehicle, name: str) -> Vehicle:
    """Draw another vehicle of the same type, with its own tolerances, place, driver and use."""
    engine = vehicle.engine
    apart = {
        part: float(getattr(engine, part)) * float(np.exp(rng.normal(0.0, share)))
        for part, share in TOLERANCES.items()
    }
    return replace(
        vehicle,
        name=name,
        engine=replace(engine, **apart),
        region=random_region(rng),
        driver=random_driver(rng),
        drives_per_week=float(rng.uniform(0.8, 2.0)),
        odometer=float(np.round(rng.uniform(60_000.0, 320_000.0), 1)),
    )


@dataclass(frozen=True)
class Drives:
    """Drives of many vehicles, ordered by vehicle and time; every field is an (n,) array."""

    vehicle: npt.NDArray[np.intp]  # which
    day: Array  # since 1 January 2022, with the fraction
    odometer: Array  # km at the start
    altitude: Array  # m, of the place
    sky: Weather
    engine_speed: Array  # rpm, mean of this drive
    load: Array  # mean of this drive
    full_share: Array
    faults: Faults
    bad: npt.NDArray[np.bool_]  # something was wrong with the logging

    def take(self, index: npt.NDArray[np.intp]) -> Drives:
        """Return the drives at ``index``."""
        sky = Weather(
            *(getattr(self.sky, f) for f in ("temperature", "pressure_share", "humidity"))
        )
        return Drives(
            self.vehicle[index],
            self.day[index],
            self.odometer[index],
            self.altitude[index],
            Weather(sky.temperature[index], sky.pressure_share[index], sky.humidity[index]),
            self.engine_speed[index],
            self.load[index],
            self.full_share[index],
            self.faults.take(index),
            self.bad[index],
        )


def plan_drives(rng: np.random.Generator, vehicles: list[Vehicle], story: Story) -> Drives:
    """Draw when the vehicles drive, in what weather, by whom, with what wrong."""
    parts = [_drives_of(rng, i, v, story) for i, v in enumerate(vehicles)]

    def join(name: str) -> Array:
        return np.concatenate([getattr(p, name) for p in parts])

    skies = [p.sky for p in parts]
    sky = Weather(
        np.concatenate([s.temperature for s in skies]),
        np.concatenate([s.pressure_share for s in skies]),
        np.concatenate([s.humidity for s in skies]),
    )
    faults = Faults(
        **{
            name: np.concatenate(
                [np.broadcast_to(getattr(p.faults, name), p.day.shape) for p in parts]
            )
            for name in Faults.__dataclass_fields__
        }
    )
    return Drives(
        np.concatenate([p.vehicle for p in parts]),
        join("day"),
        join("odometer"),
        join("altitude"),
        sky,
        join("engine_speed"),
        join("load"),
        join("full_share"),
        faults,
        np.concatenate([p.bad for p in parts]),
    )


def _drives_of(rng: np.random.Generator, which: int, vehicle: Vehicle, story: Story) -> Drives:
    days = drive_days(rng, story, vehicle.drives_per_week)
    n = len(days)
    gaps = np.diff(days, prepend=days[0])
    pace = vehicle.km_per_year / 365.25 * rng.gamma(6.0, 1.0 / 6.0, n)
    odometer = vehicle.odometer + np.cumsum(np.maximum(gaps * pace, 15.0))
    period = np.minimum((np.arange(n) * (story.driver_changes + 1)) // n, story.driver_changes)
    drivers = [vehicle.driver, *(random_driver(rng) for _ in range(story.driver_changes))]
    place = np.minimum((np.arange(n) * (story.region_changes + 1)) // n, story.region_changes)
    regions = [vehicle.region, *(random_region(rng) for _ in range(story.region_changes))]
    sky = weather(rng, vehicle.region, days, (days % 1.0) * 24.0)
    warmer = np.array([r.mean_temperature for r in regions]) - vehicle.region.mean_temperature
    bad = rng.random(n) < story.bad_share
    faults = Faults(**wander_of(rng, story, days))
    faults = fault_sizes(faults, story, days, odometer)
    wrong = np.where(bad, rng.choice([-1.0, 1.0], n) * rng.uniform(0.04, 0.15, n), 0.0)
    faults = replace(faults, airflow_wander=faults.airflow_wander + wrong)
    return Drives(
        np.full(n, which),
        days,
        np.round(odometer, 1),
        np.array([r.altitude for r in regions])[place],
        Weather(sky.temperature + warmer[place], sky.pressure_share, sky.humidity),
        np.array([d.engine_speed for d in drivers])[period] + rng.normal(0.0, 140.0, n),
        np.clip(np.array([d.load for d in drivers])[period] + rng.normal(0.0, 0.06, n), 0.2, 0.7),
        np.array([d.full_share for d in drivers])[period],
        faults,
        bad,
    )


@dataclass(frozen=True)
class Solved:
    """Windows of drives as they truly were; every field is an (m,) array (or of such)."""

    drive: npt.NDArray[np.intp]  # row in the drives
    kind: npt.NDArray[np.int8]  # 0 idle, 1 part load, 2 full load
    rpm: Array
    load: Array
    speed: Array  # m/s
    altitude: Array
    around: Conditions
    point: Point
    engine: Engine
    faults: Faults


def solve_windows(
    rng: np.random.Generator, vehicles: list[Vehicle], drives: Drives, per_drive: int
) -> Solved:
    """Draw the operating points of all drives and solve them."""
    n = len(drives.day)
    which = np.repeat(np.arange(n), per_drive)
    m = len(which)
    engines = stack([v.engine for v in vehicles]).take(drives.vehicle[which])
    chassis = stack_chassis([v.chassis for v in vehicles])
    slot = np.tile(np.arange(per_drive), n)
    full = rng.random(m) < drives.full_share[which]
    kind = np.where(slot == 0, 0, np.where(full, 2, 1)).astype(np.int8)
    rpm = drives.engine_speed[which] + rng.normal(0.0, 380.0, m)
    rpm = np.where(kind == 2, rng.uniform(1500.0, 3300.0, m), rpm)
    rpm = np.clip(rpm, 1150.0, 0.86 * np.asarray(engines.speed_max))
    rpm = np.where(kind == 0, np.asarray(engines.idle_speed), rpm)
    mean = drives.load[which]
    load = np.clip(rng.beta(4.5 * mean, 4.5 * (1.0 - mean)), 0.07, 0.84)
    gear = rng.choice(len(GEAR_STEPS), m, p=[0.03, 0.10, 0.20, 0.27, 0.40])
    ratio = np.asarray(chassis.top_gear)[drives.vehicle[which]] * GEAR_STEPS[gear]
    speed = np.where(kind == 0, 0.0, rpm / ratio)
    altitude = np.maximum(drives.altitude[which] + rng.normal(0.0, 70.0, m), 0.0)
    pressure = standard_pressure(altitude) * (1.0 + drives.sky.pressure_share[which])
    air = drives.sky.temperature[which] - 6.5e-3 * (altitude - drives.altitude[which])
    coolant = 361.0 + rng.normal(0.0, 1.2, m)
    season = -np.cos(2.0 * np.pi * (drives.day[which] - 19.0) / 365.25)
    fuel = HEATING_VALUE * (1.0 - 0.006 * (1.0 - season))
    around = Conditions(pressure, air, coolant, speed, drives.sky.humidity[which], fuel)
    load = np.where(kind == 2, 1.0, np.where(kind == 0, _idle(engines, rpm, coolant), load))
    faults = drives.faults.take(which)
    task = Task(engines, faults, around, rpm, np.asarray(load))
    return Solved(
        which, kind, rpm, np.asarray(load), speed, altitude, around, _chunked(task), engines, faults
    )


def _idle(engine: Engine, rpm: Array, coolant: Array) -> Array:
    work = full_fuel(engine, rpm) * HEATING_VALUE * engine.indicated_efficiency * engine.cylinders
    return np.asarray((friction_torque(engine, rpm, coolant) + 6.0) / (0.94 * work / (4.0 * np.pi)))


def _chunked(task: Task) -> Point:
    total = len(task.rpm)
    points = [
        solve(task.take(np.arange(start, min(start + CHUNK, total))))
        for start in range(0, total, CHUNK)
    ]

    def join(*values: Any) -> Any:  # noqa: ANN401 - arrays, or named tuples of arrays
        if isinstance(values[0], np.ndarray):
            return np.concatenate(values)
        return type(values[0])(*(join(*inner) for inner in zip(*values, strict=True)))

    whole: Point = join(*points)
    return whole
