"""The nomenclature: every channel's name, unit in the store, physical range and meaning.

A channel has one name and one unit wherever it stands in a frame; units are converted once, when a
log is read. Units in the store are those a person reads on a gauge (kPa absolute, °C, g/s, km/h);
formulas in :mod:`healthtrack.airpath` say in their docstrings what they take.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Channel:
    """A measured quantity.

    Parameters
    ----------
    name : str
        Column name in every frame and in the store.
    unit : str
        Unit in the store, a key of :data:`healthtrack.units.UNITS`.
    low, high : float
        Physical range; a value outside cannot be true. [unit]
    meaning : str
        One line for a person.
    longest_gap : float
        How old a value may be, and how far apart two values may be, to be interpolated. [s]
    """

    name: str
    unit: str
    low: float
    high: float
    meaning: str
    longest_gap: float = 2.5


_ALL = (
    Channel("engine_speed", "rpm", 0.0, 8000.0, "crankshaft speed"),
    Channel("vehicle_speed", "km/h", 0.0, 300.0, "road speed"),
    Channel("airflow", "g/s", 0.0, 1000.0, "fresh air mass flow, from the airflow sensor"),
    Channel("manifold_pressure", "kPa", 20.0, 450.0, "intake manifold pressure, absolute"),
    Channel("ambient_pressure", "kPa", 50.0, 110.0, "barometric pressure of the surroundings"),
    Channel("air_box_pressure", "kPa", 40.0, 110.0, "pressure behind the air filter, absolute"),
    Channel("ambient_temperature", "°C", -45.0, 60.0, "air temperature outside", 120.0),
    Channel("intake_temperature", "°C", -40.0, 90.0, "intake air; the sensor's place varies", 10.0),
    Channel("charge_temperature", "°C", -40.0, 200.0, "air behind the charge cooler", 10.0),
    Channel("coolant_temperature", "°C", -45.0, 140.0, "engine coolant", 30.0),
    Channel("pedal", "%", 0.0, 100.0, "accelerator pedal position"),
    Channel("throttle", "%", 0.0, 100.0, "intake throttle position"),
    Channel("load", "%", 0.0, 110.0, "calculated load, percent of full"),
    Channel("torque", "N·m", -500.0, 5000.0, "engine torque as the control unit estimates it"),
    Channel("fuel_per_stroke", "mg/stroke", 0.0, 400.0, "injected fuel per cylinder and cycle"),
    Channel("fuel_flow", "g/s", 0.0, 100.0, "fuel mass flow"),
    Channel("recirculation", "%", 0.0, 100.0, "exhaust gas recirculation valve, open"),
    Channel("boost_duty", "%", 0.0, 100.0, "wastegate or vane command"),
    Channel("altitude", "m", -500.0, 6000.0, "height above sea level", 10.0),
    Channel("odometer", "km", 0.0, 5_000_000.0, "distance on the odometer", 3600.0),
)

CHANNELS: dict[str, Channel] = {channel.name: channel for channel in _ALL}
"""Every channel by its name, in the order in which columns stand in frames and in the store."""
