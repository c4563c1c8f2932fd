"""A newcomer is told what to do next, and a new workspace explains itself."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from datetime import date
from typing import get_args, get_origin

import pytest
from pydantic import BaseModel

from healthtrack import config
from healthtrack.config import VehicleSettings, WorkspaceSettings
from healthtrack.ingest import load_pipelines, template_folder
from healthtrack.jobs.starting import EXAMPLE_VEHICLE, settings_text

HEAVY = {"polars", "duckdb", "statsmodels", "sklearn", "matplotlib", "pydantic", "rich", "numpy"}


@pytest.mark.parametrize("words", [["--help"], ["--version"], ["ingest", "--help"], ["--nonsense"]])
def test_help_imports_no_heavy_library(words):
    code = (
        "import sys; from healthtrack.cli import main\n"
        f"try: main({words!r})\n"
        "except SystemExit: pass\n"
        "print('MODULES', *sys.modules)"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    modules = set(run.stdout.split("MODULES")[1].split())
    assert "healthtrack.cli" in modules
    assert not HEAVY & modules


def test_init_makes_a_workspace_that_check_finds_in_order(call, tmp_path, monkeypatch):
    made = call("init", tmp_path / "w")
    assert made.code == 0
    assert "healthtrack check" in made.out
    monkeypatch.chdir(tmp_path / "w")
    checked = call("check")
    assert checked.code == 0
    assert "inbox/otter/" in checked.out
    assert "healthtrack ingest" in checked.out
    assert "displacement_l" in checked.out


def test_check_in_a_folder_that_is_no_workspace_says_how_to_make_one(call, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    checked = call("check")
    assert checked.code == 1
    assert "healthtrack init" in checked.out
    assert list(tmp_path.iterdir()) == []


def test_check_makes_no_store(call, workspace):
    call("check")
    assert not (workspace / "healthtrack.duckdb").exists()


def test_init_leaves_a_workspace_that_is_there_as_it_is(call, workspace):
    settings = workspace / "healthtrack.toml"
    settings.write_text("[vehicles.mine]\n")
    again = call("init", workspace)
    assert again.code == 1
    assert "exists already" in again.err
    assert settings.read_text() == "[vehicles.mine]\n"


def test_init_leaves_a_pipeline_that_was_edited_as_it_is(call, workspace):
    (workspace / "healthtrack.toml").unlink()
    mine = workspace / "pipelines" / "comma_iso.toml"
    mine.write_text("# mine\n")
    assert call("init", workspace).code == 0
    assert mine.read_text() == "# mine\n"


def test_init_brings_every_example_pipeline(workspace):
    names = {path.name for path in template_folder().glob("*.toml")}
    assert {path.name for path in (workspace / "pipelines").iterdir()} == names
    assert len(load_pipelines(workspace / "pipelines")) == len(names) >= 3


def test_an_untouched_settings_file_is_all_defaults():
    expected = WorkspaceSettings(vehicles={EXAMPLE_VEHICLE: VehicleSettings()})
    assert config.parse(settings_text(), "healthtrack.toml") == expected


def test_every_setting_is_shown_commented_and_can_be_uncommented():
    shown = re.sub(r"^# ?(\w+ = |\[[\w.]+\]$)", r"\1", settings_text(), flags=re.MULTILINE)
    document = tomllib.loads(shown)
    settings = config.parse(shown, "healthtrack.toml")
    assert _shown(document, WorkspaceSettings) == _declared(WorkspaceSettings)
    # where there is a default, it is the value that is shown
    assert settings.model_copy(update={"vehicles": {}, "recipients": {}}) == WorkspaceSettings()
    vehicle = settings.vehicles[EXAMPLE_VEHICLE]
    for name, field in VehicleSettings.model_fields.items():
        default = field.get_default(call_default_factory=True)
        if default not in (None, {}):
            assert getattr(vehicle, name) == default
    assert isinstance(vehicle.baseline_from, date)


def _table(field):
    """The model of a setting that is a table, or a table of tables with names of one's own."""
    kind, named = field.annotation, False
    if get_origin(kind) is dict:
        kind, named = get_args(kind)[-1], True
    is_table = isinstance(kind, type) and issubclass(kind, BaseModel)
    return (kind, named) if is_table else (None, False)


def _declared(model, before=""):
    found = set()
    for name, field in model.model_fields.items():
        table, _ = _table(field)
        found |= _declared(table, f"{before}{name}.") if table else {before + name}
    return found


def _shown(document, model, before=""):
    found = set()
    for name, value in document.items():
        table, named = _table(model.model_fields[name])
        for inner in list(value.values()) if named else [value]:
            found |= _shown(inner, table, f"{before}{name}.") if table else {before + name}
    return found


def test_every_setting_has_its_reason_in_the_file():
    text = settings_text()
    for line in re.findall(r"^# ?\w+ = .*$", text, flags=re.MULTILINE):
        before = text[: text.index(line)].rstrip("\n").splitlines()[-1]
        assert before.startswith("# ")
        assert " = " not in before.split("(")[0]


@pytest.mark.parametrize(
    "vehicle", ["../escape", "a/b", "", ".hidden", "-x", "with space", "x" * 65]
)
def test_a_vehicle_id_that_could_leave_its_folder_is_refused(call, workspace, vehicle):
    (workspace / "healthtrack.toml").write_text(f'[vehicles."{vehicle}"]\n')
    checked = call("check")
    assert checked.code == 1
    assert vehicle in checked.out


@pytest.mark.parametrize(
    "place", [("--workspace", "{w}", "check"), ("check", "--workspace", "{w}")]
)
def test_the_workspace_may_be_given_before_or_after_the_command(
    call, workspace, tmp_path, monkeypatch, place
):
    monkeypatch.chdir(tmp_path)
    checked = call(*(word.format(w=workspace) for word in place))
    assert checked.code == 0
    assert "otter" in checked.out


def test_check_as_json_is_one_document(call, workspace):
    remarks = call("check", "--json").document["remarks"]
    assert {remark["level"] for remark in remarks} == {"ok", "next"}


def test_check_names_every_fault_at_once(call, workspace):
    (workspace / "healthtrack.toml").write_text(
        "workerz = 1\n[vehicles.otter]\ndisplacement_l = -2.0\n"
    )
    checked = call("check")
    assert checked.code == 1
    assert "Did you mean `workers`?" in checked.out
    assert "vehicles.otter.displacement_l" in checked.out


def test_check_names_a_missing_pipeline_and_a_folder_without_a_vehicle(call, workspace, write_log):
    (workspace / "healthtrack.toml").write_text('[vehicles.otter]\npipeline = "nothing"\n')
    write_log(workspace / "inbox" / "stoat" / "a.csv")
    write_log(workspace / "inbox" / "b.csv")
    checked = call("check")
    assert checked.code == 1
    assert "'nothing'" in checked.out
    assert "[vehicles.stoat]" in checked.out
    assert "inbox/b.csv" in checked.out


def test_check_reads_the_compressor_maps(call, workspace, repository):
    name = (repository / "demo_history" / "compressor_map.toml").resolve()
    (workspace / "healthtrack.toml").write_text(f'[vehicles.otter]\ncompressor_map = "{name}"\n')
    assert "compressor_map.toml is valid" in call("check").out
    (workspace / "healthtrack.toml").write_text('[vehicles.otter]\ncompressor_map = "no.toml"\n')
    checked = call("check")
    assert checked.code == 1
    assert "no.toml" in checked.out


def test_check_counts_the_logs_that_wait_and_names_those_in_quarantine(call, workspace, write_log):
    write_log(workspace / "inbox" / "otter" / "a.csv")
    assert "1 log to be read in inbox" in call("check").out
    (workspace / "inbox" / "otter" / "b.csv").write_bytes(b"")
    call("ingest")
    checked = call("check")
    assert checked.code == 1
    assert "b.csv" in checked.out
    assert "(empty)" in checked.out
    assert "to be read in inbox" not in checked.out
    assert "1 drive" in checked.out
