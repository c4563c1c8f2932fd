"""The one line on top reads as a sentence."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import polars as pl
import pytest

from healthtrack.chain.verdict import verdict
from healthtrack.records import Diagnosis, IndicatorFinding, VehicleHistory


def alarm(name, kind="drift", since=None):
    return IndicatorFinding(
        name, "%", "alarm", "", level=-9.0, low=-10.0, high=-8.0, kind=kind, since_km=since
    )


@pytest.mark.parametrize("count", [1, 2, 3])
@pytest.mark.parametrize("since", [None, 120_000.0])
def test_several_alarms_are_one_sentence_without_doubled_commas(count, since):
    found = [alarm(name, since=since) for name in ("airflow", "boost", "breathing")[:count]]
    some = pl.DataFrame({"drive": ["v/1"]})
    state, reason = verdict(VehicleHistory("v", some, some), found, Diagnosis(()))
    assert state == "alarm"
    assert reason.count("beyond its limit") == count
    assert ",," not in reason
    assert ", and" not in reason
    assert ", ," not in reason


def test_it_began_when_the_indicator_says_that_was_raised_first():
    late = replace(alarm("spool_time", since=100_000.0), raised_on=date(2025, 9, 9))
    first = replace(alarm("breathing", "step", since=120_000.0), raised_on=date(2025, 4, 6))
    some = pl.DataFrame({"drive": ["v/1"]})
    _, reason = verdict(VehicleHistory("v", some, some), [late, first], Diagnosis(()))
    assert "all at once at about 120 000 km" in reason
