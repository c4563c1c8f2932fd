"""A second verdict reads the new drives alone and says what the whole history says."""

from __future__ import annotations

import json
import logging
import pickle
from dataclasses import replace
from datetime import UTC, date, datetime
from functools import partial
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
from healthtrack.jobs import assessing, recalling
from healthtrack.jobs.assessing import assess
from healthtrack.jobs.pool import Failure
from healthtrack.jobs.recalling import AssessTask, Lookup, Outcome, Recalled, hear_one
from healthtrack.records import Diagnosis, Together, VehicleFinding, VehicleHistory
from healthtrack.store import KeptParts, Store
from healthtrack.store.columns import TABLES, insert

NOW = datetime(2030, 1, 1, tzinfo=UTC)
DAY = date(2029, 12, 31)
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
    """Return a store with all drives but three (one of them early), and whether all was read."""
    monkeypatch.setattr("healthtrack.chain.judging.examine", lambda *_: Diagnosis(()))
    vehicle, frames, drives = seen
    settings = WorkspaceSettings(vehicles={vehicle.name: VehicleSettings(**vehicle.settings())})
    workspace = SimpleNamespace(settings=settings, chosen=lambda _: settings.vehicles)
    read: list[int] = []
    windows = recalling.windows_by_vehicle

    def noted(store, wanted):
        (some,) = wanted.values()
        read.append(len(some))
        return windows(store, wanted)

    monkeypatch.setattr(recalling, "windows_by_vehicle", noted)
    with Store.open(tmp_path / "healthtrack.duckdb") as store:
        put(store, frames, [*drives[:10], *drives[11:-2]])

        def judge(drive):
            day = frames.drives.filter(pl.col("drive") == drive)["ended"][0].date()
            read.clear()
            (found,) = assess(workspace, store, (), day, NOW)
            whole = store.history(vehicle.name, day)
            assert found == chain.assess(whole, settings.vehicles[vehicle.name], settings, day)
            return [drives == whole.drives.height for drives in read]

        yield SimpleNamespace(
            store=store, frames=frames, drives=drives, judge=judge, workspace=workspace
        )


def test_a_new_drive_is_judged_without_reading_the_old_ones(garage):
    assert garage.judge(garage.drives[-3]) == [True]
    put(garage.store, garage.frames, garage.drives[-2:-1])
    assert garage.judge(garage.drives[-2]) == [False]
    put(garage.store, garage.frames, garage.drives[-1:])
    assert garage.judge(garage.drives[-1]) == [False]


def test_what_others_did_is_stored_with_the_verdict(garage, monkeypatch):
    told = Together(3, -4.0, -3.9, -4.5, -3.3, -0.1, -0.9, 0.7, "alike")

    def beside(kin, finding):
        return replace(finding, indicators=tuple(
            replace(item, together=told) for item in finding.indicators
        ))  # fmt: skip

    monkeypatch.setattr(assessing.Kin, "beside", beside)
    vehicle = garage.frames.drives["vehicle"][0]
    found = list(assess(garage.workspace, garage.store, (), DAY, NOW))
    assert all(item.together == told for item in found[0].indicators)
    (stored,) = garage.store.findings(vehicle)
    assert {item["together"]["kind"] for item in json.loads(stored.document)["indicators"]} == {
        "alike"
    }


def test_a_vehicle_is_heard_from_what_is_kept_and_else_from_its_start(garage):
    list(assess(garage.workspace, garage.store, (), DAY, NOW))
    settings, (vehicle,) = garage.workspace.settings, garage.workspace.settings.vehicles
    ((_, recalled),) = Lookup(garage.store, settings, DAY).recalled([vehicle])
    assert recalled.parts
    mine = settings.vehicles[vehicle]
    task = AssessTask(recalled.history, mine, settings, DAY, (), recalled.parts)
    whole = AssessTask(garage.store.history(vehicle, DAY), mine, settings, DAY)
    kept, anew = hear_one(task), hear_one(whole)
    assert [one.indicator for one in kept] == [one.indicator for one in anew]
    for one, other in zip(kept, anew, strict=True):
        np.testing.assert_array_equal(one.segment.value, other.segment.value)
    damaged = replace(task, parts=recalled.parts | {"airflow/course": b"rubbish"})
    assert hear_one(damaged) is None
    # other settings than those it was kept under
    assert hear_one(replace(task, vehicle=mine.model_copy(update={"altitude_m": 12.0}))) is None


def test_a_late_log_and_a_damaged_part_are_judged_from_the_start_and_the_log_says_so(
    garage, caplog
):
    caplog.set_level(logging.DEBUG, "healthtrack.verdicts")
    garage.judge(garage.drives[-3])
    put(garage.store, garage.frames, [garage.drives[10]])
    assert garage.judge(garage.drives[-3]) == [True]
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
    assert garage.judge(garage.drives[-9]) == [True]
    assert KeptParts(garage.store).read(vehicle) == before


def test_a_vehicle_that_fails_at_any_point_is_named_and_the_others_go_on(monkeypatch):
    def recalled(vehicles, parts):
        for vehicle in vehicles:
            if vehicle == "cannot_be_read":
                yield vehicle, Failure(ZeroDivisionError("no history"))
            else:
                yield vehicle, Recalled(SimpleNamespace(vehicle=vehicle), parts)

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
    store = SimpleNamespace(keep_finding=kept)
    monkeypatch.setattr(assessing, "assess_one", judged)
    lookup = SimpleNamespace(
        recalled=partial(recalled, parts={"head": b"x"}), whole=partial(recalled, parts={})
    )
    monkeypatch.setattr(assessing, "Lookup", lambda *_: lookup)
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
    monkeypatch.setattr(recalling, "KeptParts", lost)
    with pytest.raises(ClusterError):
        list(assess(workspace, None, (), NOW.date(), NOW, None, {}.__setitem__))


@pytest.fixture
def looked_up(monkeypatch):
    """Return a lookup of vehicles with as many drives as their names say, and what was asked."""
    asked: list[list[str]] = []
    windows: list[list[str]] = []

    def found(store, vehicles, as_of, *, with_windows):
        asked.append(list(vehicles))
        if "broken" in vehicles:
            raise ZeroDivisionError("a damaged block")
        return {
            name: VehicleHistory(name, pl.DataFrame({"drive": [name] * int(name)}), pl.DataFrame())
            for name in vehicles
        }

    def read(store, wanted):
        windows.append(list(wanted))
        if "13" in wanted:
            raise ZeroDivisionError("another one")
        return {name: pl.DataFrame({"drive": drives}) for name, drives in wanted.items()}

    monkeypatch.setattr(recalling, "histories", found)
    monkeypatch.setattr(recalling, "windows_by_vehicle", read)
    lookup = Lookup(None, WorkspaceSettings(), NOW.date())
    return SimpleNamespace(whole=lookup.whole, asked=asked, windows=windows)


def test_vehicles_are_looked_up_in_lots_and_few_windows_at_a_time(looked_up, monkeypatch):
    monkeypatch.setattr(recalling, "MOST_VEHICLES", 4)
    monkeypatch.setattr(recalling, "MOST_DRIVES", 10)
    names = ["4", "5", "2", "25", "1", "0"]
    found = dict(looked_up.whole(names))
    assert list(found) == names
    assert [one.history.windows.height for one in found.values()] == [4, 5, 2, 25, 1, 0]
    assert looked_up.asked == [["4", "5", "2", "25"], ["1", "0"]]
    assert looked_up.windows == [["4", "5"], ["2"], ["25"], ["1", "0"]]


def test_of_a_lot_only_those_fail_that_are_at_fault(looked_up):
    found = dict(looked_up.whole(["1", "broken", "2", "13", "3"]))
    failed = {name: str(one.error) for name, one in found.items() if isinstance(one, Failure)}
    assert failed == {"broken": "a damaged block", "13": "another one"}
    assert list(found) == ["1", "broken", "2", "13", "3"]
    assert found["3"].history.windows.height == 3


def test_a_vehicles_task_is_no_larger_in_a_large_fleet(tmp_path, monkeypatch):
    sizes = []

    def sized(task):
        sizes.append(len(pickle.dumps(task)))
        finding = VehicleFinding(task.history.vehicle, DAY, "no_data", "", None, 0, None)
        return Outcome(finding)

    monkeypatch.setattr(assessing, "assess_one", sized)
    for number in (1, 300):
        vehicles = {f"v{one:03}": VehicleSettings(kind="van") for one in range(number)}
        settings = WorkspaceSettings(vehicles=vehicles)
        workspace = SimpleNamespace(settings=settings, chosen=lambda _: ["v000"])
        with Store.open(tmp_path / f"{number}.duckdb") as store:
            assert len(list(assess(workspace, store, (), DAY, NOW))) == 1
    assert sizes[0] == sizes[1]
