"""Every form of log holds the same truth: one suite over all readers."""

from __future__ import annotations

import gzip
import importlib
import io
import json
import zipfile

import numpy as np
import polars as pl
import pytest

from healthtrack import ingest
from healthtrack.errors import LogError
from healthtrack.records import Loss

CHANNELS = {
    "engine_speed": "rpm",
    "vehicle_speed": "km/h",
    "airflow": "g/s",
    "manifold_pressure": "kPa",
    "intake_temperature": "°C",
    "odometer": "km",
}


def stamps(truth):
    return [moment.strftime("%Y-%m-%dT%H:%M:%S.%fZ") for moment in truth.moments]


def rows_of(truth):
    return [
        {"time": stamp, **{name: round(float(truth.values[name][row]), 4) for name in CHANNELS}}
        for row, stamp in enumerate(stamps(truth))
    ]


def json_lines(truth):
    return "".join(json.dumps(row) + "\n" for row in rows_of(truth)).encode()


def long_csv(truth):
    lines = ["time,signal,value,unit"]
    for row in rows_of(truth):
        lines += [f"{row['time']},{name},{row[name]},{unit}" for name, unit in CHANNELS.items()]
    return ("\n".join(lines) + "\n").encode()


def parquet(truth):
    buffer = io.BytesIO()
    frame = pl.DataFrame(rows_of(truth)).with_columns(pl.Series("time", truth.moments))
    frame.write_parquet(buffer)
    return buffer.getvalue()


def parquet_of_texts(truth):
    buffer = io.BytesIO()
    pl.DataFrame(rows_of(truth)).write_parquet(buffer)
    return buffer.getvalue()


def mdf(truth):
    asammdf = pytest.importorskip("asammdf", reason="the optional extra mdf is not installed")
    measurement = asammdf.MDF(version="4.10")
    measurement.start_time = truth.moments[0]
    for name, unit in CHANNELS.items():  # one group, so one clock, per channel
        signal = asammdf.Signal(
            truth.values[name], truth.seconds - truth.seconds[0], name=name, unit=unit
        )
        measurement.append([signal])
    buffer = io.BytesIO()
    measurement.save(buffer)
    measurement.close()
    return buffer.getvalue()


def zipped(content, name="drives/log.csv"):
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("drives/", "")
        archive.writestr("__MACOSX/._log.csv", "x")
        archive.writestr(name, content)
    return buffer.getvalue()


FORMS = {
    "json_lines": json_lines,
    "long_csv": long_csv,
    "parquet": parquet,
    "parquet of texts": parquet_of_texts,
    "mdf": mdf,
    "zip of json_lines": lambda truth: zipped(json_lines(truth)),
    "zip of gzip of long_csv": lambda truth: zipped(gzip.compress(long_csv(truth))),
}


@pytest.mark.filterwarnings("ignore")  # asammdf warns of what it will change one day
@pytest.mark.parametrize("form", FORMS)
def test_every_form_of_log_gives_the_same_samples(read, truth, form):
    log = read(FORMS[form](truth), name="log.bin")
    assert log.losses == ()
    assert set(log.samples.columns[2:]) == set(CHANNELS)
    for name in CHANNELS:
        known = log.samples.filter(pl.col(name).is_not_null())
        assert known[name].to_numpy() == pytest.approx(truth.values[name], abs=1e-4), name
        got = known["t"].dt.epoch("us").to_numpy()
        expected = np.array([round(moment.timestamp() * 1e6) for moment in truth.moments])
        assert np.abs(got - expected).max() <= 1, name
    assert log.drives["distance_km"].item() == pytest.approx(
        np.trapezoid(truth.values["vehicle_speed"], dx=0.5 / 3600), rel=1e-4
    )


def test_a_time_in_no_year_that_there_is_costs_its_row_alone(read, truth):
    frame = pl.DataFrame(rows_of(truth)).with_columns(pl.Series("time", truth.moments))
    ticks = frame["time"].cast(pl.Datetime("us", "UTC")).to_physical().to_list()
    ticks[3], ticks[7] = -(2**62), 2**62  # the years −144 169 and 148 108
    buffer = io.BytesIO()
    times = pl.Series("time", ticks).cast(pl.Datetime("us", "UTC"))
    frame.with_columns(times).write_parquet(buffer)
    log = read(buffer.getvalue(), name="log.bin")
    assert log.losses == (Loss("unreadable_time", 2),)
    assert log.samples.height == frame.height - 2


def test_json_lines_looked_at_in_parts_are_read_as_if_at_once(read, truth, monkeypatch):
    head, *lines = json_lines(truth).decode().splitlines()
    half = len(lines) // 2
    later = [line.replace("{", '{"new": 1, ', 1) for line in lines[half:]]  # a key that comes late
    content = "\n".join([head, "no object", *lines[:half], "", *later, '{"time": "20']).encode()
    whole = read(content, name="same.jsonl")
    assert {(loss.reason, loss.count) for loss in whole.losses} == {
        ("truncated", 1), ("ragged_row", 1)
    }  # fmt: skip
    for part in (1, 500):
        monkeypatch.setattr("healthtrack.ingest.table._PART", part)
        again = read(content, name="same.jsonl")
        assert again.samples.equals(whole.samples)
        assert (again.rows, again.losses) == (whole.rows, whole.losses)


def test_json_lines_with_a_key_of_its_own_on_each_line_are_refused_before_they_fill_the_memory(
    read,
):
    lines = [f'{{"time": {number}, "x{number % 4000}": 1}}' for number in range(6_000)]
    with pytest.raises(LogError) as refused:
        read("\n".join([*lines, ""]).encode(), name="log.jsonl")
    assert refused.value.reason == "too_large"
    assert "4001 columns" in refused.value.message


def test_columns_that_no_channel_names_cost_nothing_more_and_change_nothing(
    read, truth, comma_text
):
    text = comma_text(truth)
    head, *lines = text.splitlines()
    more = "\n".join([head + ",x,x,y"] + [line + ",1,,junk" for line in lines]) + "\n"
    for content in (more, more + "too,short\n"):  # at once, and line by line
        assert read(content.encode(), "l.csv").samples.equals(read(text.encode(), "l.csv").samples)


@pytest.mark.filterwarnings("ignore")  # asammdf warns of what it will change one day
@pytest.mark.parametrize("form", ["mdf", "parquet"])
def test_a_packed_log_of_too_many_cells_is_refused(read, truth, monkeypatch, form):
    content = FORMS[form](truth)
    home = "mdf" if form == "mdf" else "forms"
    cells = len(truth.moments) * (len(CHANNELS) + 1)
    importlib.import_module(f"healthtrack.ingest.{home}")
    monkeypatch.setattr(f"healthtrack.ingest.{home}.MOST_CELLS", cells)
    read(content, name="log.bin")
    monkeypatch.setattr(f"healthtrack.ingest.{home}.MOST_CELLS", cells - 1)
    with pytest.raises(LogError, match="cells") as refused:
        read(content, name="log.bin")
    assert refused.value.reason == "too_large"


def test_an_object_with_half_a_sign_is_no_row(read, truth):
    lines = json_lines(truth).decode().splitlines()
    lines[5] = lines[5].replace("{", '{"note": "\\ud800", ', 1)
    log = read("\n".join([*lines, ""]).encode(), name="log.jsonl")
    assert log.losses == (Loss("ragged_row", 1),)
    assert log.samples.height == len(lines) - 1


@pytest.mark.parametrize(("name", "mark"), [("tab", "\t"), ("pipe", "|"), ("semicolon", ";")])
def test_any_delimiter_that_the_pipeline_names_is_read(
    read, truth, comma_text, shipped, name, mark
):
    pipeline = next(one for one in shipped if one.name == "comma_iso")
    shape = pipeline.file.model_copy(update={"delimiter": name})
    log = read(
        comma_text(truth).replace(",", mark),
        pipelines=[pipeline.model_copy(update={"file": shape})],
    )
    assert log.samples["airflow"].to_numpy() == pytest.approx(truth.values["airflow"], abs=1e-3)


def test_thousands_marks_are_undone(read, truth, comma_text, shipped):
    pipeline = next(one for one in shipped if one.name == "comma_iso")
    shape = pipeline.file.model_copy(
        update={"delimiter": "semicolon", "decimal": ",", "thousands": "."}
    )
    names = tuple(CHANNELS)
    lines = [";".join(["time", *(f"{name} [{CHANNELS[name]}]" for name in names)])]
    for row, stamp in enumerate(stamps(truth)):
        cells = [f"{truth.values[name][row]:,.3f}" for name in names]
        cells = [cell.translate(str.maketrans(",.", ".,")) for cell in cells]
        lines.append(";".join([stamp, *cells]))
    assert "2.14.300" not in lines[1]
    assert "214.300,000" in lines[1]
    log = read("\n".join(lines) + "\n", pipelines=[pipeline.model_copy(update={"file": shape})])
    assert log.samples["odometer"].to_numpy() == pytest.approx(truth.values["odometer"], abs=1e-3)
    assert log.samples["engine_speed"].to_numpy() == pytest.approx(
        truth.values["engine_speed"], abs=1e-3
    )


def test_json_lines_with_inner_objects_and_odd_lines(read, truth, shipped):
    pipeline = next(one for one in shipped if one.name == "json_lines")
    inner = pipeline.channels["airflow"].model_copy(update={"column": "air.flow"})
    channels = {**pipeline.channels, "airflow": inner}
    lines = []
    for row in rows_of(truth):
        row["air"] = {"flow": row.pop("airflow"), "deeper": {"x": 1}}
        row["gears"] = [1, 2]
        lines.append(json.dumps(row))
    lines[7] = "[1, 2]"
    lines[9] = lines[9][:-5]
    lines[11] = "[" * 100_000
    lines[13] = '{"time": ' + "1" * 10_000 + "}"
    log = read(
        "\n".join(lines) + "\n", pipelines=[pipeline.model_copy(update={"channels": channels})]
    )
    kept = [row for row in range(120) if row not in {7, 9, 11, 13}]
    assert log.samples["airflow"].to_numpy() == pytest.approx(
        truth.values["airflow"][kept], abs=1e-4
    )
    assert {(loss.reason, loss.count) for loss in log.losses} == {
        ("ragged_row", 3),
        ("unreadable_time", 1),
    }


def test_a_long_log_out_of_order_is_put_in_order(read, truth):
    head, *lines = long_csv(truth).decode().splitlines()
    by_signal = sorted(lines, key=lambda line: line.split(",")[1])
    log = read("\n".join([head, *by_signal, ""]))
    assert log.losses == ()
    assert log.samples["airflow"].drop_nulls().to_numpy() == pytest.approx(
        truth.values["airflow"], abs=1e-4
    )


@pytest.mark.parametrize(
    ("build", "reason"),
    [
        (lambda: zipped(b"") , "empty"),
        (lambda: zipped(b"0" * 3_000_000), "archive"),
        (lambda: zipped(zipped(b"a,b\n")), "archive"),
        (lambda: zipped(b"time,b\n1,2\n", name="../../etc/passwd"), "no_pipeline_fits"),
        (lambda: zipped(b"a,b\n")[:40], "damaged"),
        (lambda: b"PAR1" + b"\x00\x01" * 400, "damaged"),
        (lambda: b"PAR1", "damaged"),
        (lambda: b"{not json\n{still not\n", "damaged"),
        (lambda: b'{"a": 1}\n', "no_pipeline_fits"),
        (lambda: b'{"a": "' + b"x" * 1_100_000 + b'"}\n', "long_line"),
        (lambda: b"time," + b"x" * 1_100_000 + b"\n1,2\n", "no_pipeline_fits"),
        (lambda: json.dumps({str(i): i for i in range(6000)}).encode() + b"\n", "too_many_columns"),
    ],
)  # fmt: skip
def test_a_hostile_file_has_a_reason(read, build, reason):
    with pytest.raises(LogError) as caught:
        read(build(), name="log.bin")
    assert caught.value.reason == reason


def test_an_archive_of_several_logs_is_refused_with_advice(read):
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        archive.writestr("a.csv", "x")
        archive.writestr("b.csv", "x")
    with pytest.raises(LogError, match="holds 2 files; expected one log"):
        read(buffer.getvalue())


def test_a_header_of_a_hundred_thousand_columns_is_refused(read):
    text = "time,engine speed [rpm],manifold pressure [kPa]," + ",".join(map(str, range(100_000)))
    with pytest.raises(LogError) as caught:
        read(text + "\n1,2,3\n")
    assert caught.value.reason == "too_many_columns"


def test_a_compressed_flood_is_not_unpacked(read, monkeypatch):
    from healthtrack.ingest import source

    monkeypatch.setattr(source, "MAXIMUM_BYTES", 1_000_000)
    with pytest.raises(LogError) as caught:
        read(gzip.compress(b"0" * 1_000_002))
    assert caught.value.reason == "too_large"


def test_a_log_too_large_for_the_memory_is_refused_with_what_to_do(read, monkeypatch):
    from healthtrack.ingest import source

    monkeypatch.setattr(source, "MAXIMUM_BYTES", 2 * 2**20)
    with pytest.raises(LogError, match=r"more than 2 MiB.*split it at its pauses") as caught:
        read("time,engine speed [rpm]\n" + "2024-03-01T08:00:00Z,800\n" * 100_000)
    assert caught.value.reason == "too_large"


@pytest.mark.filterwarnings("ignore")
def test_a_damaged_measurement_is_refused(read, truth):
    whole = mdf(truth)
    for content in (whole[:200], whole[: len(whole) // 2], b"MDF     " + b"\x00\x07" * 300):
        with pytest.raises(LogError) as caught:
            read(content)
        assert caught.value.reason in {"damaged", "no_pipeline_fits", "too_few_rows"}


def test_shipped_pipelines_cover_every_form():
    shipped = ingest.load_pipelines(ingest.template_folder())
    assert {one.file.form for one in shipped.values()} == {"text", "json_lines", "parquet", "mdf"}
