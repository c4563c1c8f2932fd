"""A vehicle that borrows from sisters is replayed as it was said, and so is what it lends."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from demo_history.simulator.fleet import random_sister, random_vehicle
from demo_history.simulator.frames import simulate_fleet
from demo_history.simulator.stories import Story
from healthtrack import chain, indicators
from healthtrack.chain.ahead import Road
from healthtrack.chain.following import as_then, history_until
from healthtrack.chain.judging import judge
from healthtrack.chain.replay import replay
from healthtrack.config import VehicleSettings, WorkspaceSettings
from healthtrack.records import VehicleHistory

pytestmark = pytest.mark.slow
WORKSPACE = WorkspaceSettings()
AIRFLOW = indicators.ALL["airflow"]
JOINED = timedelta(days=120)
FAULTY_FROM, FACTOR = 9, 0.88
"""The drive, counted from zero, from which the borrower's airflow is multiplied."""


@pytest.fixture(autouse=True)
def one_indicator(monkeypatch):
    """Look at one indicator: the others borrow in the same way."""
    monkeypatch.setattr(indicators, "ALL", {"airflow": AIRFLOW})


@pytest.fixture(scope="module")
def kind():
    """Return settings, two sisters' histories, and that of a vehicle that joined late."""
    rng = np.random.default_rng(7)
    engine = random_vehicle(rng, "kind")
    vehicles = [random_sister(rng, engine, f"v{place}") for place in range(3)]
    story = Story(years=0.9, wander="ar", wander_size=0.004, drives_per_week=2.0)
    frames = simulate_fleet(rng, vehicles, story, per_drive=12)
    histories = []
    for vehicle in vehicles:
        one = frames.of(vehicle.name)
        drives = one.drives
        if vehicle is vehicles[-1]:
            drives = drives.filter(pl.col("started") > drives["started"].min() + JOINED)
        windows = one.windows.join(drives, on="drive", how="semi")
        histories.append(VehicleHistory(vehicle.name, drives, windows))
    return VehicleSettings(**engine.settings()), histories[:2], histories[2]


def _lent(kind, day):
    settings, sisters, _ = kind
    return tuple(item for one in sisters for item in chain.lent(one, settings, WORKSPACE, day))


def _low_from_the_tenth_drive(history):
    moment = history.drives["started"].sort()[FAULTY_FROM]
    flow = pl.when(pl.col("t") >= moment).then(pl.col("airflow") * FACTOR).otherwise("airflow")
    return replace(history, windows=history.windows.with_columns(airflow=flow))


def _days(history):
    return sorted(set(history.drives["ended"].dt.date()))


@pytest.mark.parametrize("low", [False, True], ids=["sound", "a fault while it borrows"])
def test_a_borrowing_vehicle_is_replayed_as_the_verdicts_of_those_evenings_were(kind, low):
    settings, _, history = kind
    history = history_until(history, _days(history)[30])
    history = _low_from_the_tenth_drive(history) if low else history
    days = _days(history)
    told = replay(history, settings, WORKSPACE, sisters=_lent(kind, days[-1]))
    assert (set(told.alerts["indicator"]) == {"airflow"}) == low
    # before it may borrow, while it borrows, around the end of its own period, and on its own
    for day in (days[5], days[9], days[14], days[20], days[24], days[-1]):
        then = as_then(history, day)
        road = Road(day, None, None, None)
        # of its sisters, too, nothing is known that came after that evening
        said = judge(AIRFLOW, then, settings, WORKSPACE, road, _lent(kind, day)).finding
        row = told.as_of(day).row(0, named=True)
        assert (row["state"], row["raised_on"]) == (said.state, said.raised_on), day
        for name in ("level", "low", "high"):
            assert row[name] == pytest.approx(getattr(said, name), abs=1e-9), (day, name)


def test_it_is_judged_earlier_than_alone_and_its_own_period_takes_over(kind):
    settings, _, history = kind
    alone = replay(history, settings, WORKSPACE)
    borrowing = replay(history, settings, WORKSPACE, sisters=_lent(kind, _days(history)[-1]))

    def first_judged(told):
        return told.course.filter(pl.col("state") != "learning").drop_nulls("level")["said_on"][0]

    assert first_judged(borrowing) < first_judged(alone) - timedelta(days=14)
    late = pl.col("said_on") > first_judged(alone)
    names = ["drive", "state", "level", "low", "high"]
    assert (
        borrowing.course.filter(late).select(names).equals(alone.course.filter(late).select(names))
    )


def test_what_sisters_lend_is_settled_by_the_evening_on_which_it_is_borrowed(kind):
    settings, sisters, history = kind
    few = _days(history)[WORKSPACE.baseline.borrowing_drives - 1]
    for sister in sisters:
        then = chain.lent(history_until(sister, few), settings, WORKSPACE, few)
        now = chain.lent(sister, settings, WORKSPACE, _days(sister)[-1])
        assert then == now
        assert then[0].end <= few
