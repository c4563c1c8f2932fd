"""Standard signal numbers, checked against worked values of the public tables."""

from __future__ import annotations

import polars as pl
import pytest

from healthtrack import units
from healthtrack.channels import CHANNELS
from healthtrack.errors import SettingsError
from healthtrack.ingest import parse_pipeline
from healthtrack.ingest.signals import SIGNALS, raw_numbers, scaled, signal_of


def value(name, raw, digits="hex"):
    signal = SIGNALS[name]
    values, _ = scaled(raw_numbers(pl.Series([raw]), signal, digits), signal)
    return values[0]


def test_250_kilograms_per_hour_are_69_444_grams_per_second():
    assert units.convert(250.0, SIGNALS["J1939:132"].unit, "g/s") == pytest.approx(69.444, abs=5e-4)


@pytest.mark.parametrize(
    ("name", "raw"),
    [
        ("J1939:110", 0xFF), ("J1939:110", 0xFE), ("J1939:110", 0xFB),
        ("J1939:190", 0xFFFF), ("J1939:190", 0xFE00), ("J1939:190", 0xFB00),
        ("J1939:245", 0xFFFFFFFF), ("J1939:245", 0xFE000000), ("J1939:245", 0xFB000000),
    ],
)  # fmt: skip
def test_not_available_and_error_are_no_readings(name, raw):
    signal = SIGNALS[name]
    values, lost = scaled(pl.Series([float(raw)]), signal)
    assert values.to_list() == [None]
    assert lost == 1


def test_what_is_no_raw_number_is_no_reading():
    signal = SIGNALS["J1979:0C"]
    raw = raw_numbers(pl.Series(["1AF8", "xyz", "", None, "1A", "0x1A F8 00", "-1"]), signal, "hex")
    assert raw.to_list() == [0x1AF8, None, None, None, 0x1A, 0x1AF8, 1.0]


def test_every_signal_is_a_channel_in_a_unit_that_can_become_the_store_s():
    for signal in SIGNALS.values():
        channel = CHANNELS[signal.channel]
        unit, target = units.named(signal.unit), units.named(channel.unit)
        assert unit.dimension == target.dimension or signal.channel == "fuel_flow"


@pytest.mark.parametrize(
    ("header", "name"),
    [
        ("PID 0x0C", "J1979:0C"), ("pid_10", "J1979:10"), ("010B", "J1979:0B"),
        ("SPN 190", "J1939:190"), ("spn132", "J1939:132"), ("OBD 0F", "J1979:0F"),
    ],
)  # fmt: skip
def test_a_number_alone_names_a_signal(header, name):
    assert signal_of(header) == SIGNALS[name]


@pytest.mark.parametrize("header", ["0C", "10", "speed", "SPN 99999", "PID FF", "2010", ""])
def test_what_could_be_anything_names_nothing(header):
    assert signal_of(header) is None


PIPELINE = """
identify = ["time", "SPN 190"]
[time]
columns = ["time"]
form = "epoch"
[channels.engine_speed]
column = "SPN 190"
raw = "J1939:190"
[channels.coolant_temperature]
column = "PID 05"
raw = "J1979:05"
raw_digits = "hex"
[channels.manifold_pressure]
column = "SPN 102"
raw = "J1939:102"
"""


def test_a_log_of_raw_numbers_is_read(read, vehicle):
    rows = [
        f"{1_719_800_000 + i},{16_000 if i != 5 else 65_535},7B,{20 if i else 255}"
        for i in range(20)
    ]
    text = "time,SPN 190,PID 05,SPN 102\n" + "\n".join(rows) + "\n"
    at_sea = vehicle.model_copy(update={"altitude_m": 0.0})
    log = read(text, pipelines=[parse_pipeline(PIPELINE, "raw.toml")], vehicle=at_sea)
    assert log.samples["engine_speed"].drop_nulls().unique().to_list() == [2000.0]
    assert log.samples["coolant_temperature"].unique().to_list() == [83.0]
    # 40 kPa above the standard atmosphere at sea level, ISO 2533
    assert log.samples["manifold_pressure"].drop_nulls().unique().to_list() == [141.325]
    assert {(loss.reason, loss.channel, loss.count) for loss in log.losses} == {
        ("not_available", "engine_speed", 1),
        ("not_available", "manifold_pressure", 1),
    }


def test_an_unknown_signal_is_refused_by_name():
    with pytest.raises(SettingsError, match="J1939:4711"):
        parse_pipeline(PIPELINE.replace("J1939:190", "J1939:4711"), "raw.toml")
