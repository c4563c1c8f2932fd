"""What verdicts leave behind is kept whole, read whole, and gone when a log goes."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from healthtrack.errors import StoreError
from healthtrack.store import KeptParts, Store, open_snapshot, publish_snapshot

PARTS = {"head": b"{}", "airflow/drives/0000": bytes(range(256))}


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "healthtrack.duckdb") as opened:
        yield opened


def test_parts_come_back_as_they_were_each_vehicle_for_itself(store):
    kept = KeptParts(store)
    kept.write("otter", PARTS)
    kept.write("badger", {"head": b"[]"})
    assert kept.read("otter") == PARTS
    assert kept.read("badger") == {"head": b"[]"}
    assert kept.read("nobody") == {}


def test_later_parts_take_the_place_of_earlier_ones(store):
    kept = KeptParts(store)
    for number in range(4):
        kept.write(
            "otter", {"head": b"{}", f"piece/{number}": b"x" * number, "state": b"%d" % number}
        )
        assert set(kept.read("otter")) == {"head", f"piece/{number}", "state"}
    assert kept.read("otter")["state"] == b"3"


def test_a_damaged_file_makes_all_of_a_vehicle_unread(store):
    kept = KeptParts(store)
    kept.write("otter", PARTS)
    kept.write("badger", PARTS)
    (path,) = (store.path.parent / "healthtrack.kept").glob("otter*")
    whole = path.read_bytes()
    for damaged in (whole[:-1], whole + b"\n", b"", whole[:40] + b"x" + whole[41:]):
        path.write_bytes(damaged)
        assert kept.read_several(["otter", "badger"]) == {"otter": {}, "badger": PARTS}
    path.unlink()
    assert kept.read("otter") == {}
    kept.write("otter", PARTS)  # the same again
    assert kept.read("otter") == PARTS


def test_a_file_whose_row_was_never_written_is_read_as_none(store):
    kept = KeptParts(store)
    kept.write("otter", PARTS)
    (path,) = (store.path.parent / "healthtrack.kept").iterdir()
    kept.write("otter", {"head": b"later"})
    later = path.read_bytes()
    kept.write("otter", PARTS)
    path.write_bytes(later)  # as a power cut leaves it between file and row
    assert kept.read("otter") == {}


def test_files_of_vehicles_of_which_nothing_is_kept_are_tidied_away(store):
    kept = KeptParts(store)
    kept.write("otter", PARTS)
    kept.write("a/../b", PARTS)
    store._connection.execute("DELETE FROM kept WHERE vehicle = 'otter'")
    (store.path.parent / "healthtrack.kept" / ".otter.parts.part").write_bytes(b"half")
    assert kept.tidy() == 2
    assert kept.read("otter") == {}
    assert kept.read("a/../b") == PARTS
    assert kept.tidy() == 0


def test_a_folder_that_cannot_be_written_is_told(store):
    (store.path.parent / "healthtrack.kept").write_text("a file in its place")
    with pytest.raises(StoreError, match=r"healthtrack\.kept"):
        KeptParts(store).write("otter", PARTS)


def test_a_stored_log_that_is_replaced_takes_what_rested_on_it_along(store, made):
    entry = made.add(store)
    KeptParts(store).write("otter", PARTS)
    longer, read = made.entry("longer.csv"), made.read()
    store.add_log(longer, read, made.operation(read), replaces=entry.sha256)
    assert KeptParts(store).read("otter") == {}


def test_a_snapshot_goes_without(store):
    KeptParts(store).write("otter", PARTS)
    publish_snapshot(store, datetime(2026, 1, 1, tzinfo=UTC))
    snapshot, _ = open_snapshot(store.path, 200)
    with snapshot:
        assert KeptParts(snapshot).read("otter") == {}
        KeptParts(snapshot).write("otter", PARTS)
        assert KeptParts(snapshot).read("otter") == {}


def test_chosen_windows_are_those_of_the_history(store, made):
    read = made.read()
    store.add_log(made.entry(), read, made.operation(read))
    day = read.drives["ended"][0].date()
    whole = store.history("otter", day)
    assert store.windows_of(read.drives["drive"].to_list()).equals(whole.windows)
    outline = store.history("otter", day, with_windows=False)
    assert outline.windows.height == 0
    assert outline.windows.schema == whole.windows.schema
    assert outline.drives.equals(whole.drives)
