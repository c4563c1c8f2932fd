"""What work, tables and injections say of what was wrong."""

from datetime import date

import pytest

from healthtrack.bench.inject import Injection
from healthtrack.bench.truth import LOOK_BACK, from_maintenance, read_table, surest
from healthtrack.errors import SettingsError
from healthtrack.records import MaintenanceEvent

VEHICLES = ("marmot", "chamois", "ibex", "badger", "lynx", "raven")


def test_the_demos_table_of_truth_is_read_as_it_is(repository):
    rows = read_table(repository / "demo_history" / "truth.csv", VEHICLES)
    assert {row.vehicle for row in rows} == {"chamois", "ibex", "badger"}
    sensor = next(row for row in rows if row.vehicle == "chamois")
    assert sensor.size_on(date(2023, 6, 4)) == 0.0
    assert sensor.size_on(date(2024, 6, 22)) == -7.5
    assert sensor.size_on(date(2024, 6, 24)) == 0.0  # replaced
    # half way of the ramp, half of the size, to a day's share
    assert sensor.size_on(date(2023, 12, 11)) == pytest.approx(-3.75, abs=7.5 / 381)


def test_every_line_that_cannot_be_used_is_named(tmp_path):
    path = tmp_path / "truth.csv"
    path.write_text(
        "vehicle,cause,since,until\nmarmot,none,,\nibx,charge_air_leak,2024-01-01,\n"
        "ibex,hose,2024-01-01,\nibex,charge_air_leak,,\nibex,charge_air_leak,1.2.2024,\n"
    )
    with pytest.raises(SettingsError) as caught:
        read_table(path, VEHICLES)
    assert [f"line {number}" in str(caught.value) for number in (2, 3, 4, 5, 6)] == [
        False,
        True,
        True,
        True,
        True,
    ]


def test_work_tells_of_a_fault_before_it_unless_a_surer_witness_does():
    replaced = MaintenanceEvent("a", "ibex", date(2024, 6, 1), "turbocharger_replaced")
    serviced = MaintenanceEvent("b", "ibex", date(2024, 6, 1), "service")
    filtered = MaintenanceEvent("c", "ibex", date(2024, 6, 1), "air_filter_replaced")
    work = from_maintenance((replaced, serviced, filtered))
    assert [(one.causes, one.expected) for one in work] == [
        (("turbocharger_weak",), True),
        (("air_filter_restricted",), False),
    ]
    assert work[0].begins == date(2024, 6, 1) - LOOK_BACK
    known = Injection("turbocharger_weak", -10.0, date(2024, 3, 1)).truth("ibex")
    assert surest((*work, known)) == (work[1], known)
