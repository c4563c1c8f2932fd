"""Solved windows as the sensors read them, in the frames of ``healthtrack.records``."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from demo_history.simulator.engine import full_fuel, recirculation_share
from demo_history.simulator.fleet import (
    PEDAL_CURVE,
    Drives,
    Solved,
    Vehicle,
    plan_drives,
    solve_windows,
)
from demo_history.simulator.sensors import NOISE, RESOLUTION
from demo_history.simulator.weather import standard_pressure

if TYPE_CHECKING:
    from demo_history.simulator.engine import Array
    from demo_history.simulator.stories import Story

CHANNELS = (
    "engine_speed",
    "vehicle_speed",
    "airflow",
    "manifold_pressure",
    "ambient_pressure",
    "air_box_pressure",
    "ambient_temperature",
    "intake_temperature",
    "charge_temperature",
    "coolant_temperature",
    "pedal",
    "throttle",
    "load",
    "torque",
    "fuel_per_stroke",
    "fuel_flow",
    "recirculation",
    "boost_duty",
    "altitude",
    "odometer",
)
"""Channels of a windows frame, in order; a test holds them against healthtrack's own."""
SECONDS = 6.0
SPACING = 18.0
"""From window to window. [s]"""
SAMPLES = 6
"""Fresh values of each channel in a window."""
UNSETTLED = 0.005
"""Relative standard deviation of boost in a window from what it would be at rest, common to
pressure and flow: a real driver never holds still."""
EPOCH = datetime(2022, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class Frames:
    """A simulated fleet's history; frames as in ``healthtrack.records``, all vehicles in one.

    ``truth`` has a row per drive: ``drive``, ``vehicle``, ``started``, ``odometer_km``, ``bad`` and
    the true size of every fault and wander (fields of ``Faults``).
    """

    drives: pl.DataFrame
    windows: pl.DataFrame
    standstills: pl.DataFrame
    truth: pl.DataFrame

    def of(self, vehicle: str) -> Frames:
        """Return the history of one vehicle."""
        prefix = f"{vehicle}/"
        mine = pl.col("drive").str.starts_with(prefix)
        return Frames(
            self.drives.filter(pl.col("vehicle") == vehicle),
            self.windows.filter(mine),
            self.standstills.filter(mine),
            self.truth.filter(pl.col("vehicle") == vehicle),
        )

    def by_vehicle(self) -> dict[str, Frames]:
        """Return all histories by vehicle, in one pass."""
        parts = [
            {
                str(key[0]): part.drop("_vehicle")
                for key, part in frame.with_columns(
                    _vehicle=pl.col("drive").str.split("/").list.first()
                )
                .partition_by("_vehicle", as_dict=True)
                .items()
            }
            for frame in (self.drives, self.windows, self.standstills, self.truth)
        ]
        return {name: Frames(*(part[name] for part in parts)) for name in parts[0]}


def simulate_fleet(
    rng: np.random.Generator, vehicles: list[Vehicle], story: Story, per_drive: int = 24
) -> Frames:
    """Live through a story with a fleet.

    Parameters
    ----------
    per_drive : int
        Windows of each drive; the first is an idling one.
    """
    drives = plan_drives(rng, vehicles, story)
    return simulate_windows(rng, vehicles, drives, per_drive)


def simulate_windows(
    rng: np.random.Generator, vehicles: list[Vehicle], drives: Drives, per_drive: int = 24
) -> Frames:
    """Solve and read the windows of given drives.

    The noise is drawn after the operating points, so two calls with generators of the same seed
    and drives that differ in their faults alone see the same roads and the same noise.
    """
    solved = solve_windows(rng, vehicles, drives, per_drive)
    names = np.array([v.name for v in vehicles])
    ids, started = _ids(names, drives)
    values = _readings(rng, solved)
    slot = np.tile(np.arange(per_drive), len(ids))
    values["odometer"] = drives.odometer[solved.drive] + 0.2 * slot
    logged = {
        name: np.array([name in v.channels for v in vehicles])[drives.vehicle[solved.drive]]
        for name in CHANNELS
    }
    standing = _standing_pressure(rng, drives)
    columns: dict[str, pl.Series] = {
        "drive": pl.Series(ids[solved.drive]),
        "t": _times(started, solved.drive, per_drive),
        "seconds": pl.Series(np.full(len(solved.drive), SECONDS)),
        "region": pl.Series(_regions(values, logged)),
        "standing_pressure": pl.Series(standing[solved.drive]),
    }
    for name in CHANNELS:
        columns |= _channel(rng, name, values.get(name), logged[name])
    metres = SPACING * np.bincount(solved.drive, solved.speed, len(ids))
    return Frames(
        _drive_frame(vehicles, drives, ids, started, np.asarray(metres / 1e3)),
        pl.DataFrame(columns),
        _standstills(vehicles, drives, ids, started, standing),
        _truth(names, drives, ids, started),
    )


def _ids(names: np.ndarray, drives: Drives) -> tuple[np.ndarray, list[datetime]]:
    started = [EPOCH + timedelta(seconds=round(d * 86400.0)) for d in drives.day.tolist()]
    whose = names[drives.vehicle].tolist()
    ids = [f"{n}/{s:%Y-%m-%dT%H:%M:%S}" for n, s in zip(whose, started, strict=True)]
    return np.array(ids), started


def _times(started: list[datetime], drive: np.ndarray, per_drive: int) -> pl.Series:
    offset = 240.0 + SPACING * np.tile(np.arange(per_drive), len(started))
    begin = np.array([s.timestamp() for s in started])[drive]
    micro = ((begin + offset) * 1e6).astype(np.int64)
    return pl.Series(micro).cast(pl.Datetime("us", "UTC"))


def _readings(rng: np.random.Generator, s: Solved) -> dict[str, Array]:
    """Means of the channels as the sensors give them, before noise of single samples."""
    point, faults, around = s.point, s.faults, s.around
    loose = np.where(s.kind == 0, 0.2, 1.0) * UNSETTLED * rng.standard_normal(len(s.rpm))
    squeeze = point.compression
    air = np.asarray(around.ambient_temperature) - 273.15
    low = np.asarray(s.engine.turbine_area_min)
    closed = np.log(point.area / low) / np.log(np.asarray(s.engine.turbine_area_span))
    wanted = recirculation_share(s.engine, s.rpm, s.load, around.coolant_temperature)
    boxed = air + 5.0 + 14.0 * np.exp(-s.speed / 5.0) + rng.normal(0.0, 0.8, len(air))
    pressure = point.manifold_pressure * (1.0 + loose)
    return {
        "engine_speed": s.rpm,
        "vehicle_speed": s.speed * 3.6,
        "airflow": point.intake.airflow * 1e3 * (1.0 + loose) * faults.reading(),
        "manifold_pressure": (pressure + faults.manifold_pressure_offset) / 1e3,
        "ambient_pressure": np.asarray(around.ambient_pressure) / 1e3,
        "air_box_pressure": squeeze.inlet_pressure / 1e3,
        "ambient_temperature": air,
        "intake_temperature": boxed,
        "charge_temperature": squeeze.charge_temperature
        - 273.15
        + faults.charge_temperature_offset,
        "coolant_temperature": np.asarray(around.coolant_temperature) - 273.15,
        "pedal": np.where(s.kind == 0, 0.0, 100.0 * s.load ** (1.0 / PEDAL_CURVE)),
        "load": 100.0 * point.intake.fuel / full_fuel(s.engine, np.maximum(s.rpm, 600.0)),
        "fuel_per_stroke": point.intake.fuel * 1e6,
        "recirculation": 100.0 * np.clip(wanted / 0.4, 0.0, 1.0),
        "boost_duty": 95.0 - 90.0 * np.clip(closed, 0.0, 1.0),
        "altitude": s.altitude,
    }


def _regions(values: dict[str, Array], logged: dict[str, np.ndarray]) -> np.ndarray:
    """Name the regions as windows of real logs are named: by load, else by the pedal's travel."""
    idle = (values["engine_speed"] < 1100.0) & (values["vehicle_speed"] < 1.0)
    full = np.where(logged["load"], values["load"] >= 85.0, values["pedal"] >= 70.0)
    return np.where(idle, "idle", np.where(full, "full_load", "part_load"))


def _channel(
    rng: np.random.Generator, name: str, value: Array | None, logged: np.ndarray
) -> dict[str, pl.Series]:
    n = len(logged)
    if value is None or not logged.any():
        empty = pl.Series([None] * n, dtype=pl.Float64)
        return {name: empty, f"{name}_sd": empty, f"{name}_n": pl.Series(np.zeros(n, dtype=int))}
    relative, absolute = NOISE.get(name, (0.0, 0.0))
    spread = np.hypot(np.hypot(relative * value, absolute), RESOLUTION[name] / np.sqrt(12.0))
    slow = RESOLUTION[name] >= 1.0 and name.endswith("temperature")
    if slow:  # all samples of a slow channel round to the same value
        mean, sd = np.round(value), np.zeros(n)
    else:
        mean = value + rng.standard_normal(n) * spread / np.sqrt(SAMPLES)
        sd = spread * np.sqrt(rng.chisquare(SAMPLES - 1, n) / (SAMPLES - 1))
    if name in {"engine_speed", "vehicle_speed", "airflow", "pedal", "load", "fuel_per_stroke"}:
        mean = np.where(value <= 0.0, 0.0, np.maximum(mean, 0.0))
    if name in {"pedal", "boost_duty"}:
        mean = np.clip(mean, 0.0, 100.0)
    known = pl.Series(logged)
    blank = pl.DataFrame({"m": mean, "s": sd, "k": known}).select(
        m=pl.when("k").then("m"), s=pl.when("k").then("s")
    )
    return {
        name: blank["m"],
        f"{name}_sd": blank["s"],
        f"{name}_n": pl.Series(np.where(logged, SAMPLES, 0)),
    }


def _standing_pressure(rng: np.random.Generator, drives: Drives) -> Array:
    """Manifold pressure with the key on and the engine off, rounded as its sensor does. [kPa]."""
    ambient = standard_pressure(drives.altitude) * (1.0 + drives.sky.pressure_share)
    offset = np.asarray(drives.faults.manifold_pressure_offset)
    return np.asarray(np.round((ambient + offset) / 1e3 + rng.normal(0.0, 0.1, len(ambient))))


def _drive_frame(
    vehicles: list[Vehicle], drives: Drives, ids: np.ndarray, started: list[datetime], km: Array
) -> pl.DataFrame:
    knows = np.array(["odometer" in v.channels for v in vehicles])[drives.vehicle]
    ended = [s + timedelta(seconds=900) for s in started]
    utc = pl.Datetime("us", "UTC")
    return pl.DataFrame(
        {
            "drive": ids,
            "vehicle": np.array([v.name for v in vehicles])[drives.vehicle],
            "log": ids,
            "started": pl.Series(started).cast(utc),
            "ended": pl.Series(ended).cast(utc),
            "odometer_km": pl.Series(np.where(knows, drives.odometer, np.nan)).fill_nan(None),
            "distance_km": km,
        }
    )


def _standstills(
    vehicles: list[Vehicle],
    drives: Drives,
    ids: np.ndarray,
    started: list[datetime],
    standing: Array,
) -> pl.DataFrame:
    """One key-on standstill per drive, before the start, all temperatures soaked."""
    n = len(ids)
    pressure = standard_pressure(drives.altitude) * (1.0 + drives.sky.pressure_share) / 1e3
    air = drives.sky.temperature - 273.15
    offset = np.asarray(drives.faults.charge_temperature_offset)
    zero = np.zeros(n)
    values = {
        "engine_speed": zero,
        "vehicle_speed": zero,
        "airflow": zero,
        "manifold_pressure": standing,
        "ambient_pressure": np.round(pressure, 1),
        "air_box_pressure": np.round(pressure, 1),
        "ambient_temperature": np.round(air),
        "intake_temperature": np.round(air),
        "charge_temperature": np.round(air + offset),
        "coolant_temperature": np.round(air),
        "pedal": zero,
        "altitude": drives.altitude,
        "odometer": drives.odometer,
    }
    columns: dict[str, pl.Series] = {
        "drive": pl.Series(ids),
        "t": pl.Series(started).cast(pl.Datetime("us", "UTC")),
        "seconds": pl.Series(np.full(n, 8.0)),
        "region": pl.Series(["key_on"] * n),
        "standing_pressure": pl.Series(standing),
    }
    for name in CHANNELS:
        logged = np.array([name in v.channels for v in vehicles])[drives.vehicle]
        value = np.where(logged, values.get(name, np.full(n, np.nan)), np.nan)
        mean = pl.Series(value, dtype=pl.Float64).fill_nan(None)
        count = np.where(np.isnan(value), 0, 8)
        sd = pl.Series(np.where(np.isnan(value), np.nan, 0.0)).fill_nan(None)
        columns |= {name: mean, f"{name}_sd": sd, f"{name}_n": pl.Series(count)}
    return pl.DataFrame(columns)


def _truth(
    names: np.ndarray, drives: Drives, ids: np.ndarray, started: list[datetime]
) -> pl.DataFrame:
    sizes = {
        name: np.broadcast_to(np.asarray(getattr(drives.faults, name), dtype=float), (len(ids),))
        for name in drives.faults.__dataclass_fields__
    }
    return pl.DataFrame(
        {
            "drive": ids,
            "vehicle": names[drives.vehicle],
            "started": pl.Series(started).cast(pl.Datetime("us", "UTC")),
            "odometer_km": drives.odometer,
            "bad": drives.bad,
            **sizes,
        }
    )
