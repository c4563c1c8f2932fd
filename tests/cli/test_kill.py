"""Ended without warning, ingest leaves exactly what it had said was stored."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from healthtrack.errors import StoreLockedError
from healthtrack.jobs.lots import MOST_LOGS
from healthtrack.jobs.workspace import Workspace

FILES = 3 * MOST_LOGS + 4  # more than a lot that is told, one that is stored and one being read


def _start(workspace, *words):
    return subprocess.Popen(
        [sys.executable, "-u", "-m", "healthtrack.cli", "--workspace", str(workspace), *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def _stored(workspace):
    with Workspace.load(workspace).open_store() as store:
        history = store.history("otter", date(2030, 1, 1))
        names = [entry.name for entry in store.logs("otter")]
        samples = [store.samples(drive).height for drive in history.drives["drive"]]
    return names, history, samples


@pytest.mark.slow
@pytest.mark.parametrize("workers", [1, 2])
def test_kill_between_files_leaves_exactly_the_committed_ones(call, workspace, write_log, workers):
    settings = workspace / "healthtrack.toml"
    settings.write_text(f"workers = {workers}\n" + settings.read_text())
    day = datetime(2025, 3, 1, 7, 0, tzinfo=UTC)
    for number in range(FILES):
        write_log(
            workspace / "inbox" / "otter" / f"{number:02}.csv", day + timedelta(days=number), 1.0
        )
    running = _start(workspace, "ingest")
    said = []
    while sum(line.startswith("stored") for line in said) < 3:
        said.append(running.stdout.readline())
        assert said[-1], "it ended before it was killed"
    os.kill(running.pid, signal.SIGKILL)
    rest, _ = running.communicate()
    said += rest.splitlines(keepends=True)
    assert running.returncode == -signal.SIGKILL

    names, history, samples = _wait_for_lock(workspace)

    claimed = {line.split()[1].rstrip(":") for line in said if line.startswith("stored")}
    assert len(claimed) >= 3
    # all that was claimed is there; the lots that were under way when it was killed may be, too,
    # the one being told and the one being stored
    assert claimed <= set(names)
    assert len(names) - len(claimed) <= 2 * MOST_LOGS
    assert len(names) < FILES
    assert history.drives.height == len(names)
    assert samples == [120] * len(names)

    assert call("ingest", "--json").document["stored"] == FILES - len(names)
    assert len(_stored(workspace)[0]) == FILES
    assert _stored(workspace)[1].drives.height == FILES


def _wait_for_lock(workspace):
    """Workers see that their parent is gone within a moment; they never hold the store."""
    for _ in range(50):
        try:
            return _stored(workspace)
        except StoreLockedError:
            time.sleep(0.1)
    return _stored(workspace)


@pytest.mark.slow
def test_workers_end_with_the_process_that_started_them(workspace, write_log):
    settings = workspace / "healthtrack.toml"
    settings.write_text("workers = 2\n" + settings.read_text())
    day = datetime(2025, 3, 1, 7, 0, tzinfo=UTC)
    for number in range(FILES):
        write_log(
            workspace / "inbox" / "otter" / f"{number:02}.csv", day + timedelta(days=number), 1.0
        )
    running = _start(workspace, "ingest")
    assert running.stdout.readline().startswith("stored")
    workers = _members(running.pid)
    assert len(workers) >= 2
    os.kill(running.pid, signal.SIGKILL)
    running.communicate()
    for _ in range(100):
        if not any(_alive(pid) for pid in workers):
            break
        time.sleep(0.1)
    assert not any(_alive(pid) for pid in workers)


def _members(session):
    """The processes of a session, other than its leader."""
    listed = subprocess.run(
        ["ps", "-o", "pid=", "-s", str(session)], capture_output=True, text=True, check=True
    )
    return [int(pid) for pid in listed.stdout.split() if int(pid) != session]


def _alive(pid):
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]
    except (OSError, IndexError):
        return False
    return state != "Z"


@pytest.mark.slow
def test_a_store_that_another_process_holds_is_said_with_its_number(call, workspace):
    code = (
        "import sys, pathlib; from healthtrack.store import Store\n"
        "with Store.open(pathlib.Path('healthtrack.duckdb')):\n"
        "    print('open', flush=True); sys.stdin.readline()"
    )
    holder = subprocess.Popen(
        [sys.executable, "-c", code],
        cwd=workspace,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert holder.stdout.readline() == "open\n"
        called = call("ingest")
        checked = call("check")
    finally:
        holder.communicate("\n")
    assert called.code == checked.code == 1
    assert f"process {holder.pid}" in called.err
    assert f"process {holder.pid}" in checked.out
    assert call("ingest").code == 0
