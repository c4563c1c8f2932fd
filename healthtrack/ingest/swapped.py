"""Columns that carry each other's header: told by how each behaves, beside the other.

What is refused here is refused on evidence from both columns: each behaves as the other should. A
sensor with a fault spoils one of them and is let through, to be seen by the monitor.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from healthtrack.errors import LogError
from healthtrack.ingest.order import ticks

if TYPE_CHECKING:
    import polars as pl
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]

_HOT_AIR, _COLD_COOLANT = 65.0, 50.0  # °C
_LEAST_READINGS = 50

SLOW_S = 10.0
"""Over so long no temperature of air or water moves far. [s]"""

_SWINGS, _SWINGING_SHARE = 8.0, 0.1
"""A temperature that is so far [K] from what it was on so much of the log swings."""

_SPEED_RESTS, _RESTING_SHARE = 5.0, 0.02
"""A road speed that is so far [km/h] from what it was on less of the log rests."""

_GEAR_S, _GEAR_MOVES, _GEAR_PAIRS = 5.0, 0.05, 30
"""What is geared moves by so much (log) in so long [s], so many times: enough to tell a gear."""

_CONSTANT, _TIGHTER = 0.03, 2.5
"""In gear, road speed over engine speed is constant to steps and polling delays."""


def check_swapped(frame: pl.DataFrame, name: str) -> None:
    """Refuse columns that behave like each other's.

    Parameters
    ----------
    frame : frame
        ``t`` and channels in the store's units.
    name : str
        What messages call the file.

    Raises
    ------
    LogError
        ``swapped_columns``.
    """
    _check_pressures(frame, name)
    for other in ("intake_temperature", "ambient_temperature"):
        _check_coolant(frame, other, name)
        _check_speed_and_temperature(frame, other, name)
    _check_gearing(frame, "engine_speed", "manifold_pressure", name)
    _check_gearing(frame, "vehicle_speed", "airflow", name)


def _check_pressures(frame: pl.DataFrame, name: str) -> None:
    if not {"ambient_pressure", "manifold_pressure"} <= set(frame.columns):
        return
    ambient, manifold = _spread(frame, "ambient_pressure"), _spread(frame, "manifold_pressure")
    if ambient > 25 and manifold < 10:
        raise _swapped(
            name,
            "ambient_pressure",
            "manifold_pressure",
            f"the ambient pressure moves by {ambient:.0f} kPa and the manifold pressure by "
            f"{manifold:.0f} kPa",
        )


def _check_coolant(frame: pl.DataFrame, other: str, name: str) -> None:
    if not {other, "coolant_temperature"} <= set(frame.columns):
        return
    air, coolant = (frame[one].median() for one in (other, "coolant_temperature"))
    if not isinstance(air, float) or not isinstance(coolant, float):
        return
    if air > _HOT_AIR and coolant < _COLD_COOLANT:
        raise _swapped(
            name,
            other,
            "coolant_temperature",
            f"the {other.replace('_', ' ')} is {air:.0f} °C and the coolant {coolant:.0f} °C",
        )


def _check_speed_and_temperature(frame: pl.DataFrame, other: str, name: str) -> None:
    """Refuse a temperature that swings beside a road speed that never does.

    Air may swing with the boost where its sensor sits behind the compressor, but then the car
    accelerates and slows down; a steady cruise has a steady temperature.
    """
    if not {other, "vehicle_speed", "engine_speed"} <= set(frame.columns):
        return
    if swinging_share(frame, other, _SWINGS) <= _SWINGING_SHARE:
        return
    if swinging_share(frame, "vehicle_speed", _SPEED_RESTS) > _RESTING_SHARE:
        return
    if frame["vehicle_speed"].count() < _LEAST_READINGS or not _positive(frame, "vehicle_speed"):
        return
    raise _swapped(
        name,
        other,
        "vehicle_speed",
        f"the {other.replace('_', ' ')} moves by more than {_SWINGS:g} K within {SLOW_S:g} s again "
        f"and again and the road speed hardly by {_SPEED_RESTS:g} km/h",
    )


def _positive(frame: pl.DataFrame, channel: str) -> bool:
    middle = frame[channel].median()
    return isinstance(middle, float) and middle > 0


def swinging_share(frame: pl.DataFrame, channel: str, most: float) -> float:
    """Return on which share of the readings a channel is far from what it was ten seconds ago."""
    least, greatest = frame[channel].min(), frame[channel].max()
    if isinstance(least, float) and isinstance(greatest, float) and greatest - least <= most:
        return 0.0  # it never was so far from anything
    seconds, values = readings(frame, channel)
    if len(values) < _LEAST_READINGS:
        return 0.0
    before = np.searchsorted(seconds, seconds - SLOW_S)
    return float(np.mean(np.abs(values - values[before]) > most))


def readings(frame: pl.DataFrame, channel: str) -> tuple[FloatArray, FloatArray]:
    """Return times [s] and values of a channel's readings."""
    values = np.asarray(frame[channel].to_numpy(), dtype=np.float64)
    seconds = ticks(frame["t"]) / 1e6
    known = np.isfinite(values)
    return (seconds, values) if known.all() else (seconds[known], values[known])


def _check_gearing(frame: pl.DataFrame, first: str, second: str, name: str) -> None:
    """Refuse two columns of which only the one under the other's header is geared to the third.

    A pressure in hPa and an engine speed in rpm are about as large, and their product, which the
    airflow follows, is the same if they are swapped; so are an airflow in kg/h and a road speed.
    But only the engine turns the wheels, at a constant ratio while the gear is held.
    """
    if not {first, second, "vehicle_speed", "engine_speed"} <= set(frame.columns):
        return
    driven = "engine_speed" if first == "vehicle_speed" else "vehicle_speed"
    stated, swapped = wander(frame, driven, (first, second))
    if np.isnan(stated) or swapped > _CONSTANT or stated < _TIGHTER * swapped:
        return
    raise _swapped(
        name,
        first,
        second,
        f"the {_words(driven)} keeps a constant ratio to the {_words(second)} (to "
        f"{100 * swapped:.1f} % over {_GEAR_S:g} s) and none to the {_words(first)} "
        f"({100 * stated:.1f} %)",
    )


def _words(channel: str) -> str:
    return "road speed" if channel == "vehicle_speed" else channel.replace("_", " ")


def wander(frame: pl.DataFrame, driven: str, others: tuple[str, str]) -> tuple[float, float]:
    """Return how much a channel's ratio to two others wanders as it moves.

    Parameters
    ----------
    frame : frame
        ``t`` and channels in the store's units.
    driven, others : str
        Names of channels in it.

    Returns
    -------
    two float
        Median change of the ratio's logarithm over five seconds in which ``driven`` changed by 5 %
        and more; NaN where that is too seldom.
    """
    seconds, values = readings(frame, driven)
    before = np.searchsorted(seconds, seconds - _GEAR_S)
    logs = _logs(values)
    moved = logs - logs[before]
    rows = np.flatnonzero(np.abs(moved) > _GEAR_MOVES)
    changes = [moved[rows]]
    for other in others:
        read = readings(frame, other)
        now, then = (_logs(_at(seconds[at], *read)) for at in (rows, before[rows]))
        changes.append(now - then)
    change = np.vstack(changes)
    change = change[:, np.isfinite(change).all(axis=0)]
    if change.shape[1] < _GEAR_PAIRS:
        return float("nan"), float("nan")
    wandered = np.median(np.abs(change[0] - change[1:]), axis=1)
    return float(wandered[0]), float(wandered[1])


def _logs(values: FloatArray) -> FloatArray:
    return np.log(values, where=values > 0, out=np.full(values.shape, np.nan))


def _at(seconds: FloatArray, times: FloatArray, values: FloatArray) -> FloatArray:
    """Interpolate readings to other times; NaN outside them."""
    if not len(values):
        return np.full(len(seconds), np.nan)
    return np.interp(seconds, times, values, left=np.nan, right=np.nan)


def _spread(frame: pl.DataFrame, channel: str) -> float:
    low, high = (frame[channel].quantile(q) for q in (0.05, 0.95))
    return 0.0 if low is None or high is None else float(high - low)


def _swapped(name: str, first: str, second: str, found: str) -> LogError:
    return LogError(
        "swapped_columns",
        f"{name}: {found}, as if the two columns were swapped. Check column under "
        f"[channels.{first}] and [channels.{second}] of the pipeline.",
    )
