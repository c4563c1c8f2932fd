"""What a turbocharged diesel is to the mean-value model: its parts, its place, what has changed.

Every field broadcasts against the others, so one record holds many engines, points or faults.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

FloatArray: TypeAlias = NDArray[np.float64]
Value: TypeAlias = FloatArray | float


@dataclass(frozen=True, slots=True)
class Engine:
    """What differs from engine to engine; every field broadcasts against the others.

    Parameters
    ----------
    volumetric_efficiency : of the cylinders, at manifold density. [1]
    filling_warmth : exponent of the charge temperature in it: 0 none, 0.5 as √T. [1]
    filling_residual : what it loses per unit of exhaust over manifold pressure. [1]
    compressor_efficiency : isentropic, at its best. [1]
    compressor_slope : d ln(efficiency) / d ln(pressure ratio - 1) along the best flows: low boost
        is made less efficiently. [1]
    compressor_width : how far ln(flow) may leave the best flow before efficiency falls by 40 %.
    full_pressure_ratio, full_speed : where full boost is reached. [1, rpm]
    turbine_efficiency : with the bearing's loss. [1]
    exhaust_heat : share of the fuel's energy that leaves with the exhaust, before the turbine. [1]
    back_pressure : behind the turbine, over ambient. [1]
    cooler_effectiveness : of the charge cooler, at full flow. [1]
    cooler_law : by which power its transfer units grow as the flow falls. [1]
    cooler_sink : how far over ambient what it cools with stands: a liquid circuit. [K]
    cooler_loss : pressure drop over the charge cooler at full flow. [kPa]
    restriction : depression of the intake at full flow. [kPa]
    recirculation_temperature : of recirculated gas behind its cooler. [K]
    boost_control : 0 the turbine's area is mapped, 1 manifold pressure is held at its set value;
        between, as a pneumatic spring does. [1]
    boost_reserve : by how much the area can be closed from where it stands. [1]
    airflow_control : 0 the recirculation valve is mapped, 1 it holds the *measured* airflow. [1]
    valve_adds : 1 an extra opening adds to what is commanded, 0 the valve only never closes below
        it. [1]
    passage : how much of an extra opening of that valve still passes at full load. [1]
    fouling_blocks : kPa of extra cooler loss at full flow per point of effectiveness lost.
    smoke_limit : 0 full-load fuel is fixed, 1 it follows the measured airflow. [1]
    mixture_effect : d ln(efficiency) / d ln(excess air) at full load. [1]
    flow_scale : reference flow of the restriction over full flow. [1]
    leak_opening : how a leak's area grows with the pressure over it, as its power: 0 a hole, 1 a
        split hose that opens. [1]
    reading_law : how an error of the airflow reading grows with the flow, as its power: 0 a gain.
        [1]
    """

    volumetric_efficiency: Value = 0.87
    filling_warmth: Value = 0.0
    filling_residual: Value = 0.0
    compressor_efficiency: Value = 0.72
    compressor_slope: Value = 0.15
    compressor_width: Value = 1.0
    full_pressure_ratio: Value = 2.3
    full_speed: Value = 3000.0
    turbine_efficiency: Value = 0.65
    exhaust_heat: Value = 0.36
    back_pressure: Value = 1.05
    cooler_effectiveness: Value = 0.75
    cooler_law: Value = 0.0
    cooler_sink: Value = 0.0
    cooler_loss: Value = 10.0
    restriction: Value = 2.0
    recirculation_temperature: Value = 400.0
    boost_control: Value = 0.0
    boost_reserve: Value = 0.1
    airflow_control: Value = 0.0
    valve_adds: Value = 1.0
    passage: Value = 0.3
    fouling_blocks: Value = 0.0
    smoke_limit: Value = 0.0
    mixture_effect: Value = 0.15
    flow_scale: Value = 1.0
    leak_opening: Value = 0.0
    reading_law: Value = 0.0


@dataclass(frozen=True, slots=True)
class Point:
    """An operating point of the healthy engine; every field broadcasts.

    Parameters
    ----------
    engine_speed : [rpm]
    pressure_ratio : manifold over ambient pressure. [1]
    excess_air : air over stoichiometric air. [1]
    recirculated : share of recirculated gas in what the cylinders take. [1]
    full_load : 1 where the driver asks for all, else 0.
    ambient_pressure, ambient_temperature : [kPa, K]
    """

    engine_speed: Value
    pressure_ratio: Value
    excess_air: Value
    recirculated: Value = 0.0
    full_load: Value = 0.0
    ambient_pressure: Value = 99.0
    ambient_temperature: Value = 288.15


@dataclass(frozen=True, slots=True)
class Fault:
    """What has changed, in the units of the diagnosis; zero is healthy; every field broadcasts.

    Parameters
    ----------
    airflow_reading : of the airflow sensor. [% of reading]
    pressure_offset : of the manifold pressure sensor. [kPa]
    leak : air lost behind the compressor, of the flow at full boost. [%]
    turbocharger_loss : loss of the compressor's efficiency. [% of it]
    cooler_loss : effectiveness lost, at full flow. [points]
    restriction : extra depression at the reference flow. [kPa]
    recirculation : extra recirculated share at this point, were the valve mapped. [%]
    temperature_offset : of the charge temperature sensor. [K]
    fuel : change of the fuel, to follow a smoke limit. [%]
    """

    airflow_reading: Value = 0.0
    pressure_offset: Value = 0.0
    leak: Value = 0.0
    turbocharger_loss: Value = 0.0
    cooler_loss: Value = 0.0
    restriction: Value = 0.0
    recirculation: Value = 0.0
    temperature_offset: Value = 0.0
    fuel: Value = 0.0
