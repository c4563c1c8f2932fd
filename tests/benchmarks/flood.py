"""Drop many small logs at once on a running service, and ask it how it stands meanwhile.

Says whether every log was stored, how fast, and the longest time that an answer took: of the status
file as ``healthtrack status`` reads it, of the health endpoint, and of the snapshot.

    python tests/benchmarks/flood.py --logs 100000
"""

from __future__ import annotations

import argparse
import json
import os
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
START = datetime(2020, 1, 1, tzinfo=UTC)


def drop(inbox: Path, logs: int, vehicles: int, first: int = 0) -> None:
    """Drop logs; each in place by a rename, as a careful copying program does it."""
    from tests.conftest import _write_log

    for number in range(first, first + logs):
        vehicle = f"v{number % vehicles + 1:02}"
        path = inbox / vehicle / f"{number:06}.part"
        started = START + timedelta(minutes=30 * number)
        _write_log(path, started, 0.25).rename(path.with_suffix(".csv"))


def flood(root: Path, logs: int, vehicles: int, a_second: int) -> dict:
    """Conduct it and return what was seen."""
    from healthtrack import clock
    from healthtrack.service.looking import look
    from healthtrack.store import open_snapshot, snapshot_path
    from tests.service_stand_ins import make_garage
    from tests.smtp_server import free_port

    port = free_port()
    sections = "\n".join(f"[vehicles.v{number + 1:02}]" for number in range(vehicles))
    make_garage(root, SETTINGS.replace("PORT", str(port)) + sections)
    if not a_second:
        drop(root / "inbox", logs, vehicles)
    child = subprocess.Popen(
        [sys.executable, "-m", "healthtrack.cli", "serve", "--workspace", str(root)],
        cwd=REPOSITORY,
        stderr=subprocess.DEVNULL,
    )
    longest = {"status": 0.0, "endpoint": 0.0, "snapshot": 0.0}
    answers, dropped = 0, 0 if a_second else logs
    began = time.monotonic()
    try:
        while True:
            if dropped < logs:
                more = min(a_second, logs - dropped)
                drop(root / "inbox", more, vehicles, dropped)
                dropped += more
            time.sleep(1.0)
            seen, took = timed(lambda: look(root, clock.now()))
            longest["status"] = max(longest["status"], took)
            if seen.document is None:
                continue
            url = f"http://127.0.0.1:{port}/status"
            _, took = timed(lambda url=url: urllib.request.urlopen(url, timeout=30).read())
            longest["endpoint"] = max(longest["endpoint"], took)
            store = root / "healthtrack.duckdb"
            if snapshot_path(store).exists():
                (copy, _), took = timed(lambda store=store: open_snapshot(store, 200))
                _, more_time = timed(lambda copy=copy: copy.maintenance())
                copy.close()
                longest["snapshot"] = max(longest["snapshot"], took + more_time)
            answers += 1
            stored = seen.document["logs"].get("stored", 0)
            if stored + seen.document["logs"].get("quarantined", 0) >= logs:
                break
        seconds = time.monotonic() - began
        asked = time.monotonic()
        child.send_signal(signal.SIGTERM)
        child.wait(timeout=120)
        stop = time.monotonic() - asked
    finally:
        child.kill()
        child.wait()
    return {
        "logs": logs,
        "stored": stored,
        "drives": seen.document["drives"],
        "seconds": round(seconds, 1),
        "logs_a_second": round(logs / seconds, 1),
        "answers": answers,
        "longest_answer_s": {name: round(value, 3) for name, value in longest.items()},
        "stopped_after_s": round(stop, 1),
    }


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
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder) / "garage"
        result = flood(root, options.logs, options.vehicles, options.a_second)
    print(json.dumps(result, indent=1))  # noqa: T201 - a script


if __name__ == "__main__":
    main()
