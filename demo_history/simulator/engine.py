"""A mean-value turbocharged diesel: its parameters, and the formulas of its parts.

Everything here is in SI units (Pa, K, kg/s, W) unless the name says otherwise, works element by
element on arrays, and is independent of :mod:`healthtrack`: it is what the monitor is tested with.

The forms are the usual ones of mean-value modelling (turbulent restrictions; a compressor by
similarity of head and flow coefficient with Euler work; Stodola's ellipse law for the turbine;
effectiveness and transfer units for the charge cooler; speed-density filling). The constants are
invented and belong to no engine that is or was for sale.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Value = float | Array

GAS_CONSTANT = 287.05
"""Dry air. [J/(kg·K)]"""
CP_AIR = 1005.0
"""[J/(kg·K)]"""
CP_EXHAUST = 1120.0
"""[J/(kg·K)]"""
KAPPA = 0.4 / 1.4
"""(γ-1)/γ of air. [-]"""
KAPPA_EXHAUST = 0.25
"""(γ-1)/γ of exhaust gas. [-]"""
HEATING_VALUE = 42.8e6
"""Lower heating value of summer diesel fuel. [J/kg]"""
MAP_TEMPERATURE = 298.15
"""Reference temperature of the invented compressor map. [K]"""
MAP_PRESSURE = 100e3
"""Reference pressure of the invented compressor map. [Pa]"""


@dataclass(frozen=True)
class Engine:
    """Parameters of one engine, or of many: every field is a float or an (n,) array.

    ``turbine_area_min`` and ``compressor_flow`` are set by :func:`demo_history.simulator.steady.
    size_turbocharger`, so that any engine has a turbocharger that fits it.
    """

    displacement: Value = 2.5e-3  # m³
    cylinders: Value = 4.0
    filling_peak: Value = 0.88  # volumetric efficiency on manifold conditions at filling_speed
    filling_speed: Value = 2300.0  # rpm
    filling_fall: Value = 0.11  # loss of filling one filling_speed away from it
    filling_temperature: Value = 0.35  # exponent of (charge temperature / 320 K): heat pick-up
    fuel_full: Value = 55e-6  # kg per stroke and cylinder at full load and the best speed
    smoke_ratio: Value = 17.5  # air to fuel, never richer
    smoke_by_airflow_sensor: Value = 1.0  # 1: limit from the airflow sensor, 0: from pressure
    indicated_efficiency: Value = 0.45
    friction_pressure: Value = 155e3  # Pa, mean effective, at 1 000 rpm, warm
    exhaust_heat: Value = 0.36  # share of the fuel's heat in the exhaust gas
    idle_speed: Value = 800.0  # rpm
    speed_max: Value = 4200.0  # rpm
    boost_full: Value = 92e3  # Pa over ambient, setpoint at full load near the coast
    vane: Value = 1.0  # 1: setpoint falls with load (vanes); 0: one setpoint (wastegate)
    compressor_flow: Value = 0.19  # kg/s corrected, choke at reference speed
    compressor_head: Value = 104e3  # J/kg isentropic at reference speed and no flow
    compressor_speed: Value = 150e3  # rpm, reference speed
    compressor_efficiency: Value = 0.76  # best
    turbine_efficiency: Value = 0.58  # turbine and bearings
    turbine_area_min: Value = 1.9e-5  # kg·√K/(s·Pa), vanes or wastegate closed
    turbine_area_span: Value = 3.2  # largest over smallest effective area
    rotor_inertia: Value = 4.5e-5  # kg·m²
    exhaust_loss: Value = 5.5e5  # Pa/(kg/s)², of the exhaust system behind the turbine
    filter_loss: Value = 1.25e5  # Pa·(kg/m³)/(kg/s)², clean air filter and duct
    cooler_loss: Value = 5.0e5  # Pa·(kg/m³)/(kg/s)²
    cooler_units: Value = 1.55  # transfer units at cooler_flow and speed on the road
    cooler_flow: Value = 0.08  # kg/s
    cooler_liquid: Value = 0.0  # share of a thermostat-held coolant in the cooler's sink
    cooler_liquid_temperature: Value = 316.0  # K
    recirculation: Value = 0.30  # share of the filling at light load
    recirculation_closed_loop: Value = 0.0  # 1: controlled on the airflow sensor, 0: by map
    recirculation_temperature: Value = 390.0  # K, behind its cooler
    nominal_charge_temperature: Value = 312.0  # K, in the controller's map

    def take(self, index: npt.NDArray[np.intp]) -> Engine:
        """Return the engines at ``index``; scalars stay as they are."""
        values = {f.name: getattr(self, f.name) for f in fields(self)}
        return replace(
            self, **{k: v[index] for k, v in values.items() if isinstance(v, np.ndarray)}
        )


def stack(engines: list[Engine]) -> Engine:
    """Many engines as one whose fields are (n,) arrays."""
    names = [f.name for f in fields(Engine)]
    return Engine(**{name: np.array([float(getattr(e, name)) for e in engines]) for name in names})


@dataclass(frozen=True)
class Conditions:
    """What surrounds the engine, each a float or an (n,) array."""

    ambient_pressure: Value  # Pa
    ambient_temperature: Value  # K
    coolant_temperature: Value = 361.0  # K
    vehicle_speed: Value = 20.0  # m/s
    humidity: Value = 0.006  # kg water per kg dry air
    heating_value: Value = HEATING_VALUE  # J/kg

    def gas_constant(self) -> Value:
        """Of the moist air. [J/(kg·K)]."""
        return GAS_CONSTANT * (1.0 + 0.608 * self.humidity)


@dataclass(frozen=True)
class Faults:
    """Size of every trouble, at its physical place; zero is sound. Floats or (n,) arrays."""

    airflow_gain: Value = 0.0  # relative error of the airflow reading
    manifold_pressure_offset: Value = 0.0  # Pa added to the pressure reading
    charge_air_leak: Value = 0.0  # leak flow over compressor flow at full boost, 2 500 rpm
    turbocharger_loss: Value = 0.0  # relative loss of compressor efficiency
    cooler_fouling: Value = 0.0  # relative loss of transfer units
    filter_restriction: Value = 0.0  # added flow resistance over the clean one
    recirculation_stuck: Value = 0.0  # opening of the valve that it cannot leave, 0 to 1
    charge_temperature_offset: Value = 0.0  # K added to the charge temperature reading
    # slow wander of a sound vehicle; relative
    breathing_wander: Value = 0.0  # of the filling
    turbocharger_wander: Value = 0.0  # of the compressor's efficiency
    airflow_wander: Value = 0.0  # of the airflow reading
    recirculation_wander: Value = 0.0  # of the recirculated share (relative)

    def take(self, index: npt.NDArray[np.intp]) -> Faults:
        """Return the sizes at ``index``; scalars stay as they are."""
        values = {f.name: getattr(self, f.name) for f in fields(self)}
        return replace(
            self, **{k: v[index] for k, v in values.items() if isinstance(v, np.ndarray)}
        )

    def reading(self) -> Value:
        """Airflow reading over true airflow. [-]."""
        return (1.0 + self.airflow_gain) * (1.0 + self.airflow_wander)


def smooth_step(x: Value, low: float, high: float) -> Array:
    """0 under ``low``, 1 over ``high``, a cubic between."""
    t = np.clip((np.asarray(x) - low) / (high - low), 0.0, 1.0)
    return np.asarray(t * t * (3.0 - 2.0 * t))


def filling(engine: Engine, rpm: Value, charge: Value, back_pressure: Value) -> Array:
    """Volumetric efficiency on manifold conditions.

    ``charge`` is the manifold temperature [K], ``back_pressure`` exhaust over intake manifold
    pressure. Warmer charge takes up less heat from the walls, so filling rises with it.
    """
    away = (np.asarray(rpm) - engine.filling_speed) / engine.filling_speed
    warm = (np.asarray(charge) / 320.0) ** engine.filling_temperature
    residual = 1.0 - 0.022 * (np.asarray(back_pressure) - 1.0)
    return np.asarray(
        engine.filling_peak * (1.0 - engine.filling_fall * away * away) * warm * residual
    )


def full_fuel(engine: Engine, rpm: Value) -> Array:
    """Fuel at full load, per stroke and cylinder, before any smoke limit. [kg]."""
    rpm = np.asarray(rpm)
    rise = 0.62 + 0.38 * smooth_step(rpm, 800.0, 1900.0)
    fall = 1.0 - 0.22 * smooth_step(rpm, 2900.0, 4300.0)
    return np.asarray(engine.fuel_full * rise * fall)


def boost_setpoint(engine: Engine, rpm: Value, load: Value, ambient_pressure: Value) -> Array:
    """Manifold pressure that the boost control aims at. [Pa].

    ``load`` is fuel over full-load fuel. With vanes the setpoint follows load and speed; a
    wastegate knows only its spring. Less is asked for at altitude, to spare the rotor.
    """
    ambient = np.asarray(ambient_pressure)
    follow = 0.03 + 0.97 * np.clip(load, 0.0, 1.0) ** 1.15
    speed = 0.30 + 0.70 * smooth_step(rpm, 1000.0, 2000.0)
    shape = engine.vane * follow * speed + (1.0 - np.asarray(engine.vane))
    return np.asarray(ambient + engine.boost_full * shape * np.sqrt(ambient / 101.3e3))


def recirculation_share(engine: Engine, rpm: Value, load: Value, coolant: Value) -> Array:
    """Share of recirculated gas in the filling that the calibration wants. [-].

    Most at light load, none at full load, at high speed or on a cold engine.
    """
    light = 1.0 - smooth_step(load, 0.25, 0.72)
    slow = 1.0 - smooth_step(rpm, 2400.0, 3100.0)
    warm = smooth_step(coolant, 325.0, 340.0)
    return np.asarray(engine.recirculation * light * slow * warm)


def compressor_speed(engine: Engine, flow: Value, head: Value) -> Array:
    """Corrected speed over reference speed, from corrected flow [kg/s] and head [J/kg].

    A speed line is head = a·n²·(1 - (flow/(c·n))⁴): flat on top, steep at choke, and similar at
    all speeds. Solved for n² it is a quadratic.
    """
    a = engine.compressor_head
    choke = (np.asarray(flow) / engine.compressor_flow) ** 2
    return np.sqrt((head + np.sqrt(head * np.asarray(head) + 4.0 * (a * choke) ** 2)) / (2.0 * a))


def compressor_head(engine: Engine, flow: Value, speed: Value) -> Array:
    """Isentropic head [J/kg] at corrected flow [kg/s] and speed over reference speed."""
    phi = np.asarray(flow) / (engine.compressor_flow * np.maximum(speed, 1e-3))
    return np.asarray(engine.compressor_head * np.asarray(speed) ** 2 * (1.0 - (phi * phi) ** 2))


def compressor_work(engine: Engine, flow: Value, speed: Value) -> Array:
    """Enthalpy rise [J/kg] that the wheel really takes, at corrected flow and relative speed.

    Euler's work falls with the flow coefficient; recirculation at low flow, leakage at low speed
    and shocks at high speed add to it. Efficiency is head over work.
    """
    speed = np.asarray(speed)
    phi = np.asarray(flow) / (engine.compressor_flow * np.maximum(speed, 1e-3))
    best = 1.2095  # of (1 - phi⁴)/(1 - 0.45 phi), near phi = 0.5
    euler = engine.compressor_head * best / engine.compressor_efficiency
    recirculating = 1.0 + 1.6 * np.maximum(0.42 - phi, 0.0) ** 2
    away = 1.0 + 0.16 * ((speed - 0.72) / 0.72) ** 2
    return np.asarray(euler * speed**2 * np.maximum(1.0 - 0.45 * phi, 0.12) * recirculating * away)


def surge_flow(engine: Engine, speed: Value) -> Array:
    """Corrected flow at the surge line of the invented map, at a relative speed. [kg/s]."""
    speed = np.asarray(speed)
    return np.asarray(engine.compressor_flow * speed * (0.19 + 0.12 * speed))


def turbine_expansion(area: Value, flow: Value, temperature: Value, behind: Value) -> Array:
    """Pressure ratio over the turbine by the ellipse law.

    ``area`` [kg·√K/(s·Pa)], ``flow`` [kg/s], ``temperature`` before it [K], ``behind`` [Pa].
    """
    q = np.asarray(flow) * np.sqrt(temperature) / (np.asarray(behind) * area)
    return np.sqrt(1.0 + q * q)


def orifice_flow(area: Value, pressure: Value, temperature: Value, outside: Value) -> Array:
    """Flow through a hole to the outside, choked or not. [kg/s].

    ``area`` is discharge coefficient times area [m²]. No flow where the inside is not above.
    """
    ratio = np.clip(np.asarray(outside) / pressure, 0.528282, 1.0)
    function = np.sqrt(7.0 * (ratio ** (2.0 / 1.4) - ratio ** (2.4 / 1.4)))
    return np.asarray(area * pressure / np.sqrt(GAS_CONSTANT * np.asarray(temperature)) * function)


def leak_area(engine: Engine, fraction: Value) -> Array:
    """Hole that loses ``fraction`` of the compressor's flow at full boost and 2 500 rpm. [m²].

    Full boost is ``boost_full`` over 100 kPa and a charge at 325 K; the leak is then choked.
    """
    pressure = 100e3 + np.asarray(engine.boost_full)
    density = pressure / (GAS_CONSTANT * 325.0)
    flow = engine.filling_peak * density * engine.displacement * 2500.0 / 120.0
    fraction = np.asarray(fraction)
    leak = flow * fraction / (1.0 - fraction)
    per_area = orifice_flow(1.0, pressure, 325.0, 100e3)
    return np.asarray(leak / per_area)


def cooler_effectiveness(engine: Engine, flow: Value, speed: Value, fouling: Value) -> Array:
    """Effectiveness of the charge cooler; it falls with charge flow and rises with road speed."""
    share = (np.asarray(engine.cooler_flow) / np.maximum(flow, 3e-3)) ** 0.38
    air = 0.66 + 0.34 * np.asarray(speed) / (np.asarray(speed) + 7.0) / (20.0 / 27.0)
    road = engine.cooler_liquid + (1.0 - np.asarray(engine.cooler_liquid)) * air
    units = engine.cooler_units * (1.0 - np.asarray(fouling)) * share * road
    return np.asarray(1.0 - np.exp(-units))


def cooler_sink(engine: Engine, ambient: Value) -> Array:
    """Temperature to which the cooler cools: ambient, or a thermostat-held coolant. [K]."""
    liquid = np.asarray(engine.cooler_liquid)
    return np.asarray((1.0 - liquid) * ambient + liquid * engine.cooler_liquid_temperature)


def friction_torque(engine: Engine, rpm: Value, coolant: Value) -> Array:
    """Mean friction and auxiliaries torque. [N·m]."""
    cold = 1.0 + 0.9 * np.clip((361.0 - np.asarray(coolant)) / 80.0, 0.0, 1.2)
    pressure = engine.friction_pressure * (0.72 + 0.28 * (np.asarray(rpm) / 1000.0) ** 1.1) * cold
    return np.asarray(pressure * engine.displacement / (4.0 * np.pi))


def strokes_per_second(engine: Engine, rpm: Value) -> Array:
    """Injections per second of all cylinders. [1/s]."""
    return np.asarray(np.asarray(rpm) / 120.0 * engine.cylinders)
