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
import os
import resource
import statistics
import sys
import tempfile
import time
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar
from unittest import mock

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as worker processes have it
os.environ.setdefault("POLARS_MAX_THREADS", "1")

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
    from collections.abc import Iterator

    from healthtrack.baseline import Baseline
    from healthtrack.indicators.declaration import Indicator
    from healthtrack.records import Operation

NOW = datetime(2026, 1, 1, tzinfo=UTC)
NOTHING = find_operation(
    pl.DataFrame(schema={"drive": pl.String, "t": pl.Datetime("us", "UTC")}), VehicleSettings()
)
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


class BareLoop:
    """Hash, read, insert, commit: nothing is checked."""

    def __init__(self, folder: Path) -> None:
        self.connection = duckdb.connect(
            str(folder / "bare.duckdb"), config={"memory_limit": "256MB"}
        )
        columns = ", ".join(f'"{name}" DOUBLE' for name in COLUMNS)
        self.connection.execute(f"CREATE TABLE sample (drive VARCHAR, time TIMESTAMPTZ, {columns})")
        self.connection.execute("CREATE TABLE log (sha256 VARCHAR PRIMARY KEY, name VARCHAR)")

    def run(self, paths: list[Path]) -> None:
        """Store them all."""
        schema = {"time": pl.String, **dict.fromkeys(COLUMNS, pl.Float64)}
        connection = self.connection
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


class Ingest:
    """What the command does, in this process alone, into a new workspace."""

    def __init__(self, folder: Path) -> None:
        make_workspace(folder / "w")
        loaded = Workspace.load(folder / "w")
        settings = loaded.settings.model_copy(update={"workers": 1, "vehicles": {"otter": VEHICLE}})
        self.workspace = Workspace(loaded.root, settings)
        self.store = self.workspace.open_store()

    def run(self, paths: list[Path]) -> None:
        """Store them all."""
        self.ingest(paths)
        self.store.close()

    def ingest(self, paths: list[Path]) -> None:
        """Store them all; the store stays open."""
        logs = find_logs(self.workspace, paths, "otter")
        pipelines = load_pipelines(self.workspace)
        for outcome in ingest_logs(self.workspace, self.store, logs, pipelines, NOW):
            if outcome.state != "stored":
                raise SystemExit(f"not all was stored: {outcome}")


class StoreOnly(Ingest):
    """The same without looking for operating points."""

    def run(self, paths: list[Path]) -> None:
        """Read with every check and store."""
        with mock.patch("healthtrack.chain.logs.find_operation", nothing_found):
            super().run(paths)


def nothing_found(samples: pl.DataFrame, vehicle: VehicleSettings) -> Operation:
    """Find nothing, in no time."""
    return NOTHING


class WithIndicators(Ingest):
    """The same, and then every drive measured against the baselines."""

    baselines: ClassVar[dict[str, Baseline]] = {}

    def run(self, paths: list[Path]) -> None:
        """Read, find the operating points, store, measure."""
        self.ingest(paths)
        for indicator, observations in self.observed():
            if indicator.name in self.baselines:
                found = baseline.figures(indicator, self.baselines[indicator.name], observations)
                if found.drives.height != len(paths):
                    raise SystemExit(f"{indicator.name}: {found.drives.height} figures")
        self.store.close()

    def observed(self) -> Iterator[tuple[Indicator, pl.DataFrame]]:
        """Yield the observable indicators with what they see of all that is stored."""
        history = as_then(self.store.history("otter", LATE), LATE)
        for indicator in indicators.observable(history.windows, VEHICLE)[0]:
            found = observe(indicator, history, VEHICLE)
            if found is not None:
                yield indicator, found.observations

    def learn(self, paths: list[Path]) -> None:
        """Learn the baselines of all of these logs, once for all rounds."""
        self.ingest(paths)
        for indicator, observations in self.observed():
            found = baseline.learn(indicator, observations, (FIRST, LATE))
            if found is not None:
                self.baselines[indicator.name] = found
        self.store.close()


WORKS: dict[str, type[BareLoop | Ingest]] = {
    "bare loop": BareLoop,
    "store": StoreOnly,
    "and windows, indicators": WithIndicators,
}


def timed(work: type[BareLoop | Ingest], paths: list[Path]) -> tuple[float, float]:
    """Return how long it takes into a new file that is closed in the end: wall, processor. [s]."""
    with tempfile.TemporaryDirectory() as name:
        made = work(Path(name))
        wall, processor = time.perf_counter(), time.process_time()
        made.run(paths)
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
            WithIndicators(Path(other)).learn(paths)
        took: dict[str, list[tuple[float, float]]] = {words: [] for words in WORKS}
        for _ in range(rounds):
            for words, work in WORKS.items():
                took[words].append(timed(work, paths))
    out(f"{files} logs of {rows} rows, {len(COLUMNS) + 1} columns, {rounds} rounds; per file, ")
    out(f"wall (processor); figures of {', '.join(WithIndicators.baselines)}\n")
    for words in WORKS:
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
