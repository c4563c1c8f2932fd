"""Weeks of the service in seconds; see tests/benchmarks/simulated_year.py for the whole year."""

from datetime import UTC, datetime

import pytest

from tests.benchmarks.simulated_year import live_through


@pytest.mark.slow
@pytest.mark.journey
@pytest.mark.parametrize(
    "start",
    [datetime(2026, 3, 25, 12, tzinfo=UTC), datetime(2026, 10, 21, 12, tzinfo=UTC)],
    ids=["spring", "autumn"],
)
def test_over_a_clock_change_and_a_fortnight_without_power_each_letter_goes_out_once(
    tmp_path, start
):
    result = live_through(tmp_path / "garage", start, days=24, outage=(8, 22), vehicles=2)
    assert result["letters_due"] > 20
    assert result["letters_sent"] == result["letters_due"]
    assert result["sent_but_not_due"] == result["due_but_not_sent"] == 0
    assert result["nights_twice"] == 0
    assert result["nights_assessed"] == 11  # eight, one for the fortnight, two
    assert set(result["states"]) == {"sent"}
    assert result["is_well"]
