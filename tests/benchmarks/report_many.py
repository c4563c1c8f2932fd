"""Many vehicles' reports through the executor: how fast, and whether memory stays flat.

Run with ``python tests/benchmarks/report_many.py [vehicles]``. Every tenth of the way each worker's
memory is printed; after the first tenth it should not grow.
"""

from __future__ import annotations

import importlib.util
import os
import resource
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path

from healthtrack.report import write_vehicle_report

CONFTEST = Path(__file__).resolve().parent.parent / "report/conftest.py"
KINDS = ("sound", "alarm", "no_odometer", "eight_indicators", "forty_events")


def findings():
    """Return the invented findings of the report's tests."""
    spec = importlib.util.spec_from_file_location("report_conftest", CONFTEST)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def draw(task) -> tuple[int, int, float]:
    """Draw one report; return the process, its memory now [kB], and the report's size [kB]."""
    finding, vehicle, path = task
    write_vehicle_report(finding, vehicle, path)
    size = path.stat().st_size / 1e3
    path.unlink()
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return os.getpid(), pages * resource.getpagesize() // 1024, size


def main(vehicles: int) -> None:
    """Draw and print."""
    module = findings()
    made = {kind: module.CASES[kind]() for kind in KINDS}
    with tempfile.TemporaryDirectory() as folder:
        tasks = (
            (
                replace(made[KINDS[n % len(KINDS)]], vehicle=f"vehicle-{n:05}"),
                module.settings_of("sound"),
                Path(folder) / f"{n}.pdf",
            )
            for n in range(vehicles)
        )
        workers = os.cpu_count() or 1
        start = time.perf_counter()
        with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
            memory: dict[int, int] = {}
            sizes = []
            every = max(vehicles // 10, 1)
            for n, (process, kilobytes, size) in enumerate(pool.map(draw, tasks), start=1):
                memory[process] = kilobytes
                sizes.append(size)
                if n % every == 0:
                    told = ", ".join(f"{kb / 1024:.0f} MB" for _, kb in sorted(memory.items()))
                    sys.stdout.write(f"{n:>6} reports: {told}\n")
        seconds = time.perf_counter() - start
    sys.stdout.write(
        f"{vehicles / seconds:.1f} reports a second with {workers} workers; "
        f"{sum(sizes) / len(sizes):.0f} kB each, largest {max(sizes):.0f} kB\n"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
