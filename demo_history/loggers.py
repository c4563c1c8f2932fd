"""Three loggers' ways to write a drive down."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

if TYPE_CHECKING:
    from demo_history.simulator.engine import Array

COMMA = {
    "engine_speed": ("engine speed [rpm]", 0),
    "vehicle_speed": ("vehicle speed [km/h]", 1),
    "airflow": ("mass airflow [g/s]", 2),
    "manifold_pressure": ("manifold pressure [kPa]", 0),
    "ambient_pressure": ("barometric pressure [kPa]", 1),
    "air_box_pressure": ("air box pressure [kPa]", 1),
    "ambient_temperature": ("ambient temperature [°C]", 0),
    "charge_temperature": ("charge temperature [°C]", 0),
    "coolant_temperature": ("coolant temperature [°C]", 0),
    "pedal": ("pedal [%]", 1),
    "fuel_per_stroke": ("fuel quantity [mg/stroke]", 1),
    "boost_duty": ("boost actuator [%]", 1),
    "odometer": ("odometer [km]", 1),
}
"""Header and decimals of the comma layout."""
GERMAN = {
    "engine_speed": ("Drehzahl", "1/min", 0, 1.0),
    "vehicle_speed": ("Geschwindigkeit", "km/h", 1, 1.0),
    "airflow": ("Luftmasse", "g/s", 2, 1.0),
    "manifold_pressure": ("Saugrohrdruck", "hPa", 0, 10.0),
    "ambient_pressure": ("Luftdruck", "hPa", 0, 10.0),
    "ambient_temperature": ("Außentemperatur", "°C", 0, 1.0),
    "charge_temperature": ("Ladelufttemperatur", "°C", 0, 1.0),
    "coolant_temperature": ("Kühlmitteltemperatur", "°C", 0, 1.0),
    "pedal": ("Fahrpedal", "%", 1, 1.0),
    "load": ("Motorlast", "%", 1, 1.0),
    "fuel_per_stroke": ("Einspritzmenge", "mg/Hub", 1, 1.0),
    "boost_duty": ("Ladedrucksteller", "%", 1, 1.0),
    "odometer": ("Kilometerstand", "km", 1, 1.0),
}
"""Header, unit, decimals and factor from the channel's unit of the German layout."""
ELAPSED = {
    "engine_speed": ("n", "rpm", 0, 1.0, 7),
    "vehicle_speed": ("v", "km/h", 1, 1.0, 7),
    "airflow": ("air", "kg/h", 1, 3.6, 8),
    "manifold_pressure": ("map", "mbar", 0, 10.0, 7),
    "intake_temperature": ("intake", "degC", 0, 1.0, 5),
    "charge_temperature": ("charge", "degC", 0, 1.0, 5),
    "ambient_temperature": ("ambient", "degC", 0, 1.0, 5),
    "coolant_temperature": ("coolant", "degC", 0, 1.0, 5),
    "pedal": ("pedal", "%", 1, 1.0, 7),
    "load": ("load", "%", 1, 1.0, 7),
    "altitude": ("altitude", "m", 0, 1.0, 7),
}
"""Header, unit, decimals, factor and width of the elapsed layout."""
SAMPLE_STEPS = {"comma": 5, "german": 5, "elapsed": 4}
"""Integration steps of 0.2 s from row to row."""


@dataclass(frozen=True)
class Drive:
    """What a logger knows of one drive; ``values`` in the units of the channels."""

    vehicle: str
    started: datetime  # UTC
    seconds: Array
    values: dict[str, Array]
    odometer: float  # km, at the start


def _texts(values: Array, decimals: int, missing: str) -> list[str]:
    return [missing if np.isnan(v) else f"{v:.{decimals}f}" for v in values.tolist()]


def comma(drive: Drive) -> tuple[str, bytes]:
    """Name and bytes: comma, point, UTF-8, ISO 8601 in UTC."""
    stamps = [
        (drive.started + timedelta(seconds=s)).strftime("%Y-%m-%dT%H:%M:%SZ")
        for s in drive.seconds.tolist()
    ]
    columns = [stamps]
    header = ["time [UTC]"]
    for channel, values in drive.values.items():
        words, decimals = COMMA[channel]
        header.append(words)
        columns.append(_texts(values, decimals, ""))
    lines = [",".join(header), *(",".join(row) for row in zip(*columns, strict=True))]
    name = f"{drive.started:%Y-%m-%dT%H%MZ}.csv"
    return name, ("\n".join(lines) + "\n").encode("utf-8")


def german(drive: Drive) -> tuple[str, bytes]:
    """Name and bytes: semicolon, decimal comma, row of units, Latin-1, local time, CR LF."""
    zone = ZoneInfo("Europe/Vienna")
    moments = [
        (drive.started + timedelta(seconds=s)).astimezone(zone) for s in drive.seconds.tolist()
    ]
    columns = [[m.strftime("%d.%m.%Y %H:%M:%S") for m in moments]]
    header, units = ["Zeit"], ["tt.mm.jjjj hh:mm:ss"]
    for channel, values in drive.values.items():
        words, unit, decimals, factor = GERMAN[channel]
        header.append(words)
        units.append(unit)
        texts = _texts(values * factor, decimals, "")
        columns.append([t.replace(".", ",") for t in texts])
    rows = (";".join(row) for row in zip(*columns, strict=True))
    lines = [";".join(header), ";".join(units), *rows]
    name = f"Fahrt_{moments[0]:%d-%m-%Y_%H-%M}.csv"
    return name, ("\r\n".join(lines) + "\r\n").encode("latin-1")


def elapsed(drive: Drive) -> tuple[str, bytes]:
    """Name and bytes: blanks, preamble with the start, elapsed seconds, kg/h and mbar, ASCII."""
    header, units = ["t"], ["s"]
    columns = [[f"{s:8.1f}" for s in drive.seconds.tolist()]]
    for channel, values in drive.values.items():
        words, unit, decimals, factor, width = ELAPSED[channel]
        header.append(words)
        units.append(unit)
        columns.append([t.rjust(width) for t in _texts(values * factor, decimals, "nan")])
    lines = [
        "# road recorder 2",
        f"# vehicle: {drive.vehicle}",
        f"# start: {drive.started:%Y-%m-%d %H:%M:%S} UTC",
        f"# units: {' '.join(units)}",
        " ".join(header),
        *("".join(row) for row in zip(*columns, strict=True)),
    ]
    stamp = f"{drive.started:%Y%m%d-%H%M%S}"
    odometer = "" if np.isnan(drive.odometer) else f"_{drive.odometer:.0f}km"
    name = f"{drive.vehicle}{odometer}_{stamp}.log"
    return name, ("\n".join(lines) + "\n").encode("ascii")


WRITERS = {"comma": comma, "german": german, "elapsed": elapsed}
