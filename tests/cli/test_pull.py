"""``healthtrack pull``: a log in, a verdict and a page out."""

import json

import numpy as np
import pytest
from click.testing import CliRunner
from pypdf import PdfReader

from healthtrack.cli import main
from healthtrack.cli.pull import pull

pytestmark = pytest.mark.slow  # each draws a page

MAP_HEAD = """
name = "invented compressor"
source = "tests"
points = "points.csv"
reference_temperature_k = 298.15
reference_pressure_kpa = 100.0
flow_unit = "kg/s"
"""


@pytest.fixture
def log(tmp_path):
    """Return a log of ten minutes with a full-load acceleration near its end, and a near miss."""
    t = np.arange(0.0, 200.0, 0.5)
    pulling = (t >= 150) & (t <= 162)
    lifted = (t >= 100) & (t <= 101.5)
    since = np.clip(t - 150.0, 0.0, 12.0)
    speed = 1500.0 + 110.0 * since + 130 * np.clip(t - 100.0, 0.0, 1.5) * (t < 110)
    pressure = np.where(pulling, 115.0 + 85.0 * (1.0 - np.exp(-since / 1.5)), 115.0)
    # an airflow that follows speed density to the last digit is one that the logger computed
    filling = 0.9 + 0.02 * np.sin(t) + 0.01 * np.sin(7.3 * t)
    flow = filling * 2.0e-3 * speed / 120 * pressure * 1e3 / (287.05 * 320) * 1e3
    columns = {
        "engine speed [rpm]": speed,
        "vehicle speed [km/h]": speed / 30.0,
        "manifold pressure [kPa]": pressure,
        "ambient pressure [kPa]": np.full(t.size, 96.0),
        "airflow [g/s]": flow,
        "coolant temperature [°C]": np.full(t.size, 88.0),
        "ambient temperature [°C]": np.full(t.size, 15.0),
        "pedal [%]": np.where(pulling | lifted, 100.0, 15.0),
    }
    lines = ["time," + ",".join(columns)]
    for place, second in enumerate(t):
        stamp = f"2024-03-01T07:{int(second // 60):02d}:{second % 60:06.3f}Z"
        cells = [f"{values[place]:.3f}" for values in columns.values()]
        lines.append(",".join([stamp, *cells]))
    path = tmp_path / "drive.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.fixture
def chart(tmp_path):
    """Return a map around the pull, as a TOML head beside its points."""
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
    head = tmp_path / "map.toml"
    head.write_text(MAP_HEAD, encoding="utf-8")
    return head


def run(*arguments):
    return CliRunner().invoke(pull, [str(argument) for argument in arguments])


def test_a_log_without_workspace_gives_a_verdict_and_a_page(log, tmp_path):
    result = run(log, "--workspace", tmp_path)
    assert result.exit_code == 0, result.output
    assert "Boost peaks at a pressure ratio of 2.0" in result.output
    assert "the wastegate or the vanes cut it there" in result.output
    assert "There is no compressor map" in result.output
    assert "the pedal was lifted before" in result.output
    page = tmp_path / "drive_pulls.pdf"
    assert str(page) in result.output
    text = " ".join(" ".join(sheet.extract_text() for sheet in PdfReader(page).pages).split())
    assert "Pulls in drive.csv" in text
    assert "Accelerations that were not counted" in text
    assert "second person at the logger" in text


def test_on_a_map_the_margins_are_told_in_figures_and_words(log, chart, tmp_path):
    result = run(log, "--workspace", tmp_path, "--map", chart, "--json")
    assert result.exit_code == 0, result.output
    document = json.loads(result.output)
    assert document["map"] == "invented compressor"
    (found,) = document["pulls"]
    assert found["surge_margin"]["low"] < found["surge_margin"]["percent"]
    assert found["choke_margin"]["percent"] > 0
    assert found["share_in_efficient_zone"] > 0.2
    assert found["figures"]["manifold_pressure_peak"] == pytest.approx(200.0, abs=1.0)
    assert found["figures"]["fuel_power"] is None
    assert document["near_misses"][0]["reason"] == "lifted"


def test_the_page_is_in_the_units_asked_for_and_the_same_every_time(log, chart, tmp_path):
    first, second = tmp_path / "a.pdf", tmp_path / "b.pdf"
    for page in (first, second):
        asked = ("--flow-unit", "lb/min", "--pressure-unit", "psi", "--output", page)
        result = run(log, "--workspace", tmp_path, "--map", chart, *asked)
        assert result.exit_code == 0
        # 200 kPa are 29.01 psi
        assert "peak manifold pressure 29.0 psi" in result.output
        assert "lb/min" in result.output
    assert first.read_bytes() == second.read_bytes()
    text = " ".join(sheet.extract_text() for sheet in PdfReader(first).pages)
    assert "lb/min" in text
    assert "manifold pressure, psi" in text


def test_the_vehicles_own_map_is_taken_from_the_settings(log, chart, tmp_path):
    (tmp_path / "healthtrack.toml").write_text(
        '[vehicles.otter]\nname = "Otter"\ndisplacement_l = 2.0\ncompressor_map = "map.toml"\n',
        encoding="utf-8",
    )
    result = run(log, "--workspace", tmp_path)
    assert result.exit_code == 0, result.output
    assert "efficient zone" in result.output
    assert (tmp_path / "reports" / "pulls" / "drive_pulls.pdf").is_file()


def test_an_unknown_vehicle_is_wrong_usage_and_says_which_there_are(log, tmp_path):
    (tmp_path / "healthtrack.toml").write_text("[vehicles.otter]\n", encoding="utf-8")
    result = run(log, "--workspace", tmp_path, "--vehicle", "stoat")
    assert result.exit_code != 0
    assert "otter" in str(result.exception)


def test_a_log_without_a_pull_says_what_one_is(log, tmp_path):
    quiet = tmp_path / "quiet.csv"
    lines = log.read_text(encoding="utf-8").splitlines()
    quiet.write_text("\n".join(lines[:150]) + "\n", encoding="utf-8")
    result = run(quiet, "--workspace", tmp_path)
    assert result.exit_code == 0, result.output
    assert "No pull was found" in result.output


def test_without_airflow_boost_is_still_read(log, chart, tmp_path):
    lines = [line.split(",") for line in log.read_text(encoding="utf-8").splitlines()]
    without = lines[0].index("airflow [g/s]")
    log.write_text(
        "\n".join(",".join(c for i, c in enumerate(line) if i != without) for line in lines) + "\n",
        encoding="utf-8",
    )
    result = run(log, "--workspace", tmp_path, "--map", chart)
    assert result.exit_code == 0, result.output
    assert "without airflow it has no place on the map" in result.output


def test_power_is_referred_to_the_standards_surroundings_only_when_asked(log, tmp_path):
    plain = run(log, "--workspace", tmp_path)
    assert "ISO 1585" not in plain.output
    asked = run(log, "--workspace", tmp_path, "--iso-1585")
    assert "ISO 1585: not referred; needs the displacement" in asked.output
    lines = log.read_text(encoding="utf-8").splitlines()
    lines = [lines[0] + ",fuel per stroke [mg/stroke]", *(line + ",45.0" for line in lines[1:])]
    log.write_text("\n".join(lines) + "\n", encoding="utf-8")
    (tmp_path / "healthtrack.toml").write_text(
        "[vehicles.otter]\ndisplacement_l = 2.0\n", encoding="utf-8"
    )
    asked = run(log, "--workspace", tmp_path, "--iso-1585")
    # 45 mg in 0.5 L at a boost of 2 is 45 mg/(L·cycle): f_m 0.48; (99/96)^0.7·(288/298)^1.2 = .981
    assert "with a factor of 0.99" in asked.output
    assert "better correction" in asked.output


def test_check_draws_the_map_of_a_vehicle_and_names_the_faults_of_a_bad_one(chart, tmp_path):
    (tmp_path / "healthtrack.toml").write_text(
        '[vehicles.otter]\ncompressor_map = "map.toml"\ndisplacement_l = 2.0\n', encoding="utf-8"
    )
    arguments = ["check", "--workspace", str(tmp_path)]
    result = CliRunner().invoke(main, arguments)
    assert "drawn in reports/maps/otter.pdf" in result.output
    page = PdfReader(tmp_path / "reports" / "maps" / "otter.pdf").pages[0].extract_text()
    assert "invented compressor" in page
    text = chart.read_text(encoding="utf-8")
    chart.write_text(text.replace("reference_temperature_k = 298.15\n", ""), encoding="utf-8")
    result = CliRunner().invoke(main, arguments)
    assert result.exit_code == 1
    assert "reference_temperature_k" in result.output
