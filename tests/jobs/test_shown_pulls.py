"""The pulls of late, over some of the healthy days, on the map of the vehicle's report."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from io import BytesIO

import numpy as np
import polars as pl
import pytest
from pypdf import PdfReader

from healthtrack.config import VehicleSettings, WorkspaceSettings
from healthtrack.jobs.shown_pulls import pulls_shown
from healthtrack.jobs.workspace import Workspace
from healthtrack.operating.pulls import find_pulls, pull_grid
from healthtrack.records import BaselineSummary, VehicleFinding
from healthtrack.report import write_vehicle_report
from healthtrack.store import SamplesOfDrive

AS_OF = date(2026, 3, 31)
FINDING = VehicleFinding(
    "otter",
    AS_OF,
    "normal",
    "as healthy",
    214_140.0,
    4,
    BaselineSummary(date(2025, 1, 1), date(2025, 3, 31), 20),
)
MAP = """
name = "invented compressor"
source = "tests"
points = "points.csv"
reference_temperature_k = 298.15
reference_pressure_kpa = 100.0
flow_unit = "kg/s"
"""


def samples_of(drive, started):
    """200 s of driving with one full-load acceleration from 1 500 to 2 820 rpm."""
    t = np.arange(0.0, 200.0, 0.5)
    pulling = (t >= 150) & (t <= 162)
    since = np.clip(t - 150.0, 0.0, 12.0)
    speed = 1500.0 + 110.0 * since
    pressure = np.where(pulling, 115.0 + 85.0 * (1.0 - np.exp(-since / 1.5)), 115.0)
    flow = 0.9 * 2.0e-3 * speed / 120 * pressure * 1e3 / (287.05 * 320) * 1e3
    return pl.DataFrame(
        {
            "drive": [drive] * t.size,
            "t": [started + timedelta(seconds=float(second)) for second in t],
            "engine_speed": speed,
            "vehicle_speed": speed / 30.0,
            "manifold_pressure": pressure,
            "ambient_pressure": np.full(t.size, 96.0),
            "airflow": flow,
            "coolant_temperature": np.full(t.size, 88.0),
            "ambient_temperature": np.full(t.size, 15.0),
            "pedal": np.where(pulling, 100.0, 15.0),
        },
        schema_overrides={"t": pl.Datetime("us", "UTC")},
    )


class Shelf:
    """As much of a store as is asked for: the pulls of a history, and the samples of drives."""

    def __init__(self, days):
        self.drives = {}
        for day in days:
            started = datetime(day.year, day.month, day.day, 7, tzinfo=UTC)
            self.drives[f"otter/{started:%Y-%m-%dT%H:%M:%S}"] = started
        self.asked = []

    def history(self, vehicle, as_of):
        found = [
            find_pulls(pull_grid(drive, samples_of(drive, at)), VehicleSettings())[0]
            for drive, at in self.drives.items()
            if at.date() <= as_of
        ]
        return type("History", (), {"pulls": pl.concat(found) if found else None})()

    def samples_of(self, drive, remote=False):
        self.asked.append(drive)
        return SamplesOfDrive(drive, samples_of(drive, self.drives[drive]))


@pytest.fixture
def workspace(tmp_path):
    rows = ["kind,line,corrected_flow,pressure_ratio,efficiency,shaft_speed"]
    for speed, top in ((60e3, 1.25), (100e3, 1.75), (130e3, 2.3), (160e3, 3.1)):
        u = speed / 160e3
        for share in np.linspace(0, 1, 9):
            flow = 0.02 + 0.035 * u**2 + share * (0.03 + 0.13 * u - 0.035 * u**2)
            ratio = top - 0.25 * (top - 1) * share**2
            rows.append(
                f"speed_line,{speed:.0f},{flow:.5f},{ratio:.4f},"
                f"{0.75 - 0.5 * (share - 0.5) ** 2:.4f},{speed:.0f}"
            )
    (tmp_path / "points.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    (tmp_path / "map.toml").write_text(MAP, encoding="utf-8")
    vehicle = VehicleSettings(displacement_l=2.0, name="Otter", compressor_map="map.toml")
    return Workspace(tmp_path, WorkspaceSettings(vehicles={"otter": vehicle}))


def test_pulls_of_the_quarter_stand_over_those_of_the_learned_period(workspace, tmp_path):
    shelf = Shelf([date(2025, 2, 1), date(2025, 7, 1), date(2026, 1, 20), date(2026, 3, 30)])
    shown = pulls_shown(workspace, shelf, FINDING)
    assert [pull.started.date() for pull in shown.period] == [date(2026, 1, 20), date(2026, 3, 30)]
    assert len(shown.healthy) == 1
    assert "otter/2025-07-01T07:00:00" not in shelf.asked
    # 200 kPa over 96 kPa, but for the 1 − e^(−8) that boost still lacks at the end
    assert shown.period[-1].reading.peak_ratio == pytest.approx(200.0 / 96.0, rel=0.01)
    path = tmp_path / "otter.pdf"
    vehicle = workspace.settings.vehicles["otter"]
    write_vehicle_report(FINDING, vehicle, path, pulls=shown)
    reader = PdfReader(BytesIO(path.read_bytes()))
    text = " ".join(" ".join(page.extract_text() for page in reader.pages).split())
    assert "Pulls on the compressor map" in text
    assert "2 pulls since 29 Dec 2025" in text
    assert "30 Mar 2026" in text
    assert "surge line" in text


@pytest.mark.parametrize("days", [[], [date(2025, 2, 1)]])
def test_without_pulls_of_late_nothing_is_shown(workspace, days):
    assert pulls_shown(workspace, Shelf(days), FINDING) is None


@pytest.mark.parametrize("map_file", ["", "gone.toml"])
def test_without_a_map_the_pulls_are_shown_and_what_a_map_would_add(workspace, tmp_path, map_file):
    old = workspace.settings.vehicles["otter"]
    vehicle = old.model_copy(update={"compressor_map": map_file})
    workspace.settings.vehicles["otter"] = vehicle
    shown = pulls_shown(workspace, Shelf([date(2025, 2, 1), AS_OF]), FINDING)
    assert shown.chart is None
    assert len(shown.period) == len(shown.healthy) == 1
    path = tmp_path / "otter.pdf"
    write_vehicle_report(FINDING, vehicle, path, pulls=shown)
    reader = PdfReader(BytesIO(path.read_bytes()))
    text = " ".join(" ".join(page.extract_text() for page in reader.pages).split())
    assert "would add how much of each pull runs where the compressor is efficient" in text
    assert "In the latest pull boost peaks at a pressure ratio of 2.08" in text
    assert "surge line" not in text


def test_where_nothing_was_learned_the_pulls_stand_alone(workspace):
    shown = pulls_shown(workspace, Shelf([AS_OF]), replace(FINDING, baseline=None))
    assert shown.healthy == ()
    assert len(shown.period) == 1
