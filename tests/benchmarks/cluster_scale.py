"""How a fleet scales on a cluster: speed-up, the coordinator's memory, bytes stored, commits.

Scheduler and workers are processes of their own. Prints one JSON document.

    cd tests/benchmarks
    python cluster_scale.py speed --vehicles 400   ingest and assess with 1 and 2 workers
    python cluster_scale.py memory 100 400 1600    peak memory and time per vehicle-night
    python cluster_scale.py one-night 400          the coordinator alone, its workers canned
    python cluster_scale.py bytes LOGS             both layouts; LOGS holds ID/... of real logs
    python cluster_scale.py commits --logs 200     what the single writer can do

On a busy machine two workers get twice one worker's share of the processors, so wall time says too
much; read the processor time per vehicle of coordinator and workers beside it.
"""

from __future__ import annotations

import argparse
import json
import os
import pickle
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
REPOSITORY = Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(REPOSITORY))

MORNING = datetime(2025, 3, 1, 7, tzinfo=UTC)
AS_OF = date(2025, 6, 1)
NOW = datetime(2025, 6, 2, tzinfo=UTC)
DRIVES = 24
SETTINGS = """\
workers = 1
samples = "samples"
"""


_U = "(hash(drive || t) % 1000 / 1000.0)"
_W = "(hash(t || drive || 'w') % 1000 / 1000.0)"
SPREAD = f"""
    engine_speed = 1500 + 1200 * {_U}, pedal = 20 + 50 * {_W}, manifold_pressure = 110 + 80 * {_W},
    ambient_temperature = 2 + hash(drive) % 20,
    airflow = 0.9 * 2.5 * (1500 + 1200 * {_U}) / 120 * (110 + 80 * {_W}) / (0.287 * 313)
        * (1 + 0.02 * sin(hash(drive) % 100) + 0.01 * sin(hash(t || 'x') % 100))"""
"""Windows over a range of speeds and loads, with a drive's error and a window's own."""


@contextmanager
def cluster_processes(workers: int):
    """Start a scheduler and workers as processes of their own; yields the address."""
    environment = {**os.environ, "PYTHONPATH": str(REPOSITORY), "POLARS_MAX_THREADS": "1"}
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "scheduler.json"
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "env": environment}
        command = [sys.executable, "-m", "dask"]
        scheduler = [*command, "scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard"]
        started = [subprocess.Popen([*scheduler, "--scheduler-file", str(file)], **quiet)]
        worker = [*command, "worker", "--scheduler-file", str(file), "--nthreads", "1"]
        worker += ["--no-nanny", "--no-dashboard", "--host", "127.0.0.1"]
        while not file.exists():
            time.sleep(0.1)
        started += [
            subprocess.Popen([*worker, "--local-directory", f"{folder}/{number}"], **quiet)
            for number in range(workers)
        ]
        try:
            yield json.loads(file.read_text())["address"]
        finally:
            for process in reversed(started):
                process.terminate()
                process.wait()


def make_workspace(root: Path, vehicles: int):
    """Make a workspace whose vehicles are judged as soon as they have enough drives."""
    from healthtrack.jobs.starting import copy_pipelines
    from healthtrack.jobs.workspace import Workspace

    sections = "".join(f"[vehicles.v{n:05}]\ndisplacement_l = 2.5\n" for n in range(vehicles))
    root.mkdir(parents=True)
    (root / "healthtrack.toml").write_text(SETTINGS + sections)
    copy_pipelines(root / "pipelines")
    return Workspace.load(root)


def fill(workspace, vehicles: int) -> None:
    """Give every vehicle the drives and windows of one, moved by a little of its own."""
    from healthtrack.jobs import ingesting
    from healthtrack.jobs.logs import find_logs
    from tests.conftest import _write_log

    folder = workspace.inbox / "v00000"
    for drive in range(DRIVES):
        _write_log(folder / f"{drive:02}.csv", MORNING + timedelta(days=drive), 0.5)
    with workspace.open_store() as store:
        pipelines = ingesting.load_pipelines(workspace)
        list(ingesting.ingest_logs(workspace, store, find_logs(workspace, ()), pipelines, NOW))
        connection = store._connection
        other = "'v' || lpad(n::VARCHAR, 5, '0')"
        renamed = f"replace(drive, 'v00000', {other})"
        many = f"range(1, {vehicles}) AS many(n)"
        connection.execute(
            f"INSERT INTO log SELECT log.* REPLACE (sha256 || n AS sha256, {other} AS vehicle) "
            f"FROM log, {many}"
        )
        connection.execute(
            f"INSERT INTO drive SELECT drive.* REPLACE ({renamed} AS drive, {other} AS vehicle, "
            f"log || n AS log) FROM drive, {many}"
        )
        connection.execute(f'UPDATE "window" SET {SPREAD}')
        columns = "airflow * (1 + 0.01 * sin(n + hash(drive) % 100)) AS airflow"
        connection.execute(
            f'INSERT INTO "window" SELECT "window".* REPLACE ({renamed} AS drive, {columns}) '
            f'FROM "window", {many}'
        )
        connection.execute("CHECKPOINT")


def speed(vehicles: int, logs: int) -> dict:
    """Ingest and assess with one worker and with two."""
    from healthtrack.jobs import assessing, ingesting
    from healthtrack.jobs.cluster import cluster
    from healthtrack.jobs.logs import find_logs
    from tests.conftest import _write_log

    found: dict = {"vehicles": vehicles, "logs": vehicles * logs}
    with tempfile.TemporaryDirectory() as folder:
        base = make_workspace(Path(folder) / "base", vehicles)
        for number in range(vehicles):
            for log in range(logs):
                started = MORNING + timedelta(days=log, seconds=number)
                _write_log(base.inbox / f"v{number:05}" / f"{log}.csv", started, 5.0)
        judged = make_workspace(Path(folder) / "judged", vehicles)
        fill(judged, vehicles)
        for workers in (1, 2):
            root = Path(folder) / f"ingest{workers}"
            shutil.copytree(base.root, root)
            workspace = type(base)(root, base.settings)
            with cluster_processes(workers) as address, cluster(address) as executor:
                executor._client.wait_for_workers(workers)
                executor._client.run(_warm)
                with measured(found, f"ingest_{workers}", executor), workspace.open_store() as s:
                    pipelines = ingesting.load_pipelines(workspace)
                    files = find_logs(workspace, ())
                    outcomes = list(
                        ingesting.ingest_logs(workspace, s, files, pipelines, NOW, executor)
                    )
                assert {one.state for one in outcomes} == {"stored"}, outcomes[0]
                with measured(found, f"assess_{workers}", executor), judged.open_store() as s:
                    states = [
                        one.state for one in assessing.assess(judged, s, (), AS_OF, NOW, executor)
                    ]
                found["states"] = {state: states.count(state) for state in set(states)}
    for step in ("ingest", "assess"):
        one, two = found[f"{step}_1"], found[f"{step}_2"]
        found[f"{step}_ratio"] = round(one["wall_s"] / two["wall_s"], 2)
        # with processors of its own for every process, the slower of writer and workers decides
        share = one["workers_cpu_s"] / max(two["workers_cpu_s"] / 2, two["coordinator_cpu_s"])
        found[f"{step}_ratio_by_processor_time"] = round(share, 2)
    return found


def _warm() -> None:
    import healthtrack.chain
    import healthtrack.diagnosis
    import healthtrack.report  # noqa: F401


@contextmanager
def measured(found: dict, name: str, executor):
    """Note wall time, and the processor time of this process and of the workers."""

    def workers() -> float:
        return sum(executor._client.run(time.process_time).values())

    before, own, wall = workers(), time.process_time(), time.perf_counter()
    yield
    found[name] = {
        "wall_s": round(time.perf_counter() - wall, 1),
        "coordinator_cpu_s": round(time.process_time() - own, 2),
        "workers_cpu_s": round(workers() - before, 2),
    }


def memory(sizes: list[int]) -> list[dict]:
    """Assess fleets of several sizes, each in a process of its own."""
    results = []
    with cluster_processes(2) as address:
        for vehicles in sizes:
            command = [sys.executable, __file__, "one-night", str(vehicles), address]
            done = subprocess.run(command, check=True, capture_output=True, text=True)
            results.append(json.loads(done.stdout))
    return results


@contextmanager
def canned(workspace):
    """Stand in for a cluster: every vehicle is sent, and gets the first one's verdict back."""
    from concurrent.futures import Future
    from dataclasses import replace

    from healthtrack.jobs import assessing, pool

    vehicle = next(iter(workspace.settings.vehicles))
    with workspace.open_store() as store:
        history = store.history(vehicle, AS_OF)
    settings = workspace.settings
    task = assessing.AssessTask(history, settings.vehicles[vehicle], settings, AS_OF)
    outcome = assessing.assess_one(task)

    class Canned(pool.RemoteExecutor):
        ahead = 8
        sent = 0

        def submit(self, fn, /, function, tasks):
            sent = pickle.dumps((fn, function, tasks))
            self.sent += len(sent)
            answers = [
                replace(outcome, finding=replace(outcome.finding, vehicle=one.history.vehicle))
                for one in tasks
            ]
            future = Future()
            future.set_result(pickle.loads(pickle.dumps((answers, 1.0 * len(tasks)))))
            return future

        class _client:  # noqa: N801 - as the cluster's
            @staticmethod
            def run(function):
                return {}

    yield Canned()


def one_night(vehicles: int, address: str) -> dict:
    """Assess one fleet through the cluster; what this process took is the coordinator's.

    Without an address the workers are canned: the coordinator's own work is all there is.
    """
    from healthtrack.jobs import assessing
    from healthtrack.jobs.cluster import cluster

    with tempfile.TemporaryDirectory() as folder:
        workspace = make_workspace(Path(folder) / "w", vehicles)
        command = [sys.executable, __file__, "fill", str(workspace.root), str(vehicles)]
        subprocess.run(command, check=True)
        found: dict = {"vehicles": vehicles}
        engine = cluster(address) if address else canned(workspace)
        with engine as executor, workspace.open_store() as store:
            executor._client.run(_warm)
            first = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
            for night in ("first", "next"):  # the next one goes on from what the first one kept
                day = AS_OF + timedelta(days=night == "next")
                with measured(found, night, executor):
                    done = sum(
                        1 for _ in assessing.assess(workspace, store, (), day, NOW, executor)
                    )
        found["store_mb"] = round(workspace.store_path.stat().st_size / 1e6, 1)
        found["sent_kb_per_vehicle"] = round(getattr(executor, "sent", 0) / 1e3 / done, 1)
        found["peak_mb"] = round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)
        found["peak_before_mb"] = round(first / 1024)
        for night in ("first", "next"):
            found[f"{night}_ms_per_vehicle"] = {
                key.removesuffix("_s"): round(1000 * value / done, 1)
                for key, value in found[night].items()
            }
        return found


def stored_bytes(logs: Path) -> dict:
    """Store real logs in both layouts and return bytes per log, in and outside the store."""
    from healthtrack.config import VehicleSettings
    from healthtrack.jobs import ingesting
    from healthtrack.jobs.logs import find_logs
    from healthtrack.jobs.workspace import Workspace
    from healthtrack.store import compact_samples, move_samples

    found: dict = {}
    with tempfile.TemporaryDirectory() as folder:
        inside = make_workspace(Path(folder) / "w", 0)
        shutil.copytree(logs, inside.root / "inbox")
        vehicles = {one.name: VehicleSettings() for one in logs.iterdir() if one.is_dir()}
        settings = inside.settings.model_copy(update={"vehicles": vehicles, "samples": ""})
        inside = Workspace(inside.root, settings)
        outside = settings.model_copy(update={"samples": "samples", "store": "outside.duckdb"})
        outside = Workspace(inside.root, outside)
        for name, workspace in (("inside", inside), ("outside", outside)):
            with workspace.open_store() as store:
                pipelines = ingesting.load_pipelines(workspace)
                files = find_logs(workspace, ())
                list(ingesting.ingest_logs(workspace, store, files, pipelines, NOW))
                facts = store._connection.execute(
                    "SELECT count(*), sum(epoch(ended) - epoch(started)) / 3600, "
                    "count(DISTINCT (vehicle, year(started))) FROM drive"
                ).fetchall()[0]
                if name == "outside":
                    folder_ = store.sample_catalogue.folder
                    found["files"] = [size for _, size in folder_.files()]
                    list(compact_samples(store))
                    found["compacted"] = [size for _, size in folder_.files()]
                store._connection.execute("CHECKPOINT")
            found[f"{name}_store"] = workspace.store_path.stat().st_size
        with inside.open_store() as store:
            counted = store._connection.execute("SELECT count(*) FROM sample").fetchall()[0][0]
        began = time.process_time()
        with Workspace(inside.root, settings.model_copy(update={"samples": "x"})).open_store() as s:
            list(move_samples(s))
        moving = time.process_time() - began
    return {
        "drives": facts[0],
        "hours": round(facts[1], 1),
        "samples": counted,
        "store_with_samples_mb": round(found["inside_store"] / 1e6, 2),
        "store_without_mb": round(found["outside_store"] / 1e6, 2),
        "files": len(found["files"]),
        "files_mb": round(sum(found["files"]) / 1e6, 2),
        "compacted_files": len(found["compacted"]),
        "compacted_mb": round(sum(found["compacted"]) / 1e6, 2),
        "move_cpu_s": round(moving, 2),
    }


def commits(logs: int) -> dict:
    """Store one processed log many times under other names: what the single writer can do."""
    from dataclasses import replace

    import polars as pl

    from healthtrack.config import VehicleSettings
    from healthtrack.ingest import load_pipelines, template_folder
    from healthtrack.jobs.reading import ReadTask, read_one
    from healthtrack.store import DriveSamples, LogEntry, Store
    from tests.conftest import _write_log

    found: dict = {"logs": logs, "rows": 3600}
    with tempfile.TemporaryDirectory() as folder:
        path = _write_log(Path(folder) / "a.csv", MORNING, 30.0)
        pipelines = tuple(load_pipelines(template_folder()).values())
        one = read_one(ReadTask(path, "x", "v", VehicleSettings(displacement_l=2.5), pipelines))
        for name, location in (("in_the_store", ""), ("written_by_workers", "samples")):
            with Store.open(Path(folder) / f"{name}.duckdb", samples=location) as store:
                own, wall = time.process_time(), time.perf_counter()
                for number in range(logs):
                    drive = f"v/{number}"
                    later = pl.duration(days=number)

                    def moved(frame, drive=drive):
                        return frame.with_columns(drive=pl.lit(drive))

                    read = replace(
                        one.read,
                        drives=moved(one.read.drives).with_columns(
                            pl.col("started") + later, pl.col("ended") + later
                        ),
                        samples=moved(one.read.samples),
                    )
                    operation = replace(
                        one.operation,
                        windows=replace(
                            one.operation.windows, frame=moved(one.operation.windows.frame)
                        ),
                        standstills=moved(one.operation.standstills),
                        pulls=moved(one.operation.pulls),
                    )
                    written = (DriveSamples(drive, "samples/x"),) if location else ()
                    entry = LogEntry(f"sha{number}", f"{number}.csv", "v", NOW, pipeline="p")
                    store.add_log(entry, read, operation, written=written)
                found[name] = {
                    "wall_ms": round(1000 * (time.perf_counter() - wall) / logs, 1),
                    "cpu_ms": round(1000 * (time.process_time() - own) / logs, 1),
                }
    return found


def main() -> None:
    """Read the command line and print what was measured."""
    parser = argparse.ArgumentParser(description=__doc__)
    steps = parser.add_subparsers(dest="step", required=True)
    step = steps.add_parser("speed")
    step.add_argument("--vehicles", type=int, default=400)
    step.add_argument("--logs", type=int, default=1, help="logs a vehicle")
    step = steps.add_parser("memory")
    step.add_argument("sizes", type=int, nargs="+")
    step = steps.add_parser("one-night")
    step.add_argument("vehicles", type=int)
    step.add_argument("address", nargs="?", default="")
    step = steps.add_parser("fill")
    step.add_argument("root", type=Path)
    step.add_argument("vehicles", type=int)
    step = steps.add_parser("bytes")
    step.add_argument("logs_folder", type=Path)
    step = steps.add_parser("commits")
    step.add_argument("--logs", type=int, default=200)
    asked = parser.parse_args()
    from healthtrack.jobs import cluster

    cluster.CONNECT_SECONDS = 300  # starting is not what is measured
    if asked.step == "fill":
        from healthtrack.jobs.workspace import Workspace

        fill(Workspace.load(asked.root), asked.vehicles)
        return
    steps_done = {
        "speed": lambda: speed(asked.vehicles, asked.logs),
        "memory": lambda: memory(asked.sizes),
        "one-night": lambda: one_night(asked.vehicles, asked.address),
        "bytes": lambda: stored_bytes(asked.logs_folder),
        "commits": lambda: commits(asked.logs),
    }
    print(json.dumps(steps_done[asked.step]()))  # noqa: T201


if __name__ == "__main__":
    main()
