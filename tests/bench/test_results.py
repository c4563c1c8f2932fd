"""Back-tests are kept whole or not at all, and go on where they were broken off."""

from __future__ import annotations

from datetime import UTC, date, datetime

import polars as pl
import pytest

from healthtrack.bench import results
from healthtrack.bench.results import Plan, on_front
from healthtrack.bench.settings import changed, parse_vary, variant, variants
from healthtrack.bench.study import SCHEMAS
from healthtrack.config import VehicleSettings, WorkspaceSettings
from healthtrack.errors import UsageError
from healthtrack.records import VehicleHistory

NAMES = ("otter", "stoat", "viper")
NOW = datetime(2026, 1, 1, tzinfo=UTC)
WORKSPACE = WorkspaceSettings(vehicles={name: VehicleSettings() for name in NAMES})


def _histories(drives=0):
    for name in NAMES:
        frame = pl.DataFrame({"drive": [f"{name}/{number}" for number in range(drives)]})
        yield VehicleHistory(name, frame, pl.DataFrame()), ()


@pytest.fixture
def worked(monkeypatch):
    """Return the vehicles that were worked on; the work is a row that names them."""
    seen = []

    def work(task):
        seen.append(task.history.vehicle)
        if seen == ["otter", "stoat"]:
            raise KeyboardInterrupt
        frames = {name: pl.DataFrame(schema=schema) for name, schema in SCHEMAS.items()}
        row = {"vehicle": task.history.vehicle, "case": "as it was", "variant": "as set"}
        schema = SCHEMAS["exposure"]
        frames["exposure"] = pl.DataFrame([row | {"years": 1.0, "drives": 3}], schema=schema)
        return frames

    monkeypatch.setattr(results, "run_vehicle", work)
    return seen


PLAN = Plan(WORKSPACE, NAMES, date(2026, 1, 1))


def _run(root, plan=PLAN, drives=0):
    return list(results.run(root, "b", plan, _histories(drives), NOW))


def test_a_run_that_was_broken_off_goes_on_with_the_vehicle_that_it_was_at(tmp_path, worked):
    with pytest.raises(KeyboardInterrupt):
        _run(tmp_path)
    (entry,) = results.listed(tmp_path)
    assert (entry.finished, entry.done, entry.vehicles) == (False, 1, 3)
    with pytest.raises(UsageError, match="broken off"):
        results.load(tmp_path, "b")
    assert sorted(_run(tmp_path)) == sorted(NAMES)
    assert worked == ["otter", "stoat", "stoat", "viper"]
    told = results.load(tmp_path, "b")
    assert told.frames["exposure"]["vehicle"].to_list() == list(NAMES)
    assert told.figures().false_alerts.years == 3.0
    assert not [path for path in tmp_path.rglob("*") if path.name.startswith(".")]


def test_a_vehicle_that_has_new_logs_since_is_done_again(tmp_path, worked):
    with pytest.raises(KeyboardInterrupt):
        _run(tmp_path)
    _run(tmp_path, drives=2)
    assert worked == ["otter", "stoat", "otter", "stoat", "viper"]


def test_what_is_finished_is_neither_done_again_nor_overwritten(tmp_path, worked):
    worked.append("x")  # nothing breaks off
    _run(tmp_path)
    _run(tmp_path)
    assert worked == ["x", *NAMES]
    other = Plan(WORKSPACE, NAMES[:1], date(2026, 1, 1))
    with pytest.raises(UsageError, match="asks something else"):
        _run(tmp_path, other)


@pytest.mark.parametrize("name", ["", ".hidden", "a/b", "..", "x" * 65])
def test_a_name_names_a_folder_in_the_workspace(tmp_path, name):
    with pytest.raises(UsageError, match="cannot name"):
        results.folder(tmp_path, name)


def test_the_front_holds_what_nothing_else_beats_at_once():
    rows = [
        {"false_per_year": 0.1, "missed": 0, "delay_days": 30.0},
        {"false_per_year": 0.2, "missed": 0, "delay_days": 20.0},
        {"false_per_year": 0.2, "missed": 0, "delay_days": 25.0},  # beaten by the second
        {"false_per_year": 0.0, "missed": 4, "delay_days": None},  # never: nothing is calmer
        {"false_per_year": None, "missed": 4, "delay_days": None},
    ]
    assert on_front(rows) == [True, True, False, True, False]


def test_each_value_is_tried_alone_or_with_all_others_as_a_grid():
    asked = [parse_vary("minimum_drives=15,20"), parse_vary("limit.airflow=-5,-6")]
    assert [one.name for one in variants(asked, grid=False)] == [
        "as set",
        "minimum_drives=15",
        "minimum_drives=20",
        "limit.airflow=-5",
        "limit.airflow=-6",
    ]
    grid = variants(asked, grid=True)
    assert len(grid) == 5
    assert grid[1].as_dict() == {"limit.airflow": -5.0, "minimum_drives": 15.0}


def test_changes_reach_the_settings_and_what_does_not_go_together_is_refused():
    told = changed(WORKSPACE, variant({"limit.airflow": -5.0, "minimum_drives": 15.0}))
    assert told.baseline.minimum_drives == 15
    assert all(one.limits == {"airflow": -5.0} for one in told.vehicles.values())
    assert WORKSPACE.vehicles["otter"].limits == {}
    with pytest.raises(UsageError, match="automatic_drives must not be under"):
        changed(WORKSPACE, variant({"automatic_drives": 10.0}))
