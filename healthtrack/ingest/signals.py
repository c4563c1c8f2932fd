"""Standard signal numbers: SAE J1979 / ISO 15031-5 parameters and SAE J1939-71 SPNs.

For logs that hold the raw numbers of the bus, and for headers that are only a number. The scalings
are those of the public parameter and SPN tables; the tests check them against worked values. The
layout of the longer J1979 parameters (66, 68, 70, 77, 87) has support bits in its first byte; of
them only 66 was seen printed, so only 66 is here.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import polars as pl

from healthtrack import units


@dataclass(frozen=True, slots=True)
class Signal:
    """How the raw number of a signal becomes a value: ``value = raw · resolution + offset``.

    Parameters
    ----------
    standard : str
        ``"J1979"`` or ``"J1939"``.
    number : str
        Parameter id as two hexadecimal digits, or SPN in decimal.
    channel : str
        The channel it is, a key of :data:`healthtrack.channels.CHANNELS`.
    length : int
        Bytes of the number.
    resolution, offset : float
        Scaling. [unit]
    unit : str
        Unit of the value; a gauge pressure says so.
    first : int
        Where the number begins in the answer's data bytes.
    """

    standard: str
    number: str
    channel: str
    length: int
    resolution: float
    offset: float
    unit: str
    first: int = 0

    @property
    def name(self) -> str:
        """How pipelines call it."""
        return f"{self.standard}:{self.number}"

    @property
    def highest(self) -> int:
        """The highest raw number that is a reading.

        J1939-71 keeps the top of every range: 0xFE… is an error, 0xFF… is not available, and
        what lies between them and 0xFA… is reserved. J1979 keeps nothing.
        """
        rest = int(256 ** (self.length - 1))
        return 256 * rest - 1 if self.standard == "J1979" else 0xFA * rest + rest - 1


def _j1979(  # noqa: PLR0913, PLR0917 - a row of a table
    number: str, channel: str, length: int, resolution: float, offset: float, unit: str,
    first: int = 0,
) -> Signal:  # fmt: skip
    return Signal("J1979", number, channel, length, resolution, offset, unit, first)


def _j1939(
    number: str, channel: str, length: int, resolution: float, offset: float, unit: str
) -> Signal:
    return Signal("J1939", number, channel, length, resolution, offset, unit)


_ALL = (
    _j1979("04", "load", 1, 100 / 255, 0.0, "%"),
    _j1979("05", "coolant_temperature", 1, 1.0, -40.0, "°C"),
    _j1979("0B", "manifold_pressure", 1, 1.0, 0.0, "kPa"),
    _j1979("0C", "engine_speed", 2, 0.25, 0.0, "rpm"),
    _j1979("0D", "vehicle_speed", 1, 1.0, 0.0, "km/h"),
    _j1979("0F", "intake_temperature", 1, 1.0, -40.0, "°C"),
    _j1979("10", "airflow", 2, 0.01, 0.0, "g/s"),
    _j1979("11", "throttle", 1, 100 / 255, 0.0, "%"),
    _j1979("33", "ambient_pressure", 1, 1.0, 0.0, "kPa"),
    _j1979("46", "ambient_temperature", 1, 1.0, -40.0, "°C"),
    _j1979("49", "pedal", 1, 100 / 255, 0.0, "%"),
    _j1979("5E", "fuel_flow", 2, 0.05, 0.0, "L/h"),
    _j1979("66", "airflow", 2, 1 / 32, 0.0, "g/s", 1),
    _j1979("9D", "fuel_flow", 2, 0.02, 0.0, "g/s"),
    _j1979("A6", "odometer", 4, 0.1, 0.0, "km"),
    _j1939("51", "throttle", 1, 0.4, 0.0, "%"),
    _j1939("84", "vehicle_speed", 2, 1 / 256, 0.0, "km/h"),
    _j1939("91", "pedal", 1, 0.4, 0.0, "%"),
    _j1939("92", "load", 1, 1.0, 0.0, "%"),
    _j1939("102", "manifold_pressure", 1, 2.0, 0.0, "kPa gauge"),
    _j1939("105", "charge_temperature", 1, 1.0, -40.0, "°C"),
    _j1939("106", "air_box_pressure", 1, 2.0, 0.0, "kPa"),
    _j1939("108", "ambient_pressure", 1, 0.5, 0.0, "kPa"),
    _j1939("110", "coolant_temperature", 1, 1.0, -40.0, "°C"),
    _j1939("132", "airflow", 2, 0.05, 0.0, "kg/h"),
    _j1939("171", "ambient_temperature", 2, 0.03125, -273.0, "°C"),
    _j1939("172", "intake_temperature", 1, 1.0, -40.0, "°C"),
    _j1939("183", "fuel_flow", 2, 0.05, 0.0, "L/h"),
    _j1939("190", "engine_speed", 2, 0.125, 0.0, "rpm"),
    _j1939("245", "odometer", 4, 0.125, 0.0, "km"),
    _j1939("641", "boost_duty", 1, 0.4, 0.0, "%"),
    _j1939("917", "odometer", 4, 0.005, 0.0, "km"),
    _j1939("1127", "manifold_pressure", 2, 0.125, 0.0, "kPa gauge"),
    _j1939("1188", "boost_duty", 1, 0.4, 0.0, "%"),
    _j1939("2630", "charge_temperature", 2, 0.03125, -273.0, "°C"),
    _j1939("2791", "recirculation", 2, 0.0025, 0.0, "%"),
    _j1939("3563", "manifold_pressure", 1, 2.0, 0.0, "kPa"),
)

SIGNALS: dict[str, Signal] = {signal.name: signal for signal in _ALL}
"""Every signal by the name that pipelines use, like ``J1979:0C`` or ``J1939:190``."""

_PARAMETER = re.compile(
    r"(?:pid|mode ?01|obd)[ _:-]*(?:0x)?(?:01)?([0-9a-f]{2})h?|01([0-9a-f]{2})", re.IGNORECASE
)
_SPN = re.compile(r"spn[ _:-]*(\d{1,5})", re.IGNORECASE)


def signal_of(header: str) -> Signal | None:
    """Return the standard signal that a header names by its number alone, or None.

    >>> signal_of("PID 0x0C").channel, signal_of("SPN 132").unit, signal_of("0C")
    ('engine_speed', 'kg/h', None)
    """
    found = _SPN.fullmatch(header.strip())
    if found:
        return SIGNALS.get(f"J1939:{int(found.group(1))}")
    found = _PARAMETER.fullmatch(header.strip())
    if found:
        return SIGNALS.get(f"J1979:{(found.group(1) or found.group(2)).upper()}")
    return None


def raw_numbers(cells: pl.Series, signal: Signal, digits: str) -> pl.Series:
    """Return the raw numbers of cells that hold them in decimal or as hexadecimal bytes.

    A hexadecimal cell may hold the whole answer (``1A F8``, ``0x1AF8``); the number's own bytes
    are taken from it. What is no such number becomes null.
    """
    if digits == "decimal":
        return cells.cast(pl.String).str.strip_chars().cast(pl.Float64, strict=False)
    text = cells.cast(pl.String).str.replace_all(r"(?i)0x|[\s_:-]", "").str.to_uppercase()
    width = 2 * signal.length
    start = 2 * signal.first
    text = pl.select(
        pl.when(text.str.len_chars() >= start + width)
        .then(text.str.slice(start, width))
        .when(text.str.len_chars() <= width)
        .then(text)
    ).to_series()
    proper = text.str.contains(r"^[0-9A-F]+$").fill_null(value=False)
    number = pl.select(pl.when(proper).then(text)).to_series()
    return number.str.to_integer(base=16, strict=False).cast(pl.Float64)


def scaled(raw: pl.Series, signal: Signal) -> tuple[pl.Series, int]:
    """Return the values in the signal's unit, and how many raw numbers were no readings."""
    reading = raw.is_between(0, signal.highest)
    lost = int((~reading).sum())
    value = raw * signal.resolution + signal.offset
    return pl.select(pl.when(reading).then(value)).to_series(), lost


def unit_of(signal: Signal) -> units.Unit:
    """Return the unit of a signal's values."""
    return units.named(signal.unit)
