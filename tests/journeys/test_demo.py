"""The demo goes from raw logs to reports, and its verdicts agree with what was really wrong."""

from __future__ import annotations

import csv
import json
import shutil
from datetime import date

import pytest
from click.testing import CliRunner

from healthtrack import indicators
from healthtrack.cli import main
from tests.bench import evenings

pytestmark = pytest.mark.journey


def _demo(root, history, *words):
    return CliRunner().invoke(
        main, ["--workspace", str(root), "demo", "--history", str(history), *words]
    )


@pytest.fixture(scope="module")
def demo(repository, tmp_path_factory):
    """Return where the demo was run, and what it said."""
    root = tmp_path_factory.mktemp("demo")
    result = _demo(root, repository / "demo_history", "--json")
    assert result.exit_code == 0, result.stderr
    return root, json.loads(result.stdout)


@pytest.mark.slow
def test_every_vehicle_gets_its_report_and_every_verdict_agrees_with_the_truth(repository, demo):
    history = repository / "demo_history"
    root, document = demo

    with (history / "truth.csv").open(encoding="utf-8") as stream:
        truth = {row["vehicle"]: row for row in csv.DictReader(stream)}
    verdicts = {vehicle["vehicle"]: vehicle for vehicle in document["vehicles"]}
    assert set(verdicts) == set(truth)
    for vehicle, row in truth.items():
        assert verdicts[vehicle]["state"] in row["state_at_end"].split("|"), vehicle
    assert all(comparison["agrees"] for comparison in document["truth"])

    for vehicle in truth:
        (report,) = (root / "reports" / vehicle).glob("*.pdf")
        assert report.name.startswith(f"{vehicle}_{document['as_of']}")
        assert report.read_bytes().startswith(b"%PDF-")


@pytest.mark.slow
def test_a_service_that_assessed_every_night_kept_the_alerts_that_a_replay_gives(
    demo, tmp_path, monkeypatch
):
    # the van whose airflow sensor reads less and less until it is replaced; two indicators raise
    few = {name: indicators.ALL[name] for name in ("airflow", "breathing")}
    monkeypatch.setattr(indicators, "ALL", few)
    evenings.without_causes(monkeypatch)
    root = evenings.copy_of_one(demo[0] / "reports" / ".demo", tmp_path / "garage", "chamois")
    told = evenings.replayed(root, "chamois", date(2025, 9, 30))
    nights = evenings.around(told)  # tests/benchmarks/replay_history.py goes through all of them
    evenings.nights(root, nights)
    kept = evenings.kept_episodes(root, "chamois")
    assert len(kept) >= 2
    assert all(closed is not None for *_, closed in kept)  # the sensor was replaced
    assert kept == evenings.replayed_episodes(told)
    compared = evenings.verdicts_apart(root, "chamois", told, nights)  # not the demo's own
    assert compared.evenings == len(nights)
    assert compared.words == ()


@pytest.fixture(scope="module")
def little_history(repository, tmp_path_factory):
    """The demo's history with the logs of one vehicle, and without its table of truth."""
    history = tmp_path_factory.mktemp("little") / "history"
    history.mkdir()
    for name in ("healthtrack.toml", "maintenance.csv"):
        shutil.copy(repository / "demo_history" / name, history / name)
    shutil.copytree(repository / "demo_history" / "logs" / "lynx", history / "logs" / "lynx")
    return history


@pytest.fixture(scope="module")
def little_demo(little_history):
    """What the demo says of the little history, and what it ran on, as it was before."""
    before = {path: path.stat().st_mtime_ns for path in little_history.rglob("*")}
    return _demo(little_history.parent, little_history), before


def test_the_verdicts_are_given_before_the_truth_is_looked_at(little_demo):
    result, _ = little_demo
    assert result.exit_code == 1
    assert "truth.csv" in result.stderr
    states = {
        line.split()[0]: line.split()[1] for line in result.stdout.splitlines() if line[:1] > " "
    }
    assert states["lynx"] == "learning"
    assert states["marmot"] == "no_data"


def test_the_demo_leaves_its_history_as_it_was_and_can_be_run_again(little_demo, little_history):
    first, before = little_demo
    assert _demo(little_history.parent, little_history).stdout == first.stdout
    assert {path: path.stat().st_mtime_ns for path in little_history.rglob("*")} == before


def test_without_its_history_the_demo_says_where_to_run_it(tmp_path):
    result = CliRunner().invoke(main, ["--workspace", str(tmp_path), "demo"])
    assert result.exit_code == 1
    assert "--history" in result.stderr
