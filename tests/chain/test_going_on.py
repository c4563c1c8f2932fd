"""A verdict from what was kept equals the one from the whole history, to the bit."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from demo_history.simulator.fleet import plan_drives, random_fleet
from demo_history.simulator.frames import simulate_windows
from demo_history.simulator.stories import Story
from healthtrack.chain.following import history_until
from healthtrack.chain.going_on import Asked, Assessed, Misfit, assess_on, assess_whole
from healthtrack.chain.kept import windows_to_read
from healthtrack.chain.kept_form import kept_from_parts, kept_to_parts
from healthtrack.config import BaselineSettings, VehicleSettings, WorkspaceSettings
from healthtrack.drift import tracked_to_kept
from healthtrack.records import Diagnosis, MaintenanceEvent, VehicleHistory

STORY = Story(years=0.8, wander="ar", wander_size=0.005, memory=20.0, drives_per_week=2.5)
WORKSPACE = WorkspaceSettings()


@pytest.fixture(autouse=True)
def no_diagnosis(monkeypatch):
    """Leave out the diagnosis: it is a function of the evidence, which is compared."""
    monkeypatch.setattr("healthtrack.chain.judging.examine", lambda *_: Diagnosis(()))


@pytest.fixture(scope="module")
def garage():
    """Return a vehicle's settings and history: work at six tenths of the drives."""
    vehicle = random_fleet(np.random.default_rng(7), 1)[0]
    plan = plan_drives(np.random.default_rng(700), [vehicle], STORY)
    seen = simulate_windows(np.random.default_rng(0), [vehicle], plan, 24)
    starts = seen.drives.sort("started")["started"]
    work = MaintenanceEvent(
        "w1", vehicle.name, starts[int(0.6 * len(starts))].date(), "airflow_sensor_replaced"
    )
    history = VehicleHistory(
        vehicle.name,
        seen.drives.sort("started"),
        seen.windows,
        maintenance=(work,),
        standstills=seen.standstills,
    )
    return VehicleSettings(**vehicle.settings()), history, [one.date() for one in starts]


def ask(garage, day, **changes):
    return Asked(changes.get("vehicle", garage[0]), changes.get("workspace", WORKSPACE), day)


def through_the_store(kept):
    """Write what is kept and read it again."""
    assert kept is not None
    vehicle = VehicleSettings()  # limits are all that is looked at, and none are set
    found = kept_from_parts(kept_to_parts(kept), vehicle, WORKSPACE)
    assert found is not None
    return found


def needed(history, kept, day):
    """Return the history with no more windows than the verdict asks for."""
    until = history_until(history, day)
    wanted = windows_to_read(kept, until)
    return replace(until, windows=until.windows.filter(pl.col("drive").is_in(wanted)))


def assert_same(going: Assessed | Misfit, whole: Assessed):
    assert isinstance(going, Assessed)
    assert going.finding == whole.finding
    for mine, theirs in zip(going.finding.indicators, whole.finding.indicators, strict=True):
        assert (mine.trend is None) == (theirs.trend is None)
        if mine.trend is not None:
            assert mine.trend.frame.equals(theirs.trend.frame)
    mine, theirs = going.kept, whole.kept
    assert replace(mine, indicators={}) == replace(theirs, indicators={})
    for name in theirs.indicators:
        one, other = mine.indicators[name], theirs.indicators[name]
        assert (one.learned, one.sisters) == (other.learned, other.sisters)
        assert one.figures.equals(other.figures)
        assert one.regions.equals(other.regions)
        for side, same in zip(
            tracked_to_kept(one.tracked), tracked_to_kept(other.tracked), strict=True
        ):
            assert side.equals(same) if isinstance(side, pl.DataFrame) else side == same


@pytest.fixture(scope="module")
def half(garage):
    """Return what is kept at half of the history."""
    _, history, days = garage
    day = days[len(days) // 2]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("healthtrack.chain.judging.examine", lambda *_: Diagnosis(()))
        return assess_whole(history, ask(garage, day)).kept


def test_a_history_in_many_pieces_with_work_between_equals_the_whole(garage, half):
    _, history, days = garage
    count, kept = len(days), half
    for place in (0.53, 0.58, 0.62, 0.66, 0.8, 0.82, 1.0):
        day = days[min(int(place * count), count - 1)]
        asked = ask(garage, day)
        going = assess_on(needed(history, kept, day), asked, through_the_store(kept))
        assert_same(going, assess_whole(history, asked))
        kept = going.kept
    assert going.finding.repairs
    assert len(kept.head) < 30 < len(days)


def test_a_stated_beginning_alone_is_kept_and_gone_on_from(garage):
    settings, history, days = garage
    count = len(days)
    begun = settings.model_copy(update={"baseline_from": days[8]})
    early, late = days[count // 2], days[-1]
    kept = assess_whole(history, ask(garage, early, vehicle=begun)).kept
    assert kept.indicators["airflow"].learned.start >= days[8]
    asked = ask(garage, late, vehicle=begun)
    going = assess_on(needed(history, kept, late), asked, kept)
    assert_same(going, assess_whole(history, asked))


def test_the_same_day_again_says_the_same(garage, half):
    _, history, days = garage
    day = days[len(days) // 2]
    asked = ask(garage, day)
    assert_same(assess_on(needed(history, half, day), asked, half), assess_whole(history, asked))


def test_a_log_that_came_late_is_judged_from_the_start(garage, half):
    _, history, days = garage
    gone = history.drives["drive"][10]
    before = replace(
        history,
        drives=history.drives.filter(pl.col("drive") != gone),
        windows=history.windows.filter(pl.col("drive") != gone),
    )
    middle = days[len(days) // 2]
    kept = assess_whole(before, ask(garage, middle)).kept
    found = assess_on(history, ask(garage, days[-1]), kept)
    assert isinstance(found, Misfit)
    assert "come, gone or changed" in found.reason


def test_work_entered_afterwards_is_judged_from_the_start(garage, half):
    _, history, days = garage
    late = MaintenanceEvent("w0", "v", days[30], "airflow_sensor_cleaned")
    found = assess_on(
        replace(history, maintenance=(late, *history.maintenance)), ask(garage, days[-1]), half
    )
    assert isinstance(found, Misfit)
    assert "work on the vehicle" in found.reason


def test_other_settings_an_earlier_day_or_a_new_channel_are_judged_from_the_start(garage, half):
    settings, history, days = garage
    vehicle = settings.model_copy(update={"limits": {"airflow": -5.0}})
    workspace = WorkspaceSettings(baseline=BaselineSettings(automatic_drives=25))
    columns = {"turbo_speed", "exhaust_temperature"} & set(history.windows.columns)
    for name in columns or {"throttle"}:
        logged = pl.when(pl.col("drive") == history.drives["drive"][-1]).then(50.0)
        news = replace(history, windows=history.windows.with_columns(logged.alias(name)))
    for changed, asked, words in (
        (history, ask(garage, days[-1], vehicle=vehicle), "settings"),
        (history, ask(garage, days[-1], workspace=workspace), "settings"),
        (history, ask(garage, days[len(days) // 2] - timedelta(days=9)), "earlier day"),
        (news, ask(garage, days[-1]), "first time"),
    ):
        found = assess_on(changed, asked, half)
        assert isinstance(found, Misfit)
        assert words in found.reason


def test_a_drive_that_goes_on_is_judged_from_the_start(garage, half):
    _, history, days = garage
    first, ended = history.drives.row(half.pieces - 1, named=True), None
    ended = first["ended"]
    more = history.drives.head(1).with_columns(
        drive=pl.lit("v/more"),
        started=pl.lit(ended + timedelta(seconds=20)).cast(history.drives["started"].dtype),
        ended=pl.lit(ended + timedelta(seconds=900)).cast(history.drives["ended"].dtype),
    )
    drives = pl.concat([history.drives, more]).sort("started")
    found = assess_on(replace(history, drives=drives), ask(garage, days[-1]), half)
    assert isinstance(found, Misfit)
    assert "goes on" in found.reason


def test_what_is_damaged_is_not_read(garage, half):
    parts = kept_to_parts(half)
    name = next(key for key in parts if key.startswith("airflow/drives"))
    for broken in (
        parts | {"head": b"{"},
        parts | {name: b"not a table"},
        {key: value for key, value in parts.items() if key != "airflow/course"},
        parts | {"airflow/baseline": b"x"},
    ):
        assert kept_from_parts(broken, garage[0], WORKSPACE) is None
