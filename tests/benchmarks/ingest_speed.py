"""How fast logs are stored, beside a bare loop over the same files in the same process.

Run it by hand: ``python tests/benchmarks/ingest_speed.py [FILES] [ROWS]``. The bare loop hashes a
file, reads it with ``polars.read_csv``, inserts the frame into DuckDB and commits: the least that
any program must do. Beside it stands what ``healthtrack ingest`` does without worker processes: the
same and all checks (store), and then the operating points as well (store and windows). Printed are
the medians of three rounds, wall and processor time (the second is steadier on a busy machine);
nothing here is a test.
"""

from __future__ import annotations

import hashlib
import resource
import statistics
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb
import numpy as np
import polars as pl

from healthtrack import ingest
from healthtrack.chain import process_log
from healthtrack.config import VehicleSettings
from healthtrack.operating import find_operation
from healthtrack.store import LogEntry, Store

if TYPE_CHECKING:
    from collections.abc import Callable

NOW = datetime(2026, 1, 1, tzinfo=UTC)
VEHICLE = VehicleSettings(displacement_l=2.0)
COLUMNS = {
    "engine speed [rpm]": 1, "vehicle speed [km/h]": 1, "airflow [g/s]": 2,
    "manifold pressure [kPa]": 1, "ambient pressure [kPa]": 1, "ambient temperature [°C]": 1,
    "intake temperature [°C]": 1, "coolant temperature [°C]": 1, "pedal [%]": 1,
    "fuel per stroke [mg/stroke]": 1, "odometer [km]": 1,
}  # fmt: skip


def write_logs(folder: Path, files: int, rows: int) -> list[Path]:
    """Write so many made-up drives, one a day, in the comma layout."""
    rng = np.random.default_rng(1)
    paths = []
    for number in range(files):
        start = datetime(2024, 1, 1, 8, tzinfo=UTC) + timedelta(days=number)
        at = np.arange(rows) * 1.0
        speed = 1700 + 500 * np.sin(at / 40 + number) + rng.normal(0, 8, rows)
        pressure = 140 + 35 * np.sin(at / 40 + number) + rng.normal(0, 0.7, rows)
        flow = (0.85 + rng.normal(0, 0.02, rows)) * 2.0 * speed / 120 * pressure * 1000 / 86_400
        columns = [
            speed, 0.04 * speed, flow, pressure, np.full(rows, 98.0), np.full(rows, 15.0),
            np.full(rows, 28.0), np.full(rows, 88.0), 30 + 10 * np.sin(at / 40),
            15 + 5 * np.sin(at / 40), 100_000 + 40 * number + at / 60,
        ]  # fmt: skip
        frame = pl.DataFrame(
            {
                name: np.round(column, digits)
                for (name, digits), column in zip(COLUMNS.items(), columns, strict=True)
            }
        )
        moments = pl.datetime_range(
            start, start + timedelta(seconds=rows - 1), "1s", time_zone="UTC", eager=True
        )
        stamps = moments.dt.strftime("%Y-%m-%dT%H:%M:%S.%3fZ").alias("time")
        path = folder / f"{start:%Y-%m-%d}.csv"
        pl.DataFrame([stamps, *frame.get_columns()]).write_csv(path)
        paths.append(path)
    return paths


def bare_loop(paths: list[Path], folder: Path) -> None:
    """Hash, read, insert, commit: nothing is checked."""
    connection = duckdb.connect(str(folder / "bare.duckdb"), config={"memory_limit": "256MB"})
    columns = ", ".join(f'"{name}" DOUBLE' for name in COLUMNS)
    connection.execute(f"CREATE TABLE sample (drive VARCHAR, time TIMESTAMPTZ, {columns})")
    connection.execute("CREATE TABLE log (sha256 VARCHAR PRIMARY KEY, name VARCHAR)")
    schema = {"time": pl.String, **dict.fromkeys(COLUMNS, pl.Float64)}
    for path in paths:
        sha256 = hashlib.sha256(path.read_bytes()).hexdigest()
        frame = pl.read_csv(path, schema=schema).with_columns(
            pl.col("time").str.to_datetime("%Y-%m-%dT%H:%M:%S%.3fZ", time_zone="UTC"),
            drive=pl.lit(path.stem),
        )
        connection.register("log_rows", frame)
        connection.execute("BEGIN")
        connection.execute("INSERT INTO log VALUES (?, ?)", [sha256, path.name])
        connection.execute("INSERT INTO sample BY NAME SELECT * FROM log_rows")
        connection.execute("COMMIT")
    connection.close()


def store_only(paths: list[Path], folder: Path) -> None:
    """Read with every check and store; no operating points."""
    pipelines = list(ingest.load_pipelines(ingest.template_folder()).values())
    nothing: object = None
    with Store.open(folder / "store.duckdb") as store:
        for path in paths:
            sha256 = hashlib.sha256(path.read_bytes()).hexdigest()
            if store.log(sha256) is not None:
                continue
            read = ingest.read_log(path, pipelines, "otter", VEHICLE)
            nothing = nothing or _no_operation(read)
            entry = LogEntry(sha256, path.name, "otter", NOW)
            store.add_log(entry, read, nothing)  # type: ignore[arg-type]


def _no_operation(read: object) -> object:
    return find_operation(read.samples.clear(), VEHICLE)  # type: ignore[attr-defined]


def store_and_windows(paths: list[Path], folder: Path) -> None:
    """Read, find the operating points, store."""
    pipelines = list(ingest.load_pipelines(ingest.template_folder()).values())
    with Store.open(folder / "windows.duckdb") as store:
        for path in paths:
            sha256 = hashlib.sha256(path.read_bytes()).hexdigest()
            if store.log(sha256) is not None:
                continue
            result = process_log(path, pipelines, "otter", VEHICLE)
            entry = LogEntry(sha256, path.name, "otter", NOW)
            store.add_log(entry, result.read, result.operation)


def timed(work: Callable[[list[Path], Path], None], paths: list[Path]) -> tuple[float, float]:
    """Return the medians of three rounds, each into a fresh folder: wall and processor [s]."""
    walls, processors = [], []
    for _ in range(3):
        with tempfile.TemporaryDirectory() as name:
            wall, processor = time.perf_counter(), time.process_time()
            work(paths, Path(name))
            walls.append(time.perf_counter() - wall)
            processors.append(time.process_time() - processor)
    return statistics.median(walls), statistics.median(processors)


def main() -> None:
    """Measure and print."""
    files = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    rows = int(sys.argv[2]) if len(sys.argv) > 2 else 3600
    out = sys.stdout.write
    with tempfile.TemporaryDirectory() as name:
        paths = write_logs(Path(name), files, rows)
        bare = timed(bare_loop, paths)
        out(
            f"{files} logs of {rows} rows, {len(COLUMNS) + 1} columns; per file, wall (processor)\n"
        )
        for words, work in (
            ("bare loop", bare_loop),
            ("store", store_only),
            ("store and windows", store_and_windows),
        ):
            took = timed(work, paths)
            each = [1000 * one / files for one in took]
            ratio = [one / other for one, other in zip(took, bare, strict=True)]
            out(f"{words:18} {each[0]:7.1f} ms ({each[1]:6.1f} ms)")
            out(f"  {ratio[0]:5.2f} x ({ratio[1]:5.2f} x)\n")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    out(f"peak memory        {peak:7.0f} MB\n")


if __name__ == "__main__":
    main()
