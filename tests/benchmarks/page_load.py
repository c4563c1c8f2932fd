"""Fifty readers and one upload of 200 files at once, on loopback: what is lost, how long it takes.

::

    python -m tests.benchmarks.page_load [--readers 50] [--files 200] [--seconds 20]
    python -m tests.benchmarks.page_load --service

Times count only as ratios within one run: a page's to that of a static file of the same size, asked
for in turn with it, alone and under load. With ``--service`` the page is that of ``healthtrack
serve`` itself, whose jobs fall due while it is read: how late each begins is compared with how late
it begins when nobody reads. Bounded in readers, files and seconds; nothing leaves this machine.
"""

from __future__ import annotations

import argparse
import http.client
import itertools
import json
import re
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
import uuid
from collections import Counter
from datetime import UTC, datetime, timedelta
from pathlib import Path
from urllib.parse import urlsplit

from healthtrack.clock import now
from healthtrack.jobs import ingesting
from healthtrack.jobs.logs import find_logs
from healthtrack.jobs.starting import copy_pipelines
from healthtrack.jobs.workspace import Workspace
from healthtrack.store import Ledger
from healthtrack.web import app
from tests.conftest import _write_log
from tests.web.serving import publish, served

NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)
AFTER_DUE_S = 25.0
PAGES = ("/", "/vehicle/otter", "/logs", "/vehicle/otter/pulls")


def main() -> None:
    """Run it and print a table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--readers", type=int, default=50)
    parser.add_argument("--files", type=int, default=200)
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--service", action="store_true")
    asked = parser.parse_args()
    if asked.service:
        for readers in (0, min(asked.readers, 200)):
            with tempfile.TemporaryDirectory() as folder:
                beside_jobs(Path(folder), readers, min(asked.files, 1000))
        return
    with tempfile.TemporaryDirectory() as folder:
        run(Path(folder), min(asked.readers, 200), min(asked.files, 1000), asked.seconds)


def run(folder: Path, readers: int, files: int, seconds: float) -> None:
    """Make a small workspace, serve it, read and bring at once."""
    root = folder / "garage"
    copy_pipelines(root / "pipelines")
    (root / "healthtrack.toml").write_text("[vehicles.otter]\n[vehicles.stoat]\n")
    for n in range(3):
        _write_log(root / "inbox" / "otter" / f"{n}.csv", NOW - timedelta(days=n + 1))
    workspace = Workspace.load(root)
    with workspace.open_store() as store:
        logs, pipelines = find_logs(workspace, []), ingesting.load_pipelines(workspace)
        list(ingesting.ingest_logs(workspace, store, logs, pipelines, NOW))
    publish(root, NOW)
    with served(root, lambda: NOW, desk=False) as page:
        size = len(get(connect(page.address), "/")[1])
        same = folder / "same.css"
        same.write_bytes(b"x" * size)
        app.STATIC["same.css"] = same
        ratio = alone(page.address)
        taken, failed, sent = together(
            page.address, readers, files, seconds, (*PAGES, "/static/same.css")
        )
    inbox = root / "inbox" / "stoat"
    whole = sum(path.read_bytes() == content(int(path.stem)) for path in inbox.glob("*.csv"))
    pages = [spent for path, spent in taken if path in PAGES]
    static = [spent for path, spent in taken if path not in PAGES]
    middle, late = statistics.median(pages), statistics.quantiles(pages, n=100)[98]
    sys.stdout.write(
        f"alone: a page takes {ratio:.1f} times a static file of its size ({size} bytes)\n"
        f"{readers} readers and {files} files at once: {len(pages)} pages, {failed} errors, "
        f"middle {middle:.2f} s, 99 % within {late:.2f} s\n"
        f"asked for in turn with them, the static file: middle {statistics.median(static):.2f} s, "
        f"99 % within {statistics.quantiles(static, n=100)[98]:.2f} s\n"
        f"upload: {sent} sent, {whole} of {files} lie whole in the inbox, "
        f"{len(list(inbox.glob('.*')))} halves left\n"
    )


def beside_jobs(folder: Path, readers: int, files: int) -> None:
    """Let the service's jobs fall due while its page is read, and say how late each began.

    Reading goes on until some seconds after the full minute at which both fall due.
    """
    root = folder / "garage"
    copy_pipelines(root / "pipelines")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    began = now()
    due = (began + timedelta(seconds=85)).replace(second=0, microsecond=0)
    (root / "healthtrack.toml").write_text(
        f"[vehicles.otter]\n[vehicles.stoat]\n[page]\nport = {port}\n[service]\n"
        f'settle_seconds = 1\nscan_seconds = 5\nhousekeeping_at = "{due:%H:%M}"\n'
        f'assess_at = "{due:%H:%M}"\n'
    )
    for n in range(3):
        _write_log(root / "inbox" / "otter" / f"{n}.csv", began - timedelta(days=n + 2))
    command = [str(Path(sys.executable).with_name("healthtrack")), "serve"]
    service = subprocess.Popen(
        [*command, "--workspace", str(root)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    address = f"http://127.0.0.1:{port}"
    try:
        _wait_for_page(address)
        seconds = (due - now()).total_seconds() + AFTER_DUE_S
        taken, failed, sent = together(address, readers, files if readers else 0, seconds)
        _wait_for_jobs(root, due)
    finally:
        service.send_signal(signal.SIGTERM)
        service.wait(timeout=60)
    said = "nobody reads"
    if readers:
        middle = statistics.median(spent for _, spent in taken)
        said = f"{readers} readers, {sent} of {files} files sent, {len(taken)} pages, "
        said += f"{failed} errors, middle {middle:.2f} s"
    with Workspace.load(root).open_store() as store:
        runs, states = Ledger(store).runs(), Counter(entry.state for entry in store.logs())
    late = ", ".join(
        f"{run.job} {(run.started - run.due).total_seconds():.1f} s late ({run.state})"
        for run in runs
        if run.due >= due
    )
    sys.stdout.write(f"{said}: {late or 'no job fell due'}; logs {dict(states)}\n")


def _wait_for_page(address: str) -> None:
    for _ in range(600):
        try:
            get(connect(address), "/")
        except OSError:
            time.sleep(0.1)
        else:
            return
    raise SystemExit("the page did not come up within a minute")


def _wait_for_jobs(root: Path, due: datetime) -> None:
    """Wait, for four minutes at most, until both jobs of the calendar are done."""
    for _ in range(240):
        done = {
            job["job"]
            for job in json.loads((root / "service" / "status.json").read_text())["jobs"]
            if job["last_done"] and datetime.fromisoformat(job["last_done"]) >= due
        }
        if {"assess", "housekeeping"} <= done:
            return
        time.sleep(1)


def content(n: int) -> bytes:
    """Return a file's bytes, each another one, of some 50 kB."""
    return f"{n},".encode() * (50_000 // len(f"{n},"))


def connect(address: str) -> http.client.HTTPConnection:
    """Open a connection."""
    return http.client.HTTPConnection(urlsplit(address).netloc, timeout=120)


def get(
    connection: http.client.HTTPConnection, path: str, cookie: str = ""
) -> tuple[int, bytes, str]:
    """Ask for a page; returns code, content, cookie."""
    connection.request("GET", path, headers={"Cookie": cookie, "User-Agent": "a reader"})
    answer = connection.getresponse()
    return answer.status, answer.read(), (answer.getheader("set-cookie") or "").split(";")[0]


def alone(address: str, times: int = 60) -> float:
    """Return the ratio of a page's time to a static file's, asked for in turn."""
    connection, spent = connect(address), {"/": [], "/static/same.css": []}
    for path in itertools.islice(itertools.cycle(spent), 2 * times):
        began = time.perf_counter()
        get(connection, path)
        spent[path].append(time.perf_counter() - began)
    return statistics.median(spent["/"]) / statistics.median(spent["/static/same.css"])


def together(
    address: str, readers: int, files: int, seconds: float, pages: tuple[str, ...] = PAGES
) -> tuple[list[tuple[str, float]], int, int]:
    """Read and bring at once; returns each page with its time, errors, and files sent."""
    end, taken, failed, sent = time.monotonic() + seconds, [], [], []

    def reader(number: int) -> None:
        connection = connect(address)
        for path in itertools.islice(itertools.cycle(pages), number % 4, None):
            if time.monotonic() > end and (sent or not files):
                return
            began = time.perf_counter()
            code, _, _ = get(connection, path)
            taken.append((path, time.perf_counter() - began))
            if code != 200:
                failed.append(code)
            time.sleep(0.5)

    def bringer() -> None:
        connection = connect(address)
        _, page, cookie = get(connection, "/logs")
        token = re.search(rb'name="token" content="([0-9a-f]+)"', page)
        mark = uuid.uuid4().hex
        parts = [
            f'--{mark}\r\nContent-Disposition: form-data; name="vehicle"\r\n\r\nstoat\r\n'.encode()
        ]
        for n in range(files):
            head = f'--{mark}\r\nContent-Disposition: form-data; name="files"; filename="{n}.csv"'
            parts += [f"{head}\r\n\r\n".encode(), content(n), b"\r\n"]
        parts.append(f"--{mark}--\r\n".encode())
        headers = {
            "Cookie": cookie,
            "User-Agent": "a reader",
            "X-Token": token[1].decode() if token else "",
            "Accept": "application/json",
            "Content-Type": f"multipart/form-data; boundary={mark}",
        }
        connection.request("POST", "/logs", b"".join(parts), headers)
        answer = connection.getresponse()
        text = answer.read().decode()
        sent.append(text.count('"refused":""') if answer.status == 200 else -answer.status)

    threads = [threading.Thread(target=reader, args=(n,)) for n in range(readers)]
    if files:
        threads.append(threading.Thread(target=bringer))
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=seconds + 180)
    time.sleep(max(0.0, end - time.monotonic()))
    return taken, len(failed), sum(sent)


if __name__ == "__main__":
    main()
