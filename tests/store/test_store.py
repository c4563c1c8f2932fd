"""What is stored comes back, once, whole, and only up to the day that is asked for."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from healthtrack.channels import CHANNELS
from healthtrack.config import VehicleSettings
from healthtrack.errors import LogError, StoreError
from healthtrack.operating import find_operation
from healthtrack.records import Loss, MaintenanceEvent
from healthtrack.store import Store, StoredFinding

LATE = date(2030, 1, 1)


def test_samples_come_back_as_they_went_in(store, made):
    made.add(store)
    read = made.read()
    assert_frame_equal(store.samples(read.drives["drive"][0]), read.samples)


def test_windows_come_back_with_a_column_for_every_channel(store, made):
    made.add(store)
    windows = store.history("otter", LATE).windows
    went_in = made.operation(made.read()).windows.frame
    assert_frame_equal(windows.select(went_in.columns), went_in, check_dtypes=False)
    missing = set(CHANNELS) - set(went_in.columns)
    assert missing <= set(windows.columns)
    assert all(windows[name].null_count() == windows.height for name in missing)


def test_frames_have_the_very_columns_that_the_operating_block_makes(store, made):
    read = made.read()
    found = find_operation(read.samples, VehicleSettings())
    store.add_log(made.entry(), read, found)
    history = store.history("otter", LATE)
    assert history.windows.schema == found.windows.frame.schema
    assert history.standstills.schema == found.standstills.schema
    assert history.pulls.schema == found.pulls.schema


def test_standstills_and_pulls_come_back_up_to_the_day_asked_for(store, made):
    made.add(store)
    made.add(store, "b.csv", started=made.morning + timedelta(days=1))
    history = store.history("otter", date(2025, 3, 28))
    assert history.standstills["region"].to_list() == ["key_on"]
    assert history.standstills["manifold_pressure"].to_list() == [95.0]
    assert history.pulls["specific_power"].to_list() == [32.5]
    assert store.history("otter", LATE).pulls.height == 2


def test_drives_name_the_log_that_they_came_from(store, made):
    made.add(store, "inbox/otter/monday.csv")
    drives = store.history("otter", LATE).drives
    assert drives["log"].to_list() == ["inbox/otter/monday.csv"]
    assert drives.columns == made.read().drives.columns


def test_a_log_is_known_by_its_content(store, made):
    entry = made.add(store)
    assert store.log(entry.sha256) == entry.__class__(**{**_fields(entry), "rows": 4})
    assert store.log("another") is None


def _fields(entry):
    return {name: getattr(entry, name) for name in entry.__slots__}


def test_the_same_content_cannot_be_stored_twice(store, made):
    made.add(store)
    read = made.read(started=made.morning + timedelta(days=1))
    with pytest.raises(StoreError, match="stored already"):
        store.add_log(made.entry(), read, made.operation(read))
    assert store.history("otter", LATE).drives.height == 1


@pytest.mark.parametrize(
    ("shift_minutes", "minutes"), [(0, 30), (10, 5), (-10, 60), (29, 30), (-29, 30)]
)
def test_a_drive_that_overlaps_a_stored_one_is_refused_and_nothing_changes(
    store, made, shift_minutes, minutes
):
    made.add(store)
    read = made.read(made.morning + timedelta(minutes=shift_minutes), minutes)
    with pytest.raises(LogError, match=r"must not count twice") as caught:
        store.add_log(made.entry("b.csv"), read, made.operation(read))
    assert caught.value.reason == "overlap"
    assert "the one that came first stays: delete this file" in caught.value.message
    assert len(store.logs()) == 1
    assert store.history("otter", LATE).drives.height == 1


@pytest.mark.parametrize("shift_minutes", [30, -30, 600])
def test_drives_that_only_touch_are_two_drives(store, made, shift_minutes):
    made.add(store)
    made.add(store, "b.csv", started=made.morning + timedelta(minutes=shift_minutes))
    assert store.history("otter", LATE).drives.height == 2


def test_a_log_that_takes_the_place_of_another_leaves_nothing_of_it(store, made):
    short = made.add(store, "short.csv", minutes=10)
    read = made.read(minutes=30)
    store.add_log(made.entry("whole.csv"), read, made.operation(read), replaces=short.sha256)
    history = store.history("otter", LATE)
    assert history.drives["log"].to_list() == ["whole.csv"]
    assert history.windows.height == 1
    assert Loss("engine_cold", 31) in history.losses
    assert_frame_equal(store.samples(read.drives["drive"][0]), read.samples)


def test_two_vehicles_may_drive_at_the_same_time(store, made):
    made.add(store)
    made.add(store, vehicle="badger")
    assert store.vehicles() == ("badger", "otter")
    assert store.history("badger", LATE).drives["vehicle"].to_list() == ["badger"]


def test_a_failure_half_way_leaves_nothing_of_the_log(store, made):
    read = made.read()
    good = made.operation(read)
    wrong = replace(good, pulls=good.pulls.with_columns(unheard_of=pl.lit(1.0)))
    with pytest.raises(StoreError, match="unheard_of"):
        store.add_log(made.entry(), read, wrong)
    assert store.logs() == ()
    assert store.samples(read.drives["drive"][0]).is_empty()
    made.add(store)
    assert store.history("otter", LATE).drives.height == 1


def test_a_quarantined_log_keeps_its_reason_and_becomes_stored_once_it_can_be_read(store, made):
    bad = made.entry(state="quarantined", reason="wrong_unit", message="a factor of ten")
    store.quarantine_log(bad)
    assert store.log(bad.sha256) == bad
    assert store.history("otter", LATE).logs_quarantined == 1
    made.add(store)
    history = store.history("otter", LATE)
    assert (history.logs_stored, history.logs_quarantined) == (1, 0)
    assert store.log(bad.sha256).reason is None


def test_a_later_reason_replaces_the_earlier_one(store, made):
    store.quarantine_log(made.entry(state="quarantined", reason="empty", message="1"))
    first = store.logs()[0].received
    later = made.entry(state="quarantined", reason="binary", message="2")
    store.quarantine_log(replace(later, received=first + timedelta(days=3)))
    assert [entry.reason for entry in store.logs()] == ["binary"]
    assert [entry.received for entry in store.logs()] == [first]  # it was tried again


def test_a_stored_log_is_never_turned_into_a_quarantined_one(store, made):
    made.add(store)
    with pytest.raises(StoreError, match="stored already"):
        store.quarantine_log(made.entry(state="quarantined", reason="empty", message="x"))
    assert [entry.state for entry in store.logs()] == ["stored"]


def test_notes_stay_with_their_log(store, made):
    entry = made.add(store)
    assert store.log(entry.sha256).notes == ("the clock stepped back once",)


def test_losses_are_summed_over_the_logs_of_the_drives_that_count(store, made):
    made.add(store)
    made.add(store, "b.csv", started=made.morning + timedelta(days=1))
    assert store.history("otter", date(2025, 3, 28)).losses == (
        Loss("clock_step", 1),
        Loss("engine_cold", 31),
        Loss("implausible", 3, "intake_temperature"),
    )
    assert Loss("engine_cold", 62) in store.history("otter", LATE).losses


def test_a_vehicle_without_logs_has_an_empty_history_not_an_error(store):
    history = store.history("nobody", LATE)
    assert history.drives.is_empty()
    assert history.windows.is_empty()
    assert "airflow" in history.windows.columns
    assert history.losses == ()


def test_a_drive_counts_from_the_end_of_the_day_on_which_it_ended(store, made):
    made.add(store, started=datetime(2025, 3, 28, 23, 50, tzinfo=UTC))  # ends 00:20 next day
    assert store.history("otter", date(2025, 3, 28)).drives.is_empty()
    assert store.history("otter", date(2025, 3, 28)).windows.is_empty()
    assert store.history("otter", date(2025, 3, 29)).drives.height == 1


@settings(max_examples=15, deadline=None)
@given(
    days=st.lists(st.integers(0, 60), min_size=1, max_size=6, unique=True),
    as_of=st.integers(-1, 61),
)
def test_history_as_of_a_day_holds_exactly_the_drives_up_to_it(made, tmp_path_factory, days, as_of):
    path = tmp_path_factory.mktemp("store") / "s.duckdb"
    with Store.open(path) as store:
        for day in days:
            made.add(store, f"{day}.csv", started=made.morning + timedelta(days=day))
        history = store.history("otter", made.morning.date() + timedelta(days=as_of))
    expected = [f"{day}.csv" for day in sorted(days) if day <= as_of]
    assert history.drives["log"].to_list() == expected
    assert history.windows["drive"].to_list() == history.drives["drive"].to_list()


def test_what_comes_later_changes_nothing_of_an_earlier_day(store, made):
    made.add(store)
    before = store.history("otter", date(2025, 3, 28))
    made.add(store, "b.csv", started=made.morning + timedelta(days=3))
    store.add_maintenance([MaintenanceEvent("e", "otter", date(2025, 4, 1), "service")])
    after = store.history("otter", date(2025, 3, 28))
    assert_frame_equal(after.drives, before.drives)
    assert_frame_equal(after.windows, before.windows)
    assert after.maintenance == before.maintenance
    assert after.losses == before.losses


def test_everything_is_there_after_closing_and_opening(tmp_path, made):
    path = tmp_path / "s.duckdb"
    with Store.open(path) as store:
        entry = made.add(store)
        before = store.history("otter", LATE)
    with Store.open(path) as store:
        assert store.log(entry.sha256).state == "stored"
        assert_frame_equal(store.history("otter", LATE).windows, before.windows)


def test_times_come_back_in_utc_whatever_the_zone_of_the_machine(tmp_path, made, monkeypatch):
    monkeypatch.setenv("TZ", "Asia/Kathmandu")
    with Store.open(tmp_path / "s.duckdb") as store:
        made.add(store)
        started = store.history("otter", LATE).drives["started"][0]
        assert started == made.morning
        assert store.last_drive_ended() == made.morning + timedelta(minutes=30)
        assert started.utcoffset() == timedelta(0)


def test_maintenance_is_ordered_by_day_and_cut_at_the_day_asked_for(store):
    first = MaintenanceEvent("1", "otter", date(2025, 1, 5), "service", 200_000.0, "oil")
    second = MaintenanceEvent("2", "otter", date(2025, 2, 5), "air_filter_replaced")
    other = MaintenanceEvent("3", "badger", date(2025, 1, 1), "other")
    assert store.add_maintenance([second, first, other]) == 3
    assert store.maintenance("otter") == (first, second)
    assert store.maintenance("otter", date(2025, 2, 4)) == (first,)
    assert store.history("otter", date(2025, 2, 5)).maintenance == (first, second)
    assert len(store.maintenance()) == 3


def test_adding_an_event_again_adds_nothing(store):
    event = MaintenanceEvent("1", "otter", date(2025, 1, 5), "service")
    assert store.add_maintenance([event, event]) == 1
    assert store.add_maintenance([event]) == 0
    assert store.maintenance() == (event,)


def test_an_event_entered_by_mistake_can_be_removed_once(store):
    store.add_maintenance([MaintenanceEvent("1", "otter", date(2025, 1, 5), "service")])
    assert store.remove_maintenance("1")
    assert not store.remove_maintenance("1")
    assert store.maintenance() == ()


def test_a_verdict_is_kept_when_it_says_something_new(store):
    noon = datetime(2026, 3, 31, 12, tzinfo=UTC)
    first = StoredFinding("otter", date(2026, 3, 31), noon, "normal", '{"level": 0}')
    again = StoredFinding("otter", date(2026, 3, 31), noon + timedelta(hours=1), "normal", "{}")
    same = StoredFinding(
        "otter", date(2026, 3, 31), noon + timedelta(hours=2), "normal", again.document
    )
    assert store.keep_finding(first)
    assert store.keep_finding(again)
    assert not store.keep_finding(same)
    assert store.findings("otter") == (first, again)
    assert store.findings("badger") == ()


def test_every_channel_can_be_stored(store, made):
    read = made.read()
    everything = read.samples.with_columns(
        pl.lit(channel.low).alias(channel.name) for channel in CHANNELS.values()
    )
    full = read.__class__(everything, read.drives, read.rows)
    store.add_log(made.entry(), full, made.operation(read))
    assert store.samples(read.drives["drive"][0]).columns == ["drive", "t", *CHANNELS]


def test_drives_are_counted_also_of_vehicles_without_any(store, made):
    made.add(store, "a.csv", "otter")
    made.add(store, "b.csv", "badger")
    counts = store.drive_counts(["otter", "nobody"])
    assert counts == {"otter": len(store.history("otter", LATE).drives), "nobody": 0}
    assert counts["otter"] > 0
    assert store.drive_counts([]) == {}
