"""A full disk, a disk that cannot be written, a damaged write-ahead log: nothing stored is lost."""

from __future__ import annotations

import os
import subprocess
import sys
from datetime import UTC, datetime, timedelta

import pytest

from healthtrack.store import Ledger
from tests.service.conftest import SETTINGS, Garage

pytestmark = [pytest.mark.journey, pytest.mark.slow]

OWNER = "owner@garage.example"


@pytest.fixture
def small_disk(tmp_path):
    """Return a folder on a file system of its own, and a function that remounts it."""
    place = tmp_path / "disk"
    place.mkdir()
    if os.geteuid() != 0 or sys.platform != "linux":
        pytest.skip("needs the right to mount a small file system")

    def mount(options, *more):
        words = ["mount", *more, "-t", "tmpfs", "-o", options, "tmpfs", str(place)]
        return subprocess.run(words, capture_output=True, text=True, check=False)

    made = mount("size=24m")
    if made.returncode:
        pytest.skip(f"a small file system cannot be mounted here: {made.stderr.strip()}")
    yield place, mount
    subprocess.run(["umount", "--lazy", str(place)], check=True)


def _logs(garage, write_log, first, count):
    for number in range(first, first + count):
        started = datetime(2026, 2, 1, 9, tzinfo=UTC) + timedelta(days=number)
        write_log(garage.root / "inbox" / "otter" / f"{number}.csv", started)


def test_a_full_disk_stops_the_writing_loses_nothing_and_is_over_when_there_is_room(
    small_disk, write_log
):
    place, _ = small_disk
    garage = Garage(place / "garage", SETTINGS)
    _logs(garage, write_log, 0, 3)
    garage.run(2)
    assert garage.runner.status().logs == {"stored": 3}
    _logs(garage, write_log, 3, 3)
    ballast = place / "ballast"
    with ballast.open("wb") as stream:
        try:
            while True:
                stream.write(bytes(100_000))
                stream.flush()
        except OSError:
            pass
    garage.run(3 * 24)  # three nights on which nothing can be written
    status = garage.runner.status()
    assert not status.is_well
    ballast.unlink()
    garage.run(24)
    status = garage.runner.status()
    assert status.logs == {"stored": 6}
    assert status.is_well, status
    garage.start()
    with garage.store() as store:
        assert len(store.logs()) == 6
        done = {run.due for run in Ledger(store).runs("housekeeping") if run.state == "done"}
    assert max(done) > garage.clock() - timedelta(days=1, hours=12)
    garage.run(4 * 24)
    assert len(garage.subjects(OWNER)) == 2


def test_a_disk_that_turns_read_only_is_trouble_until_it_is_writable_again(small_disk, write_log):
    place, mount = small_disk
    garage = Garage(place / "garage", SETTINGS)
    _logs(garage, write_log, 0, 2)
    garage.run(2)
    if mount("remount,ro,size=24m").returncode:
        pytest.skip("it cannot be remounted here")
    garage.run(24)
    assert not garage.runner.status().is_well
    assert mount("remount,rw,size=24m").returncode == 0
    garage.run(10)
    assert garage.runner.status().is_well
    assert garage.runner.status().logs == {"stored": 2}


WRITE_AND_DIE = """
import os, signal, sys
from datetime import UTC, datetime
from pathlib import Path
from healthtrack.jobs.ingesting import ingest_logs, load_pipelines
from healthtrack.jobs.logs import find_logs
from healthtrack.jobs.workspace import Workspace
workspace = Workspace.load(Path(sys.argv[1]))
store = workspace.open_store()
logs = find_logs(workspace, [])
now = datetime(2026, 3, 1, tzinfo=UTC)
for outcome in ingest_logs(workspace, store, logs, load_pipelines(workspace), now):
    assert outcome.state == "stored", outcome
os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.mark.parametrize("damage", ["flipped", "cut", "emptied", "rubbish at its end"])
def test_what_a_damaged_write_ahead_log_lost_is_read_again_from_the_inbox(
    tmp_path, write_log, damage
):
    garage = Garage(tmp_path / "garage", SETTINGS + "\n")
    _logs(garage, write_log, 0, 5)
    subprocess.run([sys.executable, "-c", WRITE_AND_DIE, str(garage.root)], check=False)
    log = garage.root / "healthtrack.duckdb.wal"
    content = bytearray(log.read_bytes())
    middle = len(content) // 2
    if damage == "flipped":
        content[middle] ^= 0xFF
    elif damage == "cut":
        content = content[:middle]
    elif damage == "emptied":
        content = bytearray()
    else:
        content += os.urandom(1000)
    log.write_bytes(bytes(content))
    garage.clock.forward(days=1)
    garage.start()
    garage.run(6)
    with garage.store() as store:
        assert [entry.state for entry in store.logs()] == ["stored"] * 5
        assert store.history("otter", garage.clock().date()).drives.height == 5
    aside = list(garage.root.glob("*.wal.damaged-*"))
    if aside:  # it does not match its checksums: a person must hear of it
        assert damage == "flipped"
        assert aside[0].name in garage.runner.status().trouble[0]
        garage.start()
    assert garage.runner.status().is_well
