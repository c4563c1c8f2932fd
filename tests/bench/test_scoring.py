"""Counting: made-up alerts and faults whose score is known by construction."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest

from healthtrack.bench.scoring import Told, mark_alerts, mark_faults, rate, share, sound_years
from healthtrack.bench.truth import Truth, from_maintenance
from healthtrack.chain.replay import ALERT_SCHEMA
from healthtrack.records import MaintenanceEvent

START = date(2024, 1, 1)


def _day(number):
    return START + timedelta(days=number)


def _told(*alerts, days=365):
    """One drive a day of 30 km; alerts as (indicator, raised, cleared) in days."""
    rows = [
        {"indicator": name, "raised_on": _day(a), "said_on": _day(a), "worst": "alert",
         "cleared_on": None if b is None else _day(b)}
        for name, a, b in alerts
    ]  # fmt: skip
    drives = pl.DataFrame(
        {
            "ended": [datetime(2024, 1, 1, 8, tzinfo=UTC) + timedelta(days=n) for n in range(days)],
            "odometer_km": [1000.0 + 30.0 * n for n in range(days)],
        }
    )
    frame = pl.DataFrame(rows, schema=ALERT_SCHEMA, orient="row")
    return Told("otter", frame, drives, _day(20), _day(days - 1))


def _fault(since, until=None, full=None, size=-4.0):
    full_on = _day(full if full is not None else since)
    end = None if until is None else _day(until)
    return Truth("otter", ("airflow_sensor_reads_low",), _day(since), full_on, end, size, "%")


def test_an_alert_before_the_fault_is_false_and_one_during_it_is_not():
    told = _told(("airflow", 50, 60), ("boost", 130, None))
    marked = mark_alerts(told, (_fault(100),))
    assert marked["false"].to_list() == [True, False]


def test_delay_is_counted_in_days_drives_and_kilometres():
    (row,) = mark_faults(_told(("airflow", 110, None)), (_fault(100),)).to_dicts()
    assert (row["outcome"], row["delay_days"], row["delay_drives"]) == ("found", 10.0, 11.0)
    assert row["delay_km"] == pytest.approx(300.0)
    assert row["reached"] == 1.0


def test_a_ramp_is_told_of_at_the_share_that_it_has_reached():
    (row,) = mark_faults(_told(("airflow", 149, None)), (_fault(100, full=200),)).to_dicts()
    assert row["reached"] == pytest.approx(0.495)  # the middle of its fiftieth day of a hundred


def test_silence_is_a_miss_but_not_where_no_drive_could_tell_or_work_is_done_by_the_calendar():
    told = _told()
    filter_work = Truth("otter", ("air_filter_restricted",), None, until=_day(300),
                        witness="maintenance", expected=False)  # fmt: skip
    rows = mark_faults(told, (_fault(100), _fault(400), filter_work)).to_dicts()
    assert [row["outcome"] for row in rows] == ["missed", "unseen", "missed"]
    assert [row["expected"] for row in rows] == [True, True, False]


def test_a_filter_by_the_calendar_explains_its_own_indicator_and_takes_no_sound_time():
    work = MaintenanceEvent("a", "otter", _day(300), "air_filter_replaced")
    truths = from_maintenance((work,))
    told = _told(("airflow", 200, 210), ("intake_restriction", 220, None))
    marked = mark_alerts(told, truths)
    assert marked["false"].to_list() == [True, False]
    assert sound_years(told, truths) == sound_years(told, ()) > 0.9
    (row,) = mark_faults(told, truths).to_dicts()
    assert (row["outcome"], row["indicator"]) == ("found", "intake_restriction")
    # a new sensor is only fitted where something was wrong: the year before is not sound
    replaced = MaintenanceEvent("b", "otter", _day(300), "airflow_sensor_replaced")
    assert sound_years(told, from_maintenance((replaced,))) == pytest.approx(65 / 365.25)


def test_an_alert_that_stood_before_the_fault_has_not_told_of_it():
    (row,) = mark_faults(_told(("airflow", 50, None)), (_fault(100),)).to_dicts()
    assert row["outcome"] == "before"


def test_sound_time_ends_with_the_fault_and_begins_again_with_the_work():
    told = _told()
    # judged on days 20 to 364; wrong on 100 to 199
    assert sound_years(told, (_fault(100, until=200),)) == pytest.approx(245 / 365.25)
    assert sound_years(told, (_fault(100, until=200),), _day(120)) == pytest.approx(80 / 365.25)
    assert sound_years(told, ()) == pytest.approx(345 / 365.25)


@pytest.mark.published("Garwood 1936, Biometrika 28; the rule of three: 0 of n, 3.69/n two-sided")
@pytest.mark.parametrize(
    ("count", "low", "high"), [(0, 0.0, 3.689), (1, 0.0253, 5.572), (10, 4.795, 18.390)]
)
def test_the_interval_of_a_rate_is_the_exact_one_of_a_count(count, low, high):
    told = rate(count, 1.0)
    assert told.low == pytest.approx(low, abs=5e-4)
    assert told.high == pytest.approx(high, abs=5e-4)


def test_a_rate_over_no_time_and_a_share_of_nothing_are_not_known():
    assert rate(0, 0.0).rate is None
    assert share(0, 0).share is None


def test_the_interval_of_a_share_mirrors_that_of_its_complement():
    few, many = share(3, 20), share(17, 20)
    assert few.low == pytest.approx(1.0 - many.high)
    assert few.high == pytest.approx(1.0 - many.low)
