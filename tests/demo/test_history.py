"""The demo's files are what the script makes, agree with each other, and stay small."""

from __future__ import annotations

import csv
import gzip
from datetime import date, datetime
from itertools import pairwise

import numpy as np
import pytest

from demo_history import loggers, make, scenario
from demo_history.simulator.engine import MAP_TEMPERATURE
from demo_history.simulator.map_points import points
from healthtrack import config
from healthtrack.airpath.map_file import read_map

VEHICLES = {v.name: v for v in scenario.VEHICLES}
CAUSES = {
    "none",
    "airflow_sensor_reads_low",
    "turbocharger_weak",
    "charge_air_leak",
}


@pytest.fixture(scope="module")
def history(repository):
    """Return the folder of the demo's history."""
    return repository / "demo_history"


def _table(path):
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def _text(path):
    data = path.read_bytes()
    return gzip.decompress(data) if path.suffix == ".gz" else data


@pytest.mark.slow
@pytest.mark.parametrize("name", ["marmot", "ibex", "raven"])
def test_one_drive_made_alone_equals_its_file_byte_by_byte(history, name):
    vehicle = VEHICLES[name]
    number = len(scenario.calendar(vehicle)) // 2
    (drive,) = make.drives_of(vehicle, [number])
    file, data = loggers.WRITERS[vehicle.layout](drive)
    (found,) = [p for p in (history / "logs" / name).iterdir() if p.name.startswith(file)]
    assert _text(found) == data


def test_tables_and_settings_are_what_the_script_writes(history, tmp_path):
    make.write_truth(tmp_path / "truth.csv")
    make.write_maintenance(tmp_path / "maintenance.csv")
    make.write_settings(tmp_path / "healthtrack.toml")
    make.write_map(scenario.VEHICLES[0].engine, tmp_path / "compressor_map")
    for name in (
        "truth.csv",
        "maintenance.csv",
        "healthtrack.toml",
        "compressor_map.csv",
        "compressor_map.toml",
    ):
        assert (history / name).read_bytes() == (tmp_path / name).read_bytes()


def test_compressed_logs_hold_no_time_of_their_making(history):
    for path in (history / "logs" / "lynx").glob("*.gz"):
        assert path.read_bytes()[4:8] == b"\0\0\0\0"


def test_the_committed_history_is_under_ten_megabytes(history):
    files = [p for p in history.rglob("*") if p.is_file() and p.suffix != ".pyc"]
    assert sum(p.stat().st_size for p in files) < 10e6


def test_every_vehicle_of_the_truth_has_settings_and_its_number_of_logs(history):
    settings = config.load(history)
    truth = _table(history / "truth.csv")
    assert {row["vehicle"] for row in truth} == set(settings.vehicles) == set(VEHICLES)
    for row in truth:
        logs = list((history / "logs" / row["vehicle"]).iterdir())
        assert len(logs) == int(row["drives"])


def test_the_truth_names_causes_states_and_dates_that_exist(history):
    for row in _table(history / "truth.csv"):
        assert row["cause"] in CAUSES
        assert set(row["state_at_end"].split("|")) <= {"normal", "alert", "alarm", "learning"}
        if row["cause"] != "none":
            since = date.fromisoformat(row["since"])
            assert scenario.FIRST_DAY < since <= date.fromisoformat(row["full_on"])
            assert float(row["since_km"]) > VEHICLES[row["vehicle"]].odometer
        if row["until"]:
            assert row["size_at_end"] == "0"
            assert row["state_at_end"] == "normal"


def test_the_scenario_holds_every_case_that_the_demo_promises(history):
    truth = {row["cause"]: row for row in _table(history / "truth.csv")}
    assert set(truth) == CAUSES
    assert truth["airflow_sensor_reads_low"]["until"]
    assert not truth["turbocharger_weak"]["until"]
    assert not truth["charge_air_leak"]["until"]
    states = [row["state_at_end"] for row in _table(history / "truth.csv")]
    assert states.count("learning") == 1
    assert {v.layout for v in scenario.VEHICLES} == set(loggers.WRITERS)


def test_a_repair_in_the_truth_is_a_maintenance_event_of_that_day(history):
    done = {(r["vehicle"], r["on"], r["kind"]) for r in _table(history / "maintenance.csv")}
    assert {kind for _, _, kind in done} <= set(config.MAINTENANCE_KINDS)
    assert ("chamois", "2024-06-24", "airflow_sensor_replaced") in done


def test_the_sizes_over_time_follow_the_truth():
    trouble = VEHICLES["chamois"].trouble
    days = np.array(
        [
            (date.fromisoformat(d) - scenario.FIRST_DAY).days
            for d in ("2023-06-04", "2023-12-12", "2024-06-20", "2024-06-25")
        ],
        dtype=float,
    )
    sizes = trouble.sizes(days)
    assert sizes[0] == 0.0
    assert -0.05 < sizes[1] < -0.02
    assert sizes[2] == pytest.approx(-0.075)
    assert sizes[3] == 0.0


def test_odometers_rise_and_drives_do_not_overlap():
    for vehicle in scenario.VEHICLES:
        starts = scenario.calendar(vehicle)
        seconds = np.diff([s.timestamp() for s in starts])
        assert np.all(seconds > 1800.0)
        assert np.all(np.diff(scenario.odometers(vehicle, starts)) > 20.0)


def test_no_local_time_of_the_german_logger_comes_twice():
    for vehicle in scenario.VEHICLES:
        for start in scenario.calendar(vehicle):
            local = start.astimezone(scenario.LOCAL)
            assert 5 <= local.hour <= 21
    days = {s.astimezone(scenario.LOCAL).date() for s in scenario.calendar(VEHICLES["ibex"])}
    assert len(days & set(scenario.CLOCK_CHANGES)) >= 3


def _drive():
    values = {
        "engine_speed": np.array([0.0, 811.0]),
        "vehicle_speed": np.array([0.0, 0.5]),
        "airflow": np.array([0.0, 14.25]),
        "manifold_pressure": np.array([89.0, np.nan]),
    }
    start = datetime.fromisoformat("2022-09-05T06:12:31+00:00")
    return loggers.Drive("otter", start, np.array([0.0, 1.0]), values, 187421.34)


def test_the_comma_layout_is_plain():
    name, data = loggers.comma(_drive())
    assert name == "2022-09-05T0612Z.csv"
    assert data.decode() == (
        "time [UTC],engine speed [rpm],vehicle speed [km/h],mass airflow [g/s],"
        "manifold pressure [kPa]\n"
        "2022-09-05T06:12:31Z,0,0.0,0.00,89\n"
        "2022-09-05T06:12:32Z,811,0.5,14.25,\n"
    )


def test_the_german_layout_has_units_in_row_two_local_time_and_decimal_commas():
    name, data = loggers.german(_drive())
    assert name == "Fahrt_05-09-2022_08-12.csv"
    assert data.decode("latin-1").split("\r\n") == [
        "Zeit;Drehzahl;Geschwindigkeit;Luftmasse;Saugrohrdruck",
        "tt.mm.jjjj hh:mm:ss;1/min;km/h;g/s;hPa",
        "05.09.2022 08:12:31;0;0,0;0,00;890",
        "05.09.2022 08:12:32;811;0,5;14,25;",
        "",
    ]


def test_the_elapsed_layout_has_a_preamble_and_airflow_in_kilograms_an_hour():
    name, data = loggers.elapsed(_drive())
    assert name == "otter_187421km_20220905-061231.log"
    lines = data.decode("ascii").splitlines()
    assert lines[2] == "# start: 2022-09-05 06:12:31 UTC"
    assert lines[4] == "t n v air map"
    # 14.25 g/s are 51.3 kg/h
    assert lines[6].split() == ["1.0", "811", "0.5", "51.3", "nan"]


def test_the_map_is_one_that_the_product_reads_and_knows_the_simulated_efficiency(history):
    engine = scenario.VEHICLES[0].engine
    found = read_map(history / "compressor_map.toml")
    assert found.reference.temperature == pytest.approx(MAP_TEMPERATURE)
    line = [r for r in points(engine) if r[0] == "speed_line" and r[1] == "108k"]
    flow, ratio, efficiency = (np.array([r[i] for r in line[2:-2]]) for i in (2, 3, 4))
    at = found.at(flow, ratio)
    assert at.efficiency == pytest.approx(efficiency, abs=0.01)


def test_the_map_has_ordered_lines_and_surge_left_of_choke():
    rows = points(scenario.VEHICLES[0].engine)
    speeds = {r[1] for r in rows if r[0] == "speed_line"}
    for name in speeds:
        line = [(r[2], r[3]) for r in rows if r[1] == name]
        assert all(a[0] < b[0] and a[1] > b[1] for a, b in pairwise(line))
    surge = [r[2] for r in rows if r[0] == "surge"]
    choke = [r[2] for r in rows if r[0] == "choke"]
    assert all(s < c for s, c in zip(surge, choke, strict=True))
    assert all(0.3 < r[4] < 0.8 for r in rows if r[0] == "efficiency")
