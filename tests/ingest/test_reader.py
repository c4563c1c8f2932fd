from __future__ import annotations

import gzip
import re
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import numpy as np
import polars as pl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from healthtrack import ingest, units
from healthtrack.config import VehicleSettings
from healthtrack.errors import LogError

NUMBERS = {"abs": 1e-3, "rel": 1e-4}


def losses(log):
    return {(loss.reason, loss.channel): loss.count for loss in log.losses}


def assert_true(log, truth, names=None):
    for name in names or truth.values:
        assert log.samples[name].to_numpy() == pytest.approx(truth.values[name], **NUMBERS), name
    assert log.samples["t"].to_list() == truth.moments


def german(truth, units_row=True, airflow="g/s"):
    head = ["Zeit;Drehzahl;Geschwindigkeit;Luftmasse;Saugrohrdruck;Kühlmitteltemperatur"]
    if units_row:
        head.append(f"tt.mm.jjjj hh:mm:ss;1/min;km/h;{airflow};hPa;°C")
    lines = []
    for row, moment in enumerate(truth.moments):
        local = moment + timedelta(hours=1)  # Vienna in winter
        values = [truth.values[name][row] for name in ("engine_speed", "vehicle_speed", "airflow")]
        if airflow == "mg/Hub":
            values[2] = values[2] * 1000 / (4 * values[0] / 120)
        values += [truth.values["manifold_pressure"][row] * 10, 85.5]
        cells = [f"{value:.4f}".replace(".", ",") for value in values]
        stamp = local.strftime("%d.%m.%Y %H:%M:%S,%f")
        lines.append(f"{stamp};{';'.join(cells)}")
    return "\n".join(head + lines) + "\n"


def blanks(truth):
    lines = ["# a home-made logger", "# start: 2024-03-01 06:12:30 UTC", "#", ""]
    lines.append("t      n   air  map")
    for row, second in enumerate(truth.seconds):
        cells = [
            second,
            truth.values["engine_speed"][row],
            truth.values["airflow"][row] * 3.6,
            truth.values["manifold_pressure"][row] * 10,
        ]
        lines.append("  ".join(f"{cell:10.4f}" for cell in cells))
    return "\n".join(lines) + "\n"


def test_every_value_of_a_comma_log_arrives_in_the_store_s_unit(read, truth, comma_text):
    log = read(comma_text(truth))
    assert_true(log, truth)
    assert log.losses == ()
    assert log.rows == 120
    assert log.drives.row(0, named=True) == {
        "drive": "otter/2024-03-01T06:12:30",
        "vehicle": "otter",
        "log": "log.csv",
        "started": datetime(2024, 3, 1, 6, 12, 30, tzinfo=UTC),
        "ended": datetime(2024, 3, 1, 6, 13, 29, 500_000, tzinfo=UTC),
        "odometer_km": pytest.approx(214_300 + 59.5 / 60, abs=1e-3),
        # the trapezoid rule over the very speeds that were written
        "distance_km": pytest.approx(np.trapezoid(truth.values["vehicle_speed"], dx=0.5 / 3600)),
    }


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "latin-1", "utf-16", "utf-16-le"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_a_german_log_is_read_in_any_encoding_and_line_end(read, truth, encoding, line_end):
    log = read(german(truth).replace("\n", line_end).encode(encoding))
    assert_true(log, truth, ["engine_speed", "vehicle_speed", "airflow", "manifold_pressure"])
    assert log.samples["coolant_temperature"].unique().to_list() == [85.5]


def test_a_header_encoded_twice_is_still_found(read, truth):
    twice = german(truth).encode().decode("latin-1").encode()
    assert_true(read(twice), truth, ["engine_speed", "airflow"])


def test_airflow_per_stroke_becomes_grams_per_second(read, truth):
    log = read(german(truth, airflow="mg/Hub"))
    assert_true(log, truth, ["airflow"])


def test_airflow_per_stroke_without_an_engine_speed_is_refused(read, truth, shipped):
    text = german(truth, airflow="mg/Hub").replace("Drehzahl", "Irgendwas")
    pipeline = next(one for one in shipped if one.name == "semicolon_german")
    with pytest.raises(LogError, match="engine speed") as caught:
        read(text, pipelines=[pipeline.model_copy(update={"identify": ["Zeit", "Saugrohrdruck"]})])
    assert caught.value.reason == "needs_engine_speed"


def test_a_log_without_its_units_row_says_that_the_unit_is_not_known(read, truth):
    with pytest.raises(LogError, match="not stated") as caught:
        read(german(truth, units_row=False))
    assert caught.value.reason == "unit_unknown"


def test_blanks_and_elapsed_seconds_after_a_start_in_the_preamble(read, truth):
    log = read(blanks(truth))
    assert_true(log, truth, ["engine_speed", "airflow", "manifold_pressure"])


def test_the_odometer_in_the_file_s_name_is_that_of_the_start(read, truth, shipped):
    pipeline = next(one for one in shipped if one.name == "blanks_elapsed")
    text = blanks(truth).replace("map\n", "map v\n")
    lines = [line + "  72.0" if line.startswith(" ") else line for line in text.splitlines()]
    log = read("\n".join(lines) + "\n", name="otter_214300km_20240301-061230.log")
    # 59.5 s at 72 km/h are 1.19 km
    assert log.drives["odometer_km"].to_list() == pytest.approx([214_300 + 1.19])
    assert read(blanks(truth), name="otter.log").drives["odometer_km"].to_list() == [None]
    miles = pipeline.odometer.model_copy(update={"unit": "miles"})
    log = read(
        blanks(truth),
        name="otter_100000km_1.log",
        pipelines=[pipeline.model_copy(update={"odometer": miles})],
    )
    assert log.drives["odometer_km"].to_list() == pytest.approx([160_934.4])


def test_date_and_time_may_stand_in_two_columns(read, truth, shipped):
    pipeline = next(one for one in shipped if one.name == "semicolon_german")
    time = pipeline.time.model_copy(update={"columns": ["Datum", "Zeit"]})
    text = re.sub(r"^(\d+\.\d+\.\d+) ", r"\1;", german(truth), flags=re.MULTILINE)
    text = text.replace("Zeit;Drehzahl", "Datum;Zeit;Drehzahl").replace(
        "tt.mm.jjjj ", "tt.mm.jjjj;"
    )
    log = read(text, pipelines=[pipeline.model_copy(update={"time": time})])
    assert_true(log, truth, ["engine_speed", "airflow"])


def test_a_trailing_delimiter_changes_nothing(read, truth, comma_text):
    text = comma_text(truth)
    assert_true(read(text.replace("\n", ",\n")), truth)
    head, body = text.split("\n", 1)
    assert_true(read(head + "\n" + body.replace("\n", ",\n")), truth)


def test_quoted_cells_are_read(read, truth, comma_text):
    text = re.sub(r"([^,\n]+)", r'"\1"', comma_text(truth))
    assert_true(read(text), truth)


def test_a_compressed_log_is_the_same_log(read, truth, comma_text):
    assert_true(read(gzip.compress(comma_text(truth).encode()), name="log.csv.gz"), truth)


def test_a_repeated_header_and_a_preamble_are_no_rows(read, truth, comma_text):
    lines = comma_text(truth).splitlines()
    text = "\n".join(["written by a logger", "", *lines[:60], lines[0], *lines[60:], ""])
    log = read(text)
    assert_true(log, truth)
    assert losses(log) == {("repeated_header", None): 1}


@pytest.mark.parametrize("cut", [1, 3, 12, 30])
def test_a_last_line_that_was_cut_off_is_left_out_and_counted(read, truth, comma_text, cut):
    log = read(comma_text(truth)[:-cut])
    assert log.samples.height == 119
    assert losses(log) == {("truncated", None): 1}


def _quoted(text):
    head, *lines = text.splitlines()
    return "\n".join([head, *(f'"{line.replace(",", QUOTES)}"' for line in lines)])


QUOTES = '","'


@pytest.mark.parametrize(
    "damaged",
    [
        pytest.param(lambda text: text[:-7], id="cut inside its last line"),
        pytest.param(lambda text: text + "  \t", id="blanks behind the last line"),
        pytest.param(lambda text: text.replace("\n", "\n\n", 7), id="empty lines"),
        pytest.param(lambda text: text + text, id="the whole log twice, with its header"),
        pytest.param(lambda text: text.replace("0,", "0\x00,", 5), id="null bytes"),
        pytest.param(lambda text: text.replace("0,", "0,7,", 9), id="rows too wide"),
        pytest.param(_quoted, id="quoted cells"),
        pytest.param(lambda text: _quoted(text) + "\n" + text, id="quotes in a part of it"),
    ],
)
def test_a_log_looked_at_in_parts_is_read_as_if_it_were_looked_at_at_once(
    read, truth, comma_text, monkeypatch, damaged
):
    content = damaged(comma_text(truth)).encode()

    def outcome():
        try:
            log = read(content, "same.csv")
        except LogError as error:
            return error.reason, error.message
        return log.rows, log.losses, log.notes, log.samples.to_dict(as_series=False)

    whole = outcome()
    for part in (1, 100, 1000):
        monkeypatch.setattr("healthtrack.ingest.table._PART", part)
        assert outcome() == whole


def test_a_sign_that_lies_across_two_pieces_is_read_whole(read, truth, comma_text, monkeypatch):
    text = comma_text(truth)
    for encoding in ("utf-8", "utf-16-le", "latin-1"):
        content = text.encode(encoding)
        whole = read(content, "same.csv").samples
        for piece in (1, 7):
            monkeypatch.setattr("healthtrack.ingest.source._PIECE", piece)
            assert read(content, "same.csv").samples.equals(whole)
        monkeypatch.undo()


def test_a_compressed_log_that_was_cut_off_keeps_what_it_had(read, truth, comma_text):
    packed = gzip.compress(comma_text(truth).encode())
    log = read(packed[: len(packed) * 3 // 4], name="log.csv.gz")
    assert losses(log)[("truncated", None)] == 1
    kept = log.samples.height
    assert 20 < kept < 120
    assert log.samples["airflow"].to_numpy() == pytest.approx(
        truth.values["airflow"][:kept], **NUMBERS
    )


def test_rows_of_another_width_are_left_out_and_counted(read, truth, comma_text):
    lines = comma_text(truth).splitlines()
    lines[5] += ",7,7"
    lines[9] = lines[9].rsplit(",", 1)[0]
    log = read("\n".join(lines) + "\n")
    assert losses(log) == {("ragged_row", None): 2}
    assert log.samples.height == 118


@pytest.mark.parametrize(
    ("content", "reason"),
    [
        (b"", "empty"),
        (b"\r\n \n", "empty"),
        (b"\x00" * 4096, "empty"),
        (b"\xef\xbb\xbf", "empty"),
        (bytes(range(256)) * 20, "binary"),
        (b"\x1f\x8b\x08nonsense", "damaged"),
        (b"time,engine_speed [rpm],airf", "truncated"),
        (b"a,b,c\n1,2,3\n", "no_pipeline_fits"),
        (b"time,engine_speed [rpm],airflow [g/s],manifold_pressure [kPa]\n", "too_few_rows"),
        (b"time,engine_speed,airflow,manifold_pressure\n1,2\n3\n4\n", "ragged"),
    ],
)
def test_a_file_that_is_no_log_has_a_reason(read, content, reason):
    with pytest.raises(LogError) as caught:
        read(content)
    assert caught.value.reason == reason
    assert "log.csv" in caught.value.message


def test_a_missing_file_has_a_reason(tmp_path, shipped, vehicle):
    with pytest.raises(LogError) as caught:
        ingest.read_log(tmp_path / "absent.csv", shipped, "otter", vehicle)
    assert caught.value.reason == "unreadable"


def test_no_fitting_pipeline_says_what_was_looked_for_and_what_was_there(read):
    with pytest.raises(LogError) as caught:
        read("Uhrzeit|Ladung\n1|2\n")
    assert "semicolon_german looks for Zeit, Drehzahl, Saugrohrdruck" in caught.value.message
    assert "Uhrzeit|Ladung" in caught.value.message


def test_the_vehicle_s_own_pipeline_is_the_only_one_tried(read, truth, comma_text):
    own = VehicleSettings(displacement_l=2.0, pipeline="blanks_elapsed")
    with pytest.raises(LogError, match="blanks_elapsed looks for") as caught:
        read(comma_text(truth), vehicle=own)
    assert "comma_iso" not in caught.value.message
    with pytest.raises(LogError, match="there is no pipeline 'nowhere'"):
        read(comma_text(truth), vehicle=VehicleSettings(pipeline="nowhere"))


def test_a_value_outside_the_physical_range_is_taken_out_and_counted(read, truth, comma_text):
    truth.values["intake_temperature"][[3, 4, 90]] = [151.0, -60.0, 97.0]
    log = read(comma_text(truth))
    assert losses(log) == {("out_of_range", "intake_temperature"): 3}
    assert log.samples["intake_temperature"].null_count() == 3
    assert log.samples["airflow"].null_count() == 0


def test_a_cell_that_is_no_number_is_taken_out_and_counted(read, truth, comma_text):
    lines = comma_text(truth).splitlines()
    for row, mark in ((3, "=1+2"), (5, "12.3.4"), (7, "nan"), (9, "-"), (11, ""), (13, "1e999")):
        cells = lines[row].split(",")
        cells[3] = mark
        lines[row] = ",".join(cells)
    log = read("\n".join(lines) + "\n")
    # the formula, the double point and the endless number; nan, - and empty mean not measured
    assert losses(log) == {("not_a_number", "airflow"): 3}
    assert log.samples["airflow"].null_count() == 6


def test_a_point_in_a_log_with_decimal_commas_is_not_guessed(read, truth):
    log = read(german(truth).replace("85,5000", "1.234"))
    assert losses(log) == {("not_a_number", "coolant_temperature"): 120}


@pytest.mark.parametrize("written", ["kg/h", "lb/min", "g/h", "mg/stroke"])
def test_airflow_in_a_wrong_unit_is_refused_and_the_right_one_named(
    read, truth, comma_text, written
):
    """The log holds `written`, its header claims g/s."""
    if written == "mg/stroke":
        truth.values["airflow"] *= 1000 / (4 * truth.values["engine_speed"] / 120)
    else:
        truth.values["airflow"] = np.array(
            [units.convert(value, "g/s", written) for value in truth.values["airflow"]]
        )
    with pytest.raises(LogError) as caught:
        read(comma_text(truth))
    assert caught.value.reason == "wrong_unit"
    if written != "g/h":  # every value over 1000 g/s: the range finds it first
        assert f"would fit: {written}" in caught.value.message


def test_pressure_in_a_wrong_unit_is_refused_and_the_right_one_named(read, truth, comma_text):
    truth.values["manifold_pressure"] *= 10
    with pytest.raises(LogError, match="would fit: hPa") as caught:
        read(comma_text(truth))
    assert caught.value.reason == "wrong_unit"


def test_header_and_pipeline_that_name_different_units_are_refused(read, truth, shipped):
    pipeline = next(one for one in shipped if one.name == "blanks_elapsed")
    text = blanks(truth).replace(" air ", " air[g/s] ")
    with pytest.raises(LogError, match="the pipeline says kg/h") as caught:
        read(text)
    assert caught.value.reason == "wrong_unit"
    lying = pipeline.channels["airflow"].model_copy(update={"log_unit_is_wrong": True})
    channels = {**pipeline.channels, "airflow": lying}
    log = read(text, pipelines=[pipeline.model_copy(update={"channels": channels})])
    assert_true(log, truth, ["airflow"])


def test_a_gauge_pressure_gets_the_ambient_pressure(read, truth, comma_text):
    truth.values["manifold_pressure"] = truth.values["manifold_pressure"] - 89.875
    text = comma_text(truth).replace("[kPa]", "[kPa gauge]")
    with pytest.raises(LogError, match="altitude_m") as caught:
        read(text)
    assert caught.value.reason == "ambient_unknown"
    # ISO 2533 prints 89.875 kPa at a geopotential height of 1000 m
    log = read(text, vehicle=VehicleSettings(displacement_l=2.0, altitude_m=1000.0))
    expected = truth.values["manifold_pressure"] + 89.875
    assert log.samples["manifold_pressure"].to_numpy() == pytest.approx(expected, abs=2e-3)


def test_a_logged_ambient_pressure_is_the_one_that_is_added(read, truth, comma_text):
    truth.values["manifold_pressure"] = truth.values["manifold_pressure"] - 97.0
    lines = comma_text(truth).replace("[kPa]", "[kPa(g)]").splitlines()
    lines = [
        line + (",ambient_pressure [kPa]" if not i else ",97.0") for i, line in enumerate(lines)
    ]
    log = read("\n".join(lines) + "\n")
    expected = truth.values["manifold_pressure"] + 97.0
    assert log.samples["manifold_pressure"].to_numpy() == pytest.approx(expected, abs=2e-3)


def test_a_log_without_a_unit_that_fits_its_channel_is_refused(read, truth, comma_text):
    with pytest.raises(LogError, match="is a temperature and cannot be the channel airflow"):
        read(comma_text(truth).replace("[g/s]", "[°C]"))


def test_control_characters_of_a_header_never_reach_a_terminal(read):
    with pytest.raises(LogError) as caught:
        read("time,engine speed [rpm],manifold pressure,\x1b[2Jx [furlong]\n" + "1,2,3,4\n" * 20)
    assert "\x1b" not in caught.value.message


def test_units_inside_the_cells_are_read_and_another_one_is_no_number(read, truth, comma_text):
    head, *lines = comma_text(truth).splitlines()
    head = head.replace(" [km/h]", "").replace(" [g/s]", "")
    for at, line in enumerate(lines):
        cells = line.split(",")
        cells[2] += " km/h"
        cells[3] += "g/s" if at != 7 else "kg/h"
        lines[at] = ",".join(cells)
    log = read("\n".join([head, *lines, ""]))
    assert losses(log) == {("not_a_number", "airflow"): 1}
    assert_true(log, truth, ["vehicle_speed"])
    known = log.samples["airflow"].drop_nulls().to_numpy()
    assert known == pytest.approx(np.delete(truth.values["airflow"], 7), **NUMBERS)


def test_the_same_file_twice_gives_the_same_frames(read, truth, comma_text):
    first, second = read(comma_text(truth)), read(comma_text(truth), name="other.csv")
    assert first.samples.equals(second.samples)
    assert first.losses == second.losses


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(cuts=st.lists(st.integers(20, 100), min_size=1, max_size=4, unique=True))
def test_the_pieces_of_a_log_hold_what_the_whole_holds(read, truth, comma_text, cuts):
    whole = read(comma_text(truth))
    head, *rows = comma_text(truth).splitlines(keepends=True)
    edges = [
        0,
        *sorted(cut for cut in cuts if all(abs(cut - c) >= 10 or c == cut for c in cuts)),
        120,
    ]
    pieces = [read("".join([head, *rows[a:b]])) for a, b in pairwise(edges) if b - a >= 10]
    together = pl.concat([piece.samples.drop("drive") for piece in pieces])
    assert together.equals(whole.samples.drop("drive"))


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(content=st.binary(max_size=400))
def test_no_bytes_bring_the_reader_down(read, truth, comma_text, content):
    text = comma_text(truth).encode()
    reasons = set()
    for mixed in (content, text[:300] + content, text[:400] + content + text[400:]):
        try:
            log = read(mixed)
        except LogError as error:
            reasons.add(error.reason)
        else:
            assert log.samples.height <= log.rows
    assert "" not in reasons
