"""Maintenance events are entered once, listed, imported whole or not at all, and removable."""

from __future__ import annotations

import pytest

from healthtrack.config import MAINTENANCE_KINDS

LIST = (
    "vehicle,on,kind,odometer_km,note\n"
    "otter,2025-01-05,service,200000,oil and filters\n"
    "otter,2025-02-05,air_filter_replaced,,\n"
)


def test_an_event_is_added_listed_and_removed(call, workspace):
    add = ("maintenance", "add", "otter", "air_filter_replaced", "--on", "2025-02-05")
    added = call(*add, "--odometer", "203500", "--note", "paper")
    assert added.code == 0
    listed = call("maintenance", "list").out
    assert listed == "otter-2025-02-05-air_filter_replaced, 203500 km: paper\n"
    assert "known already" in call(*add).out
    assert call("maintenance", "remove", "otter-2025-02-05-air_filter_replaced").code == 0
    assert call("maintenance", "list", "--json").document == {"events": []}
    assert call("maintenance", "remove", "otter-2025-02-05-air_filter_replaced").code == 2


def test_a_list_is_imported_once(call, workspace, tmp_path):
    path = tmp_path / "list.csv"
    path.write_text(LIST)
    assert call("maintenance", "import", path, "--json").document == {"added": 2, "known": 0}
    assert call("maintenance", "import", path, "--json").document == {"added": 0, "known": 2}
    events = call("maintenance", "list", "otter", "--json").document["events"]
    assert events[0] == {
        "event": "otter-2025-01-05-service",
        "vehicle": "otter",
        "on": "2025-01-05",
        "kind": "service",
        "odometer_km": 200000.0,
        "note": "oil and filters",
    }
    assert events[1]["odometer_km"] is None


def test_a_list_with_semicolons_and_a_byte_order_mark_is_the_same(call, workspace, tmp_path):
    path = tmp_path / "list.csv"
    path.write_text(LIST.replace(",", ";"), encoding="utf-8-sig")
    assert call("maintenance", "import", path, "--json").document == {"added": 2, "known": 0}


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("stoat,2025-03-01,service,,", "[vehicles.stoat]"),
        ("otter,1.3.2025,service,,", "2025-03-28"),
        ("otter,2025-03-01,servise,,", "Did you mean service?"),
        ("otter,2025-03-01,service,far,", "'far'"),
        ("otter,2025-03-01,service,-5,", "-5"),
        ("otter,2025-03-01,service,nan,", "nan"),
        ("otter,2025-03-01,service,,note,more", "more cells"),
    ],
)
def test_a_list_with_a_fault_is_not_imported_and_names_the_line(
    call, workspace, tmp_path, line, said
):
    path = tmp_path / "list.csv"
    path.write_text(LIST + line + "\n")
    called = call("maintenance", "import", path)
    assert called.code == 1
    assert "line 4" in called.err
    assert said in called.err
    assert call("maintenance", "list", "--json").document == {"events": []}


@pytest.mark.parametrize("text", ["", "a,b\n1,2\n", "vehicle,on\n", LIST.replace("note", "notes")])
def test_a_list_with_other_columns_says_which_it_needs(call, workspace, tmp_path, text):
    path = tmp_path / "list.csv"
    path.write_text(text)
    called = call("maintenance", "import", path)
    assert called.code == 1
    assert "vehicle,on,kind,odometer_km,note" in called.err


def test_help_lists_every_kind(call):
    told = call("maintenance", "add", "--help").out
    assert all(kind in told for kind in MAINTENANCE_KINDS)
