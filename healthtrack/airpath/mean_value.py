"""A mean-value model of a turbocharged diesel's air path, solved for its steady state.

It answers one question: how do airflow, manifold pressure, charge temperature and restriction
move *at a given engine speed and load* when something in the air path changes? It is not fitted to
any vehicle: the diagnosis solves it for many plausible engines, and what they agree on is what the
physics tells.

The healthy state is the vehicle's own operating point (engine speed, manifold over ambient
pressure). From it follow flow, temperatures, the power that the compressor takes and the turbine
area that delivers it. A changed engine then keeps its fuel and, by its control, its turbine area
or its manifold pressure. Compressor and turbine: Heywood, *Internal Combustion Engine
Fundamentals*, 1988, §6.6; the turbine as a flow resistance by Stodola's ellipse; structure of the
mean-value model after Wahlström & Eriksson, *Proc. IMechE D* 225(7), 2011, whose computed steady
states are the outside check (tests/published).

Flows are per litre of displacement, so one solution serves every engine size.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from healthtrack.airpath import gas
from healthtrack.airpath.engine_parts import Engine, Fault, FloatArray, Point, Value

if TYPE_CHECKING:
    from collections.abc import Callable

GAS_CONSTANT = gas.GAS_CONSTANT / 1e3
"""Of dry air. [J/(g·K)]"""
AIR_HEAT = gas.HEAT_CAPACITY / 1e3
EXHAUST_HEAT = 1.13
"""Heat capacity of air and of diesel exhaust at constant pressure. [J/(g·K)]"""
AIR_EXPONENT = (gas.HEAT_RATIO - 1.0) / gas.HEAT_RATIO
EXHAUST_EXPONENT = 0.33 / 1.33
FUEL_ENERGY = 42_800.0
"""Lower heating value of diesel fuel. [J/g]"""
WARM_CHARGE = 320.0
"""Charge temperature at which the volumetric efficiency is stated. [K]"""
STOICHIOMETRIC = 14.5
"""Air to fuel by mass of a light diesel fuel, CH1.8 (Heywood 1988, Table D.4)."""
REFERENCE_DENSITY = 1.20
"""Density to which an intake restriction is scaled. [kg/m³]"""
CRITICAL = 0.528282
"""Pressure ratio under which an orifice chokes, γ = 1.4."""
IDLING = 1.05
"""Manifold over ambient pressure under which the turbocharger does nothing that counts."""

_REACHES = (0.03, 0.12, 0.5)
"""How far from the healthy ln(pressure) a root is looked for, in turn."""
_OUTER = 10
_INNER = 10
_INNER_NEAR = 4
_INNER_LAST = 30


@dataclass(frozen=True, slots=True)
class State:
    """A steady state: what is there and what the sensors say.

    Flows per litre [g/(s·L)], pressures [kPa], temperatures [K]. ``restriction`` is the intake's
    depression scaled to the reference flow by the *measured* flow [kPa]. ``area`` is the turbine
    area at which its power is the compressor's: the healthy one where that is mapped.
    """

    airflow: FloatArray
    measured_airflow: FloatArray
    manifold_pressure: FloatArray
    measured_pressure: FloatArray
    charge_temperature: FloatArray
    measured_temperature: FloatArray
    exhaust_pressure: FloatArray
    exhaust_temperature: FloatArray
    restriction: FloatArray
    area: FloatArray


@dataclass(frozen=True, slots=True)
class Healthy:
    """The healthy state at a point and what follows for the engine's hardware there."""

    engine: Engine
    point: Point
    pressure: FloatArray
    airflow: FloatArray
    fuel: FloatArray
    cylinder_flow: FloatArray
    full_flow: FloatArray
    area: FloatArray
    valve: FloatArray
    charge_temperature: FloatArray
    exhaust_pressure: FloatArray
    exhaust_temperature: FloatArray


@dataclass(frozen=True, slots=True)
class _Gas:
    """The gas along its way at an assumed manifold pressure and turbine area."""

    airflow: FloatArray
    returned: FloatArray
    charge: FloatArray
    hot: FloatArray
    ahead: FloatArray
    turbine: FloatArray
    compressor: FloatArray
    area: FloatArray


def orifice(upstream: Value, downstream: Value) -> FloatArray:
    """Return ṁ√(RT)/(A·p) of an orifice, choked or not. [1].

    Saint-Venant's formula at γ = 1.4 (Heywood 1988, app. C); zero where nothing drives it.
    """
    ratio = np.clip(np.asarray(downstream) / np.asarray(upstream), CRITICAL, 1.0)
    inner = ratio ** (2.0 / gas.HEAT_RATIO) - ratio ** (1.0 + 1.0 / gas.HEAT_RATIO)
    return np.asarray(np.sqrt(np.maximum(7.0 * inner, 0.0)))


def compressor_power(
    flow: Value, inlet: Value, pressure_ratio: Value, efficiency: Value
) -> FloatArray:
    """Return the shaft power that raises ``flow`` by ``pressure_ratio``. [J/s per litre].

    Heywood 1988, eq. 6.42; ``inlet`` temperature in kelvin. A rotor that idles still takes a
    little, so the ratio counts as 1.005 at least.
    """
    rise = np.maximum(np.asarray(pressure_ratio), 1.005) ** AIR_EXPONENT - 1.0
    return np.asarray(flow * AIR_HEAT * inlet * rise / efficiency)


def solve_healthy(engine: Engine, point: Point) -> Healthy:
    """Return the healthy state at ``point``: nothing to iterate but the cooler's own loss."""
    ambient = np.asarray(point.ambient_pressure)
    pressure = np.asarray(point.pressure_ratio * ambient)
    full = _full_flow(engine, point)
    charge = np.asarray(point.ambient_temperature + 20.0 + 0.0 * pressure)
    share = np.asarray(point.recirculated)
    airflow = cylinders = ratio = efficiency = manifold = fuel = hot = through = charge
    back = np.asarray(engine.back_pressure * ambient)
    ahead = back + 0.0 * pressure
    for _ in range(_INNER):
        manifold = (1.0 - share) * charge + share * engine.recirculation_temperature
        cylinders = _cylinder_flow(engine, point, pressure, manifold, ahead)
        airflow = (1.0 - share) * cylinders
        ratio, efficiency = _compressor(engine, point, airflow, pressure, full, Fault())
        outlet = _outlet(point, ratio, efficiency)
        charge = _cooled(engine, point, outlet, airflow / full, Fault())
        fuel = airflow / (STOICHIOMETRIC * np.asarray(point.excess_air))
        hot = _exhaust_temperature(engine, manifold, cylinders, fuel)
        through = cylinders + fuel - share * cylinders
        power = compressor_power(airflow, point.ambient_temperature, ratio, efficiency)
        ahead = _ahead(engine, back, power, through * hot)
    area = through * np.sqrt(hot) / np.sqrt(ahead**2 - back**2)
    valve = share * cylinders / _valve_flow(engine, ahead, pressure)
    return Healthy(
        engine, point, pressure, airflow, fuel, cylinders, full, area, valve, charge, ahead, hot
    )


def solve(healthy: Healthy, fault: Fault) -> State:
    """Return the steady state with ``fault``, at the healthy state's engine speed and load.

    With a mapped turbine area the manifold pressure follows from the balance of powers; with boost
    control it is held at its set value (of the *measured* pressure) as far as the area's range
    allows. With next to no boost the rotor idles and the manifold follows the intake.
    """
    engine, base = healthy.engine, healthy.pressure
    opened = _balance(healthy, fault, healthy.area)
    # with next to no boost the rotor idles and the manifold follows the intake
    idles = np.asarray(healthy.point.pressure_ratio) < IDLING
    control = np.where(idles, 0.0, engine.boost_control)
    pressure = np.where(idles, base - _extra_sag(healthy, fault), opened)
    if np.any(control > 0.0):
        tightest = healthy.area * (1.0 - np.asarray(engine.boost_reserve))
        most = np.maximum(_balance(healthy, fault, tightest), opened)
        held = np.minimum(base - np.asarray(fault.pressure_offset), most)
        pressure = pressure + control * (held - opened)
    return _state(healthy, fault, pressure)


def surplus(healthy: Healthy, fault: Fault, pressure: Value, area: Value) -> FloatArray:
    """Return turbine less compressor power at a given manifold pressure. [J/s per litre].

    What is left accelerates the rotor: the time to build boost goes as its inverse.
    """
    gas = _gas(healthy, fault, np.asarray(pressure), np.asarray(area))
    return gas.turbine - gas.compressor


def _full_flow(engine: Engine, point: Point) -> FloatArray:
    temperature = np.asarray(point.ambient_temperature) + 35.0
    pressure = engine.full_pressure_ratio * np.asarray(point.ambient_pressure)
    full = replace(point, engine_speed=engine.full_speed)
    return _cylinder_flow(engine, full, np.asarray(pressure), temperature)


def _cylinder_flow(
    engine: Engine,
    point: Point,
    pressure: FloatArray,
    temperature: FloatArray,
    ahead: FloatArray | None = None,
) -> FloatArray:
    """Return what the cylinders take: ṁ = ηv·p·V·N/(120·R·T), Heywood 1988, eq. 2.27, V = 1 L.

    Warmer charge takes up less heat from the walls (ηv goes with up to √T, section 6.2.4), and what
    the exhaust's pressure leaves behind takes room (eq. 6.2).
    """
    filled = np.asarray(engine.volumetric_efficiency * pressure * np.asarray(point.engine_speed))
    warm = (temperature / WARM_CHARGE) ** engine.filling_warmth
    left = 1.0 if ahead is None else 1.0 - engine.filling_residual * (ahead / pressure - 1.0)
    return np.asarray(filled * warm * left / (120.0 * GAS_CONSTANT * temperature))


def _sag(engine: Engine, point: Point, airflow: FloatArray, full: FloatArray) -> FloatArray:
    density = point.ambient_pressure / (GAS_CONSTANT * np.asarray(point.ambient_temperature))
    scaled = (airflow / full) ** 2 * (REFERENCE_DENSITY / density)
    return np.asarray(engine.restriction * scaled)


def _dirty(engine: Engine, fault: Fault) -> Engine:
    extra = np.asarray(fault.restriction) / np.asarray(engine.flow_scale) ** 2
    return replace(engine, restriction=np.asarray(engine.restriction) + extra)


def _extra_sag(healthy: Healthy, fault: Fault) -> FloatArray:
    dirty = _dirty(healthy.engine, fault)
    flows = healthy.airflow, healthy.full_flow
    clean = _sag(healthy.engine, healthy.point, *flows)
    return _sag(dirty, healthy.point, *flows) - clean


def _compressor(
    engine: Engine,
    point: Point,
    airflow: FloatArray,
    pressure: FloatArray,
    full: FloatArray,
    fault: Fault,
) -> tuple[FloatArray, FloatArray]:
    relative = airflow / full
    sag = _sag(_dirty(engine, fault), point, airflow, full)
    inlet = point.ambient_pressure - np.minimum(sag, 40.0)
    loss = np.asarray(engine.cooler_loss) + np.asarray(engine.fouling_blocks) * fault.cooler_loss
    dense = engine.full_pressure_ratio * np.asarray(point.ambient_pressure) / pressure
    ratio = (pressure + loss * relative**2 * dense) / inlet
    head = (np.maximum(ratio, 1.02) - 1.0) / (np.asarray(engine.full_pressure_ratio) - 1.0)
    away = np.log(np.maximum(relative, 0.02) / np.sqrt(head)) / np.asarray(engine.compressor_width)
    best = engine.compressor_efficiency * head ** np.asarray(engine.compressor_slope)
    efficiency = np.maximum(best * np.exp(-0.5 * away**2), 0.25)
    return ratio, efficiency * (1.0 - np.asarray(fault.turbocharger_loss) / 100.0)


def _outlet(point: Point, ratio: FloatArray, efficiency: FloatArray) -> FloatArray:
    rise = np.maximum(ratio, 1.0) ** AIR_EXPONENT - 1.0
    return np.asarray(point.ambient_temperature * (1.0 + rise / efficiency))


def _cooled(
    engine: Engine, point: Point, outlet: FloatArray, relative: FloatArray, fault: Fault
) -> FloatArray:
    """Return the temperature behind the charge cooler at a flow relative to full flow. [K].

    ε = 1 − exp(−NTU) where what cools is plentiful, and NTU = UA/(ṁ·cp) grows as the flow falls
    (Kays & London, *Compact Heat Exchangers*, 3rd ed. 1984, ch. 2): by the flow's power −1 where
    the other side resists, by −0.2 where turbulent charge air does. Fouling lowers UA alike
    everywhere, so at part load, where ε is near one anyway, it shows little.
    """
    whole = 1.0 - np.asarray(engine.cooler_effectiveness) + np.asarray(fault.cooler_loss) / 100.0
    more = np.maximum(relative, 0.02) ** -np.asarray(engine.cooler_law)
    sink = point.ambient_temperature + np.asarray(engine.cooler_sink)
    return np.asarray(outlet - (1.0 - np.minimum(whole, 1.0) ** more) * (outlet - sink))


def _exhaust_temperature(
    engine: Engine, manifold: FloatArray, cylinders: FloatArray, fuel: FloatArray
) -> FloatArray:
    heat = engine.exhaust_heat * FUEL_ENERGY * fuel / (EXHAUST_HEAT * (cylinders + fuel))
    return np.asarray(manifold + heat)


def _valve_flow(engine: Engine, ahead: FloatArray, pressure: FloatArray) -> FloatArray:
    # the intake throttle keeps a little drive for recirculation where the turbine gives none
    drive = np.maximum(ahead - pressure, 0.0) + 0.03 * pressure
    return np.asarray(np.sqrt(drive * ahead / engine.recirculation_temperature))


def _gas(
    healthy: Healthy,
    fault: Fault,
    pressure: FloatArray,
    area: FloatArray | None,
    start: _Gas | None = None,
) -> _Gas:
    """Follow the gas round until it agrees with itself.

    Without an area, the turbine takes the one that balances the powers. ``start`` is the answer at
    a pressure nearby, from which few rounds are enough.
    """
    engine, point = healthy.engine, healthy.point
    back = np.asarray(engine.back_pressure * np.asarray(point.ambient_pressure))
    fuel = healthy.fuel * (1.0 + np.asarray(fault.fuel) / 100.0)
    if start is None:
        charge = healthy.charge_temperature + 0.0 * pressure
        airflow = healthy.airflow + 0.0 * pressure
        returned = np.asarray(point.recirculated) * healthy.cylinder_flow + 0.0 * pressure
        ahead = healthy.exhaust_pressure + 0.0 * pressure
    else:
        charge, airflow = start.charge, start.airflow
        returned, ahead = start.returned, start.ahead
    cylinders = hot = charge
    ratio, efficiency = _compressor(engine, point, airflow, pressure, healthy.full_flow, fault)
    rounds = _INNER_LAST if area is None else _INNER if start is None else _INNER_NEAR
    for _ in range(rounds):
        share = returned / (airflow + returned)
        manifold = (1.0 - share) * charge + share * engine.recirculation_temperature
        cylinders = _cylinder_flow(engine, point, pressure, manifold, ahead)
        leak = _leak(healthy, fault, pressure, charge)
        hot = _exhaust_temperature(engine, manifold, cylinders, fuel)
        through = cylinders + fuel - returned
        if area is None:
            power = compressor_power(airflow, point.ambient_temperature, ratio, efficiency)
            ahead = _ahead(engine, back, power, through * hot)
        else:
            ahead = np.sqrt(back**2 + (through * np.sqrt(hot) / area) ** 2)
        asked = _returned(healthy, fault, ahead, pressure, cylinders + leak)
        returned = 0.5 * (returned + np.minimum(asked, 0.75 * cylinders))
        airflow = np.maximum(cylinders - returned + leak, 0.05 * cylinders)
        ratio, efficiency = _compressor(engine, point, airflow, pressure, healthy.full_flow, fault)
        outlet = _outlet(point, ratio, efficiency)
        charge = _cooled(engine, point, outlet, airflow / healthy.full_flow, fault)
    through = cylinders + fuel - returned
    expansion = 1.0 - (back / ahead) ** EXHAUST_EXPONENT
    turbine = engine.turbine_efficiency * through * EXHAUST_HEAT * hot * expansion
    taken = compressor_power(airflow, point.ambient_temperature, ratio, efficiency)
    passing = through * np.sqrt(hot) / np.sqrt(np.maximum(ahead**2 - back**2, 1e-6))
    return _Gas(airflow, returned, charge, hot, ahead, turbine, taken, passing)


def _ahead(
    engine: Engine, back: FloatArray, power: FloatArray, flow_heat: FloatArray
) -> FloatArray:
    """Return the pressure ahead of a turbine that gives ``power``. [kPa]."""
    drop = np.clip(power / (engine.turbine_efficiency * flow_heat * EXHAUST_HEAT), 1e-4, 0.7)
    return np.asarray(back * (1.0 - drop) ** (-1.0 / EXHAUST_EXPONENT))


def _leak(healthy: Healthy, fault: Fault, pressure: FloatArray, charge: FloatArray) -> FloatArray:
    """Return the flow out of (below ambient: into) a leak between compressor and engine.

    Scaled so that it is ``fault.leak`` percent of the nominal full flow at full boost.
    """
    ambient = np.asarray(healthy.point.ambient_pressure)
    full = healthy.engine.full_pressure_ratio * ambient
    warm = np.asarray(healthy.point.ambient_temperature) + 35.0
    scale = full * orifice(full, ambient) / np.sqrt(warm)
    out = pressure * orifice(pressure, ambient) / np.sqrt(charge)
    back = ambient * orifice(ambient, pressure) / np.sqrt(charge)
    over = np.clip(np.abs(pressure - ambient) / (full - ambient), 1e-4, 1.5)
    opened = over ** np.asarray(healthy.engine.leak_opening)
    lost = np.asarray(fault.leak) / 100.0 * healthy.full_flow * opened
    return np.asarray(lost * np.where(pressure >= ambient, out, -back) / scale)


def _reading(healthy: Healthy, fault: Fault) -> FloatArray:
    """Return the airflow reading over the true airflow; the stated error is that at full flow."""
    relative = np.clip(healthy.airflow / healthy.full_flow, 0.02, 1.5)
    law = relative ** np.asarray(healthy.engine.reading_law)
    return np.asarray(1.0 + np.asarray(fault.airflow_reading) / 100.0 * law)


def _returned(
    healthy: Healthy,
    fault: Fault,
    ahead: FloatArray,
    pressure: FloatArray,
    taken: FloatArray,
) -> FloatArray:
    engine, point = healthy.engine, healthy.point
    unit = _valve_flow(engine, ahead, pressure)
    passes = np.where(np.asarray(point.full_load) > 0.5, engine.passage, 1.0)
    stuck = np.asarray(fault.recirculation) / 100.0 * passes * healthy.cylinder_flow
    stuck = stuck / _valve_flow(engine, healthy.exhaust_pressure, healthy.pressure) * unit
    commanded = healthy.valve * unit
    adds = np.asarray(engine.valve_adds)
    mapped = adds * (commanded + stuck) + (1.0 - adds) * np.maximum(commanded, stuck)
    wanted = taken - healthy.airflow / _reading(healthy, fault)
    held = np.clip(wanted, stuck, np.maximum(2.0 * commanded, stuck))
    works = np.asarray(engine.airflow_control) * (np.asarray(point.recirculated) > 0.005)
    return np.asarray(mapped + works * (held - mapped))


def _balance(healthy: Healthy, fault: Fault, area: FloatArray) -> FloatArray:
    """Return the manifold pressure at which turbine and compressor power agree. [kPa]."""
    last: list[_Gas | None] = [None]

    def imbalance(log_pressure: FloatArray) -> FloatArray:
        gas = _gas(healthy, fault, np.exp(log_pressure), area, last[0])
        last[0] = gas
        return np.asarray(np.log(np.maximum(gas.turbine, 1e-9) / gas.compressor))

    boosted = IDLING * np.asarray(healthy.point.ambient_pressure)
    middle = np.log(np.maximum(healthy.pressure, boosted))
    return np.asarray(np.exp(_root(imbalance, *_bracket(imbalance, middle))))


def _bracket(
    function: Callable[[FloatArray], FloatArray], middle: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return the ends of the smallest of some intervals that holds the root nearest to ``middle``.

    Less boost lets more gas recirculate, which lets less boost be made: far off there may be other
    roots, to which no engine jumps.
    """
    low, high = middle - _REACHES[0], middle + _REACHES[0]
    at_low, at_high = function(low), function(high)
    for reach in _REACHES[1:]:
        under, over = at_low < 0.0, (at_high > 0.0) & (at_low >= 0.0)
        value = function(np.where(under, middle - reach, middle + reach))
        low, high, at_low, at_high = (
            np.where(under, middle - reach, np.where(over, high, low)),
            np.where(under, low, np.where(over, middle + reach, high)),
            np.where(under, value, np.where(over, at_high, at_low)),
            np.where(under, at_low, np.where(over, value, at_high)),
        )
    return low, high, at_low, at_high


def _root(
    function: Callable[[FloatArray], FloatArray],
    low: FloatArray,
    high: FloatArray,
    at_low: FloatArray,
    at_high: FloatArray,
) -> FloatArray:
    """Return roots of a falling function, element by element (Illinois variant of regula falsi).

    Where the bracket holds no root, the end nearer to one.
    """
    middle = low
    for _ in range(_OUTER):
        step = at_low / np.where(at_low == at_high, 1.0, at_low - at_high)
        middle = low + np.clip(step, 0.0, 1.0) * (high - low)
        value = function(middle)
        above = value > 0.0
        at_high = np.where(above, 0.5 * at_high, value)
        at_low = np.where(above, value, 0.5 * at_low)
        low, high = np.where(above, middle, low), np.where(above, high, middle)
        if float(np.max(np.abs(value))) < 1e-7:
            break
    return middle


def _state(healthy: Healthy, fault: Fault, pressure: FloatArray) -> State:
    gas = _gas(healthy, fault, pressure, None)
    measured = gas.airflow * _reading(healthy, fault)
    engine, point = healthy.engine, healthy.point
    sag = _sag(_dirty(engine, fault), point, gas.airflow, healthy.full_flow)
    density = point.ambient_pressure / (GAS_CONSTANT * np.asarray(point.ambient_temperature))
    reference = healthy.full_flow * np.asarray(engine.flow_scale)
    scaled = sag * density / REFERENCE_DENSITY * (reference / measured) ** 2
    return State(
        airflow=gas.airflow,
        measured_airflow=measured,
        manifold_pressure=pressure,
        measured_pressure=pressure + np.asarray(fault.pressure_offset),
        charge_temperature=gas.charge,
        measured_temperature=gas.charge + np.asarray(fault.temperature_offset),
        exhaust_pressure=gas.ahead,
        exhaust_temperature=gas.hot,
        restriction=scaled,
        area=gas.area,
    )
