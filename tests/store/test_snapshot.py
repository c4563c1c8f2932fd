"""Readers look at a copy while the service holds the store."""

import subprocess
import sys
from datetime import UTC, date, datetime

import pytest

from healthtrack.errors import StoreError
from healthtrack.store import Store, open_snapshot, publish_snapshot, snapshot_path

NOW = datetime(2026, 11, 25, 6, tzinfo=UTC)
LATE = date(2030, 1, 1)


def test_a_snapshot_says_what_the_store_says_and_how_old_it_is(store, made):
    made.add(store)
    publish_snapshot(store, NOW)
    copy, published = open_snapshot(store.path, 200)
    with copy:
        assert published == NOW
        assert copy.logs() == store.logs()
        assert copy.history("otter", LATE).windows.equals(store.history("otter", LATE).windows)
        drive = copy.history("otter", LATE).drives["drive"][0]
        assert copy.samples(drive).is_empty()
        assert not store.samples(drive).is_empty()


def test_a_newer_snapshot_takes_the_place_of_the_one_that_is_being_read(store, made):
    made.add(store)
    publish_snapshot(store, NOW)
    reader, _ = open_snapshot(store.path, 200)
    with reader:
        made.add(store, "b.csv", started=datetime(2025, 4, 1, 7, tzinfo=UTC))
        publish_snapshot(store, NOW)
        assert len(reader.logs()) == 1
    again, _ = open_snapshot(store.path, 200)
    with again:
        assert len(again.logs()) == 2
    assert {path.name for path in store.path.parent.iterdir()} <= {
        "healthtrack.duckdb",
        "healthtrack.duckdb.wal",
        "healthtrack.snapshot.duckdb",
    }


def test_another_process_reads_the_snapshot_while_the_store_is_held(store, made):
    made.add(store)
    publish_snapshot(store, NOW)
    code = (
        "import sys; from pathlib import Path\n"
        "from healthtrack.store import open_snapshot\n"
        "copy, published = open_snapshot(Path(sys.argv[1]), 200)\n"
        "print(len(copy.logs()), published.isoformat())"
    )
    run = subprocess.run(
        [sys.executable, "-c", code, str(store.path)], capture_output=True, text=True, check=True
    )
    assert run.stdout.split() == ["1", NOW.isoformat()]


def test_without_a_snapshot_the_message_says_so(tmp_path):
    with pytest.raises(StoreError, match="no snapshot"):
        open_snapshot(tmp_path / "healthtrack.duckdb", 200)
    with Store.open(snapshot_path(tmp_path / "healthtrack.duckdb")):
        pass
    with pytest.raises(StoreError, match="is no snapshot"):
        open_snapshot(tmp_path / "healthtrack.duckdb", 200)
