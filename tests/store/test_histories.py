"""Histories of many vehicles at a time are those of each, and nothing of another's gets in."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from healthtrack.records import Loss, MaintenanceEvent
from healthtrack.store.histories import histories, windows_by_vehicle

LATE = date(2030, 1, 1)


@pytest.fixture
def fleet(store, made):
    """Return a store with two vehicles that have logs, one with a log in quarantine, one unseen."""
    for day in range(3):
        when = made.morning + timedelta(days=day)
        made.add(store, f"{day}.csv", "otter", started=when)
    made.add(store, "a.csv", "badger")
    bad = made.entry("bad.csv", "stoat", state="quarantined", reason="empty", message="nothing")
    store.quarantine_log(bad)
    done = [
        MaintenanceEvent("1", "otter", date(2025, 3, 29), "air_filter"),
        MaintenanceEvent("2", "badger", date(2025, 3, 28), "air_filter"),
        MaintenanceEvent("3", "badger", date(2029, 3, 28), "service"),
    ]
    store.add_maintenance(done)
    return store


def test_each_vehicle_has_what_is_its_own(fleet):
    found = histories(fleet, ["stoat", "otter", "nobody", "badger"], LATE)
    assert list(found) == ["stoat", "otter", "nobody", "badger"]
    assert {name: one.vehicle for name, one in found.items()} == {name: name for name in found}
    assert [one.drives.height for one in found.values()] == [0, 3, 0, 1]
    for name, one in found.items():
        assert set(one.drives["vehicle"]) <= {name}
        for frame in (one.windows, one.standstills, one.pulls):
            assert frame["drive"].to_list() == one.drives["drive"].to_list()
    assert [one.logs_stored for one in found.values()] == [0, 3, 0, 1]
    assert [one.logs_quarantined for one in found.values()] == [1, 0, 0, 0]
    events = {name: [event.event for event in one.maintenance] for name, one in found.items()}
    assert events == {"stoat": [], "otter": ["1"], "nobody": [], "badger": ["2", "3"]}
    assert Loss("engine_cold", 93) in found["otter"].losses
    assert Loss("engine_cold", 31) in found["badger"].losses
    assert found["stoat"].losses == ()


def test_together_is_as_one_by_one_to_the_bit(fleet):
    names, day = ["otter", "badger", "stoat", "nobody"], date(2025, 3, 29)
    for name, one in histories(fleet, names, day).items():
        alone = fleet.history(name, day)
        for frame in ("drives", "windows", "standstills", "pulls"):
            here, there = getattr(one, frame), getattr(alone, frame)
            assert here.schema == there.schema
            assert here.equals(there)
        assert (one.losses, one.maintenance) == (alone.losses, alone.maintenance)
        assert (one.logs_stored, one.logs_quarantined) == (
            alone.logs_stored,
            alone.logs_quarantined,
        )


def test_windows_of_chosen_drives_go_to_their_vehicles(fleet):
    whole = histories(fleet, ["otter", "badger"], LATE)
    last = whole["otter"].drives["drive"].to_list()[1:]
    wanted = {"otter": last, "badger": [], "nobody": []}
    found = windows_by_vehicle(fleet, wanted)
    assert found["otter"].equals(whole["otter"].windows.slice(1))
    assert found["badger"].height == found["nobody"].height == 0
    assert found["badger"].schema == whole["badger"].windows.schema
    assert windows_by_vehicle(fleet, {"otter": []})["otter"].schema == found["badger"].schema


def test_nobody_asked_for_is_nobody_found(fleet):
    assert histories(fleet, [], LATE) == {}
