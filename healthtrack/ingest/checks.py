"""Trust nothing: values that a sensor or a logger made up, found one by one and taken out.

Each check looks at the readings of one channel (values that are there: a polled channel has one
every few rows) and says which of them are doubtful, and under which reason they are taken out.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from healthtrack.ingest.order import longest_rise, ticks
from healthtrack.records import Loss

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]
    BoolArray = NDArray[np.bool_]

ENDS_OF_SCALE: dict[str, tuple[float, ...]] = {
    # SAE J1979: one byte of 1 kPa, two bytes of 0.01 g/s, one byte of 1 km/h, and the zero byte of
    # a temperature with offset −40 °C; J1939-71: 0xFFxx and 0xFExx of 0.05 kg/h. Ends that lie
    # outside the physical range (510 kPa, 215 °C, 16 383.75 rpm) are found by the range.
    "manifold_pressure": (255.0,),
    "airflow": (655.35, 65535 * 0.05 / 3.6, 65024 * 0.05 / 3.6),
    "vehicle_speed": (255.0,),
    "ambient_temperature": (-40.0,),
    "intake_temperature": (-40.0,),
    "charge_temperature": (-40.0,),
    "coolant_temperature": (-40.0,),
}
"""Values that stand for `no reading` or `more than I can say`, in the store's units."""

_SATURATED_FROM = 2
_SAME = 5e-3
_COLD = -30.0

SPIKES: dict[str, float] = {
    "engine_speed": 2000.0,
    "vehicle_speed": 30.0,
    "ambient_pressure": 5.0,
    "air_box_pressure": 25.0,
    "ambient_temperature": 8.0,
    "intake_temperature": 12.0,
    "charge_temperature": 60.0,
    "coolant_temperature": 12.0,
    "altitude": 100.0,
    "odometer": 2.0,
}
"""How far a single reading may stand off two neighbours that agree, at most 3 s on either side.

A car's engine, wheels and heat capacities cannot go there and back in that time (common practice,
no source); the pedal, the airflow and the boost can, so they are not in the list.
"""

_SPIKE_S = 3.0
_AGREE = 1 / 3

BURST_K = 15.0
"""A temperature so far off its own ten-minute median, beside an impossible one, belongs to it. [K]

Found on real logs: bursts of up to a minute that climb through possible values. [K]
"""
_BURST_CORE_S, _BURST_NEAR_S = 10.0, 60.0
_USUAL = "10m"

STUCK: dict[str, tuple[float, str, float]] = {
    # channel: longest time without any change [s], what must have moved meanwhile, by how much
    "airflow": (20.0, "engine_speed", 250.0),
    "manifold_pressure": (120.0, "engine_speed", 500.0),
    "engine_speed": (20.0, "vehicle_speed", 8.0),
    "vehicle_speed": (120.0, "engine_speed", 1000.0),
    "charge_temperature": (900.0, "manifold_pressure", 40.0),
}
"""A channel that shows exactly the same so long while the other moves is stuck.

Airflow and engine speed have fine steps and never rest; a pressure in steps of 1 kPa may rest for a
minute on the overrun, so it is given longer. A pedal rests for half an hour under cruise control
(seen in the open logs), so it is not in the list. `Moves` is the span between the 10 % and the
90 % quantile, so that the engine's stopping at the end of a stretch does not count.
"""
_STUCK_FROM = 10


def all_checks(frame: pl.DataFrame) -> tuple[pl.DataFrame, list[Loss]]:
    """Run every check on every channel; a value taken out by one is not seen by the next.

    Parameters
    ----------
    frame : frame
        ``t`` and channels in the store's units, null where there is no reading.
    """
    seconds = ticks(frame["t"]) / 1e6
    arrays = {name: _array(frame[name]) for name in frame.columns if name != "t"}
    losses: list[Loss] = []
    touched: set[str] = set()
    for name, values in arrays.items():
        for check in (ends_of_scale, _spike, _stuck, _backwards):
            reason, doubtful = check(name, arrays, seconds)
            count = 0 if doubtful is None else int(doubtful.sum())
            if count:
                values[doubtful] = np.nan
                losses.append(Loss(reason, count, name))
                touched.add(name)
    columns = [pl.Series(name, arrays[name]).fill_nan(None) for name in arrays if name in touched]
    return (frame.with_columns(columns) if columns else frame), losses


def _array(column: pl.Series) -> FloatArray:
    return np.array(column.to_numpy(), dtype=np.float64)


Found = tuple[str, "BoolArray | None"]


def _spike(name: str, arrays: dict[str, FloatArray], seconds: FloatArray) -> Found:
    allowed = SPIKES.get(name)
    return "spike", None if allowed is None else spikes(arrays[name], seconds, allowed)


def _stuck(name: str, arrays: dict[str, FloatArray], seconds: FloatArray) -> Found:
    if name not in STUCK or STUCK[name][1] not in arrays:
        return "stuck", None
    longest, mover, least = STUCK[name]
    return "stuck", stuck(arrays[name], arrays[mover], seconds, longest, least)


def _backwards(name: str, arrays: dict[str, FloatArray], _: FloatArray) -> Found:
    return "odometer_backwards", backwards(arrays[name]) if name == "odometer" else None


def ends_of_scale(name: str, arrays: dict[str, FloatArray], _: FloatArray) -> Found:
    """Find readings that stand at the end of their scale (``saturated``, ``sentinel``).

    A pressure of exactly 255 kPa means `at least 255`. A temperature of exactly −40 °C means that
    the sensor is not there, unless the rest of the drive was near it.
    """
    ends = ENDS_OF_SCALE.get(name, ())
    values = arrays[name]
    if not ends:
        return "saturated", None
    at_end = np.zeros(len(values), dtype=np.bool_)
    for end in ends:
        at_end |= np.abs(values - end) < _SAME
    if at_end.sum() < _SATURATED_FROM:
        return "saturated", None
    if ends != (-40.0,):
        return "saturated", at_end
    others = values[~at_end & ~np.isnan(values)]
    really_cold = len(others) > 0 and np.quantile(others, 0.02) < _COLD
    return "sentinel", None if really_cold else at_end


def spikes(values: FloatArray, seconds: FloatArray, allowed: float) -> BoolArray:
    """Find single readings that stand off two neighbours which agree."""
    found = np.zeros(len(values), dtype=np.bool_)
    rows = np.flatnonzero(~np.isnan(values))
    if len(rows) < 3:
        return found
    v, t = values[rows], seconds[rows]
    before, here, after = v[:-2], v[1:-1], v[2:]
    alone = (
        (np.abs(here - (before + after) / 2) > allowed)
        & (np.abs(before - after) < allowed * _AGREE)
        & (t[2:] - t[:-2] < 2 * _SPIKE_S)
    )
    found[rows[1:-1][alone]] = True
    return found


def stuck(
    values: FloatArray, mover: FloatArray, seconds: FloatArray, longest: float, least: float
) -> BoolArray:
    """Find stretches in which a channel shows exactly the same while its cause moves.

    Parameters
    ----------
    values, mover, seconds : (n,) float64
        The channel, the channel that moves it, the time; NaN where there is no reading.
    longest : float
        A shorter stretch is no sign. [s]
    least : float
        The mover's span from its 10 % to its 90 % quantile, at least. [its unit]
    """
    found = np.zeros(len(values), dtype=np.bool_)
    rows = np.flatnonzero(~np.isnan(values))
    if len(rows) < _STUCK_FROM:
        return found
    edges = np.flatnonzero(np.diff(values[rows]) != 0) + 1
    if len(rows) - len(edges) < _STUCK_FROM:
        return found  # it never rested so long
    bounds = np.concatenate(([0], edges, [len(rows)]))
    starts, ends = bounds[:-1], bounds[1:]
    long = (ends - starts >= _STUCK_FROM) & (
        seconds[rows[ends - 1]] - seconds[rows[starts]] > longest
    )
    for start, end in zip(starts[long], ends[long], strict=True):
        first, last = rows[start], rows[end - 1]
        moved = mover[first:last]
        moved = moved[~np.isnan(moved)]
        if len(moved) and np.quantile(moved, 0.9) - np.quantile(moved, 0.1) > least:
            found[rows[start:end]] = True
    return found


def backwards(values: FloatArray) -> BoolArray:
    """Find readings of a counter that go back, as few as explain it."""
    found = np.zeros(len(values), dtype=np.bool_)
    rows = np.flatnonzero(~np.isnan(values))
    found[rows[~longest_rise(values[rows])]] = True
    return found


def bursts(
    frame: pl.DataFrame, impossible: dict[str, pl.Series]
) -> tuple[pl.DataFrame, list[Loss]]:
    """Take out the possible part of a burst of impossible temperatures (``burst``).

    Parameters
    ----------
    frame : frame
        ``t`` and the channels, impossible values already null.
    impossible : dict of str to (n,) bool
        Per temperature channel, where the impossible values stood.
    """
    losses = []
    for name, where in impossible.items():
        if not name.endswith("_temperature") or not where.any():
            continue
        calm = frame.select("t", value=pl.when(~_near(frame, where, _BURST_CORE_S)).then(name))
        behind = calm.select(pl.col("value").rolling_median_by("t", window_size=_USUAL))["value"]
        mirrored = calm.select(t=pl.col("t").max() - (pl.col("t") - pl.col("t").min()), v="value")
        ahead = (
            mirrored.reverse()
            .select(pl.col("v").rolling_median_by("t", window_size=_USUAL))["v"]
            .reverse()
        )
        # of the two usual values, that of the minutes before and that of those after, the nearer
        off = frame.select(
            pl.min_horizontal((pl.col(name) - behind).abs(), (pl.col(name) - ahead).abs())
        ).to_series()
        far = (off > BURST_K).fill_null(value=False) & _near(frame, where, _BURST_NEAR_S)
        count = int(far.sum())
        if count:
            frame = _without(frame, name, far)
            losses.append(Loss("burst", count, name))
    return frame, losses


def _near(frame: pl.DataFrame, where: pl.Series, seconds: float) -> pl.Series:
    at = pl.when(where).then(pl.col("t"))
    since = (pl.col("t") - at.forward_fill()).dt.total_microseconds()
    until = (at.backward_fill() - pl.col("t")).dt.total_microseconds()
    near = pl.min_horizontal(since, until) <= seconds * 1e6
    return frame.select(near.fill_null(value=False)).to_series()


def _without(frame: pl.DataFrame, name: str, where: pl.Series) -> pl.DataFrame:
    return frame.with_columns(pl.when(~where).then(pl.col(name)).alias(name))
