from __future__ import annotations

from datetime import date

import pytest

from healthtrack.config import VehicleSettings
from healthtrack.forecast import Usage, next_service
from healthtrack.forecast.service import months_later
from healthtrack.records import MaintenanceEvent

TODAY = date(2025, 6, 30)
STEADY = Usage(km_per_week=350.0, sd=0.0)
DONE = MaintenanceEvent("e", "otter", date(2025, 3, 1), "service", 100_000.0)
BOTH = VehicleSettings(service_every_km=20_000.0, service_every_months=12)


def test_what_comes_first_counts():
    # 1400 km left at 50 km a day are 28 days
    soon = next_service(BOTH, [DONE], TODAY, 118_600.0, STEADY)
    assert soon.due == date(2025, 7, 28)
    assert soon.in_km == pytest.approx(1400.0)
    # hardly driven: a year after the last one
    late = next_service(BOTH, [DONE], TODAY, 101_000.0, STEADY)
    assert late.due == date(2026, 3, 1)
    assert late.in_km == pytest.approx(50.0 * 244)


def test_an_overdue_service_has_a_day_gone_by_and_no_way_left():
    over = next_service(BOTH, [DONE], TODAY, 120_350.0, STEADY)
    assert over.due == date(2025, 6, 23)
    assert over.in_km == 0.0


def test_it_is_counted_from_the_last_service_that_was_done_by_then():
    events = [
        DONE,
        MaintenanceEvent("o", "otter", date(2025, 5, 1), "other", 105_000.0),
        MaintenanceEvent("l", "otter", date(2025, 7, 1), "service", 110_000.0),
    ]
    found = next_service(BOTH, events, TODAY, 101_000.0, STEADY)
    assert found.due == date(2026, 3, 1)


def test_without_an_odometer_or_a_usage_only_the_date_counts():
    assert next_service(BOTH, [DONE], TODAY, None, STEADY).due == date(2026, 3, 1)
    found = next_service(BOTH, [DONE], TODAY, 110_000.0, None)
    assert (found.due, found.in_km) == (date(2026, 3, 1), pytest.approx(10_000.0))


def test_without_interval_or_recorded_service_nothing_is_said():
    assert next_service(VehicleSettings(), [DONE], TODAY, 101_000.0, STEADY) is None
    assert next_service(BOTH, [], TODAY, 101_000.0, STEADY) is None


@pytest.mark.parametrize(
    ("day", "months", "expected"),
    [
        (date(2024, 1, 31), 1, date(2024, 2, 29)),
        (date(2023, 12, 15), 1, date(2024, 1, 15)),
        (date(2024, 2, 29), 12, date(2025, 2, 28)),
    ],
)
def test_months_are_those_of_the_calendar(day, months, expected):
    assert months_later(day, months) == expected
