"""Causes and forecasts in a back-test: looked at when they are wanted, counted as they came."""

from __future__ import annotations

from datetime import date, timedelta

import polars as pl
import pytest

from healthtrack import indicators
from healthtrack.bench.scoring import figures
from healthtrack.bench.settings import OWN
from healthtrack.bench.study import (
    AS_IT_WAS,
    COURSE_SCHEMA,
    SETTLED,
    FaultPlan,
    Task,
    _foreseen,
    _look,
    run_vehicle,
    scored,
)
from healthtrack.bench.truth import Truth
from healthtrack.chain import assess
from healthtrack.chain.following import history_until
from healthtrack.chain.replay import looks
from healthtrack.records import CauseFinding, Forecast, IndicatorFinding, VehicleFinding

START = date(2024, 1, 1)
LOW = "airflow_sensor_reads_low"


def _day(number):
    return START + timedelta(days=number)


def _course(reaches):
    """An airflow whose true level falls by a percent every ten days from day 0 on."""
    rows = [
        {"indicator": "airflow", "said_on": _day(day), "truth": -day / 10.0}
        for day in range(reaches + 1)
    ]
    return pl.DataFrame(rows, schema=COURSE_SCHEMA, orient="row")


def _finding(forecast=None, state="alert", causes=()):
    item = IndicatorFinding("airflow", "%", state, "", -3.0, limit=-6.0, forecast=forecast)
    return VehicleFinding("otter", _day(20), state, "", None, 30, None, (item,), causes)


def _forecast(expected, low, high, **changed):
    told = {"answer": "expected", "limit": -6.0} | changed
    return Forecast(
        limit_on=_day(expected),
        limit_on_low=_day(low),
        limit_on_high=None if high is None else _day(high),
        **told,
    )


@pytest.mark.parametrize(
    ("forecast", "inside", "error"),
    [
        (_forecast(60, 50, 70), True, 0.0),  # the limit of 6 % is reached on day 60
        (_forecast(80, 50, 90), True, 0.5),  # 20 days wrong on the 40 that were left on day 20
        (_forecast(50, 40, 55), False, 0.25),
        (_forecast(55, 40, None), True, 0.125),  # an end beyond the horizon holds everything
    ],
)
def test_a_forecast_is_held_against_the_day_on_which_the_truth_crossed(forecast, inside, error):
    told = _foreseen(_finding(forecast), _course(100), _day(20))
    assert told == {"forecast_inside": inside, "forecast_error": pytest.approx(error)}


@pytest.mark.parametrize(
    ("forecast", "reaches", "day"),
    [
        (_forecast(60, 50, 70), 50, 20),  # not reached within the history: nobody knows
        (_forecast(60, 50, 70), 100, 60),  # reached already
        (_forecast(60, 50, 70, answer="too_uncertain"), 100, 20),
        (None, 100, 20),
    ],
)
def test_a_forecast_that_cannot_be_judged_counts_neither_way(forecast, reaches, day):
    told = _foreseen(_finding(forecast), _course(reaches), _day(day))
    assert told == {"forecast_inside": None, "forecast_error": None}


def _causes(*shares):
    return tuple(CauseFinding(cause, share) for cause, share in shares)


@pytest.mark.parametrize(
    ("causes", "top", "among"),
    [
        (_causes((LOW, 0.7), ("charge_air_leak", 0.25)), True, True),
        (_causes(("charge_air_leak", 0.6), (LOW, 0.3)), False, True),
        (_causes(("charge_air_leak", 0.9), (LOW, 0.1)), False, False),  # too unlikely to be named
        ((), None, None),
    ],
)
def test_a_cause_is_right_where_it_is_first_and_named_where_it_is_likely(causes, top, among):
    truth = (Truth("otter", (LOW,), _day(0), _day(0), size=-6.0),)
    told = _look(_day(20), _finding(causes=causes), truth)
    assert (told["top"], told["among"], told["truth"]) == (top, among, LOW)


def test_where_nothing_stands_or_nothing_was_wrong_no_cause_is_asked_for():
    truth = (Truth("otter", (LOW,), _day(0), _day(0), size=-6.0),)
    quiet = _look(_day(20), _finding(state="normal", causes=_causes((LOW, 0.9))), truth)
    sound = _look(_day(20), _finding(causes=_causes((LOW, 0.9))), ())
    assert quiet["top"] is None
    assert sound["top"] is None
    assert sound["truth"] is None


@pytest.fixture(scope="module")
def seen(sound):
    """Return the frames of a back-test of ten months whose fault grows to 8 % within 50 days."""
    with pytest.MonkeyPatch.context() as patch:
        few = {name: indicators.ALL[name] for name in ("airflow", "breathing")}
        patch.setattr(indicators, "ALL", few)
        days = sorted(set(sound.history.drives["ended"].dt.date()))
        part = history_until(sound.history, days[60])
        fault = FaultPlan(LOW, -8.0, 50)
        yield run_vehicle(Task(part, sound.workspace, (OWN,), (fault,), ()))


@pytest.mark.slow
def test_a_back_test_looks_at_raises_once_they_have_settled_and_at_the_end(seen):
    rows = seen["looks"].filter(pl.col("case") != AS_IT_WAS)
    raised = set(seen["alerts"].filter(pl.col("case") != AS_IT_WAS)["said_on"])
    last = seen["exposure"]["judged_to"].max()
    assert raised
    assert set(rows["day"]) == raised | {min(day + SETTLED, last) for day in raised} | {last}
    assert set(rows["truth"]) == {LOW}
    assert rows.sort("day")["top"].to_list()[-1] is True
    told = figures(scored(seen, OWN.name))
    assert told.top_cause.of == rows["top"].count()
    assert told.top_cause.count == rows["top"].sum()
    assert told.forecast_inside.of == rows["forecast_inside"].count()


@pytest.mark.slow
def test_a_look_is_the_verdict_as_of_that_day(sound, monkeypatch):
    monkeypatch.setattr(indicators, "ALL", {"airflow": indicators.ALL["airflow"]})
    days = sorted(set(sound.history.drives["ended"].dt.date()))
    wanted = [days[26], days[23], days[26]]
    told = looks(sound.history, sound.vehicle, sound.workspace, wanted)
    assert list(told) == [days[23], days[26]]  # each once, in order
    for day, finding in told.items():
        assert finding == assess(sound.history, sound.vehicle, sound.workspace, day)
        assert finding.as_of == day
