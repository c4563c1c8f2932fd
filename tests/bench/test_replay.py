"""A replay says what was said: held against verdicts from the history as it was on each day."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from healthtrack import indicators
from healthtrack.chain import following
from healthtrack.chain.ahead import Road
from healthtrack.chain.judging import judge
from healthtrack.chain.replay import Kept, replay
from healthtrack.config import AlertSettings, BaselineSettings

pytestmark = pytest.mark.slow


@pytest.fixture(autouse=True)
def two_indicators(monkeypatch):
    """Look at two indicators of windows: the others are followed in the same way."""
    few = {name: indicators.ALL[name] for name in ("airflow", "breathing")}
    monkeypatch.setattr(indicators, "ALL", few)


def _as_said(one, day):
    """What the chain says of each indicator as of a day, without what a diagnosis adds."""
    then = following.as_then(one.history, day)
    seen, _ = indicators.observable(then.windows, one.vehicle)
    road = Road(day, None, None, None)
    return [judge(item, then, one.vehicle, one.workspace, road).finding for item in seen]


def _compare(one, replayed, days):
    for day in days:
        rows = {row["indicator"]: row for row in replayed.as_of(day).iter_rows(named=True)}
        for found in _as_said(one, day):
            row = rows.get(found.indicator)
            if row is None:
                assert found.state == "learning"
                continue
            assert row["state"] == found.state, (day, found.indicator)
            assert row["raised_on"] == found.raised_on
            said = (found.level, found.low, found.high, found.slope_per_10000_km, found.slope_high)
            told = tuple(row[key] for key in ("level", "low", "high", "slope", "slope_high"))
            # the same operations in the same order; a product of matrices may round its last bit
            assert [item is None for item in told] == [item is None for item in said]
            pairs = [(a, b) for a, b in zip(told, said, strict=True) if b is not None]
            assert all(a == pytest.approx(b, rel=1e-9, abs=1e-9) for a, b in pairs)


def _days(one, rng, count, around=()):
    days = sorted(set(one.history.drives["ended"].dt.date()))
    picked = {days[i] for i in rng.choice(len(days), count, replace=False)}
    near = [day for day in days for event in around if 0 < (day - event).days <= 45]
    return sorted(picked | {days[-1]} | set(near[1:8:3]))


def test_a_replay_says_what_was_said_before_and_after_an_alert_and_work_in_vain(mended_in_vain):
    one = mended_in_vain
    replayed = replay(one.history, one.vehicle, one.workspace)
    assert "airflow" in set(replayed.alerts["indicator"])
    events = [event.on for event in one.history.maintenance]
    _compare(one, replayed, _days(one, np.random.default_rng(1), 2, around=events))


def test_a_healthy_period_that_still_grows_is_replayed_as_it_was(sound):
    settings = BaselineSettings(minimum_drives=12, automatic_drives=22)
    workspace = sound.workspace.model_copy(update={"baseline": settings})
    one = type(sound)(sound.history, sound.vehicle, workspace)
    replayed = replay(one.history, one.vehicle, workspace)
    days = sorted(set(one.history.drives["ended"].dt.date()))
    _compare(one, replayed, [days[13], days[25]])


def test_an_odometer_that_later_readings_share_out_anew_is_replayed_as_it_was(sound):
    drives = sound.history.drives.head(48).with_row_index("row")
    read = pl.col("row").is_in([3, 28, 41])
    # what was driven without a logger shows at the next reading: all before moves by a tenth
    km = pl.when(read).then(pl.col("odometer_km") * 1.1)
    drives = drives.with_columns(odometer_km=km).drop("row")
    history = replace(sound.history, drives=drives)
    one = type(sound)(history, sound.vehicle, sound.workspace)
    replayed = replay(history, one.vehicle, one.workspace)
    days = sorted(set(drives["ended"].dt.date()))
    # on the evening before a reading, on its own, between two, and after the last
    _compare(one, replayed, [days[22], days[27], days[28], days[36], days[41], days[-1]])
    at = replayed.as_of(days[36]).filter(indicator="airflow")["odometer_km"].item()
    known = following.as_then(history, days[36]).drives.sort("started")["odometer_km"]
    assert at == pytest.approx(known[-1])
    assert following.as_then(history, days[-1]).drives.sort("started")["odometer_km"][36] != at


def test_nothing_after_a_day_changes_what_was_said_by_then(sound):
    whole = replay(sound.history, sound.vehicle, sound.workspace)
    days = sorted(set(sound.history.drives["ended"].dt.date()))
    day = days[2 * len(days) // 3]
    part = replay(following.history_until(sound.history, day), sound.vehicle, sound.workspace)
    before = whole.course.filter(pl.col("said_on") <= day)
    # the filtered course is causal to the bit
    assert part.course.select("indicator", "drive", "state", "raised_on").equals(
        before.select("indicator", "drive", "state", "raised_on")
    )
    difference = (part.course["level"] - before["level"]).abs().max()
    assert difference < 1e-9


def test_settings_tried_in_one_memory_say_what_they_say_alone(mended_in_vain, monkeypatch):
    one, kept = mended_in_vain, Kept()
    observed, learned = [], []
    monkeypatch.setattr(
        "healthtrack.chain.replay.observe",
        lambda item, *rest: observed.append(item.name) or following.observe(item, *rest),
    )
    monkeypatch.setattr(
        "healthtrack.chain.replay.measure",
        lambda seen, *rest: learned.append(seen.indicator.name) or following.measure(seen, *rest),
    )
    told = {}
    for rate in (0.5, 0.1, 0.02):
        alerts = AlertSettings(false_alerts_per_vehicle_year=rate)
        workspace = one.workspace.model_copy(update={"alerts": alerts})
        told[rate] = replay(one.history, one.vehicle, workspace, kept)
    # neither windows nor baselines know of the rate: each was looked at once for all settings
    assert len(observed) == len(set(observed))
    assert len(learned) == len(set(learned))
    alone = replay(one.history, one.vehicle, workspace)
    assert alone.course.equals(told[0.02].course)


def test_lengths_of_the_healthy_period_share_all_windows_and_say_what_they_say_alone(
    sound, monkeypatch
):
    days = sorted(set(sound.history.drives["ended"].dt.date()))
    history = following.history_until(sound.history, days[30])
    observed, kept = [], Kept()
    monkeypatch.setattr(
        "healthtrack.chain.replay.observe",
        lambda item, *rest: observed.append(item.name) or following.observe(item, *rest),
    )

    def told(drives, kept=None):
        settings = BaselineSettings(automatic_drives=drives)
        workspace = sound.workspace.model_copy(update={"baseline": settings})
        return replay(history, sound.vehicle, workspace, kept).course

    told(24, kept)
    once = len(observed)
    shared = told(22, kept)  # its evenings are among those of the longer period
    assert len(observed) == once
    alone = told(22)
    assert len(observed) > once
    assert shared.equals(alone)


def test_the_verdict_is_that_of_the_worst_indicator_of_the_evening(mended_in_vain):
    one = mended_in_vain
    replayed = replay(one.history, one.vehicle, one.workspace)
    rank = ("alarm", "alert", "normal", "learning")
    for day, state in list(replayed.verdicts.iter_rows())[::9]:
        states = replayed.as_of(day)["state"].to_list()
        assert state == (min(states, key=rank.index) if states else state)


def test_an_empty_history_says_nothing(sound):
    day = sound.history.drives["started"].min().date() - timedelta(days=2)
    empty = following.history_until(sound.history, day)
    replayed = replay(empty, sound.vehicle, sound.workspace)
    assert replayed.course.is_empty()
    assert replayed.alerts.is_empty()
    assert replayed.verdicts.is_empty()
