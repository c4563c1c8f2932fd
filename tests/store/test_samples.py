"""Samples outside the store: Parquet by vehicle and month, moved over and back, merged, let go."""

from __future__ import annotations

from datetime import UTC, datetime

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from healthtrack.errors import LogError, StoreError
from healthtrack.store import (
    Store,
    compact_samples,
    let_old_samples_go,
    misplaced_drives,
    move_samples,
    remove_orphans,
    restore_backup,
    write_backup,
)
from healthtrack.store import samples_moving as moving
from healthtrack.store.samples import SampleFolder

DAYS = [datetime(2025, month, day, 7, tzinfo=UTC) for month in (3, 4) for day in (1, 2, 3)]
VEHICLES = ("otter", "stoat")


def _open(tmp_path, samples=""):
    return Store.open(tmp_path / "healthtrack.duckdb", samples=samples)


def _fill(store, made):
    for vehicle in VEHICLES:
        for day in DAYS:
            made.add(store, f"{vehicle}-{day:%m%d}.csv", vehicle, started=day)


def _drives(made):
    for vehicle in VEHICLES:
        for day in DAYS:
            read = made.read(day, vehicle=vehicle)
            yield read.drives["drive"][0], read.samples


def _whole(store, made):
    for drive, samples in _drives(made):
        assert_frame_equal(store.samples(drive), samples, check_exact=True)


def _files(tmp_path, folder="samples"):
    return sorted(
        path.relative_to(tmp_path / folder).as_posix()
        for path in (tmp_path / folder).rglob("*.parquet")
    )


@pytest.fixture
def outside(tmp_path, made):
    with _open(tmp_path, "samples") as store:
        _fill(store, made)
        yield store


def test_samples_outside_come_back_to_the_bit_and_the_store_holds_none(outside, made, tmp_path):
    _whole(outside, made)
    assert outside._connection.execute("SELECT count(*) FROM sample").fetchall() == [(0,)]
    assert _files(tmp_path)[0].startswith("vehicle=otter/month=2025-03/sha-of-otter-otter-0301")
    assert len(_files(tmp_path)) == 12


def test_any_reader_of_hive_partitions_reads_the_table(outside, tmp_path):
    table = pl.read_parquet(tmp_path / "samples", hive_partitioning=True)
    assert set(table["vehicle"].unique()) == set(VEHICLES)
    assert table.height == 12 * 4


def test_a_log_that_is_refused_or_cannot_be_committed_leaves_no_file_that_counts(
    outside, made, tmp_path
):
    with pytest.raises(LogError, match="already"):
        made.add(outside, "again.csv", "otter", started=DAYS[0])
    assert len(_files(tmp_path)) == 12
    late = made.read(datetime(2025, 5, 1, tzinfo=UTC))
    strange = made.operation(late)
    broken = type(strange)(
        type(strange.windows)(strange.windows.frame.with_columns(nonsense=1.0), ()),
        strange.standstills,
        strange.pulls,
        strange.near_misses,
    )
    with pytest.raises(StoreError, match="nonsense"):
        outside.add_log(made.entry("new.csv"), late, broken)
    assert len(_files(tmp_path)) == 13  # the object came first, the commit did not
    assert remove_orphans(outside) == 1
    assert len(_files(tmp_path)) == 12
    _whole(outside, made)


def test_a_column_that_no_channel_has_is_refused_in_this_layout_too(outside, made):
    read = made.read(datetime(2025, 6, 1, tzinfo=UTC))
    strange = type(read)(read.samples.with_columns(nonsense=1.0), read.drives, read.rows)
    with pytest.raises(StoreError, match="nonsense"):
        outside.add_log(made.entry("n.csv"), strange, made.operation(read))


def test_a_log_that_takes_the_place_of_a_shorter_copy_takes_its_file_along(outside, made, tmp_path):
    read = made.read(DAYS[0], minutes=60, rows=9)
    outside.add_log(
        made.entry("whole.csv"), read, made.operation(read), replaces="sha-of-otter-otter-0301.csv"
    )
    assert outside.samples(read.drives["drive"][0]).height == 9
    names = _files(tmp_path)
    assert not [name for name in names if "otter-0301" in name]
    assert len(names) == 12


@pytest.mark.parametrize("steps", [1, 10**9])
def test_a_move_over_and_back_keeps_every_sample(tmp_path, made, steps):
    with _open(tmp_path) as store:
        _fill(store, made)
    with _open(tmp_path, "samples") as store:
        assert misplaced_drives(store) == 12
        assert sum(move_samples(store, steps)) == 12
        assert misplaced_drives(store) == 0
        _whole(store, made)
        assert len(_files(tmp_path)) == 4  # one per vehicle and month
        assert remove_orphans(store) == 0
    with _open(tmp_path, "elsewhere") as store:
        assert sum(move_samples(store, steps)) == 12
        _whole(store, made)
    assert _files(tmp_path) == []
    with _open(tmp_path) as store:
        assert sum(move_samples(store, steps)) == 12
        assert list(move_samples(store)) == []
        _whole(store, made)
        assert store._connection.execute("SELECT count(*) FROM sample").fetchall() == [(48,)]
    assert _files(tmp_path, "elsewhere") == []


class _PowerCut(BaseException):
    pass


@pytest.mark.parametrize("to", ["samples", ""])
@pytest.mark.parametrize("after", [0, 1, 3])
def test_a_move_that_is_broken_off_anywhere_loses_nothing_and_goes_on(
    tmp_path, made, monkeypatch, after, to
):
    with _open(tmp_path, "" if to else "samples") as store:
        _fill(store, made)
    calls = iter(range(10**6))

    def sometimes(function):
        def called(*arguments, **named):
            if next(calls) >= after:
                raise _PowerCut
            return function(*arguments, **named)

        return called

    with monkeypatch.context() as patch:
        patch.setattr(SampleFolder, "write", sometimes(SampleFolder.write))
        patch.setattr(SampleFolder, "remove", sometimes(SampleFolder.remove))
        patch.setattr(moving, "insert", sometimes(moving.insert))
        with pytest.raises(_PowerCut), _open(tmp_path, to) as store:
            list(move_samples(store, 1))
    with _open(tmp_path, to) as store:
        _whole(store, made)
        list(move_samples(store, 1))
        _whole(store, made)
        assert misplaced_drives(store) == 0
        remove_orphans(store)
        _whole(store, made)
    if to:
        assert len(_files(tmp_path)) == 4


def test_merging_leaves_one_file_per_vehicle_and_month_and_every_sample(outside, made, tmp_path):
    assert list(compact_samples(outside, datetime(2025, 4, 20, tzinfo=UTC))) == [3, 3]
    assert len(_files(tmp_path)) == 2 + 6
    assert list(compact_samples(outside)) == [3, 3]
    assert list(compact_samples(outside)) == []
    assert len(_files(tmp_path)) == 4
    _whole(outside, made)


@pytest.mark.parametrize("location", ["", "samples"])
def test_old_samples_are_let_go_and_what_was_derived_stays(tmp_path, made, location):
    late = DAYS[-1].date()
    with _open(tmp_path, location) as store:
        _fill(store, made)
        before = store.history("otter", late)
        assert let_old_samples_go(store, datetime(2025, 4, 2, tzinfo=UTC)) == 8
        assert let_old_samples_go(store, datetime(2025, 4, 2, tzinfo=UTC)) == 0
        for drive, samples in _drives(made):
            old = drive.split("/")[1] < "2025-04-02"
            assert store.samples(drive).height == (0 if old else samples.height)
        after = store.history("otter", late)
        assert after.windows.equals(before.windows)
        assert after.drives.equals(before.drives)
        assert after.pulls.equals(before.pulls)
        assert list(move_samples(store)) == []
        backup = write_backup(store, tmp_path / "backups", DAYS[-1])
    restore_backup(backup, tmp_path / "new.duckdb", 200)
    with Store.open(tmp_path / "new.duckdb") as restored:
        assert restored.samples("otter/2025-03-01T07:00:00").is_empty()
        assert restored.samples("otter/2025-04-03T07:00:00").height == 4


def test_a_merged_file_goes_when_its_last_drive_is_old_enough(outside):
    list(compact_samples(outside))
    assert let_old_samples_go(outside, datetime(2025, 4, 2, tzinfo=UTC)) == 6
    assert outside.samples("otter/2025-04-01T07:00:00").height == 4


def test_a_backup_holds_samples_from_outside_and_a_restored_store_goes_on(outside, made, tmp_path):
    first = write_backup(outside, tmp_path / "backups", datetime(2026, 1, 1, tzinfo=UTC))
    list(compact_samples(outside))  # where the samples lie does not change what a month holds
    second = write_backup(outside, tmp_path / "backups", datetime(2026, 1, 2, tzinfo=UTC))
    name = "sample_otter_2025-03.parquet"
    assert (first / name).stat().st_ino == (second / name).stat().st_ino
    outside.close()
    restore_backup(second, tmp_path / "healthtrack.duckdb", 200)
    with _open(tmp_path, "samples") as store:
        _whole(store, made)
        assert sum(move_samples(store)) == 12
        assert remove_orphans(store) == 0
        _whole(store, made)


def test_two_stores_do_not_share_a_place(outside, made, tmp_path):
    with Store.open(tmp_path / "other.duckdb", samples="samples") as other:
        with pytest.raises(StoreError, match="another workspace"):
            made.add(other)
        with pytest.raises(StoreError, match="another workspace"):
            remove_orphans(other)
    _whole(outside, made)


def test_a_file_that_is_gone_is_named_and_a_move_stops_without_losing_more(outside, made, tmp_path):
    gone = tmp_path / "samples" / _files(tmp_path)[0]
    content = gone.read_bytes()
    gone.unlink()
    with pytest.raises(StoreError, match="otter-0301"):
        outside.samples("otter/2025-03-01T07:00:00")
    with pytest.raises(StoreError, match="otter-0301"):
        list(compact_samples(outside))
    gone.write_bytes(content)
    list(compact_samples(outside))
    _whole(outside, made)


@pytest.mark.parametrize("vehicle", ["..", "a/b", "a=b", "ö x", "%2F"])
def test_a_vehicle_whose_id_has_odd_letters_stays_in_a_folder_of_its_own(tmp_path, made, vehicle):
    folder = SampleFolder("samples", tmp_path)
    read = made.read(vehicle=vehicle)
    (place,) = folder.write_log(vehicle, "abc", read.drives, read.samples)
    assert (tmp_path / place.file).resolve().is_relative_to(tmp_path / "samples")
    assert [file for file, _ in folder.files()] == [place.file]
    table = pl.read_parquet(tmp_path / "samples", hive_partitioning=True)
    assert table["vehicle"].unique().to_list() == [vehicle]
