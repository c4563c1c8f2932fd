"""Many vehicles' reports through the executor: how fast, and whether memory stays flat.

Run with ``python tests/benchmarks/report_many.py [vehicles]``. Every tenth of the way the memory of
each worker and of the process that hands the work out is printed; after the first tenth it should
not grow. Findings are invented (tests/report/conftest.py), five kinds in turn; reports are written
by :func:`healthtrack.jobs.assessing.write_reports`, as the command and the service do.
"""

from __future__ import annotations

import importlib.util
import os
import resource
import sys
import tempfile
import time
from dataclasses import replace
from multiprocessing import active_children
from pathlib import Path
from typing import TYPE_CHECKING

from healthtrack.config import VehicleSettings, WorkspaceSettings
from healthtrack.jobs.assessing import write_reports
from healthtrack.jobs.pool import local_processes, worker_count
from healthtrack.jobs.workspace import Workspace

if TYPE_CHECKING:
    from collections.abc import Iterator

    from healthtrack.records import VehicleFinding

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


def resident(process: int) -> float:
    """Return a process's memory now. [MB]."""
    pages = int(Path(f"/proc/{process}/statm").read_text().split()[1])
    return pages * resource.getpagesize() / 1024**2


def some(vehicles: int) -> Iterator[VehicleFinding]:
    """Make findings of five kinds in turn, one at a time."""
    module = findings()
    made = {kind: module.CASES[kind]() for kind in KINDS}
    for n in range(vehicles):
        yield replace(made[KINDS[n % len(KINDS)]], vehicle=f"vehicle-{n:05}")


def main(vehicles: int) -> None:
    """Draw as `healthtrack report` does, and print."""
    settings = WorkspaceSettings(
        vehicles={
            f"vehicle-{n:05}": VehicleSettings(displacement_l=2.5, name=f"Vehicle {n}")
            for n in range(vehicles)
        }
    )
    every, sizes = max(vehicles // 10, 1), []
    with tempfile.TemporaryDirectory() as folder, local_processes(worker_count(0)) as pool:
        start = time.perf_counter()
        written = write_reports(Workspace(Path(folder), settings), some(vehicles), pool)
        for n, report in enumerate(written, start=1):
            sizes.append(report.path.stat().st_size / 1e3)
            report.path.unlink()
            if n % every == 0:
                workers = [resident(child.pid) for child in active_children() if child.pid]
                told = ", ".join(f"{memory:.0f} MB" for memory in sorted(workers))
                seconds = time.perf_counter() - start
                own = resident(os.getpid())
                sys.stdout.write(
                    f"{n:>6} reports, {seconds:.0f} s: workers {told}; coordinator {own:.0f} MB\n"
                )
                sys.stdout.flush()
    spent = resource.getrusage(resource.RUSAGE_CHILDREN)
    sys.stdout.write(
        f"{vehicles / seconds:.1f} reports a second on {len(workers)} workers, "
        f"{(spent.ru_utime + spent.ru_stime) / vehicles:.2f} s of processor time each; "
        f"{sum(sizes) / len(sizes):.0f} kB each, largest {max(sizes):.0f} kB\n"
    )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
