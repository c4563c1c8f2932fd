"""What ingesting costs as there is more: memory, the next run over known files, one more log.

Run it by hand: ``python tests/benchmarks/ingest_growth.py memory 100 400 1600`` (each number of
files in a process of its own: its peak), ``… known 10000`` (a run over so many known files of 100
kB), ``… next 100 5000`` (what 48 more logs cost where so many are stored). Processor time, since
the machine may be busy; nothing here is a test.
"""

from __future__ import annotations

import hashlib
import os
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("POLARS_MAX_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parent))

import polars as pl
from ingest_speed import NOW, VEHICLE, Ingest, write_logs

from healthtrack.chain import process_log
from healthtrack.jobs.ingesting import ingest_logs, load_pipelines
from healthtrack.jobs.logs import find_logs
from healthtrack.store import LogEntry, NewLog
from healthtrack.store.transaction import transaction

if TYPE_CHECKING:
    from healthtrack.chain.logs import ProcessedLog

ROWS = 600
MORE = 48


def run_again(made: Ingest, paths: list[Path], files: int) -> None:
    """Ingest so many files that must all be known."""
    logs = find_logs(made.workspace, paths, "otter")
    pipelines = load_pipelines(made.workspace)
    outcomes = list(ingest_logs(made.workspace, made.store, logs, pipelines, NOW))
    if len(outcomes) != files or {one.state for one in outcomes} != {"known"}:
        raise SystemExit("not all was known")


def memory(files: int) -> str:
    """Ingest so many files, twice, and say how much memory this process took at most."""
    with tempfile.TemporaryDirectory() as name, tempfile.TemporaryDirectory() as other:
        paths = write_logs(Path(name), files, ROWS)
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        made = Ingest(Path(other))
        made.ingest(paths)
        run_again(made, paths, files)
        made.store.close()
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return f"{files} files of {ROWS} rows: peak memory {peak:.0f} MB ({before:.0f} MB before)"


def known(files: int, size: int = 100_000) -> str:
    """Say how long a run over so many known files takes, hashes included."""
    with tempfile.TemporaryDirectory() as name:
        made = Ingest(Path(name))
        folder = made.workspace.inbox / "otter"
        folder.mkdir(parents=True, exist_ok=True)
        entries = []
        for number in range(files):
            content = f"{number:08}".encode() + b"x" * size
            path = folder / f"{number:05}.csv"
            path.write_bytes(content)
            sha256 = hashlib.sha256(content).hexdigest()
            entries.append(LogEntry(sha256, str(path), "otter", NOW, size=len(content)))
        remember(made, entries)
        took = []
        for _ in range(3):
            wall, processor = time.perf_counter(), time.process_time()
            run_again(made, [made.workspace.inbox], files)
            took.append((time.process_time() - processor, time.perf_counter() - wall))
        made.store.close()
    best = min(took)
    return f"{files} known files of {size // 1000} kB: {best[0]:.2f} s (wall {best[1]:.2f} s)"


def remember(made: Ingest, entries: list[LogEntry]) -> None:
    """Make the store know logs, without their drives."""
    with transaction(made.store._connection):
        made.store._insert_entries(entries)


def next_logs(stored: int) -> str:
    """Say what more logs cost where so many are stored."""
    with tempfile.TemporaryDirectory() as name, tempfile.TemporaryDirectory() as other:
        paths = write_logs(Path(name), MORE, ROWS)
        made = Ingest(Path(other))
        pipelines = list(load_pipelines(made.workspace).values())
        result = process_log(paths[0], pipelines, "otter", VEHICLE)
        for first in range(0, stored, 50):
            made.store.add_logs(
                [copy_of(result, number) for number in range(first, min(first + 50, stored))]
            )
        processor = time.process_time()
        made.ingest(paths)
        each = 1000 * (time.process_time() - processor) / MORE
        made.store.close()
    return f"with {stored} logs stored: {each:.1f} ms for each of {MORE} new ones of {ROWS} rows"


def copy_of(result: ProcessedLog, number: int) -> NewLog:
    """Return the log as one of an earlier day."""
    back = timedelta(days=number + 1)
    drive = f"otter/{result.read.drives['started'][0] - back:%Y-%m-%dT%H:%M:%S}"

    def moved(frame: pl.DataFrame, *times: str) -> pl.DataFrame:
        return frame.with_columns(
            pl.lit(drive).alias("drive"), *(pl.col(name) - back for name in times)
        )

    operation = result.operation
    windows = replace(operation.windows, frame=moved(operation.windows.frame, "t"))
    return NewLog(
        LogEntry(f"{number:064}", f"{number}.csv", "otter", NOW),
        replace(
            result.read,
            samples=moved(result.read.samples, "t"),
            drives=moved(result.read.drives, "started", "ended"),
        ),
        replace(operation, windows=windows, standstills=moved(operation.standstills, "t")),
    )


def main() -> None:
    """Measure what is asked for and print it."""
    what, *numbers = sys.argv[1:]
    works = {"memory": memory, "known": known, "next": next_logs}
    for number in numbers:
        if len(numbers) > 1:  # each in a process of its own
            subprocess.run([sys.executable, __file__, what, number], check=True)
        else:
            sys.stdout.write(works[what](int(number)) + "\n")


if __name__ == "__main__":
    main()
