"""What ingesting costs as there is more: memory, the next run over known files, one more log.

Run it by hand: ``python tests/benchmarks/ingest_growth.py memory 100 400 1600`` (each number of
files in a process of its own: its peak), ``… large 1 2 3`` (that of so many logs near the longest,
in every layout, one after the other, behind twelve ordinary ones and a store that has filled what
memory it may take), ``… known 10000`` (a run over so many known files of 100
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
from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("POLARS_MAX_THREADS", "1")
sys.path.insert(0, str(Path(__file__).parent))

import fault_campaign
import numpy as np
import polars as pl
from fault_campaign import blanks, comma, german, json_lines, long, truth
from ingest_speed import NOW, VEHICLE, Ingest, write_logs

from healthtrack.chain import process_log
from healthtrack.ingest.source import MAXIMUM_BYTES
from healthtrack.jobs.ingesting import ingest_logs, load_pipelines
from healthtrack.jobs.logs import find_logs
from healthtrack.store import LogEntry, NewLog
from healthtrack.store.columns import table_columns
from healthtrack.store.transaction import transaction

if TYPE_CHECKING:
    from healthtrack.chain.logs import ProcessedLog

ROWS = 600
MORE = 48


def run_again(made: Ingest, paths: list[Path], files: int) -> None:
    """Ingest so many files that must all be known."""
    logs = find_logs(made.workspace, paths, "otter")
    pipelines = load_pipelines(made.workspace)
    states = Counter(
        one.state for one in ingest_logs(made.workspace, made.store, logs, pipelines, NOW)
    )
    if states != {"known": files}:
        raise SystemExit(f"not all was known: {states}")


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


LONGEST = int(0.985 * MAXIMUM_BYTES)
LAYOUTS = (comma, german, blanks, long, json_lines)


def large(logs: int) -> str:
    """Say how much memory a process takes at most for so many long logs in a row, per layout."""
    return "\n".join(
        subprocess.run(
            [sys.executable, __file__, "layout", str(number), str(logs)],
            check=True, capture_output=True, text=True,
        ).stdout.strip()
        for number in range(len(LAYOUTS) + 1)
    )  # fmt: skip


def layout(number: int, logs: int) -> str:
    """The same of one layout, in this process; the writing of the logs is another process's."""
    with tempfile.TemporaryDirectory() as name, tempfile.TemporaryDirectory() as other:
        write = [sys.executable, __file__, "write", name, str(number), str(logs)]
        subprocess.run(write, check=True)
        made = Ingest(Path(other))
        fill(made)
        (Path(name) / "few").mkdir()
        made.ingest(write_logs(Path(name) / "few", 12, ROWS))
        paths = sorted(Path(name).glob("log-*"))
        for path in paths:
            made.ingest([path])
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        made.store.close()
        size = sum(path.stat().st_size for path in paths) / len(paths) / 2**20
    what = "steady cruise" if number == len(LAYOUTS) else LAYOUTS[number].__name__
    return f"{what}: {logs} logs of {size:.1f} MiB: peak memory {peak:.0f} MB"


def fill(made: Ingest) -> None:
    """Bring the store's memory to its limit."""
    connection = made.store._connection
    channels = [one for one in table_columns(connection, "sample") if one not in {"drive", "t"}]
    values = ", ".join(f'random() AS "{one}"' for one in channels)
    for _ in range(4):
        connection.execute(
            "INSERT INTO sample BY NAME SELECT 'none' AS drive, TIMESTAMPTZ '2020-01-01' AS t, "
            f"{values} FROM range(250_000)"
        )
    connection.execute("CHECKPOINT")
    sums = ", ".join(f'sum("{one}")' for one in channels)
    connection.execute(f"SELECT {sums} FROM sample").fetchall()


def write_long_logs(folder: Path, number: int, logs: int) -> None:
    """Write logs near the longest: of a layout of the fault campaign, else steady windows alone."""
    rng = np.random.default_rng(1)
    for year in range(2030, 2030 + logs):
        fault_campaign.START = datetime(year, 3, 1, 6, 12, 30, tzinfo=UTC)
        path = folder / f"log-{year}"
        if number == len(LAYOUTS):
            (written,) = write_logs(folder, 1, LONGEST // 88)
            content = written.read_bytes().replace(b"2024-", f"{year}-".encode())
            written.unlink()
        else:
            few = LAYOUTS[number](truth(rng, 2000))
            rows = 2000 * LONGEST // len(few.content())
            made = LAYOUTS[number](truth(rng, rows))
            path, content = path.with_suffix(Path(made.name).suffix), made.content()
        path.write_bytes(content[: content.rindex(b"\n", 0, MAXIMUM_BYTES) + 1])


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
    if what == "write":
        write_long_logs(Path(numbers[0]), int(numbers[1]), int(numbers[2]))
        return
    if what == "layout":
        sys.stdout.write(layout(int(numbers[0]), int(numbers[1])) + "\n")
        return
    works = {"memory": memory, "large": large, "known": known, "next": next_logs}
    for number in numbers:
        if len(numbers) > 1:  # each in a process of its own
            subprocess.run([sys.executable, __file__, what, number], check=True)
        else:
            sys.stdout.write(works[what](int(number)) + "\n")


if __name__ == "__main__":
    main()
