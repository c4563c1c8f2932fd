"""The engine at rest on an operating point: all balances solved at once, for many points.

Given engine speed, load and surroundings the manifold pressure is found at which the turbine gives
the power that the compressor takes, with vanes or wastegate held by the boost control between
closed and open. Where the control is saturated the pressure is what the turbocharger can give; else
it is the setpoint, and only the actuator tells of a weaker turbocharger.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from demo_history.simulator import engine as parts
from demo_history.simulator.engine import Array, Conditions, Engine, Faults, Value

Index = npt.NDArray[np.intp]
STUCK_CONDUCTANCE = 1.0e-4
"""Of a fully open valve per displacement; a third of the gas at idle. [kg/(s·Pa·m³)]"""


class Fixed(NamedTuple):
    """What of a task no balance changes; (n,) arrays in SI units."""

    wanted: Array  # recirculated share
    fresh: Array  # airflow that closed-loop recirculation aims at
    fuel: Array  # per stroke and cylinder, before the smoke limit
    strokes: Array  # per second
    swept: Array  # volume per second
    hole: Array  # of a leak
    reading: Array  # airflow as read over true
    gas_constant: Array


@dataclass(frozen=True)
class Task:
    """Operating points to be solved: n of each, or scalars that hold for all.

    ``load`` is the injected fuel that the driver asks for over full-load fuel.
    """

    engine: Engine
    faults: Faults
    around: Conditions
    rpm: Array
    load: Array

    @cached_property
    def fixed(self) -> Fixed:
        """What no balance changes, computed once."""
        e, around = self.engine, self.around
        ambient = around.ambient_pressure
        # the calibration's idea of the fresh air per second, corrected for altitude only
        wanted = parts.recirculation_share(e, self.rpm, self.load, around.coolant_temperature)
        boost = parts.boost_setpoint(replace(e, vane=1.0), self.rpm, self.load, ambient)
        away = (self.rpm - e.filling_speed) / e.filling_speed
        nominal = e.filling_peak * (1.0 - e.filling_fall * away * away) * boost
        nominal = nominal / (parts.GAS_CONSTANT * np.asarray(e.nominal_charge_temperature))
        return Fixed(
            wanted=wanted,
            fresh=(1.0 - wanted) * nominal * e.displacement * self.rpm / 120.0,
            fuel=self.load * parts.full_fuel(e, self.rpm),
            strokes=parts.strokes_per_second(e, self.rpm),
            swept=np.asarray(e.displacement * self.rpm / 120.0),
            hole=parts.leak_area(e, self.faults.charge_air_leak),
            reading=np.asarray(self.faults.reading()),
            gas_constant=np.asarray(around.gas_constant()),
        )

    def take(self, index: Index) -> Task:
        """Return the points at ``index``."""
        values = {f.name: getattr(self.around, f.name) for f in fields(self.around)}
        chosen = {k: v[index] for k, v in values.items() if isinstance(v, np.ndarray) and v.ndim}
        return Task(
            self.engine.take(index),
            self.faults.take(index),
            replace(self.around, **chosen),
            self.rpm[index],
            self.load[index],
        )


class Intake(NamedTuple):
    """What flows where on the cold side; (n,) arrays in SI units."""

    into_engine: Array  # all gas
    recirculated: Array  # share of it
    leak: Array
    airflow: Array  # at the sensor, true
    fuel: Array  # per stroke and cylinder
    fuel_flow: Array


class Compression(NamedTuple):
    """The compressor's operating point and what the cooler makes of it; (n,) arrays in SI."""

    inlet_pressure: Array
    outlet_pressure: Array
    corrected_flow: Array
    rotor_speed: Array  # corrected, over reference speed
    power: Array
    outlet_temperature: Array
    charge_temperature: Array
    manifold_temperature: Array


class Point(NamedTuple):
    """The solved state of the operating points; (n,) arrays in SI units."""

    manifold_pressure: Array
    intake: Intake
    compression: Compression
    exhaust_pressure: Array
    exhaust_temperature: Array
    area: Array  # effective turbine area
    setpoint: Array  # of the boost control, for the pressure as it reads
    torque: Array

    @property
    def air_fuel_ratio(self) -> Array:
        """Fresh air that reaches the engine over fuel. [-]."""
        air = self.intake.airflow - self.intake.leak
        return np.asarray(air / np.maximum(self.intake.fuel_flow, 1e-9))


def intake(task: Task, pressure: Array, charge: Array, back: Array) -> Intake:
    """Flows on the cold side at a manifold pressure.

    ``charge`` is the manifold temperature [K] and ``back`` exhaust over intake pressure, both from
    the step before.
    """
    e, f, fixed = task.engine, task.faults, task.fixed
    filling = parts.filling(e, task.rpm, charge, back) * (1.0 + f.breathing_wander)
    into = filling * pressure / (fixed.gas_constant * charge) * fixed.swept
    leak = np.zeros_like(into)
    if np.any(fixed.hole):
        leak = parts.orifice_flow(fixed.hole, pressure, charge, task.around.ambient_pressure)
    share = _recirculated(task, into, leak, back, pressure)
    airflow = into * (1.0 - share) + leak
    from_pressure = filling * (pressure + f.manifold_pressure_offset) * fixed.swept
    seen = np.where(
        np.asarray(e.smoke_by_airflow_sensor) > 0.5,
        airflow * fixed.reading,
        from_pressure / (parts.GAS_CONSTANT * charge),
    )
    fuel = np.minimum(fixed.fuel, seen / np.maximum(fixed.strokes, 1e-6) / e.smoke_ratio)
    return Intake(into, share, leak, airflow, fuel, fuel * fixed.strokes)


def _recirculated(task: Task, into: Array, leak: Array, back: Array, pressure: Array) -> Array:
    e, f, fixed = task.engine, task.faults, task.fixed
    share = 1.0 - (fixed.fresh / fixed.reading - leak) / np.maximum(into, 1e-9)
    closed = np.clip(share, 0.0, 1.5 * fixed.wanted)
    by_map = fixed.wanted * (1.0 + f.recirculation_wander)
    chosen = np.where(np.asarray(e.recirculation_closed_loop) > 0.5, closed, by_map)
    if np.any(f.recirculation_stuck):
        # a valve that cannot close passes what the pressure difference drives; pulsation drives
        # some even where the mean pressures are equal
        drive = np.sqrt(np.clip(back - 0.97, 0.0, None)) * pressure
        hole = STUCK_CONDUCTANCE * np.asarray(e.displacement) * f.recirculation_stuck
        chosen = np.maximum(chosen, hole * drive / np.maximum(into, 1e-9))
    return np.clip(chosen, 0.0, 0.6)


def inlet_pressure(task: Task, airflow: Array) -> Array:
    """Pressure behind the air filter, which the compressor breathes. [Pa]."""
    e, around = task.engine, task.around
    density = around.ambient_pressure / (
        around.gas_constant() * np.asarray(around.ambient_temperature)
    )
    loss = e.filter_loss * (1.0 + np.asarray(task.faults.filter_restriction))
    return np.asarray(around.ambient_pressure - loss * airflow * airflow / density)


def cooler_loss(task: Task, pressure: Array, charge: Array, airflow: Array) -> Array:
    """Pressure lost between compressor and manifold. [Pa]."""
    density = pressure / (parts.GAS_CONSTANT * charge)
    return np.asarray(task.engine.cooler_loss * airflow * airflow / density)


def compression(task: Task, pressure: Array, flows: Intake, charge: Array) -> Compression:
    """Operating point of the compressor that feeds a manifold pressure, and the charge cooler."""
    e, _f = task.engine, task.faults
    inlet = inlet_pressure(task, flows.airflow)
    outlet = pressure + cooler_loss(task, pressure, charge, flows.airflow)
    warm = np.asarray(task.around.ambient_temperature) + 2.0  # under the bonnet
    corrected = flows.airflow * np.sqrt(warm / parts.MAP_TEMPERATURE) / (inlet / parts.MAP_PRESSURE)
    head = parts.CP_AIR * parts.MAP_TEMPERATURE * ((outlet / inlet) ** parts.KAPPA - 1.0)
    speed = parts.compressor_speed(e, corrected, head)
    power, out = compressor_power(task, corrected, speed, flows.airflow)
    charge_now, manifold = cool(task, out, flows)
    return Compression(inlet, outlet, corrected, speed, power, out, charge_now, manifold)


def compressor_power(
    task: Task, corrected: Array, speed: Array, airflow: Array
) -> tuple[Array, Array]:
    """Power [W] and outlet temperature [K] at a corrected flow and speed."""
    warm = np.asarray(task.around.ambient_temperature) + 2.0
    sound = (1.0 - np.asarray(task.faults.turbocharger_loss)) * (
        1.0 + np.asarray(task.faults.turbocharger_wander)
    )
    work = parts.compressor_work(task.engine, corrected, speed) / sound
    work = work * warm / parts.MAP_TEMPERATURE
    return airflow * work, np.asarray(warm + work / parts.CP_AIR)


def cool(task: Task, outlet: Array, flows: Intake) -> tuple[Array, Array]:
    """Temperature behind the charge cooler and in the manifold, once settled. [K]."""
    e, around = task.engine, task.around
    effectiveness = parts.cooler_effectiveness(
        e, flows.airflow, around.vehicle_speed, task.faults.cooler_fouling
    )
    sink = parts.cooler_sink(e, np.asarray(around.ambient_temperature) + 3.0)
    charge = outlet - effectiveness * (outlet - sink)
    share = flows.recirculated
    return np.asarray(charge), np.asarray(
        (1.0 - share) * charge + share * e.recirculation_temperature
    )


def exhaust_temperature(task: Task, flows: Intake, manifold: Array) -> Array:
    """Before the turbine. [K]."""
    heat = task.engine.exhaust_heat * flows.fuel_flow * task.around.heating_value
    gas = np.maximum(flows.into_engine + flows.fuel_flow, 1e-6)
    cold = 1.0 - 0.10 * np.clip((361.0 - np.asarray(task.around.coolant_temperature)) / 80, 0, 1)
    return np.asarray(manifold + 25.0 + cold * heat / (gas * parts.CP_EXHAUST))


def turbine(task: Task, area: Value, flows: Intake, temperature: Array) -> tuple[Array, Array]:
    """Pressure before the turbine [Pa] and its power [W] at an effective area."""
    gas = flows.airflow - flows.leak + flows.fuel_flow
    behind = task.around.ambient_pressure + task.engine.exhaust_loss * gas * gas
    expansion = parts.turbine_expansion(area, gas, temperature, behind)
    drop = 1.0 - expansion ** (-parts.KAPPA_EXHAUST)
    power = task.engine.turbine_efficiency * gas * parts.CP_EXHAUST * temperature * drop
    return np.asarray(behind * expansion), np.asarray(power)


def area_needed(task: Task, flows: Intake, temperature: Array, power: Array) -> Array:
    """Effective turbine area that gives ``power``; tiny where no area does."""
    gas = flows.airflow - flows.leak + flows.fuel_flow
    behind = task.around.ambient_pressure + task.engine.exhaust_loss * gas * gas
    whole = task.engine.turbine_efficiency * gas * parts.CP_EXHAUST * temperature
    drop = np.clip(power / np.maximum(whole, 1e-6), 1e-7, 0.9)
    expansion = (1.0 - drop) ** (-1.0 / parts.KAPPA_EXHAUST)
    return np.asarray(gas * np.sqrt(temperature) / (behind * np.sqrt(expansion * expansion - 1.0)))


def brake_torque(task: Task, flows: Intake, pressure: Array, back: Array) -> Array:
    """Torque at the flywheel. [N·m]."""
    e, around = task.engine, task.around
    air = (flows.airflow - flows.leak) / np.maximum(flows.fuel_flow, 1e-9)
    rich = np.clip(0.88 + 0.12 * (air - 16.0) / 10.0, 0.7, 1.0)
    cycle = flows.fuel * around.heating_value * e.indicated_efficiency * rich * e.cylinders
    pumping = pressure * (back - 1.0) * e.displacement
    friction = parts.friction_torque(e, task.rpm, around.coolant_temperature)
    return np.asarray((cycle - pumping) / (4.0 * np.pi) - friction)


class _Guess(NamedTuple):
    charge: Array
    back: Array


class _Balance(NamedTuple):
    flows: Intake
    squeeze: Compression
    hot: Array


def _balance(task: Task, pressure: Array, guess: _Guess, passes: int) -> _Balance:
    flows = intake(task, pressure, guess.charge, guess.back)
    squeeze = compression(task, pressure, flows, guess.charge)
    charge = squeeze.manifold_temperature
    for _ in range(passes - 1):
        flows = intake(task, pressure, charge, guess.back)
        squeeze = compression(task, pressure, flows, charge)
        charge = squeeze.manifold_temperature
    flows = intake(task, pressure, charge, guess.back)
    return _Balance(flows, squeeze, exhaust_temperature(task, flows, charge))


def solve(task: Task) -> Point:
    """Solve all operating points of a task.

    Returns
    -------
    Point
        Settled to about 1e-5 in manifold pressure.
    """
    n = len(task.rpm)
    ambient = np.broadcast_to(np.asarray(task.around.ambient_temperature, dtype=float), (n,))
    target = parts.boost_setpoint(
        task.engine, task.rpm, task.load, task.around.ambient_pressure
    ) * np.ones(n)
    aim = target - task.faults.manifold_pressure_offset
    low = np.broadcast_to(np.asarray(task.engine.turbine_area_min, dtype=float), (n,))
    high = low * task.engine.turbine_area_span
    guess = _Guess(ambient + 18.0, np.full(n, 1.25))
    pressure = aim
    area = low
    for turn in range(3):
        pressure, area, guess = _pass(task, aim, (low, high), guess, first=turn == 0)
    final = _balance(task, pressure, guess, 2)
    exhaust, _ = turbine(task, area, final.flows, final.hot)
    torque = brake_torque(task, final.flows, pressure, exhaust / pressure)
    return Point(pressure, final.flows, final.squeeze, exhaust, final.hot, area, target, torque)


def _pass(
    task: Task, aim: Array, span: tuple[Array, Array], guess: _Guess, *, first: bool
) -> tuple[Array, Array, _Guess]:
    """One round: where the control is free, the area it takes; elsewhere the pressure it gets."""
    low, high = span
    at_aim = _balance(task, aim, guess, 3 if first else 2)
    needed = area_needed(task, at_aim.flows, at_aim.hot, at_aim.squeeze.power)
    area = np.clip(needed, low, high)
    pressure = np.array(aim)
    charge = np.array(at_aim.squeeze.manifold_temperature)
    exhaust, _ = turbine(task, area, at_aim.flows, at_aim.hot)
    back = exhaust / pressure
    stuck = np.flatnonzero(needed != area)
    if stuck.size:
        part = task.take(stuck)
        local = _Guess(charge[stuck], back[stuck])
        found, local = _saturated(part, aim[stuck], area[stuck], local)
        pressure[stuck], charge[stuck], back[stuck] = found, local.charge, local.back
    return pressure, area, _Guess(charge, back)


def _saturated(task: Task, aim: Array, area: Array, guess: _Guess) -> tuple[Array, _Guess]:
    """Manifold pressure at a given effective area, by a bracketed false position (Illinois)."""
    ambient = np.asarray(task.around.ambient_pressure) * np.ones(len(aim))
    open_end = area > 1.5 * np.asarray(task.engine.turbine_area_min)

    def surplus(pressure: Array) -> tuple[Array, _Guess]:
        state = _balance(task, pressure, guess, 2)
        exhaust, power = turbine(task, area, state.flows, state.hot)
        return (power - state.squeeze.power) / 1e3, _Guess(
            state.squeeze.manifold_temperature, exhaust / pressure
        )

    low = np.where(open_end, aim, 0.90 * ambient)
    high = np.where(open_end, aim + 1.2 * ambient, aim)
    low_value, _ = surplus(low)
    high_value, state = surplus(high)
    middle = high
    for _ in range(9):
        slope = high_value - low_value
        safe = np.where(np.abs(slope) < 1e-12, -1e-12, slope)
        middle = np.clip(high - high_value * (high - low) / safe, low, high)
        value, state = surplus(middle)
        guess = state
        above = value > 0.0  # power to spare: the pressure may rise
        high_value = np.where(above, 0.5 * high_value, value)
        low_value = np.where(above, value, 0.5 * low_value)
        low = np.where(above, middle, low)
        high = np.where(above, high, middle)
    return middle, state


def size_turbocharger(engine: Engine, rpm_full_boost: float, rated_share: float = 0.70) -> Engine:
    """Give an engine (scalar fields) a turbocharger that fits it.

    The closed turbine just gives full boost at ``rpm_full_boost`` and full load, at 98 kPa and
    20 °C; the compressor's choke flow is such that flow at maximum speed is ``rated_share`` of it.
    """
    around = Conditions(98e3, 293.15)
    full = np.array([float(engine.speed_max) * 0.95])
    boost = 98e3 + np.asarray(engine.boost_full)
    density = boost / (parts.GAS_CONSTANT * 325.0)
    flow = engine.filling_peak * density * engine.displacement * full / 120.0
    choke = float((flow / rated_share)[0])
    e = replace(engine, compressor_flow=choke)
    loss = 0.035 * 98e3  # filter loss at rated flow
    peak = float(flow[0])
    e = replace(
        e,
        filter_loss=loss * 1.16 / peak**2,
        cooler_loss=8.5e3 * float(density) / peak**2,
        exhaust_loss=14e3 / peak**2,
        cooler_flow=0.6 * peak,
        fuel_full=engine.fuel_full,
    )
    task = Task(e, Faults(), around, np.array([rpm_full_boost]), np.array([1.0]))
    aim = parts.boost_setpoint(e, task.rpm, task.load, 98e3)
    state = _balance(task, aim, _Guess(np.array([325.0]), np.array([1.3])), 6)
    area = float(area_needed(task, state.flows, state.hot, state.squeeze.power)[0])
    return replace(e, turbine_area_min=area, rotor_inertia=4.5e-5 * (choke / 0.19) ** 1.6)


def fuel_for(displacement: float, cylinders: int, boost: float, ratio: float) -> float:
    """Full-load fuel per stroke for an air-fuel ratio at full boost. [kg]."""
    density = (98e3 + boost) / (parts.GAS_CONSTANT * 322.0)
    return 0.87 * density * displacement / cylinders / ratio
