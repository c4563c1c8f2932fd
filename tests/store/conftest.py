"""Small logs, made by hand, as ingest and operating hand them over."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest

from healthtrack.records import Loss, Operation, ReadLog, Windows
from healthtrack.store import LogEntry, Store

MORNING = datetime(2025, 3, 28, 7, 0, tzinfo=UTC)


def _entry(name: str = "a.csv", vehicle: str = "otter", **changes: object) -> LogEntry:
    fields: dict = {
        "sha256": f"sha-of-{vehicle}-{name}",
        "name": name,
        "vehicle": vehicle,
        "received": datetime(2026, 1, 1, tzinfo=UTC),
        "pipeline": "comma_iso",
    }
    return LogEntry(**(fields | changes))


def _read(
    started: datetime = MORNING, minutes: float = 30, vehicle: str = "otter", rows: int = 4
) -> ReadLog:
    drive = f"{vehicle}/{started:%Y-%m-%dT%H:%M:%S}"
    times = [started + timedelta(minutes=minutes) * i / (rows - 1) for i in range(rows)]
    samples = pl.DataFrame(
        {
            "drive": [drive] * rows,
            "t": pl.Series(times, dtype=pl.Datetime("us", "UTC")),
            "engine_speed": [2000.0 + i for i in range(rows)],
            "airflow": [None, *[40.0] * (rows - 1)],
        }
    )
    drives = pl.DataFrame(
        {
            "drive": [drive],
            "vehicle": [vehicle],
            "log": ["a.csv"],
            "started": pl.Series([times[0]], dtype=pl.Datetime("us", "UTC")),
            "ended": pl.Series([times[-1]], dtype=pl.Datetime("us", "UTC")),
            "odometer_km": [214_300.0],
            "distance_km": [21.5],
        }
    )
    losses = (Loss("implausible", 3, "intake_temperature"), Loss("clock_step", 1))
    return ReadLog(samples, drives, rows, losses, ("the clock stepped back once",))


def _operation(read: ReadLog) -> Operation:
    frame = read.drives.select(
        "drive",
        t="started",
        seconds=pl.lit(8.0),
        region=pl.lit("part_load"),
        engine_speed=pl.lit(2001.5),
        engine_speed_sd=pl.lit(1.3),
        engine_speed_n=pl.lit(4, dtype=pl.UInt32),
        airflow=pl.lit(40.0),
        airflow_sd=pl.lit(0.0),
        airflow_n=pl.lit(3, dtype=pl.UInt32),
    )
    standstills = frame.with_columns(region=pl.lit("key_on"), manifold_pressure=pl.lit(95.0))
    pulls = read.drives.select(
        "drive", t="started", seconds=pl.lit(6.1), specific_power=pl.lit(32.5)
    )
    near_misses = pl.DataFrame(schema=["drive", "t", "seconds", "reason"])
    return Operation(Windows(frame, (Loss("engine_cold", 31),)), standstills, pulls, near_misses)


class Made:
    """Makers of a log's parts; every call gives new ones."""

    entry = staticmethod(_entry)
    read = staticmethod(_read)
    operation = staticmethod(_operation)
    morning = MORNING

    @staticmethod
    def add(store: Store, name: str = "a.csv", vehicle: str = "otter", **when: object) -> LogEntry:
        entry = _entry(name, vehicle)
        read = _read(vehicle=vehicle, **when)
        store.add_log(entry, read, _operation(read))
        return entry


@pytest.fixture(scope="session")
def made() -> type[Made]:
    return Made


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "healthtrack.duckdb") as opened:
        yield opened
