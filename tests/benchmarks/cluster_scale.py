"""How a fleet scales on a cluster: speed-up, the coordinator's memory, bytes stored, commits.

Scheduler and workers are processes of their own. Prints one JSON document.

    cd tests/benchmarks
    python cluster_scale.py speed --vehicles 400   ingest and assess with 1 and 2 workers
    python cluster_scale.py memory 100 400 1600    peak memory and time per vehicle-night
    python cluster_scale.py bytes LOGS             both layouts; LOGS holds ID/... of real logs
    python cluster_scale.py commits --logs 200     what the single writer can do

Two workers, the coordinator, the scheduler and the S3 server share a machine's processors, and on
few of them the speed-up measures that. ``--share 0.38`` gives each of these processes a processor
of its own, 0.38 times as fast as the machine's (a control group's quota; needs root and Linux):
five of them fit on two processors, and the wall clock tells.

On a busy machine two workers get twice one worker's share of the processors, so wall time says too
much; read the processor time of coordinator, scheduler and workers beside it. With processors of
their own the slowest of them decides; on two processors in all, the sum over two does.
"""

from __future__ import annotations

import argparse
import json
import os
import pickle
import resource
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from collections import Counter
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache, partial
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
"""


_U = "(hash(drive || t) % 1000 / 1000.0)"
_W = "(hash(t || drive || 'w') % 1000 / 1000.0)"
SPREAD = f"""
    engine_speed = 1500 + 1200 * {_U}, pedal = 20 + 50 * {_W}, manifold_pressure = 110 + 80 * {_W},
    ambient_temperature = 2 + hash(drive) % 20,
    airflow = 0.9 * 2.5 * (1500 + 1200 * {_U}) / 120 * (110 + 80 * {_W}) / (0.287 * 313)
        * (1 + 0.02 * sin(hash(drive) % 100) + 0.01 * sin(hash(t || 'x') % 100))"""
"""Windows over a range of speeds and loads, with a drive's error and a window's own."""


PERIOD_US = 10_000
"""How often a process gets its share of a processor. [µs]"""


@contextmanager
def own_processors(processes, share: float):
    """Give each process a slower processor of its own; with a share of 1 nothing is changed."""
    if share >= 1.0:
        yield
        return
    old = Path("/sys/fs/cgroup/cpu")
    root = old if old.is_dir() else Path("/sys/fs/cgroup")
    quota = round(share * PERIOD_US)
    groups = []
    try:
        for process in processes:
            group = root / f"healthtrack-{process}"
            group.mkdir()
            groups.append(group)
            if root == old:
                (group / "cpu.cfs_period_us").write_text(str(PERIOD_US))
                (group / "cpu.cfs_quota_us").write_text(str(quota))
            else:
                (group / "cpu.max").write_text(f"{quota} {PERIOD_US}")
            (group / "cgroup.procs").write_text(str(process))
        yield
    finally:
        for group in groups:
            for process in (group / "cgroup.procs").read_text().split():
                (root / "cgroup.procs").write_text(process)
            group.rmdir()


@contextmanager
def cluster_processes(workers: int, share: float = 1.0):
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
            with own_processors([one.pid for one in started], share):
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


@contextmanager
def s3_server(share: float = 1.0):
    """Start an S3 server as a process of its own; yields a place in it."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [sys.executable, "-m", "moto.server", "-H", "127.0.0.1", "-p", str(port)]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    os.environ |= {
        "AWS_ENDPOINT_URL": f"http://127.0.0.1:{port}",
        "AWS_ACCESS_KEY_ID": "nobody",
        "AWS_SECRET_ACCESS_KEY": "nothing",
        "AWS_REGION": "us-east-1",
        "AWS_DEFAULT_REGION": "us-east-1",
    }
    import fsspec

    try:
        for _ in range(600):
            with suppress(OSError), socket.create_connection(("127.0.0.1", port)):
                break
            time.sleep(0.1)
        fsspec.filesystem("s3").mkdir("fleet")
        with own_processors([process.pid], share):
            yield "s3://fleet"
    finally:
        process.terminate()
        process.wait()


def speed(vehicles: int, minutes: float, judged: int, share: float, *, s3: bool) -> dict:
    """Ingest and assess with one worker and with two.

    ``judged`` vehicles have enough drives for a verdict and are assessed apart: the others learn,
    which costs a worker little, so that the coordinator weighs most.
    """
    from healthtrack.jobs.cluster import cluster
    from tests.conftest import _write_log

    found: dict = {"vehicles": vehicles, "minutes": minutes, "judged": judged, "s3": s3}
    found["share"] = share
    server = s3_server(share) if s3 else nullcontext("")
    with tempfile.TemporaryDirectory() as folder, server as place:
        base = make_workspace(Path(folder) / "base", vehicles)
        for number in range(vehicles):
            started = MORNING + timedelta(seconds=number)
            _write_log(base.inbox / f"v{number:05}" / "0.csv", started, minutes)
        whole = make_workspace(Path(folder) / "judged", judged)
        fill(whole, judged)
        for workers in (1, 2):
            root = Path(folder) / f"fleet{workers}"
            shutil.copytree(base.root, root)
            samples = f"{place}/{workers}" if place else ""
            workspace = type(base)(root, base.settings.model_copy(update={"samples": samples}))
            with (
                cluster_processes(workers, share) as address,
                cluster(address) as executor,
                own_processors([os.getpid()], share),
            ):
                executor._client.wait_for_workers(workers)
                executor._client.run(_warm)
                with measured(found, f"ingest_{workers}", executor):
                    assert ingest_all(workspace, executor) == {"stored": vehicles}
                with measured(found, f"assess_{workers}", executor):
                    assert assess_all(workspace, executor) == {"learning": vehicles}
                copy = Path(folder) / f"judged{workers}"
                shutil.copytree(whole.root, copy)
                with measured(found, f"judge_{workers}", executor):
                    states = assess_all(type(base)(copy, whole.settings), executor)
                    assert not states.keys() & {"learning", "no_data"}, states
    for step in ("ingest", "assess", "judge"):
        one, two = found[f"{step}_1"], found[f"{step}_2"]
        work, here = one["workers_cpu_s"], two["coordinator_cpu_s"] + two["scheduler_cpu_s"]
        slowest = max(two["workers_cpu_s"] / 2, two["coordinator_cpu_s"], two["scheduler_cpu_s"])
        found[f"{step}_ratio"] = {
            "wall": round(one["wall_s"] / two["wall_s"], 2),
            "processors_of_their_own": round(work / slowest, 2),
            "two_processors": round(2 * work / (work + here), 2),
        }
    return found


def ingest_all(workspace, executor) -> dict[str, int]:
    """Ingest the inbox and return how many logs came to what."""
    from healthtrack.jobs import ingesting
    from healthtrack.jobs.logs import find_logs

    with workspace.open_store() as store:
        files = find_logs(workspace, ())
        pipelines = ingesting.load_pipelines(workspace)
        outcomes = ingesting.ingest_logs(workspace, store, files, pipelines, NOW, executor)
        return dict(Counter(one.state for one in outcomes))


def assess_all(workspace, executor, day: date = AS_OF) -> dict[str, int]:
    """Assess the fleet and return how many are in which state."""
    from healthtrack.jobs import assessing

    with workspace.open_store() as store:
        findings = assessing.assess(workspace, store, (), day, NOW, executor)
        return dict(Counter(one.state for one in findings))


def _warm() -> None:
    import healthtrack.chain
    import healthtrack.diagnosis
    import healthtrack.report  # noqa: F401


@contextmanager
def measured(found: dict, name: str, executor):
    """Note wall time, and the processor time of this process, the scheduler and the workers."""
    client = executor._client

    def now() -> tuple[float, ...]:
        workers = sum(client.run(time.process_time).values())
        scheduler = client.run_on_scheduler(time.process_time)
        return time.perf_counter(), time.process_time(), scheduler, workers

    before = now()
    yield
    taken = [round(there - here, 2) for here, there in zip(before, now(), strict=True)]
    names = ("wall_s", "coordinator_cpu_s", "scheduler_cpu_s", "workers_cpu_s")
    found[name] = dict(zip(names, taken, strict=True))


def memory(sizes: list[int]) -> list[dict]:
    """Assess fleets of several sizes, each from a process of its own."""
    results = []
    with cluster_processes(2) as address:
        for vehicles in sizes:
            command = [sys.executable, __file__, "two-nights", str(vehicles), address]
            done = subprocess.run(command, check=True, capture_output=True, text=True)
            results.append(json.loads(done.stdout))
            sys.stderr.write(done.stdout)
    return results


def two_nights(vehicles: int, address: str) -> dict:
    """Assess one fleet on two nights, the second after a new drive of each vehicle.

    Everything is real but the workers' thinking (:func:`as_if_judged`): what is measured is the
    coordinator, whatever a verdict may cost.
    """
    from healthtrack.jobs import assessing
    from healthtrack.jobs.cluster import cluster
    from tests.benchmarks import cluster_scale

    with tempfile.TemporaryDirectory() as folder:
        workspace = make_workspace(Path(folder) / "w", vehicles)
        for step in ("fill", "models"):
            command = [sys.executable, __file__, step, str(workspace.root), str(vehicles)]
            subprocess.run(command, check=True)
        models = str(workspace.root / "models")
        assessing.assess_one = partial(cluster_scale.as_if_judged, models)
        found: dict = {"vehicles": vehicles}
        with cluster(address) as executor:
            executor._client.run(_warm)
            found["peak_before_mb"] = peak_mb()
            for night in ("first", "next"):
                if night == "next":
                    with workspace.open_store() as store:
                        add_a_drive(store)
                day = AS_OF + timedelta(days=night == "next")
                with measured(found, night, executor):
                    states = assess_all(workspace, executor, day)
                assert states.keys() == {"normal"}, states
                found[night] = {
                    name.removesuffix("_s"): round(1000 * value / vehicles, 1)
                    for name, value in found[night].items()
                }
                found[f"peak_after_{night}_mb"] = peak_mb()
        found["store_mb"] = round(workspace.store_path.stat().st_size / 1e6, 1)
        return found


def peak_mb() -> int:
    """Return the most memory that this process has had. [MB]"""
    return round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)


def add_a_drive(store) -> None:
    """Let every vehicle drive once more, on the day: its first drive again."""
    days = (AS_OF - MORNING.date()).days + 1
    first = f"strftime(TIMESTAMPTZ '{MORNING.isoformat()}', '%Y-%m-%dT%H:%M:%S')"
    store._connection.execute("BEGIN")
    store._connection.execute(
        "INSERT INTO log SELECT * REPLACE (sha256 || 'new' AS sha256) FROM log "
        f"WHERE sha256 IN (SELECT log FROM drive WHERE ends_with(drive, {first}))"
    )
    for table, changes in (
        ("drive", "log || 'new' AS log, started + LATER AS started, ended + LATER AS ended"),
        ("window", "t + LATER AS t"),
        ("standstill", "t + LATER AS t"),
    ):
        moved = changes.replace("LATER", f"to_days({days})")
        store._connection.execute(
            f"INSERT INTO \"{table}\" SELECT * REPLACE (drive || 'new' AS drive, {moved}) "
            f'FROM "{table}" WHERE ends_with(drive, {first})'
        )
    store._connection.execute("COMMIT")


def make_models(root: Path) -> None:
    """Judge the first vehicle on both nights, and keep what came of it for the others."""
    from healthtrack.jobs.recalling import AssessTask, assess_one
    from healthtrack.jobs.workspace import Workspace

    workspace = Workspace.load(root)
    name, mine = next(iter(workspace.settings.vehicles.items()))
    with workspace.open_store() as store:
        history = store.history(name, AS_OF)
        first = assess_one(AssessTask(history, mine, workspace.settings, AS_OF))
        store._connection.execute("CHECKPOINT")
    copy = root / "copy.duckdb"
    shutil.copyfile(workspace.store_path, copy)
    with type(store).open(copy) as store:
        add_a_drive(store)
        day = AS_OF + timedelta(days=1)
        later = store.history(name, day)
    copy.unlink()
    assert later.drives.height == history.drives.height + 1
    task = AssessTask(later, mine, workspace.settings, day, parts=first.parts)
    after = assess_one(task)
    assert first.parts, "nothing was kept"
    assert after.finding, after.misfit
    (root / "models").write_bytes(pickle.dumps((first, after)))


def as_if_judged(models: str, task):
    """Give the first vehicle's verdict under this one's name, and let it leave behind as much."""
    from healthtrack.chain.kept import digest_of_drives

    outcome = _models(models)[bool(task.parts)]
    vehicle = task.history.vehicle
    head = json.loads(outcome.parts["head"])
    head["drives"] = digest_of_drives(task.history.drives)
    head["head"] = [name.replace(outcome.finding.vehicle, vehicle) for name in head["head"]]
    parts = outcome.parts | {"head": json.dumps(head, separators=(",", ":")).encode()}
    return replace(outcome, finding=replace(outcome.finding, vehicle=vehicle), parts=parts)


@lru_cache(maxsize=1)
def _models(path: str):
    return pickle.loads(Path(path).read_bytes())


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
    step.add_argument("--minutes", type=float, default=10.0, help="length of a log")
    step.add_argument("--judged", type=int, default=40, help="vehicles with a whole verdict")
    step.add_argument("--share", type=float, default=1.0, help="of a processor for each process")
    step.add_argument("--s3", action="store_true", help="samples go to an S3 server on loopback")
    step = steps.add_parser("memory")
    step.add_argument("sizes", type=int, nargs="+")
    step = steps.add_parser("two-nights")
    step.add_argument("vehicles", type=int)
    step.add_argument("address")
    for name in ("fill", "models"):
        step = steps.add_parser(name)
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
    if asked.step == "models":
        make_models(asked.root)
        return
    steps_done = {
        "speed": lambda: speed(
            asked.vehicles, asked.minutes, asked.judged, asked.share, s3=asked.s3
        ),
        "memory": lambda: memory(asked.sizes),
        "two-nights": lambda: two_nights(asked.vehicles, asked.address),
        "bytes": lambda: stored_bytes(asked.logs_folder),
        "commits": lambda: commits(asked.logs),
    }
    print(json.dumps(steps_done[asked.step]()))  # noqa: T201


if __name__ == "__main__":
    main()
