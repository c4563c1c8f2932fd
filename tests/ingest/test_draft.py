"""A drafted pipeline reads the log it was drafted from, and says what it could not tell."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from healthtrack import ingest
from healthtrack.config import VehicleSettings
from healthtrack.errors import HealthtrackError, LogError
from healthtrack.ingest.draft.layout import find_layout
from healthtrack.ingest.draft.names import is_set_point, meanings


@pytest.fixture
def drafted(tmp_path):
    """Write a log, draft a pipeline for it, read the log with it; return text and log."""

    def run(content, name="log.csv"):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        text = ingest.draft(path)
        pipeline = ingest.parse_pipeline(text, "draft").model_copy(update={"name": "draft"})
        return text, ingest.read_log(path, [pipeline], "otter", VehicleSettings())

    return run


def assert_true(log, truth, names, seconds=0):
    for name in names:
        known = log.samples.drop_nulls(name)
        assert known[name].to_numpy() == pytest.approx(truth.values[name], rel=1e-3, abs=0.06), name
    first = log.samples["t"][0]
    assert (first - truth.moments[0]).total_seconds() == pytest.approx(seconds, abs=1e-3)


ALL = ["engine_speed", "vehicle_speed", "airflow", "manifold_pressure", "intake_temperature"]


def test_units_in_brackets_and_iso_times_leave_no_doubt(drafted, truth, comma_text):
    text, log = drafted(comma_text(truth))
    assert "Doubts: none" in text
    assert "UNSURE" not in text
    assert_true(log, truth, [*ALL, "odometer"])


def german(truth):
    lines = [
        "Ger\u00e4t 7;;;;;",
        "Datum;Uhrzeit;Motordrehzahl;Fahrgeschwindigkeit;Luftmasse;Ladedruck;Ansauglufttemperatur",
        "tt.mm.jjjj;hh:mm:ss;1/min;km/h;kg/h;mbar;\u00b0C",
    ]
    for row, moment in enumerate(truth.moments):
        values = [truth.values[name][row] for name in ALL]
        values[2] *= 3.6
        values[3] *= 10
        cells = [f"{value:.3f}".replace(".", ",") for value in values]
        lines.append(
            f"{moment:%d.%m.%Y;%H:%M:%S},{moment.microsecond // 1000:03d};" + ";".join(cells)
        )
    return "\r\n".join(lines) + "\r\n"


def test_a_german_log_with_a_units_row_is_understood(drafted, truth):
    text, log = drafted(german(truth).encode("latin-1"))
    assert 'delimiter = "semicolon"' in text
    assert 'decimal = ","' in text
    assert "units_row = true" in text
    assert "UNSURE: the time zone is not written in the log" in text
    assert_true(log, truth, ALL)


HEADERS = {
    "fr": "temps;régime moteur;vitesse;débit d'air;pression d'admission;température d'admission",
    "es": "tiempo;revoluciones;velocidad;caudal de aire;presión de admisión;"
    "temperatura de admisión",
    "it": "tempo;giri motore;velocità;portata aria;pressione aspirazione;temperatura aspirazione",
    "nl": "tijd;toerental;snelheid;luchtmassa;inlaatdruk;inlaatluchttemperatuur",
    "pl": "czas;obroty;prędkość;przepływ powietrza;ciśnienie doładowania;temperatura powietrza",
}


@pytest.mark.parametrize("language", HEADERS)
def test_headers_in_other_languages_are_understood(drafted, truth, language):
    lines = [HEADERS[language], "s;1/min;km/h;g/s;kPa;°C"]
    for row, second in enumerate(truth.seconds):
        lines.append(";".join(f"{v:.3f}" for v in (second, *(truth.values[n][row] for n in ALL))))
    _, log = drafted("\n".join(lines) + "\n", name=f"{language}_20240301_061230.csv")
    assert_true(log, truth, ALL)


def home_made(truth, airflow=3.6, pressure=10.0, temperature=lambda c: c):
    lines = ["# start: 2024-03-01 06:12:30 UTC", "t n v air map intake"]
    for row, second in enumerate(truth.seconds):
        n, v, air, pres, temp = (truth.values[name][row] for name in ALL)
        values = (second, n, v, air * airflow, pres * pressure, temperature(temp))
        lines.append(" ".join(f"{value:9.3f}" for value in values))
    return "\n".join(lines) + "\n"


def test_unstated_units_are_told_by_range_and_physics_and_marked(drafted, truth):
    text, log = drafted(home_made(truth))
    # the pressure's range leaves only hPa; a 2-litre engine's airflow in kg/h would be a
    # 7-litre one's in g/s, so physics leaves kg/h; km/h or mph stays unsure
    assert_true(log, truth, ["engine_speed", "manifold_pressure"])
    assert "imply an engine of" in text
    assert "UNSURE: unit not stated; mph would fit too" in text
    assert "the time zone" not in text


def test_a_unit_line_in_the_preamble_is_taken(drafted, truth):
    text, log = drafted("# units: s rpm km/h kg/h mbar degC\n" + home_made(truth))
    assert "UNSURE" not in text
    assert_true(log, truth, ALL)


def test_the_odometer_in_the_file_s_name_is_found(drafted, truth):
    text, log = drafted(home_made(truth), name="otter_214300km_20240301.log")
    assert "[odometer]" in text
    assert log.drives["odometer_km"].item() == pytest.approx(
        214_300 + log.drives["distance_km"].item()
    )


def test_a_gauge_pressure_is_taken_as_one_and_marked(drafted, truth, comma_text):
    truth.values["manifold_pressure"] = truth.values["manifold_pressure"] - 97.0
    path_text = comma_text(truth)
    with pytest.raises(
        LogError, match="altitude_m"
    ):  # the draft reads it; a vehicle must say where
        drafted(path_text)


def test_day_or_month_first_is_told_by_the_data_or_marked(drafted, truth):
    def with_dates(day, month, form):
        lines = ["date time,engine speed [rpm],airflow [g/s]"]
        for row in range(60):
            stamp = f"{form.format(d=day, m=month)} 06:12:{row:02d}"
            speed, flow = (truth.values[n][row] for n in ("engine_speed", "airflow"))
            lines.append(f"{stamp},{speed:.1f},{flow:.2f}")
        return "\n".join(lines) + "\n"

    text, log = drafted(with_dates(13, 3, "{m:02d}/{d:02d}/2024"))
    assert "%m/%d/%Y" in text
    assert log.samples["t"][0].day == 13
    text, log = drafted(with_dates(13, 3, "{d:02d}/{m:02d}/2024"))
    assert "%d/%m/%Y" in text
    assert log.samples["t"][0].day == 13
    text, _ = drafted(with_dates(1, 3, "{d:02d}/{m:02d}/2024"))
    assert "UNSURE: day first or month first?" in text


def test_a_log_of_readings_is_told_from_one_of_rows(drafted, truth):
    units_of = dict(zip(ALL, ["rpm", "km/h", "g/s", "kPa", "°C"], strict=True))
    lines = ["timestamp,signal,value,unit"]
    for row, moment in enumerate(truth.moments):
        stamp = moment.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
        lines += [
            f"{stamp},{name.replace('_', ' ')},{truth.values[name][row]:.4f},{units_of[name]}"
            for name in ALL
        ]
    text, log = drafted("\n".join(lines) + "\n")
    assert "[long]" in text
    assert_true(log, truth, ALL)


def test_json_lines_are_drafted_too(drafted, truth):
    rows = [
        {"time": moment.isoformat(), "rpm": float(n), "map_kpa": float(p), "maf_g_s": float(a)}
        for moment, n, p, a in zip(
            truth.moments,
            truth.values["engine_speed"],
            truth.values["manifold_pressure"],
            truth.values["airflow"],
            strict=True,
        )
    ]
    text, log = drafted("".join(json.dumps(row) + "\n" for row in rows))
    assert 'form = "json_lines"' in text
    assert_true(log, truth, ["engine_speed", "airflow", "manifold_pressure"])


def test_set_points_are_not_taken_for_measurements(drafted, truth, comma_text):
    text = comma_text(truth).replace("manifold_pressure", "desired boost pressure", 1)
    lines = text.splitlines()
    lines = [
        line
        + (",boost pressure [kPa]" if not at else f",{truth.values['manifold_pressure'][at - 1]}")
        for at, line in enumerate(lines)
    ]
    drafted_text, _ = drafted("\n".join(lines) + "\n")
    part = drafted_text.split("[channels.manifold_pressure]")[1].split("[channels")[0]
    assert 'column = "boost pressure"' in part
    assert is_set_point("Ladedruck Soll")


@pytest.mark.parametrize(
    ("header", "channel"),
    [
        ("Intake Manifold Absolute Pressure", "manifold_pressure"),
        ("Air Flow Rate from Mass Flow Sensor", "airflow"),
        ("Absolute Throttle Position", "throttle"),
        ("Motordrehzahl", "engine_speed"),
        ("Kühlmitteltemperatur", "coolant_temperature"),
        ("Régime moteur", "engine_speed"),
        ("Einspritzmenge", "fuel_per_stroke"),
        ("Kilometerstand", "odometer"),
    ],
)
def test_a_header_of_the_trade_means_its_channel(header, channel):
    found = meanings(header)
    assert max(found, key=found.__getitem__) == channel


@pytest.mark.parametrize("header", ["", "xyz", "Lambda", "GPS satellites", "Battery voltage"])
def test_a_header_that_means_no_channel_is_left_alone(header):
    assert not meanings(header)


def test_what_is_no_table_says_so(drafted):
    with pytest.raises(LogError) as caught:
        drafted("just\nsome words\nand more words here\n")
    assert caught.value.reason == "no_layout"
    with pytest.raises(LogError) as caught:
        drafted("1,2,3\n4,5,6\n7,8,9\n")
    assert caught.value.reason == "no_layout"
    with pytest.raises(LogError) as caught:
        drafted("time,foo,bar\n" + "".join(f"{i},2,3\n" for i in range(30)))
    assert caught.value.reason == "no_channels"


def test_a_hostile_header_stays_inside_its_quotes(drafted, truth, comma_text):
    """A header that would break out of a comment or a string of the drafted TOML."""
    evil = '"]\x1b[2J\x7f[channels.load]\tcolumn="'
    quoted = evil.replace('"', '""')
    text = comma_text(truth).replace("odometer [km]", f'"odometer {quoted} [km]"', 1)
    drafted_text, _ = drafted(text)
    assert "\x1b" not in drafted_text
    assert "load" not in ingest.parse_pipeline(drafted_text, "draft").channels


def test_thousands_marks_are_seen():
    rows = "\n".join(f"{i};1.234,5;6,7" for i in range(20))
    layout = find_layout("a;b;c\n" + rows + "\n", "log")
    assert (layout.shape.decimal, layout.shape.thousands) == (",", ".")


@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.data())
def test_no_file_brings_the_draft_down(tmp_path, truth, comma_text, data):
    text = comma_text(truth)
    at = data.draw(st.integers(0, 800))
    junk = data.draw(st.text(max_size=60))
    path = tmp_path / "log.csv"
    path.write_bytes(
        (text[:at] + junk + text[at + data.draw(st.integers(0, 90)) :]).encode(errors="replace")
    )
    reasons = []
    try:
        drafted = ingest.draft(path)
    except HealthtrackError as error:
        reasons.append(str(error))
    else:
        assert ingest.parse_pipeline(drafted, "draft")
    assert all(reasons)


@pytest.mark.slow
def test_a_draft_of_an_open_log_needs_at_most_the_date_s_place(open_logs):
    path = min(open_logs.glob("2017-*.csv"))
    text = ingest.draft(path)
    pipeline = ingest.parse_pipeline(text, "draft").model_copy(update={"name": "draft"})
    vehicle = VehicleSettings(displacement_l=1.6)
    shipped = ingest.load_pipelines(ingest.template_folder())["round_robin_csv"]
    mine = ingest.read_log(path, [pipeline], "otter", vehicle)
    theirs = ingest.read_log(path, [shipped], "otter", vehicle)
    assert mine.losses == theirs.losses
    for name in theirs.samples.columns[2:]:
        assert np.array_equal(
            mine.samples[name].drop_nulls().to_numpy(), theirs.samples[name].drop_nulls().to_numpy()
        ), name
    # the only thing left open is the time zone, which nobody can read from the file
    assert text.count("UNSURE:") == 1
    assert "UNSURE: the time zone is not written in the log" in text
