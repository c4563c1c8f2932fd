"""How fast logs are stored, beside a bare loop over the same files in the same process.

Run it by hand: ``python tests/benchmarks/ingest_speed.py [FILES] [ROWS] [ROUNDS]``. The bare loop
hashes a file, reads it with ``polars.read_csv``, inserts the frame into DuckDB and commits: the
least that any program must do. Beside it stands what ``healthtrack ingest`` does without worker
processes, by the very function that the command calls: once without looking for operating points
(store), and once with them and with every indicator's figure per drive (the baseline is learned
before, from the same logs, since that is not done per log).

All three take turns, each into a fresh folder, and what is printed are medians over the rounds of
wall and processor time (the second is steadier on a busy machine) and of the ratios within a round;
nothing here is a test.
"""

from __future__ import annotations

import hashlib
import resource
import statistics
import sys
import tempfile
import time
from datetime import UTC, date, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING
from unittest import mock

import duckdb
import numpy as np
import polars as pl

from healthtrack import baseline, indicators
from healthtrack.chain.following import as_then, observe
from healthtrack.config import VehicleSettings
from healthtrack.jobs.ingesting import ingest_logs, load_pipelines
from healthtrack.jobs.logs import find_logs
from healthtrack.jobs.starting import make_workspace
from healthtrack.jobs.workspace import Workspace
from healthtrack.operating import find_operation

if TYPE_CHECKING:
    from collections.abc import Callable

    from healthtrack.baseline import Baseline
    from healthtrack.records import Operation
    from healthtrack.store import Store

NOW = datetime(2026, 1, 1, tzinfo=UTC)
FIRST, LATE = date(2024, 1, 1), date(2035, 1, 1)
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


def ingest_all(paths: list[Path], folder: Path) -> Store:
    """Ingest as the command does, in this process alone."""
    make_workspace(folder / "w")
    loaded = Workspace.load(folder / "w")
    settings = loaded.settings.model_copy(update={"workers": 1, "vehicles": {"otter": VEHICLE}})
    workspace = Workspace(loaded.root, settings)
    store = workspace.open_store()
    logs = find_logs(workspace, paths, "otter")
    outcomes = list(ingest_logs(workspace, store, logs, load_pipelines(workspace), NOW))
    if {outcome.state for outcome in outcomes} != {"stored"}:
        raise SystemExit(f"not all was stored: {outcomes[0]}")
    return store


def store_only(paths: list[Path], folder: Path) -> None:
    """Read with every check and store; no operating points are looked for."""
    with mock.patch("healthtrack.chain.logs.find_operation", nothing_found):
        ingest_all(paths, folder).close()


def nothing_found(samples: pl.DataFrame, vehicle: VehicleSettings) -> Operation:
    """Find nothing, in no time."""
    return find_operation(samples.clear(), vehicle)


def store_windows_indicators(
    paths: list[Path], folder: Path, learned: dict[str, Baseline] | None = None
) -> dict[str, Baseline]:
    """Read, find the operating points, store, and measure every drive against the baselines."""
    store = ingest_all(paths, folder)
    with store:
        history = as_then(store.history("otter", LATE), LATE)
    baselines = {}
    seen, _ = indicators.observable(history.windows, VEHICLE)
    for indicator in seen:
        observed = observe(indicator, history, VEHICLE)
        if observed is None:
            continue
        if learned is None:
            found = baseline.learn(indicator, observed.observations, (FIRST, LATE))
            if found is not None:
                baselines[indicator.name] = found
        elif indicator.name in learned:
            found_figures = baseline.figures(
                indicator, learned[indicator.name], observed.observations
            )
            if found_figures.drives.height != len(paths):
                raise SystemExit(f"{indicator.name}: {found_figures.drives.height} figures")
    return baselines


def timed(work: Callable[[list[Path], Path], object], paths: list[Path]) -> tuple[float, float]:
    """Return how long it takes into a fresh folder: wall and processor. [s]."""
    with tempfile.TemporaryDirectory() as name:
        wall, processor = time.perf_counter(), time.process_time()
        work(paths, Path(name))
        return time.perf_counter() - wall, time.process_time() - processor


def main() -> None:
    """Measure and print."""
    files, rows, rounds = (
        int(given) for given in (sys.argv[1:] + ["60", "3600", "5"][len(sys.argv) - 1 :])
    )
    out = sys.stdout.write
    with tempfile.TemporaryDirectory() as name:
        paths = write_logs(Path(name), files, rows)
        with tempfile.TemporaryDirectory() as other:
            learned = store_windows_indicators(paths, Path(other))
        whole = partial(store_windows_indicators, learned=learned)
        works = {"bare loop": bare_loop, "store": store_only, "and windows, indicators": whole}
        took: dict[str, list[tuple[float, float]]] = {words: [] for words in works}
        for _ in range(rounds):
            for words, work in works.items():
                took[words].append(timed(work, paths))
    out(f"{files} logs of {rows} rows, {len(COLUMNS) + 1} columns, {rounds} rounds; per file, ")
    out(f"wall (processor); figures of {', '.join(learned)}\n")
    for words in works:
        out(f"{words:24}")
        for clock, form in ((0, " {:6.1f} ms {:5.2f} x"), (1, " ({:6.1f} ms {:5.2f} x)")):
            each = [1000 * one[clock] / files for one in took[words]]
            ratios = [
                one[clock] / bare[clock]
                for one, bare in zip(took[words], took["bare loop"], strict=True)
            ]
            out(form.format(statistics.median(each), statistics.median(ratios)))
        out("\n")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    out(f"peak memory {peak:.0f} MB\n")


if __name__ == "__main__":
    main()
