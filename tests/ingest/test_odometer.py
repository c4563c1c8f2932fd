"""Every drive gets an odometer as soon as any reading is known."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from healthtrack.ingest.odometer import with_odometer
from healthtrack.records import MaintenanceEvent, VehicleHistory

START = datetime(2024, 3, 1, 6, 0, tzinfo=UTC)


def history(odometers, distances, events=()):
    days = [START + timedelta(days=day) for day in range(len(odometers))]
    drives = pl.DataFrame(
        {
            "drive": [str(day) for day in range(len(odometers))],
            "started": days,
            "ended": [day + timedelta(hours=1) for day in days],
            "odometer_km": pl.Series(odometers, dtype=pl.Float64),
            "distance_km": pl.Series(distances, dtype=pl.Float64),
        }
    )
    return VehicleHistory("otter", drives, pl.DataFrame(), maintenance=tuple(events))


def event(day, km):
    on = (START + timedelta(days=day)).date()
    return MaintenanceEvent(f"e{day}", "otter", on, "service", km)


def filled(got):
    return got.drives["odometer_km"].to_list()


def test_between_two_readings_the_distance_is_shared_out_as_it_was_driven():
    # 300 km between the readings, of which the logger saw 20 + 40 + 40: each counts three times
    got = with_odometer(history([1000.0, None, None, 1300.0], [9.0, 20.0, 40.0, 40.0]))
    assert filled(got) == pytest.approx([1000.0, 1060.0, 1180.0, 1300.0])


def test_after_the_last_and_before_the_first_reading_the_logged_distance_counts():
    got = with_odometer(history([None, 1000.0, None], [30.0, 20.0, 50.0]))
    assert filled(got) == pytest.approx([980.0, 1000.0, 1050.0])


def test_a_maintenance_entry_is_a_reading():
    got = with_odometer(history([None, None, None], [10.0, 10.0, 10.0], [event(1, 5000.0)]))
    # the entry is of the beginning of the second day, before that day's drive
    assert filled(got) == pytest.approx([5000.0, 5010.0, 5020.0])


def test_a_reading_that_goes_backwards_is_not_used():
    known = [900.0, 1000.0, None, 20.0, None, 1100.0]
    got = with_odometer(history(known, [0.0, 100, 10, 10, 10, 10]))
    assert filled(got)[2] == pytest.approx(1025.0)
    assert filled(got)[4] == pytest.approx(1075.0)


@pytest.mark.parametrize("drives", [history([None, None], [1.0, 2.0]), history([1.0], [2.0])])
def test_nothing_known_or_nothing_missing_changes_nothing(drives):
    assert with_odometer(drives) is drives


def test_without_any_distance_the_days_share_it_out():
    got = with_odometer(history([1000.0, None, 1100.0], [None, None, None]))
    assert filled(got)[1] == pytest.approx(1050.0)


@given(
    distances=st.lists(st.floats(0, 500), min_size=2, max_size=30),
    missing=st.data(),
)
def test_a_fully_logged_vehicle_s_missing_readings_come_back(distances, missing):
    """Where the logger saw every kilometre, what is filled in is what was taken away."""
    truth = 50_000 + np.cumsum(distances)
    gone = missing.draw(
        st.sets(st.integers(0, len(distances) - 1), min_size=1, max_size=len(distances) - 1)
    )
    known = [None if at in gone else float(km) for at, km in enumerate(truth)]
    assert filled(with_odometer(history(known, distances))) == pytest.approx(
        truth.tolist(), abs=1e-6
    )
