"""Whole drives of a fleet as samples, polled together or one channel at a time, with the truth.

For what steady windows cannot show: pulls, spool time, warm-up, standstill. About forty drives a
second, so for hundreds of drives, not for hundreds of thousands.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from demo_history.simulator import driving, dynamic, sensors
from demo_history.simulator.engine import HEATING_VALUE, stack
from demo_history.simulator.frames import CHANNELS, EPOCH

if TYPE_CHECKING:
    from demo_history.simulator.engine import Array
    from demo_history.simulator.fleet import Drives, Vehicle

SLOW = ("ambient_temperature", "coolant_temperature", "odometer", "altitude", "ambient_pressure")
"""Channels that a logger which asks in turn asks for only every fifth round."""


@dataclass(frozen=True)
class Polling:
    """How a logger asks: all channels every ``period`` seconds, or each in turn within it."""

    period: float = 1.0
    in_turn: bool = False


@dataclass(frozen=True)
class Recorded:
    """Samples as in ``healthtrack.records``, and the truth behind them.

    ``truth`` has a row every 0.2 s of every drive: ``drive``, ``t``, ``pulling`` (full load in top
    gear) and the true values named in ``dynamic.RECORDED``.
    """

    samples: pl.DataFrame
    truth: pl.DataFrame


def record_drives(
    rng: np.random.Generator,
    vehicles: list[Vehicle],
    drives: Drives,
    polling: Polling,
    *,
    pulls: int = 1,
) -> Recorded:
    """Integrate drives and read their samples.

    Parameters
    ----------
    drives : Drives
        As :func:`demo_history.simulator.fleet.plan_drives` draws them; take a few.
    pulls : int
        Full-load accelerations in top gear from 60 to 100 km/h near the end of each drive.
    """
    n = len(drives.day)
    plans = []
    for _ in range(n):
        route = str(rng.choice(driving.ROUTES))
        plans.append(driving.plan(rng, route, float(np.round(rng.uniform(420, 600))), pulls=pulls))
    warm = np.where(rng.random(n) < 0.5, rng.uniform(0.7, 0.98, n), 0.0)
    air = drives.sky.temperature
    batch = dynamic.Batch(
        stack([vehicles[i].engine for i in drives.vehicle]),
        driving.stack_chassis([vehicles[i].chassis for i in drives.vehicle]),
        drives.faults,
        drives.sky,
        drives.altitude,
        air + warm * (360.0 - air),
        np.full(n, HEATING_VALUE),
        driving.stack_plans(plans),
        np.array([p.engine_on for p in plans]),
        np.array([p.engine_off for p in plans]),
    )
    true = dynamic.integrate(batch, 1)
    samples, truth = [], []
    for row in range(n):
        vehicle = vehicles[drives.vehicle[row]]
        length = len(plans[row].speed)
        values = {name: value[row, :length] for name, value in true.items()}
        start = EPOCH.timestamp() + round(float(drives.day[row]) * 86400.0)
        stamp = np.datetime64(int(start), "s")
        name = f"{vehicle.name}/{stamp}"
        truth.append(_truth(name, start, values, plans[row]))
        values["odometer"] = drives.odometer[row] + values["distance"]
        values["intake_temperature"] = values["air_box_temperature"]
        errors = _errors(drives, row)
        samples.append(_samples(rng, (name, start), values, vehicle, (errors, polling)))
    return Recorded(pl.concat(samples, how="diagonal"), pl.concat(truth))


def _errors(drives: Drives, row: int) -> sensors.Errors:
    def at(value: float | Array) -> float:
        return float(np.broadcast_to(np.asarray(value), drives.day.shape)[row])

    faults = drives.faults
    return sensors.Errors(
        at(faults.reading()),
        at(faults.manifold_pressure_offset) / 1e3,
        at(faults.charge_temperature_offset),
    )


def _truth(name: str, start: float, values: dict[str, Array], plan: driving.Plan) -> pl.DataFrame:
    time = np.arange(len(plan.speed), dtype=np.float64) * driving.STEP
    return pl.DataFrame(
        {
            "drive": [name] * len(time),
            "t": _stamps(start, np.asarray(time)),
            "pulling": (plan.mode == driving.PULL) & (values["pedal"] > 99.0),
            **{key: values[key] for key in dynamic.RECORDED},
        }
    )


def _stamps(start: float, time: Array) -> pl.Series:
    micro = np.round((start + time) * 1e6).astype(np.int64)
    return pl.Series(micro).cast(pl.Datetime("us", "UTC"))


def _samples(
    rng: np.random.Generator,
    drive: tuple[str, float],
    values: dict[str, Array],
    vehicle: Vehicle,
    logger: tuple[sensors.Errors, Polling],
) -> pl.DataFrame:
    """Rows of one drive; a channel is null in the rows in which it was not asked for."""
    name, start = drive
    errors, polling = logger
    channels = tuple(c for c in CHANNELS if c in vehicle.channels)
    time = np.arange(len(values["airflow"])) * driving.STEP
    rounds = np.arange(0.0, time[-1], polling.period)
    parts = []
    for place, channel in enumerate(channels):
        asked = rounds
        if polling.in_turn:
            slow = channel in SLOW
            asked = rounds[:: 5 if slow else 1] + polling.period * place / len(channels)
        seen = {channel: np.interp(asked, time, values[channel])}
        read = sensors.read(rng, seen, (channel,), errors)[channel]
        parts.append(pl.DataFrame({"t": _stamps(start, asked), channel: read}))
    rows = parts[0]
    for part in parts[1:]:
        rows = rows.join(part, on="t", how="full", coalesce=True)
    return rows.sort("t").select(pl.lit(name).alias("drive"), "t", *channels)
