"""The one line on top reads as a sentence."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import polars as pl
import pytest

from healthtrack.chain.verdict import concern, verdict
from healthtrack.records import (
    CauseFinding,
    Diagnosis,
    IndicatorFinding,
    Together,
    VehicleHistory,
)


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


def moved(item, kind):
    told = Together(5, -8.0, -3.0, -4.0, -2.0, -5.0, -6.5, -3.5, kind)
    return replace(item, together=told)


def test_what_others_share_is_named_before_the_cause():
    causes = (CauseFinding("charge_air_leak", 0.9),)
    one = alarm("airflow")
    assert concern([moved(one, "alone")], causes) == concern([one], causes)
    assert concern([moved(one, "unclear")], causes) == concern([one], causes)
    assert concern([moved(one, "partly")], causes).endswith(
        "; of late it moved by 8.0 %, others of its kind (5 heard) by 3.0 % (2.0 to 4.0); most "
        "likely air leaks between compressor and engine (90 %)"
    )
    assert concern([moved(one, "alike")], causes).endswith(
        "; others of its kind (5 heard) moved alike: look first at what they share; if it is a "
        "part, most likely air leaks between compressor and engine (90 %)"
    )
    # where another indicator moved alone, the cause is still asked for
    both = [alarm("boost"), moved(one, "alike")]
    assert "of late airflow moved by 8.0 %, others of its kind (5" in concern(both, causes)
    assert concern(both, causes).endswith("(90 %)")
