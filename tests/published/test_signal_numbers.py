"""Standard signal numbers decode as the public tables of SAE J1979 and SAE J1939 say."""

from __future__ import annotations

import polars as pl
import pytest

from healthtrack.ingest.signals import SIGNALS, raw_numbers, scaled


def value(name, raw, digits="hex"):
    signal = SIGNALS[name]
    values, _ = scaled(raw_numbers(pl.Series([raw]), signal, digits), signal)
    return values[0]


@pytest.mark.published("SAE J1979 mode 01 public parameter dictionary; decoded by hand")
@pytest.mark.parametrize(
    ("name", "raw", "expected"),
    [
        ("J1979:10", "0BB8", 30.00),
        ("J1979:0C", "1A F8", 1726.0),
        ("J1979:66", "01 0F A0 00 00", 125.0),
        ("J1979:5E", "0x012C", 15.0),
        ("J1979:A6", "00186A90", 160_014.4),
        ("J1979:04", "FF", 100.0),
        ("J1979:05", "00", -40.0),
        ("J1979:0B", "FF", 255.0),
        ("J1979:10", "FFFF", 655.35),
    ],
)
def test_a_parameter_of_j1979_decodes_as_worked(name, raw, expected):
    assert value(name, raw) == pytest.approx(expected, rel=1e-12)


@pytest.mark.published("SAE J1939-71 public SPN table; decoded by hand")
@pytest.mark.parametrize(
    ("name", "raw", "expected"),
    [
        ("J1939:132", "5000", 250.0),  # kg/h, 69.444 g/s
        ("J1939:102", "75", 150.0),
        ("J1939:108", "196", 98.0),
        ("J1939:105", "90", 50.0),
        ("J1939:190", "16000", 2000.0),
        ("J1939:245", "800000", 100_000.0),
        ("J1939:917", "20000000", 100_000.0),
        # the tables' printed ranges: 0–250 %, 0–500 kPa, 0–8031.875 rpm, 0–3212.75 kg/h
        ("J1939:102", "250", 500.0),
        ("J1939:190", str(0xFAFF), 8031.875),
        ("J1939:132", str(0xFAFF), 3212.75),
    ],
)
def test_an_spn_of_j1939_decodes_as_worked(name, raw, expected):
    assert value(name, raw, "decimal") == pytest.approx(expected, rel=1e-12)
