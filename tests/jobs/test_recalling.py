"""A second verdict reads the new drives alone and says what the whole history says."""

from __future__ import annotations

import logging
from datetime import UTC, datetime
from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest

from demo_history.simulator.fleet import plan_drives, random_fleet
from demo_history.simulator.frames import simulate_windows
from demo_history.simulator.stories import Story
from healthtrack import chain
from healthtrack.config import VehicleSettings, WorkspaceSettings
from healthtrack.errors import ClusterError
from healthtrack.jobs import assessing
from healthtrack.jobs.assessing import assess
from healthtrack.jobs.recalling import Outcome
from healthtrack.records import Diagnosis, VehicleFinding
from healthtrack.store import KeptParts, Store
from healthtrack.store.columns import TABLES, insert

NOW = datetime(2030, 1, 1, tzinfo=UTC)
STORY = Story(years=0.45, wander="ar", wander_size=0.005, memory=20.0, drives_per_week=3.0)


def put(store, seen, drives):
    """Store chosen drives, each as a log of its own."""
    connection = store._connection
    rows = seen.drives.filter(pl.col("drive").is_in(drives))
    for name, vehicle in rows.select("drive", "vehicle").iter_rows():
        connection.execute(
            "INSERT INTO log VALUES (?, ?, ?, 'p', 'stored', NULL, NULL, 1, 1, ?)",
            [name, name, vehicle, NOW],
        )
    insert(connection, "drive", rows.with_columns(log=pl.col("drive")))
    for table, frame in (("window", seen.windows), ("standstill", seen.standstills)):
        known = ["drive", "t", "seconds", "region", *TABLES[table]]
        chosen = frame.filter(pl.col("drive").is_in(drives))
        insert(connection, table, chosen.select(name for name in chosen.columns if name in known))


@pytest.fixture(scope="module")
def seen():
    vehicle = random_fleet(np.random.default_rng(7), 1)[0]
    plan = plan_drives(np.random.default_rng(700), [vehicle], STORY)
    frames = simulate_windows(np.random.default_rng(0), [vehicle], plan, 24)
    return vehicle, frames, frames.drives.sort("started")["drive"].to_list()


@pytest.fixture
def garage(tmp_path, seen, monkeypatch):
    """Return a store with all drives but three (one of them early), and what was read of it."""
    monkeypatch.setattr("healthtrack.chain.judging.examine", lambda *_: Diagnosis(()))
    vehicle, frames, drives = seen
    settings = WorkspaceSettings(vehicles={vehicle.name: VehicleSettings(**vehicle.settings())})
    workspace = SimpleNamespace(settings=settings, chosen=lambda _: settings.vehicles)
    read: list[bool] = []
    with Store.open(tmp_path / "healthtrack.duckdb") as store:
        put(store, frames, [*drives[:10], *drives[11:-2]])
        whole = store.history

        def history(vehicle, as_of, *, with_windows=True):
            read.append(with_windows)
            return whole(vehicle, as_of, with_windows=with_windows)

        monkeypatch.setattr(store, "history", history)

        def judge(drive):
            day = frames.drives.filter(pl.col("drive") == drive)["ended"][0].date()
            read.clear()
            (found,) = assess(workspace, store, (), day, NOW)
            assert found == chain.assess(
                whole(vehicle.name, day), settings.vehicles[vehicle.name], settings, day
            )
            return list(read)

        yield SimpleNamespace(store=store, frames=frames, drives=drives, judge=judge)


def test_a_new_drive_is_judged_without_reading_the_old_ones(garage):
    assert garage.judge(garage.drives[-3]) == [True]
    put(garage.store, garage.frames, garage.drives[-2:-1])
    assert garage.judge(garage.drives[-2]) == [False]
    put(garage.store, garage.frames, garage.drives[-1:])
    assert garage.judge(garage.drives[-1]) == [False]


def test_a_late_log_and_a_damaged_part_are_judged_from_the_start_and_the_log_says_so(
    garage, caplog
):
    caplog.set_level(logging.DEBUG, "healthtrack.verdicts")
    garage.judge(garage.drives[-3])
    put(garage.store, garage.frames, [garage.drives[10]])
    assert garage.judge(garage.drives[-3]) == [False, True]
    assert "come, gone or changed" in caplog.text
    vehicle = garage.frames.drives["vehicle"][0]
    kept = KeptParts(garage.store)
    parts = kept.read(vehicle)
    kept.write(vehicle, parts | {"airflow/course": b"rubbish"})  # with a digest that is right
    assert garage.judge(garage.drives[-3]) == [False, True]
    assert "damaged" in caplog.text
    assert garage.judge(garage.drives[-3]) == [False]


def test_an_earlier_day_leaves_what_is_kept_as_it_is(garage):
    garage.judge(garage.drives[-3])
    vehicle = garage.frames.drives["vehicle"][0]
    before = KeptParts(garage.store).read(vehicle)
    assert garage.judge(garage.drives[-9]) == [False, True]
    assert KeptParts(garage.store).read(vehicle) == before


def test_a_vehicle_that_fails_at_any_point_is_named_and_the_others_go_on(monkeypatch):
    def history(vehicle, as_of, *, with_windows=True):
        if vehicle == "cannot_be_read":
            raise ZeroDivisionError("no history")
        return SimpleNamespace(vehicle=vehicle)

    def judged(task):
        vehicle = task.history.vehicle
        if vehicle == "fails":
            raise ZeroDivisionError("no verdict")
        if vehicle in {"misfit", "fails_from_the_start"} and task.parts:
            return Outcome(None, misfit="it does not fit")
        if vehicle == "fails_from_the_start":
            raise ZeroDivisionError("not even so")
        return Outcome(VehicleFinding(vehicle, task.as_of, "normal", "", None, 0, None))

    def kept(finding):
        if finding.vehicle == "cannot_be_kept":
            raise ZeroDivisionError("not kept")
        return True

    names = ["first", "cannot_be_read", "fails", "misfit", "fails_from_the_start"]
    names += ["cannot_be_kept", "last"]
    settings = WorkspaceSettings(vehicles={name: VehicleSettings() for name in names})
    workspace = SimpleNamespace(settings=settings, chosen=lambda _: tuple(names))
    store = SimpleNamespace(history=history, keep_finding=kept)
    monkeypatch.setattr(assessing, "assess_one", judged)
    monkeypatch.setattr(
        assessing,
        "recalled",
        lambda store, vehicle, _, as_of: (store.history(vehicle, as_of), {"head": b"x"}),
    )
    told: dict[str, str] = {}
    found = assess(workspace, store, (), NOW.date(), NOW, None, told.__setitem__)
    assert [one.vehicle for one in found] == ["first", "last", "misfit"]
    assert {vehicle: words.split("(")[1] for vehicle, words in told.items()} == {
        "cannot_be_read": "ZeroDivisionError: no history)",
        "fails": "ZeroDivisionError: no verdict)",
        "fails_from_the_start": "ZeroDivisionError: not even so)",
        "cannot_be_kept": "ZeroDivisionError: not kept)",
    }
    with pytest.raises(ZeroDivisionError, match="no history"):
        list(assess(workspace, store, (), NOW.date(), NOW))


def test_a_store_or_cluster_that_fails_is_no_fault_of_one_vehicle(monkeypatch):
    def lost(*_):
        raise ClusterError("the scheduler is gone")

    settings = WorkspaceSettings(vehicles={"a": VehicleSettings()})
    workspace = SimpleNamespace(settings=settings, chosen=lambda _: ("a",))
    monkeypatch.setattr(assessing, "recalled", lost)
    with pytest.raises(ClusterError):
        list(assess(workspace, None, (), NOW.date(), NOW, None, {}.__setitem__))
