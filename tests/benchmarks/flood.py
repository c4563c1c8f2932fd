"""Drop many small logs at once on a running service, and ask it how it stands meanwhile.

Says whether every log was stored, how fast, and the longest time that an answer took: of the status
file as ``healthtrack status`` reads it, of the health endpoint, and of the snapshot.

    python tests/benchmarks/flood.py --logs 100000
    python tests/benchmarks/flood.py --logs 2000 --stored 100000    on top of what is there
    python tests/benchmarks/flood.py --simulated 3600               one a second, the clock driven
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import signal
import subprocess
import sys
import tempfile
import time
import urllib.request
from datetime import UTC, datetime, timedelta
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
REPOSITORY = Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(REPOSITORY))

SETTINGS = """
[service]
scan_seconds = 1
settle_seconds = 0
health_port = PORT
"""
HOUR = """
workers = 1
[service]
scan_seconds = 10
settle_seconds = 0
"""
"""Files come every second, so with the ordinary pause between two looks ten are taken at a time."""

START = datetime(2020, 1, 1, tzinfo=UTC)


def drop(inbox: Path, logs: int, vehicles: int, first: int = 0) -> None:
    """Drop logs; each in place by a rename, as a careful copying program does it."""
    from tests.conftest import _write_log

    for number in range(first, first + logs):
        vehicle = f"v{number % vehicles + 1:02}"
        path = inbox / vehicle / f"{number:06}.part"
        started = START + timedelta(minutes=30 * number)
        _write_log(path, started, 0.25).rename(path.with_suffix(".csv"))


def make(root: Path, vehicles: int, settings: str = SETTINGS) -> int:
    """Make the garage and return the port of its endpoint."""
    from tests.service_stand_ins import make_garage
    from tests.smtp_server import free_port

    port = free_port()
    sections = "\n".join(f"[vehicles.v{number + 1:02}]" for number in range(vehicles))
    make_garage(root, settings.replace("PORT", str(port)) + sections)
    return port


def fill(root: Path, stored: int, vehicles: int) -> None:
    """Store one log of each vehicle, copy it over the years by SQL, and lay the files there."""
    from healthtrack import clock
    from healthtrack.jobs import ingesting
    from healthtrack.jobs.logs import find_logs
    from healthtrack.jobs.workspace import Workspace

    drop(root / "inbox", vehicles, vehicles)
    workspace, now = Workspace.load(root), clock.now()
    many = f"range(1, {stored // vehicles}) AS many(n)"
    later = f"to_minutes(CAST({30 * vehicles} * n AS BIGINT))"
    times = f"started + {later} AS started, ended + {later} AS ended"
    with workspace.open_store() as store:
        pipelines = ingesting.load_pipelines(workspace)
        logs = find_logs(workspace, ())
        outcomes = list(ingesting.ingest_logs(workspace, store, logs, pipelines, now))
        assert {one.state for one in outcomes} == {"stored"}
        for table, changes in (
            ("log", "sha256 || n AS sha256, replace(name, '.csv', '-' || n || '.csv') AS name"),
            ("drive", f"drive || n AS drive, log || n AS log, {times}"),
            ("window", f"drive || n AS drive, t + {later} AS t"),
            ("loss", "log || n AS log"),
        ):
            store._connection.execute(
                f'INSERT INTO "{table}" SELECT "{table}".* REPLACE ({changes}) '
                f'FROM "{table}", {many}'
            )
        files = store._connection.execute("SELECT name, bytes FROM log").fetchall()
    before = now.timestamp() - 3600
    for name, size in files:
        path = root / name
        if not path.exists():
            with path.open("wb") as stream:
                stream.truncate(size)
            os.utime(path, (before, before))


def simulated(root: Path, seconds: int, vehicles: int) -> dict:
    """Let a log come in every second of a clock that is driven, and ask from outside meanwhile."""
    make(root, vehicles, HOUR)
    command = [sys.executable, __file__, "--child", str(root), "--simulated", str(seconds)]
    child = subprocess.Popen([*command, "--vehicles", str(vehicles)], cwd=REPOSITORY)
    longest = {"status": 0.0, "snapshot": 0.0}
    answers, began = 0, time.monotonic()
    try:
        while child.poll() is None:
            time.sleep(0.5)
            answers += ask(root, longest) is not None
    finally:
        child.kill()
        child.wait()
    seen = ask(root, longest)
    assert seen is not None, "the service never said how it stands"
    return {
        "logs": seconds,
        "logs_by_state": seen["logs"],
        "drives": seen["drives"],
        "seconds": round(time.monotonic() - began, 1),
        "answers": answers,
        "longest_answer_s": {name: round(value, 3) for name, value in longest.items()},
    }


def live(root: Path, seconds: int, vehicles: int) -> None:
    """Be the service through so many simulated seconds, and one minute more."""
    from healthtrack.service.runner import Runner
    from tests.service_stand_ins import Clock, Pigeon, StandIn

    clock = Clock(START + timedelta(days=400))
    runner = Runner(root, clock, lambda _: Pigeon(), bool, StandIn())
    for second in range(seconds + 60):
        if second < seconds:
            drop(root / "inbox", 1, vehicles, second)
        clock.forward(seconds=1)
        runner.tick()
        if runner.status().trouble:
            raise SystemExit(str(runner.status().trouble))


def ask(root: Path, longest: dict[str, float]) -> dict | None:
    """Ask for the status and the snapshot, and note how long the longest answer took."""
    from healthtrack import clock
    from healthtrack.service.looking import look
    from healthtrack.store import open_snapshot, snapshot_path

    seen, took = timed(lambda: look(root, clock.now()))
    longest["status"] = max(longest["status"], took)
    store = root / "healthtrack.duckdb"
    if snapshot_path(store).exists():
        (copy, _), took = timed(lambda: open_snapshot(store, 200))
        _, more_time = timed(copy.maintenance)
        copy.close()
        longest["snapshot"] = max(longest["snapshot"], took + more_time)
    return seen.document


def flood(root: Path, logs: int, vehicles: int, a_second: int, stored_before: int) -> dict:
    """Conduct it and return what was seen."""
    port = make(root, vehicles)
    if stored_before:
        fill(root, stored_before, vehicles)
        logs += stored_before
    if not a_second:
        drop(root / "inbox", logs - stored_before, vehicles, stored_before)
    child = subprocess.Popen(
        [sys.executable, "-m", "healthtrack.cli", "serve", "--workspace", str(root)],
        cwd=REPOSITORY,
        stderr=subprocess.DEVNULL,
    )
    longest = {"status": 0.0, "endpoint": 0.0, "snapshot": 0.0}
    answers, dropped = 0, 0 if a_second else logs
    began, first = time.monotonic(), resource.getrusage(resource.RUSAGE_CHILDREN)
    try:
        while True:
            if dropped < logs:
                more = min(a_second, logs - dropped)
                drop(root / "inbox", more, vehicles, dropped)
                dropped += more
            time.sleep(1.0)
            document = ask(root, longest)
            if document is None:
                continue
            url = f"http://127.0.0.1:{port}/status"
            _, took = timed(lambda url=url: urllib.request.urlopen(url, timeout=30).read())
            longest["endpoint"] = max(longest["endpoint"], took)
            answers += 1
            stored = document["logs"].get("stored", 0)
            if answers % 60 == 0:
                print(stored, round(time.monotonic() - began), longest, file=sys.stderr, flush=True)  # noqa: T201
            if stored + document["logs"].get("quarantined", 0) >= logs:
                break
        seconds = time.monotonic() - began
        asked = time.monotonic()
        child.send_signal(signal.SIGTERM)
        child.wait(timeout=120)
        stop = time.monotonic() - asked
    finally:
        child.kill()
        child.wait()
    last = resource.getrusage(resource.RUSAGE_CHILDREN)
    return {
        "stored_before": stored_before,
        "logs": logs - stored_before,
        "stored": stored,
        "drives": document["drives"],
        "seconds": round(seconds, 1),
        "logs_a_second": round((logs - stored_before) / seconds, 1),
        "cpu_ms_a_log": round(1000 * (cpu(last) - cpu(first)) / (logs - stored_before), 1),
        "answers": answers,
        "longest_answer_s": {name: round(value, 3) for name, value in longest.items()},
        "stopped_after_s": round(stop, 1),
    }


def cpu(usage) -> float:
    """Return the processor time of ended children and theirs. [s]"""
    return usage.ru_utime + usage.ru_stime


def timed(work):
    """Return what something gives, and how long it took. [s]"""
    began = time.monotonic()
    result = work()
    return result, time.monotonic() - began


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--logs", type=int, default=100_000)
    parser.add_argument("--vehicles", type=int, default=20)
    parser.add_argument("--a-second", type=int, default=0, help="drop so many a second instead")
    parser.add_argument("--stored", type=int, default=0, help="logs that are stored before")
    parser.add_argument("--simulated", type=int, default=0, help="seconds, with a log each")
    parser.add_argument("--child", type=Path, help="be the service of --simulated")
    options = parser.parse_args()
    if options.child:
        live(options.child, options.simulated, options.vehicles)
        return
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder) / "garage"
        if options.simulated:
            result = simulated(root, options.simulated, options.vehicles)
        else:
            result = flood(root, options.logs, options.vehicles, options.a_second, options.stored)
    print(json.dumps(result, indent=1))  # noqa: T201 - a script


if __name__ == "__main__":
    main()
