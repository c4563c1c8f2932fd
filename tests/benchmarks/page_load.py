"""Fifty readers and one upload of 200 files at once, on loopback: what is lost, how long it takes.

::

    python -m tests.benchmarks.page_load [--readers 50] [--files 200] [--seconds 20]

Times count only as ratios within one run: a page's to that of a static file of the same size, asked
for in turn with it. Bounded in readers, files and seconds; nothing leaves this machine.
"""

from __future__ import annotations

import argparse
import http.client
import itertools
import re
import statistics
import sys
import tempfile
import threading
import time
import uuid
from datetime import UTC, datetime, timedelta
from pathlib import Path
from urllib.parse import urlsplit

from healthtrack.jobs import ingesting
from healthtrack.jobs.logs import find_logs
from healthtrack.jobs.starting import copy_pipelines
from healthtrack.jobs.workspace import Workspace
from healthtrack.web import app
from tests.conftest import _write_log
from tests.web.serving import publish, served

NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)
PAGES = ("/", "/vehicle/otter", "/logs", "/vehicle/otter/pulls")


def main() -> None:
    """Run it and print a table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--readers", type=int, default=50)
    parser.add_argument("--files", type=int, default=200)
    parser.add_argument("--seconds", type=float, default=20.0)
    asked = parser.parse_args()
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
        taken, failed, sent = together(page.address, readers, files, seconds)
    inbox = root / "inbox" / "stoat"
    whole = sum(path.read_bytes() == content(int(path.stem)) for path in inbox.glob("*.csv"))
    middle, late = statistics.median(taken), statistics.quantiles(taken, n=100)[98]
    sys.stdout.write(
        f"alone: a page takes {ratio:.1f} times a static file of its size ({size} bytes)\n"
        f"{readers} readers and {files} files at once: {len(taken)} pages, {failed} errors, "
        f"middle {middle:.2f} s, 99 % within {late:.2f} s\n"
        f"upload: {sent} sent, {whole} of {files} lie whole in the inbox, "
        f"{len(list(inbox.glob('.*')))} halves left\n"
    )


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
    address: str, readers: int, files: int, seconds: float
) -> tuple[list[float], int, int]:
    """Read and bring at once; returns the times of all pages, errors, and files sent."""
    end, taken, failed, sent = time.monotonic() + seconds, [], [], []

    def reader(number: int) -> None:
        connection = connect(address)
        for path in itertools.islice(itertools.cycle(PAGES), number % 4, None):
            if time.monotonic() > end and sent:
                return
            began = time.perf_counter()
            code, _, _ = get(connection, path)
            taken.append(time.perf_counter() - began)
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
    threads.append(threading.Thread(target=bringer))
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=seconds + 180)
    return taken, len(failed), sum(sent)


if __name__ == "__main__":
    main()
