"""A backup is whole, and a store made from it says what the first one said."""

import json
from datetime import UTC, date, datetime, timedelta

import duckdb
import pytest

from healthtrack.errors import StoreError
from healthtrack.store import (
    Outbox,
    OutboxLetter,
    Store,
    backups,
    restore_backup,
    surplus_backups,
    write_backup,
)
from healthtrack.store.migrations import MIGRATIONS, migrate
from healthtrack.store.opening import connect

NOW = datetime(2026, 11, 25, 3, 30, tzinfo=UTC)
LATE = date(2030, 1, 1)


@pytest.fixture
def filled(store, made):
    for month in (3, 4):
        for vehicle in ("otter", "stoat"):
            started = datetime(2025, month, 28, 7, tzinfo=UTC)
            made.add(store, f"{vehicle}{month}.csv", vehicle, started=started)
    letter = OutboxLetter("k", "owner", "report", "s", NOW, b"\x00\xff")
    Outbox(store).put(letter, ["a@one.example"], NOW)
    return store


def _same(one, two):
    assert one.logs() == two.logs()
    assert one.schema == two.schema
    for vehicle in ("otter", "stoat"):
        before, after = one.history(vehicle, LATE), two.history(vehicle, LATE)
        assert after.drives.equals(before.drives)
        assert after.windows.equals(before.windows)
        assert after.losses == before.losses
        for drive in before.drives["drive"]:
            assert two.samples(drive).equals(one.samples(drive))
    assert Outbox(two).deliveries() == Outbox(one).deliveries()
    assert Outbox(two).raw("k") == Outbox(one).raw("k")


def test_a_restored_store_says_what_the_first_one_said_and_goes_on(filled, tmp_path, made):
    backup = write_backup(filled, tmp_path / "backups", NOW)
    restore_backup(backup, tmp_path / "new.duckdb", 200)
    with Store.open(tmp_path / "new.duckdb") as restored:
        _same(filled, restored)
        made.add(restored, "later.csv", started=datetime(2026, 1, 1, tzinfo=UTC))
        with pytest.raises(StoreError):
            made.add(restored, "later.csv", started=datetime(2026, 1, 1, tzinfo=UTC))


def test_a_backup_is_plain_parquet(filled, tmp_path):
    backup = write_backup(filled, tmp_path / "backups", NOW)
    rows = duckdb.sql(
        f"SELECT vehicle, count(*) FROM '{backup}/drive.parquet' GROUP BY 1"
    ).fetchall()
    assert sorted(rows) == [("otter", 2), ("stoat", 2)]
    names = {path.name for path in backup.iterdir()}
    assert {"sample_otter_2025-03.parquet", "sample_stoat_2025-04.parquet"} <= names


def test_months_that_did_not_change_are_the_same_file_as_the_day_before(filled, tmp_path, made):
    first = write_backup(filled, tmp_path / "backups", NOW)
    made.add(filled, "new.csv", "otter", started=datetime(2025, 4, 29, tzinfo=UTC))
    second = write_backup(filled, tmp_path / "backups", NOW + timedelta(days=1))

    def inode(folder, name):
        return (folder / f"sample_{name}.parquet").stat().st_ino

    assert inode(first, "otter_2025-03") == inode(second, "otter_2025-03")
    assert inode(first, "otter_2025-04") != inode(second, "otter_2025-04")
    restore_backup(second, tmp_path / "new.duckdb", 200)
    with Store.open(tmp_path / "new.duckdb") as restored:
        _same(filled, restored)


def test_the_backup_of_a_day_is_replaced_and_nothing_else_is_left(filled, tmp_path):
    for hour in range(2):
        write_backup(filled, tmp_path / "backups", NOW + timedelta(hours=hour))
    (tmp_path / "backups" / ".2026-11-26.part").mkdir()
    assert [path.name for path in backups(tmp_path / "backups")] == ["2026-11-25"]


def test_a_damaged_backup_is_refused_and_the_store_stays(filled, tmp_path):
    backup = write_backup(filled, tmp_path / "backups", NOW)
    file = backup / "window.parquet"
    content = bytearray(file.read_bytes())
    content[len(content) // 2] ^= 1
    file.write_bytes(bytes(content))
    target = tmp_path / "new.duckdb"
    target.write_bytes(b"precious")
    with pytest.raises(StoreError, match=r"window.parquet of the backup is damaged"):
        restore_backup(backup, target, 200)
    assert target.read_bytes() == b"precious"


def test_the_store_that_was_there_is_moved_aside_never_overwritten(filled, tmp_path):
    backup = write_backup(filled, tmp_path / "backups", NOW)
    target = tmp_path / "new.duckdb"
    for content in (b"first", b"second"):
        target.write_bytes(content)
        restore_backup(backup, target, 200)
    assert (tmp_path / "new.duckdb.before-restore").read_bytes() == b"first"
    assert (tmp_path / "new.duckdb.before-restore-1").read_bytes() == b"second"


def test_a_folder_that_is_no_backup_or_a_newer_one_is_refused(filled, tmp_path):
    with pytest.raises(StoreError, match="is no backup"):
        restore_backup(tmp_path, tmp_path / "new.duckdb", 200)
    backup = write_backup(filled, tmp_path / "backups", NOW)
    manifest = json.loads((backup / "manifest.json").read_text())
    (backup / "manifest.json").write_text(json.dumps(manifest | {"schema": 999}))
    with pytest.raises(StoreError, match="newer healthtrack"):
        restore_backup(backup, tmp_path / "new.duckdb", 200)


def test_the_last_days_and_the_first_of_each_month_are_kept():
    days = tuple(date(2026, 1, 1) + timedelta(days=n) for n in range(120))
    gone = surplus_backups(days, keep=7, keep_months=2)
    kept = sorted(set(days) - set(gone))
    assert kept == [date(2026, 3, 1), date(2026, 4, 1), *days[-7:]]
    assert surplus_backups(days[:5], keep=7, keep_months=0) == ()


def test_a_backup_from_before_an_upgrade_is_restored_and_brought_up_to_date(tmp_path):
    path = tmp_path / "old.duckdb"
    connection = connect(path, 200)
    migrate(connection, MIGRATIONS[:3])
    connection.execute(
        "INSERT INTO maintenance VALUES ('e', 'otter', '2025-01-05', 'service', 1, '')"
    )
    # a version of that schema asked for no such tables, and its backups hold none
    connection.execute("CREATE TABLE sample_file (drive VARCHAR, file VARCHAR)")
    connection.execute("CREATE TABLE drive_part (drive VARCHAR, log VARCHAR)")
    with Store(connection, path) as old:
        assert old.schema == 3
        backup = write_backup(old, tmp_path / "backups", NOW)
    manifest = json.loads((backup / "manifest.json").read_text())
    later = {"sample_file", "drive_part"}
    manifest["files"] = [file for file in manifest["files"] if file["table"] not in later]
    (backup / "manifest.json").write_text(json.dumps(manifest))
    restore_backup(backup, tmp_path / "new.duckdb", 200)
    with Store.open(tmp_path / "new.duckdb") as restored:
        assert restored.schema == MIGRATIONS[-1].number
        assert [event.event for event in restored.maintenance()] == ["e"]
