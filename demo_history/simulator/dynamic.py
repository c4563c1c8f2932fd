"""Whole drives, integrated step by step, many side by side.

States are the rotor's energy, the manifold pressure, the boost control's integral, temperatures of
coolant, charge cooler and sensors, road speed, gear and pedal. Each drive is computed from its own
column only, so one drive alone gives the same numbers as that drive among many.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from demo_history.simulator import engine as parts
from demo_history.simulator import steady
from demo_history.simulator.driving import (
    FREE,
    GEAR_STEPS,
    PULL,
    STEP,
    Chassis,
    Plan,
)
from demo_history.simulator.engine import Array, Conditions, Engine, Faults
from demo_history.simulator.weather import Weather, standard_pressure

GRAVITY = 9.81
PEDAL_CURVE = 1.25
RECORDED = (
    "engine_speed",
    "vehicle_speed",
    "airflow",
    "manifold_pressure",
    "ambient_pressure",
    "air_box_pressure",
    "ambient_temperature",
    "air_box_temperature",
    "charge_temperature",
    "coolant_temperature",
    "pedal",
    "load",
    "fuel_per_stroke",
    "boost_duty",
    "altitude",
    "distance",
    "recirculated",
    "torque",
    "rotor_speed",
    "corrected_flow",
    "pressure_ratio",
)
"""True values at the sample times, in units of :mod:`healthtrack.channels` (kPa, °C, g/s, km/h,
mg/stroke, %), ``distance`` in km; sensors and noise come after (:mod:`.sensors`)."""


@dataclass(frozen=True)
class Batch:
    """n drives to be integrated together."""

    engine: Engine
    chassis: Chassis
    faults: Faults
    weather: Weather
    garage_altitude: Array  # m
    start_coolant: Array  # K
    heating_value: Array  # J/kg
    plan: Plan  # of all drives, side by side
    engine_on: Array  # s
    engine_off: Array  # s


@dataclass
class _State:
    speed: Array
    rpm: Array
    gear: npt.NDArray[np.intp]
    shift: Array  # s since the last shift began
    pedal: Array
    brake: Array  # acceleration that the brakes allow at most; 99 where they are off
    moving: npt.NDArray[np.bool_]
    pulled: npt.NDArray[np.bool_]
    pressure: Array
    charge: Array
    manifold: Array
    air_box: Array
    charge_sensor: Array
    coolant: Array
    airflow: Array  # as the sensor follows it [kg/s]
    rotor: Array  # J
    control: Array  # log of the effective area
    back: Array
    torque: Array
    altitude: Array
    distance: Array


def _begin(batch: Batch) -> _State:
    n = len(batch.start_coolant)
    zero = np.zeros(n)
    ambient = standard_pressure(batch.garage_altitude) * (1.0 + batch.weather.pressure_share)
    air = batch.weather.temperature
    soak = air + 0.35 * np.clip(batch.start_coolant - air, 0.0, None)
    return _State(
        speed=zero.copy(),
        rpm=zero.copy(),
        gear=np.zeros(n, dtype=np.intp),
        shift=zero + 9.0,
        pedal=zero.copy(),
        brake=zero.copy(),
        moving=np.zeros(n, dtype=bool),
        pulled=np.zeros(n, dtype=bool),
        pressure=ambient,
        charge=soak.copy(),
        manifold=soak.copy(),
        air_box=soak.copy(),
        charge_sensor=soak.copy(),
        coolant=batch.start_coolant.copy(),
        airflow=zero.copy(),
        rotor=zero + 5.0,
        control=np.log(np.asarray(batch.engine.turbine_area_min)) * np.ones(n),
        back=zero + 1.0,
        torque=zero.copy(),
        altitude=batch.garage_altitude.copy(),
        distance=zero.copy(),
    )


def integrate(batch: Batch, every: int) -> dict[str, Array]:
    """Integrate all drives and record every ``every``-th step.

    Returns
    -------
    dict of (n, samples) float64
        One array per name in :data:`RECORDED`. Rows after a drive's end stand still, engine off.
    """
    state = _begin(batch)
    steps = batch.plan.speed.shape[1]
    rows = [i for i in range(steps) if i % every == 0]
    out = {name: np.zeros((len(batch.start_coolant), len(rows))) for name in RECORDED}
    for step in range(steps):
        record = _step(batch, state, step)
        if step % every == 0:
            for name, values in record.items():
                out[name][:, step // every] = values
    return out


def _step(batch: Batch, s: _State, step: int) -> dict[str, Array]:
    time = step * STEP
    running = (time >= batch.engine_on) & (time < batch.engine_off)
    ambient = standard_pressure(s.altitude) * (1.0 + batch.weather.pressure_share)
    air = batch.weather.temperature - 6.5e-3 * (s.altitude - batch.garage_altitude)
    around = Conditions(
        ambient, air, s.coolant, s.speed, batch.weather.humidity, batch.heating_value
    )
    gradient = batch.plan.gradient[:, step]
    load = _drive(batch, s, step, running)
    task = steady.Task(batch.engine, batch.faults, around, np.where(running, s.rpm, 1.0), load)
    record = _gas_path(task, s, running)
    _move(batch, s, gradient, running)
    _warm(batch, s, task, record)
    full = parts.full_fuel(batch.engine, np.maximum(s.rpm, 600.0))
    record |= {
        "engine_speed": np.where(running, s.rpm, 0.0),
        "vehicle_speed": s.speed * 3.6,
        "ambient_pressure": ambient / 1e3,
        "ambient_temperature": air - 273.15,
        "air_box_temperature": s.air_box - 273.15,
        "charge_temperature": s.charge_sensor - 273.15,
        "coolant_temperature": s.coolant - 273.15,
        "pedal": 100.0 * s.pedal,
        "load": np.where(running, 100.0 * record["fuel_per_stroke"] * 1e-6 / full, 0.0),
        "altitude": s.altitude.copy(),
        "distance": s.distance / 1e3,
        "torque": s.torque.copy(),
    }
    record.pop("fuel_flow")
    return record


def _drive(batch: Batch, s: _State, step: int, running: npt.NDArray[np.bool_]) -> Array:
    """Driver, gears and idle governor: sets pedal, gear, engine speed; returns the load."""
    mode = batch.plan.mode[:, step]
    s.pulled &= mode == PULL
    s.pulled |= (mode == PULL) & (s.speed > 101.0 / 3.6)
    pulling = (mode == PULL) & ~s.pulled
    wanted = np.where(s.pulled, 92.0 / 3.6, batch.plan.speed[:, step])
    need, pace = _pedal_needed(batch, s, wanted, batch.plan.gradient[:, step])
    standing = (wanted < 0.5) | ~running
    braking = ((need < -0.05) & ~pulling) | standing
    s.brake = np.where(braking, np.where(standing, np.minimum(pace, 0.0), pace), 99.0)
    _shift(batch, s, need, mode != FREE)
    need = np.where(pulling, 1.0, np.where(standing, 0.0, np.clip(need, 0.0, 1.0)))
    away = np.abs(need - s.pedal)
    s.moving = np.where(s.moving, away > 0.008, away > 0.055) | pulling
    step_size = np.where(s.moving, np.clip(need - s.pedal, -1.6 * STEP, 1.1 * STEP), 0.0)
    s.pedal = np.where(running, np.clip(s.pedal + step_size, 0.0, 1.0), 0.0)
    s.pedal = np.where(need <= 0.0, 0.0, s.pedal)  # a foot is off or on
    clutch = _clutch_open(batch, s, wanted)
    pedal = np.where(clutch, 0.0, s.pedal)
    geared = np.asarray(batch.chassis.top_gear) * GEAR_STEPS[s.gear] * s.speed
    idle = np.asarray(batch.engine.idle_speed)
    slipping = np.maximum(geared, idle + 700.0 * pedal)
    target = np.where(clutch, idle, slipping)
    pace = np.where(clutch | (geared < target), STEP / 0.45, 1.0)
    s.rpm = np.where(running, np.maximum(s.rpm + pace * (target - s.rpm), 0.8 * idle), 0.0)
    at_idle = _idle_load(batch, s)
    governor = np.clip(at_idle * (1.0 + 4.0 * (1.0 - s.rpm / idle)), 0.0, 0.5)
    driven = np.where(clutch, 0.0, pedal**PEDAL_CURVE)
    return np.asarray(np.where(running, np.maximum(driven, governor), 0.0))


def _clutch_open(batch: Batch, s: _State, wanted: Array) -> npt.NDArray[np.bool_]:
    standing = (wanted < 0.5) & (s.speed * batch.chassis.top_gear * GEAR_STEPS[0] < 900.0)
    return np.asarray(standing | (s.shift < 0.7) | ((wanted < 0.5) & (s.speed < 3.0)))


def _road_load(batch: Batch, s: _State, gradient: Array) -> Array:
    c = batch.chassis
    moving = np.clip(s.speed / 0.5, 0.0, 1.0)
    density = 1.15
    return np.asarray(
        np.asarray(c.mass) * GRAVITY * (gradient + np.asarray(c.rolling) * moving)
        + 0.5 * density * np.asarray(c.drag_area) * s.speed * s.speed
    )


def _torque_per_load(batch: Batch, rpm: Array) -> Array:
    e = batch.engine
    work = parts.full_fuel(e, rpm) * batch.heating_value * e.indicated_efficiency * e.cylinders
    return np.asarray(0.94 * work / (4.0 * np.pi))


def _idle_load(batch: Batch, s: _State) -> Array:
    rpm = np.maximum(s.rpm, 600.0)
    friction = parts.friction_torque(batch.engine, rpm, s.coolant) + 6.0
    return np.asarray(friction / _torque_per_load(batch, rpm))


def _pedal_needed(batch: Batch, s: _State, wanted: Array, gradient: Array) -> tuple[Array, Array]:
    """Pedal that would give the acceleration the driver has in mind (negative: brake), and that."""
    c = batch.chassis
    pace = np.clip(0.30 * (wanted - s.speed), -2.2, 1.15)
    force = _road_load(batch, s, gradient) + np.asarray(c.mass) * 1.05 * pace
    ratio = np.asarray(c.top_gear) * GEAR_STEPS[s.gear] * np.pi / 30.0
    torque = force / (ratio * c.driveline)
    rpm = np.maximum(s.rpm, 900.0)
    load = (torque + parts.friction_torque(batch.engine, rpm, s.coolant)) / _torque_per_load(
        batch, rpm
    )
    return np.asarray(np.sign(load) * np.abs(load) ** (1.0 / PEDAL_CURVE)), np.asarray(pace)


def _shift(batch: Batch, s: _State, need: Array, hold_top: npt.NDArray[np.bool_]) -> None:
    s.shift = s.shift + STEP
    geared = np.asarray(batch.chassis.top_gear) * GEAR_STEPS[s.gear] * s.speed
    will = np.clip(need, 0.0, 1.0)
    free = s.shift > 2.4
    top = len(GEAR_STEPS) - 1
    scale = np.asarray(batch.engine.speed_max) / 4200.0
    up = free & (geared > scale * (1850.0 + 1350.0 * will)) & (s.gear < top)
    down = free & (geared < scale * (1180.0 + 420.0 * will)) & (s.gear > 0)
    down &= ~hold_top
    up |= free & hold_top & (s.gear < top) & (s.speed > 12.0)
    s.gear = np.where(up, s.gear + 1, np.where(down, s.gear - 1, s.gear))
    s.gear = np.where(s.speed < 1.0, 0, s.gear)
    s.shift = np.where((up | down) & (s.speed > 1.0), 0.0, s.shift)


def _gas_path(task: steady.Task, s: _State, running: npt.NDArray[np.bool_]) -> dict[str, Array]:
    e = task.engine
    ambient = np.asarray(task.around.ambient_pressure)
    warm = np.asarray(task.around.ambient_temperature) + 2.0
    reference = np.asarray(e.compressor_speed) * np.pi / 30.0
    speed = np.sqrt(2.0 * s.rotor / np.asarray(e.rotor_inertia)) / reference
    corrected_speed = speed * np.sqrt(parts.MAP_TEMPERATURE / warm)
    s.pressure = np.where(running, _manifold(task, s, corrected_speed), ambient)
    flows = steady.intake(task, s.pressure, s.manifold, s.back)
    airflow = np.where(running, flows.airflow, 0.0)
    inlet = steady.inlet_pressure(task, airflow)
    corrected = airflow * np.sqrt(warm / parts.MAP_TEMPERATURE) / (inlet / parts.MAP_PRESSURE)
    power, outlet = steady.compressor_power(task, corrected, corrected_speed, airflow)
    charge, _ = steady.cool(task, outlet, flows)
    hot = steady.exhaust_temperature(task, flows, s.manifold)
    area, duty = _boost_control(task, s)
    exhaust, drive = steady.turbine(task, area, flows, hot)
    s.back = np.where(running, s.back + 0.5 * (exhaust / s.pressure - s.back), 1.0)
    surplus = np.where(running, drive - power, -0.4 * s.rotor) * STEP / s.rotor
    s.rotor = np.maximum(s.rotor * np.exp(np.clip(surplus, -0.35, 0.35)), 2.0)
    s.torque = np.where(running, steady.brake_torque(task, flows, s.pressure, s.back), 0.0)
    pace = STEP / 5.0
    s.charge = np.where(running, s.charge + pace * (charge - s.charge), s.charge)
    share = flows.recirculated
    s.manifold = np.where(
        running, (1.0 - share) * s.charge + share * e.recirculation_temperature, s.charge
    )
    s.airflow = s.airflow + (1.0 - np.exp(-STEP / 0.3)) * (airflow - s.airflow)
    outlet_pressure = s.pressure + steady.cooler_loss(task, s.pressure, s.charge, airflow)
    return {
        "airflow": s.airflow * 1e3,
        "manifold_pressure": s.pressure / 1e3,
        "air_box_pressure": inlet / 1e3,
        "fuel_per_stroke": np.where(running, flows.fuel * 1e6, 0.0),
        "fuel_flow": np.where(running, flows.fuel_flow, 0.0),
        "boost_duty": np.where(running, duty, 0.0),
        "recirculated": np.where(running, share, 0.0),
        "rotor_speed": speed,
        "corrected_flow": corrected * 1e3,
        "pressure_ratio": outlet_pressure / inlet,
    }


def _manifold(task: steady.Task, s: _State, speed: Array) -> Array:
    """Pressure at which what the rotor delivers is what the engine swallows, with its filling."""
    e = task.engine
    warm = np.asarray(task.around.ambient_temperature) + 2.0

    def excess(pressure: Array) -> Array:
        flows = steady.intake(task, pressure, s.manifold, s.back)
        inlet = steady.inlet_pressure(task, flows.airflow)
        corrected = (
            flows.airflow * np.sqrt(warm / parts.MAP_TEMPERATURE) / (inlet / parts.MAP_PRESSURE)
        )
        head = parts.compressor_head(e, corrected, speed) * warm / parts.MAP_TEMPERATURE
        ratio = np.maximum(1.0 + head / (parts.CP_AIR * warm), 0.9) ** (1.0 / parts.KAPPA)
        loss = steady.cooler_loss(task, pressure, s.charge, flows.airflow)
        return np.asarray(ratio * inlet - loss - pressure)

    pressure = s.pressure
    value = excess(pressure)
    for _ in range(2):
        slope = (excess(pressure * 1.004) - value) / (pressure * 0.004)
        pressure = pressure - np.clip(value / np.minimum(slope, -0.5), -2e4, 2e4)
        value = excess(pressure)
    pressure = np.maximum(pressure, 3e4)
    return np.asarray(s.pressure + (1.0 - np.exp(-STEP / 0.16)) * (pressure - s.pressure))


def _boost_control(task: steady.Task, s: _State) -> tuple[Array, Array]:
    e, f = task.engine, task.faults
    aim = parts.boost_setpoint(e, task.rpm, task.load, task.around.ambient_pressure)
    reads = s.pressure + f.manifold_pressure_offset
    error = (reads - aim) / aim
    low = np.log(np.asarray(e.turbine_area_min))
    span = np.log(np.asarray(e.turbine_area_span))
    s.control = np.clip(s.control + 1.6 * STEP * error, low, low + span)
    area = np.clip(s.control + 2.2 * error, low, low + span)
    return np.exp(area), 95.0 - 90.0 * (area - low) / span


def _move(batch: Batch, s: _State, gradient: Array, running: npt.NDArray[np.bool_]) -> None:
    c = batch.chassis
    geared = np.asarray(c.top_gear) * GEAR_STEPS[s.gear]
    coupled = running & (s.shift >= 0.7) & ((s.speed * geared > 850.0) | (s.pedal > 0.0))
    efficiency = np.where(s.torque > 0.0, c.driveline, 1.0 / np.asarray(c.driveline))
    drive = np.where(coupled, s.torque * geared * np.pi / 30.0 * efficiency, 0.0)
    drive = np.minimum(drive, 0.75 * np.asarray(c.mass) * GRAVITY)
    resistance = _road_load(batch, s, gradient)
    pace = (drive - resistance) / (np.asarray(c.mass) * 1.05)
    pace = np.minimum(pace, s.brake)
    speed = np.clip(s.speed + pace * STEP, 0.0, None)
    s.speed = np.where((speed < 0.4) & (s.brake <= 0.0), 0.0, speed)
    s.distance = s.distance + s.speed * STEP
    s.altitude = s.altitude + s.speed * STEP * gradient


def _warm(batch: Batch, s: _State, task: steady.Task, record: dict[str, Array]) -> None:
    e = batch.engine
    air = np.asarray(task.around.ambient_temperature)
    heat = 0.27 * record["fuel_flow"] * batch.heating_value
    size = np.asarray(e.displacement) / 2.5e-3
    loss = 55.0 * size * (s.coolant - air) * (0.6 + 0.4 * s.speed / 20.0) * 0.6
    open_share = np.clip((s.coolant - 359.5) / 5.0, 0.0, 1.0)
    loss = loss + open_share * 900.0 * size * (s.coolant - air) / 2.0
    s.coolant = s.coolant + STEP * (heat - loss) / (np.asarray(batch.chassis.coolant_heat) * size)
    s.charge_sensor = s.charge_sensor + STEP / 2.5 * (s.charge - s.charge_sensor)
    box = air + 5.0 + 14.0 * np.exp(-s.speed / 5.0) * np.clip((s.coolant - air) / 70.0, 0.0, 1.0)
    s.air_box = s.air_box + STEP / 45.0 * (box - s.air_box)
